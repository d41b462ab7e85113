"""The stars one points at by eye: a bundled table to V 4.0, found by name or designation."""

from __future__ import annotations

import csv
import math
import re
import unicodedata
from dataclasses import dataclass
from difflib import SequenceMatcher
from functools import cache
from importlib.resources import files

from poleward.errors import InputError, shortened

SOURCE = "Yale Bright Star Catalogue, 5th ed. (Hoffleit & Warren 1991)"
ALIKE = 0.6
"""Share of letters in common from which a name is proposed: that of `quantity.nearest`."""
LONGEST_NAME = 40
"""Letters that are compared; the longest name has 21."""


@dataclass(frozen=True)
class Star:
    """A star's place, ICRS, radians, where it stood at J2000.0.

    Proper motion is left out: alpha Centauri, the fastest here, has moved 1.7 arcmin by 2027, and a drift timed that
    far from where it is thought to be is wrong by 0.0005 of itself.
    """

    name: str
    designation: str
    number: str
    ra: float
    dec: float
    magnitude: float
    source: str = SOURCE

    @property
    def keys(self) -> tuple[str, ...]:
        """What it answers to, plain; a designation also without the small number of a double star's part."""
        whole = _plain(self.designation)
        spelled = (_plain(self.name), whole, re.sub(r"^([a-z]+)\d", r"\1", whole), f"hr{self.number}")
        return tuple(key for key in spelled if key)


@cache
def bright_stars() -> tuple[Star, ...]:
    """Return the bundled stars in order of right ascension as catalogued; its source stands in the table's head."""
    text = (files("poleward") / "data" / "bright-stars.csv").read_text(encoding="utf-8")
    rows = csv.DictReader(line for line in text.splitlines() if not line.startswith("#"))
    return tuple(
        Star(
            row["name"] or row["designation"],
            row["designation"],
            row["hr"],
            math.radians(float(row["ra_deg"])),
            math.radians(float(row["dec_deg"])),
            float(row["v_mag"]),
        )
        for row in rows
    )


def find_star(text: str, where: str = "") -> Star:
    """Return a bundled star by name or designation: ``Altair``, ``alpha Aql``, ``HR 7557``.

    Capitals and blanks do not count, and Greek letters may be Greek. Of a double star's parts the brighter is meant.

    Raises
    ------
    InputError
        There is none; names the nearest.
    """
    found = _by_key().get(_plain(text))
    if found is None:
        near = _nearest(_plain(text))
        hint = f"it holds {len(bright_stars())} stars to magnitude 4.0; of any other give ra and dec"
        hint = hint if near is None else f"did you mean {_both(near)}?"
        raise InputError(f"there is no star '{shortened(text)}' in the bundled table", hint, where)
    return found


def _nearest(key: str) -> Star | None:
    """Return the star whose name is spelled most alike, of several the brightest; None if none is."""
    alike = {
        known: SequenceMatcher(None, known, key[:LONGEST_NAME]).ratio()
        for known in _by_key()
        if not known.startswith("hr")
    }
    best = max(alike, key=lambda known: (alike[known], -_by_key()[known].magnitude))
    return _by_key()[best] if alike[best] >= ALIKE else None


def _both(star: Star) -> str:
    return star.name if star.name == star.designation else f"{star.name} ({star.designation})"


def _plain(text: str) -> str:
    """Lower case without blanks, Greek letters by their names: a Greek alpha with ``Lyr`` and ``Alpha Lyr`` are ``alphalyr``."""
    signs = []
    for sign in text:
        said = unicodedata.name(sign, "")
        greek = re.fullmatch(r"GREEK (?:SMALL|CAPITAL) LETTER (?:FINAL )?(\w+)", said)
        signs.append(greek[1].replace("LAMDA", "LAMBDA") if greek else sign)
    return re.sub(r"[\s_-]", "", "".join(signs)).lower()


@cache
def _by_key() -> dict[str, Star]:
    """Stars by what they answer to; the brighter wins."""
    found: dict[str, Star] = {}
    for star in sorted(bright_stars(), key=lambda star: star.magnitude):
        for key in star.keys:
            found.setdefault(key, star)
    return found
