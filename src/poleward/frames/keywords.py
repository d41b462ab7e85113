"""What a header says under a keyword: the FITS standard's own, and those that the user's setup trusts beyond it."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from difflib import get_close_matches
from typing import Any

from poleward.door.quantity import Kind, header_unit, parse
from poleward.errors import InputError, printable
from poleward.setup import Setup

MAPPED = re.compile(r"(?P<keyword>[^\[\]]+?)\s*(?:\[(?P<unit>[^\[\]]*)\])?")
"""``KEYWORD`` or ``KEYWORD [unit]``, as in the header of a drift table."""


@dataclass(frozen=True)
class Header:
    """A FITS header, read with care: a card that cannot be read is an error with its place.

    Attributes
    ----------
    cards : tuple of mappings
        As astropy reads them: of the picture, then of the file as a whole, which says what the other leaves out.
    source : str
        Name of the file, printable.
    """

    cards: tuple[Any, ...] = field(compare=False)
    source: str

    def value(self, keyword: str) -> Any:
        """Return a card's value; None where there is none, or an empty one."""
        try:
            value = next((cards[keyword] for cards in self.cards if keyword in cards), None)
        except Exception as error:  # noqa: BLE001 - astropy raises whatever its card parser raises
            reason = " ".join(str(error).split()) or type(error).__name__
            raise InputError(f"this card cannot be read: {reason}", "", f"{self.source}, {keyword}") from None
        if isinstance(value, str):
            value = printable(value.strip())
        elif not isinstance(value, bool | int | float):
            return None
        return None if value == "" else value

    def like(self, *words: str) -> str:
        """Return the keywords in whose names one of these words stands, for hints."""
        found = [name for name in self._names() if any(word in name for word in words)]
        return ", ".join(printable(name) for name in found[:8])

    def nearest(self, keyword: str) -> str:
        """Return a hint that names the keyword nearest to one that is not there."""
        close = get_close_matches(keyword.upper(), self._names(), n=1, cutoff=0.6)
        return f"did you mean {printable(close[0])}?" if close else "look into the header for its real name"

    def _names(self) -> list[str]:
        names = dict.fromkeys(str(name) for cards in self.cards for name in cards)
        return [name for name in names if name not in ("", "COMMENT", "HISTORY")]


@dataclass(frozen=True)
class Mapped:
    """A keyword of the user's map that a header holds.

    Attributes
    ----------
    keyword : str
    value : str, int, float or bool
    unit : str
        Of bare numbers, as the map says; empty where it says nothing.
    where : str
        For messages.
    """

    keyword: str
    value: Any
    unit: str
    where: str

    def parsed(self, kind: Kind) -> float:
        """Return the value as a number in the unit of its kind."""
        unit = header_unit(self.unit, kind, self.where)
        return parse(self.value, kind, self.where, "", unit)


@dataclass(frozen=True)
class Trusted:
    """Which header keywords the user trusts beyond the standard's own; ``[frames]`` of the setup.

    Attributes
    ----------
    keywords : mapping
        By what it is (``ra``, ``exposure``, ...): keyword and unit.
    stamp : str
        What DATE-OBS marks: ``start``, ``middle`` or ``end`` of the exposure; empty where nobody says.
    where : str
        For messages.
    """

    keywords: Mapping[str, tuple[str, str]] = field(default_factory=dict)
    stamp: str = ""
    where: str = "[frames]"

    @classmethod
    def of(cls, setup: Setup) -> Trusted:
        """Return what a setup trusts.

        Raises
        ------
        InputError
            A keyword that is none.
        """
        where = f"{setup.source} [frames]" if setup.source else "[frames]"
        told = {}
        for name, text in setup.frames.get("keywords", {}).items():
            found = MAPPED.fullmatch(text.strip()) if isinstance(text, str) else None
            if found is None:
                raise InputError(
                    f"{name} is {text!r}, allowed is a header's keyword, or KEYWORD [unit]",
                    f'e.g. keywords = {{ {name} = "CRVAL1 [deg]" }}',
                    f"{where}, keywords",
                )
            told[name] = (found["keyword"], found["unit"] or "")
        return cls(told, str(setup.frames.get("stamp", "")), where)

    def found(self, name: str, header: Header) -> Mapped | None:
        """Return what the keyword of this name holds; None where the map has none.

        Raises
        ------
        InputError
            The header has no such keyword.
        """
        if name not in self.keywords:
            return None
        keyword, unit = self.keywords[name]
        value = header.value(keyword)
        if value is None:
            raise InputError(
                f"this header has no {keyword}, which the setup names for {name}",
                header.nearest(keyword),
                header.source,
            )
        return Mapped(keyword, value, unit, f"{header.source}, {keyword}")
