"""What an evening starts from, and the questions about what the setup lacks."""

from __future__ import annotations

import json
from collections.abc import Callable, Generator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from poleward.door import quantity
from poleward.rounds.history import Round
from poleward.rounds.questions import Question, choice, drift_reader, knob_angle, plain_angle, way
from poleward.rounds.story import LIMIT_ARCMIN
from poleward.setup import Setup
from poleward.sky.camera import GuideCamera
from poleward.sky.site import Site
from poleward.solving.knobs import SIDES, Knob
from poleward.solving.solution import Solution


@dataclass(frozen=True)
class Suggestion:
    """A pointing worth timing.

    Attributes
    ----------
    words : str
        Where it is, as one says it.
    cells : mapping
        Columns of the drift table that give the pointing: star, or ra and dec, or hour_angle and dec.
    azimuth_deg, altitude_deg : float
    minutes : float
        To watch.
    star : str
        As the bundled table names it; empty where none stands there.
    known : Solution or None
        What the timings before it tell, where that is not yet both errors.
    """

    words: str
    cells: Mapping[str, str]
    azimuth_deg: float
    altitude_deg: float
    minutes: float
    star: str = ""
    known: Solution | None = None

    @property
    def name(self) -> str:
        """The star, or where to look for one."""
        return self.words.split(",")[0]


@dataclass
class World:
    """All that an evening starts from.

    Attributes
    ----------
    setup : Setup
    rounds : list of Round
        Of the file so far; the evening adds its own.
    suggest : callable
        From (site, moment, places passed over) to suggestions, the best first.
    limit_arcmin : float
    page : str
        File name that is proposed for a page at the end; empty: no page is proposed.
    site : Site or None
        Once it is known.
    keep : str or None
        Where the page is to be written, once that was said.
    """

    setup: Setup
    rounds: list[Round]
    suggest: Callable[[Site, datetime, Sequence[tuple[float, float]]], Sequence[Suggestion]]
    limit_arcmin: float = LIMIT_ARCMIN
    page: str = ""
    site: Site | None = None
    keep: str | None = None


@dataclass(frozen=True)
class Watch:
    """A watch that runs: since when, and on what."""

    start: datetime
    star: str


@dataclass(frozen=True)
class Heard:
    """What the script is sent: the value read from an answer, and when it was given."""

    value: Any
    at: datetime


@dataclass(frozen=True)
class Means:
    """How drifts are told, once the setup is complete."""

    site: Site
    setup: Setup
    unit: str

    @property
    def read(self) -> Callable[[str, datetime], Any]:
        """What reads a drift in that unit."""
        camera, reticle = self.setup.guide_camera, self.setup.reticle
        pixel, division = (each.scale_arcsec if each else None for each in (camera, reticle))
        return drift_reader(self.unit, pixel, division)

    @property
    def camera(self) -> GuideCamera | None:
        """What turns pixels or divisions into angles."""
        return self.setup.reticle if self.unit == "divisions" else self.setup.guide_camera


def means_of(world: World) -> Generator[Question, Heard, Means]:
    """Ask what the setup lacks."""
    setup, values = world.setup, dict(world.setup.site_values)
    if "latitude" not in values:
        values["latitude"] = (yield from _ask_angle("latitude", "north positive", Site)).value
    if "longitude" not in values:
        heard = yield from _ask_angle(
            "longitude", "east positive", lambda text: Site("0 deg", text), optional=True
        )
        if heard.value is not None:
            values["longitude"] = heard.value
    setup = replace(setup, site_values=values)
    units = ["arcsec"]
    units += ["pixels"] if setup.guide_camera else []
    units += ["divisions"] if setup.reticle else []
    unit = units[-1]
    if len(units) > 1:
        unit = (
            yield Question(
                "unit",
                f"How do you read how far a star went: {' or '.join(units)}?",
                choice(*units),
                "arcsec: on the sky; pixels: of the guide camera; divisions: of the reticle in the setup.",
                unit,
            )
        ).value
    knobs = dict(setup.knobs)
    for name in SIDES:
        if name not in knobs:
            knob = yield from _ask_knob(name)
            if knob is not None:
                knobs[name] = knob
    means = Means(setup.site(), replace(setup, knobs=knobs), unit)
    world.site = means.site
    if setup_blocks(means, world.setup):
        yield Question(
            "keep",
            "Keep these for other evenings?",
            choice("yes", "no"),
            "yes: they are added to your setup file, or to poleward.toml here; what stands there stays.",
            "yes",
            about=means,
        )
    return means


def setup_blocks(means: Means, known: Setup) -> dict[str, str]:
    """Return what was answered and the setup did not hold: by section of a setup file, its lines."""
    blocks = {}
    new = {name: text for name, text in means.setup.site_values.items() if name not in known.site_values}
    if new:
        blocks["site"] = "".join(f"{name} = {json.dumps(str(text))}\n" for name, text in new.items())
    for name, knob in means.setup.knobs.items():
        if name not in known.knobs:
            blocks[f"mount.{name}_knob"] = (
                f'per_turn = "{knob.per_turn_arcmin:g} arcmin"\nclockwise = "{knob.clockwise}"\n'
            )
    return {name: f"[{name}]\n{lines}" for name, lines in blocks.items()}


def _ask_angle(
    name: str, sense: str, check: Callable[[str], Any], *, optional: bool = False
) -> Generator[Question, Heard, Heard]:
    def read(text: str, at: datetime) -> str:
        plain = plain_angle(text)
        check(plain)
        return plain

    more = "From a map or a receiver; a tenth of a degree will do."
    if optional:
        more += " skip: then hour angles are typed by hand."
    example = quantity.LONGITUDE.example if optional else quantity.ANGLE.example
    asks = f"{name.capitalize()} of the site ({sense}), e.g. {example}{', or skip' if optional else ''}?"
    heard = yield Question(name, asks, read, more, None, optional)
    return heard


def _ask_knob(name: str) -> Generator[Question, Heard, Knob | None]:
    more = (
        "From the maker; or by the screw, as: 1.5 mm pitch, 120 mm arm (arm: from the screw to the pivot). "
    )
    more += "skip: it is learned from the first turns."
    angle = yield Question(
        f"per turn {name}",
        f"By what angle does one turn of the {name} knob move the axis, e.g. 38 arcmin, or skip?",
        knob_angle,
        more,
        None,
        True,
    )
    if angle.value is None:
        return None
    side = yield Question(
        f"clockwise {name}",
        f"Where does a clockwise turn of it take the axis: {' or '.join(SIDES[name])}?",
        way(*SIDES[name]),
        "Seen looking at the head of the knob. A wrong word is found out after the first turn.",
    )
    return Knob(quantity.parse(angle.value, quantity.KNOB_ANGLE), side.value)
