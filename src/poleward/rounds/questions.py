"""What an evening asks, and how its answers are read: no terminal here."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from poleward.door import quantity
from poleward.errors import InputError
from poleward.frames.field_drift import FieldDrift
from poleward.rounds.turns import pointed
from poleward.solving.knobs import per_turn_from_thread
from poleward.timings.drifts import Drifts

LONGEST_ANSWER = 200
"""Characters; no answer needs more."""

_WAYS = {"n": ("north", 1), "s": ("north", -1), "e": ("east", 1), "w": ("east", -1)}
_NUMBER = r"([+-]?(?:\d{1,6}(?:\.\d{0,6})?|\.\d{1,6}))"
_WAY = r"(n(?:orth)?|s(?:outh)?|e(?:ast)?|w(?:est)?)"
_UNIT = r"(arcsec(?:ond)?s?|arcmin(?:ute)?s?|''|[\"']|px|pix(?:el)?s?|div(?:ision)?s?)?"
_SKY = re.compile(rf"{_NUMBER}\s?{_UNIT}\s?{_WAY}\b|{_WAY}\s?{_NUMBER}\s?{_UNIT}")
_XY = re.compile(rf"(?:x\s?=?\s?)?{_NUMBER}\s?,?\s+(?:y\s?=?\s?)?{_NUMBER}")
_UNITS = {
    "": "",
    "''": "arcsec",
    '"': "arcsec",
    "'": "arcmin",
    "px": "pixels",
    "pix": "pixels",
    "div": "divisions",
}
ARCSEC_ONLY: Mapping[str, float] = {"": 1.0, "arcsec": 1.0, "arcmin": 60.0}
"""Arcsec in one of each unit; "" is what a number without a unit counts."""


@dataclass(frozen=True)
class Question:
    """One thing that is asked.

    Attributes
    ----------
    key : str
        What it is about, always the same for the same question: ``latitude``, ``start 2``.
    asks : str
        The question, one line.
    read : callable
        From (answer, moment) to a value; raises InputError, and the question is asked again.
    more : str
        What ``?`` shows.
    default : str or None
        What Enter stands for; None: an answer is needed.
    optional : bool
        Whether ``skip`` is an answer (the value is then None).
    about : object
        What the asker may show before it: a Suggestion, a Solution, a Told; None for nothing.
    """

    key: str
    asks: str
    read: Callable[[str, datetime], Any]
    more: str
    default: str | None = None
    optional: bool = False
    about: Any = field(default=None, compare=False)


def moment(text: str, at: datetime) -> datetime:
    """Read the answer to "press Enter": the moment itself."""
    if text:
        raise InputError(f"'{text}' is no answer here", "press Enter alone when the moment has come")
    return at


def choice(*words: str) -> Callable[[str, datetime], str]:
    """Return a reader of one of some words, or the beginning of one."""

    def read(text: str, at: datetime) -> str:
        found = [word for word in words if text and word.startswith(text.lower())]
        if len(found) != 1:
            raise InputError(f"'{text}' is none of {', '.join(words)}", "the first letter will do")
        return found[0]

    return read


def measure(kind: quantity.Kind, name: str, *, positive: bool = False) -> Callable[[str, datetime], str]:
    """Return a reader of a value with its unit, checked and handed on as written."""

    def read(text: str, at: datetime) -> str:
        text = pointed(text)
        if quantity.parse(text, kind, "", name) <= 0 and positive:
            raise InputError(f"{name} is {text}, allowed is more than 0", f"e.g. {kind.example}")
        return text

    return read


def plain_angle(text: str) -> str:
    """Return ``33,9 south`` as the door reads it: ``33.9 S``."""
    return re.sub(
        r"\s?(north|south|east|west)$",
        lambda way: f" {way[1][0].upper()}",
        pointed(text.strip()),
        flags=re.IGNORECASE,
    )


def drift_reader(unit: str, pixel: float | None, division: float | None) -> Callable[[str, datetime], Any]:
    """Return a reader of drifts for those who read them in a unit.

    Parameters
    ----------
    unit : str
        ``arcsec``, ``pixels`` or ``divisions``: what a number without a unit counts.
    pixel, division : float or None
        Arcsec; None where the setup does not say.
    """
    known = {"pixels": pixel, "divisions": division}
    scales = {**ARCSEC_ONLY, **{name: size for name, size in known.items() if size is not None}}
    scales[""] = scales[unit]

    def read(text: str, at: datetime) -> dict[str, str]:
        plain = re.sub("pix(?:el)?s?|div(?:ision)?s?", "", text.strip().lower())
        if unit != "arcsec" and plain != "0" and not re.search("[nsew]", plain):
            return pixel_drift(text, at)
        return sky_drift(text, at, scales)

    return read


def sky_drift(text: str, at: datetime, scales: Mapping[str, float] = ARCSEC_ONLY) -> dict[str, str]:
    """Read ``4.2 south``, ``s 4.2``, ``0.2 arcmin s 1.1 e`` or ``0``: how far and which way the star went in the field."""
    plain = pointed(text.strip().lower())
    if plain in ("0", "none"):
        return {"north": "0 arcsec"}
    found: dict[str, str] = {}
    pieces = list(_SKY.finditer(plain))
    if not pieces or re.sub(r"[\s,;]|and", "", _SKY.sub("", plain)):
        raise InputError(f"'{text}' is no drift", _drift_hint(plain, scales))
    for piece in pieces:
        size, unit, way = (piece[1], piece[2], piece[3]) if piece[1] else (piece[5], piece[6], piece[4])
        name, sign = _WAYS[way[0]]
        if name in found:
            raise InputError(f"'{text}' goes two ways", "one of north and south, one of east and west")
        if size[0] in "+-":
            raise InputError(
                f"'{size} {way}' has a sign and a way", f"write {size[1:]} and which way it went"
            )
        found[name] = f"{sign * float(size) * _scale(unit or '', scales):g} arcsec"
    return found


def _scale(unit: str, scales: Mapping[str, float]) -> float:
    short = next((name for start, name in _UNITS.items() if start and unit.startswith(start)), unit)
    for name, arcsec in scales.items():
        if name and short and name.startswith(short[:6]):
            return arcsec
    if short:
        raise InputError(f"how large {short} are, the setup does not say", _drift_hint("", scales))
    return scales[""]


def _drift_hint(plain: str, scales: Mapping[str, float]) -> str:
    if re.fullmatch(rf"{_NUMBER}\s?{_UNIT}", plain):
        size = plain.lstrip("+-")
        return f"say which way it went: {size} north, or {size} south"
    units = [name for name in scales if name]
    bare = next(name for name in units if scales[name] == scales[""])
    return f"how far and which way: 4.2 south; 3 n 1.1 e; 0 if it stayed. Units: {', '.join(units)}; none means {bare}"


def pixel_drift(text: str, at: datetime) -> dict[str, str]:
    """Read ``x 3 y -2``, ``3 -2`` or ``3, -2``: last place less the first."""
    plain = pointed(text.strip().lower())
    found = _XY.fullmatch(plain)
    if found is None:
        hint = "two numbers, x and y, last place less the first: 3.5 -12; or how far and which way: 4.2 south"
        raise InputError(f"'{text}' is no drift", hint)
    return {"x": found[1], "y": found[2]}


FRAMES = "frames "
"""What an answer begins with that names a folder of camera frames, in place of a drift."""
_MEASURED = (
    "north", "east", "north_sigma", "east_sigma", "rotation", "rotation_sigma", "duration", "time", "reversed",
)  # fmt: skip


def drift_or_frames(read: Callable[[str, datetime], Any]) -> Callable[[str, datetime], dict[str, str]]:
    """Return a reader of a typed drift, or of what `frames_answer` made of frames."""

    def either(text: str, at: datetime) -> dict[str, str]:
        if not text.startswith("north="):
            found: dict[str, str] = read(text, at)
            return found
        pairs = dict(piece.strip().split("=", 1) for piece in text.split(",") if "=" in piece)
        if unknown := [name for name in pairs if name not in _MEASURED]:
            raise InputError(f"unknown name '{unknown[0]}'", quantity.nearest(unknown[0], _MEASURED))
        return pairs

    return either


def frames_answer(found: FieldDrift) -> str:
    """Return a drift measured in frames as an answer that can be kept and read again: names of the drift table."""
    row = Drifts([found.drift()]).to_rows()[0]
    # A camera that knows where north is does not stand on its head.
    told = {**row, "reversed": "no"} if found.on_sky.upright else row
    return ", ".join(f"{name}={told[name]}" for name in _MEASURED if name in told)


def way(*words: str) -> Callable[[str, datetime], str]:
    """Return a reader of where a clockwise turn goes: one of two words, or ``ccw`` and the other one."""
    one_of = choice(*words)

    def read(text: str, at: datetime) -> str:
        said = re.fullmatch(
            r"(?:(clockwise|cw)|(?:counter|anti)[- ]?clockwise|ccw)[\s:=]+(.*)", text.strip().lower()
        )
        if said is None:
            return one_of(text, at)
        found = one_of(said[2], at)
        return found if said[1] else words[1 - words.index(found)]

    return read


SHORTEST_ARM = 6.0
"""Of an arm, in pitches of the thread: a turn of 10 deg is no fine adjustment, and the two were mixed up."""


def knob_angle(text: str, at: datetime) -> str:
    """Read what a turn makes, ``38 arcmin``, or the screw: ``1.5 mm pitch, 120 mm arm``."""
    lengths = []
    for word in ("pitch", "arm"):
        found = re.search(
            rf"([\d.]{{1,8}}\s?[a-z]{{1,6}})\s(?:thread\s)?{word}|{word}\s?=?\s?([\d.]{{1,8}}\s?[a-z]{{1,6}})",
            text.lower(),
        )
        if found:
            lengths.append(quantity.parse(found[1] or found[2], quantity.LENGTH, "", word))
    if len(lengths) < 2:
        return measure(quantity.KNOB_ANGLE, "one turn", positive=True)(text, at)
    pitch, arm = lengths
    if pitch <= 0 or arm < SHORTEST_ARM * pitch:
        raise InputError(f"'{text}': the arm is much longer than the pitch", "e.g. 1.5 mm pitch, 120 mm arm")
    return f"{per_turn_from_thread(pitch, arm):.3f} arcmin"
