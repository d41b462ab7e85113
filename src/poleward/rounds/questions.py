"""What an evening asks, and how its answers are read: no terminal here."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from poleward.door import quantity
from poleward.errors import InputError
from poleward.frames.field_drift import FieldDrift
from poleward.timings.drifts import Drifts

LONGEST_ANSWER = 200
"""Characters; no answer needs more."""

_WAYS = {"n": ("north", 1), "s": ("north", -1), "e": ("east", 1), "w": ("east", -1)}
_NUMBER = r"([+-]?(?:\d{1,6}(?:\.\d{0,6})?|\.\d{1,6}))"
_WAY = r"(n(?:orth)?|s(?:outh)?|e(?:ast)?|w(?:est)?)"
_SKY = re.compile(rf"{_NUMBER}\s?(?:arcsec)?\s?{_WAY}|{_WAY}\s?{_NUMBER}")
_XY = re.compile(rf"(?:x\s?=?\s?)?{_NUMBER}\s?,?\s+(?:y\s?=?\s?)?{_NUMBER}")


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
        if quantity.parse(text, kind, "", name) <= 0 and positive:
            raise InputError(f"{name} is {text}, allowed is more than 0", f"e.g. {kind.example}")
        return text

    return read


def sky_drift(text: str, at: datetime) -> dict[str, str]:
    """Read ``4.2 south``, ``s 4.2``, ``4.2 s 1.1 e`` or ``0``: arcsec, which way the star went in the field."""
    if text.strip() in ("0", "none"):
        return {"north": "0 arcsec"}
    found: dict[str, str] = {}
    pieces = list(_SKY.finditer(text.lower()))
    if not pieces or re.sub(r"[\s,;]|and", "", _SKY.sub("", text.lower())):
        raise InputError(
            f"'{text}' is no drift", "how far and which way: 4.2 south; 3 n 1.1 e; 0 if it stayed"
        )
    for piece in pieces:
        size, way = (piece[1], piece[2]) if piece[1] else (piece[4], piece[3])
        name, sign = _WAYS[way[0]]
        if name in found:
            raise InputError(f"'{text}' goes two ways", "one of north and south, one of east and west")
        if size[0] in "+-":
            raise InputError(
                f"'{size} {way}' has a sign and a way", f"write {size[1:]} and which way it went"
            )
        found[name] = f"{sign * float(size):g} arcsec"
    return found


def pixel_drift(text: str, at: datetime) -> dict[str, str]:
    """Read ``x 3 y -2``, ``3 -2`` or ``3, -2``: last place less the first."""
    found = _XY.fullmatch(text.strip().lower())
    if found is None:
        raise InputError(f"'{text}' is no drift", "two numbers, x and y, last place less the first: 3.5 -12")
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
