"""Knobs and base as a setup states them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from poleward.door import quantity
from poleward.door.quantity import parse, refuse_missing
from poleward.errors import InputError
from poleward.solving.base import Base
from poleward.solving.knobs import SIDES, Knob, per_turn_from_thread

STEEPEST_BASE_RAD = math.radians(20)
"""No mount stands on a base more tilted; more is a wrong unit."""


def positive(table: Mapping[str, Any], key: str, kind: quantity.Kind, where: str) -> float:
    """Return a value that must be there and more than 0."""
    if key not in table:
        raise InputError(f"{key} is missing", f'write e.g. {key} = "{kind.example}"', where)
    value = parse(table[key], kind, where, key)
    if value <= 0:
        raise InputError(f"{key} is {value:g}, allowed is more than 0", "", where)
    return value


def knob_from(table: Mapping[str, Any], knob: str, where: str) -> Knob:
    """Return a knob from its table of the setup; `knob` is ``azimuth`` or ``altitude``."""
    clockwise = table.get("clockwise")
    if clockwise not in SIDES[knob]:
        seen = "is missing" if clockwise is None else f"is '{clockwise}'"
        hint = "where a clockwise turn takes the axis"
        raise InputError(f"clockwise {seen}, allowed is {' or '.join(SIDES[knob])}", hint, where)
    angle = _per_turn(table, where)
    sigma = (
        positive(table, "per_turn_sigma", quantity.KNOB_ANGLE, where) if "per_turn_sigma" in table else None
    )
    divisions = table.get("divisions")
    if divisions is not None and (
        not isinstance(divisions, int) or isinstance(divisions, bool) or divisions < 2
    ):
        raise InputError(
            f"divisions is {divisions!r}, allowed is a whole number from 2", "marks around the knob", where
        )
    length, play = (_turns(table, key, where) for key in ("range", "play"))
    return Knob(angle, clockwise, sigma, divisions, length, play)


def _per_turn(table: Mapping[str, Any], where: str) -> float:
    if "per_turn" in table:
        if "thread_pitch" in table or "arm" in table:
            raise InputError("per_turn and thread_pitch are both given", "give one of them", where)
        return positive(table, "per_turn", quantity.KNOB_ANGLE, where)
    if "thread_pitch" not in table and "arm" not in table:
        raise InputError(
            "per_turn is missing", 'write e.g. per_turn = "38 arcmin", or thread_pitch with arm', where
        )
    pitch = positive(table, "thread_pitch", quantity.LENGTH, where)
    return per_turn_from_thread(pitch, positive(table, "arm", quantity.LENGTH, where))


def _turns(table: Mapping[str, Any], key: str, where: str) -> float | None:
    """Turns of a knob: a number, or text such as ``8 turns``."""
    if key not in table:
        return None
    text = str(table[key]).strip().removesuffix("s").removesuffix("turn").strip()
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if isinstance(table[key], bool) or not 0 <= value <= 1000:
        raise InputError(
            f"{key} is {table[key]!r}, allowed are turns of the knob", f'e.g. {key} = "8 turns"', where
        )
    return value


def base_from(table: Mapping[str, Any] | None, where: str) -> Base | None:
    """Return the base from its table of the setup; None without one."""
    if table is None:
        return None
    hint = 'tilt = "1 deg", toward = "120 deg": azimuth of its lowest side'
    refuse_missing(table, ("tilt", "toward"), hint, where)
    tilt, toward = (parse(table[key], quantity.ANGLE, where, key) for key in ("tilt", "toward"))
    if not 0 <= tilt <= STEEPEST_BASE_RAD:
        raise InputError(f"tilt is {math.degrees(tilt):g} deg, allowed is 0 to 20 deg", "", where)
    return Base(tilt, toward)
