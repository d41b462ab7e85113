"""Units at the door: text or Quantity in, a plain number in a stated unit out.

Parsing is astropy's. This file only decides what a bare number means, and says so when it cannot know.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from difflib import get_close_matches
from typing import TYPE_CHECKING, Any

from poleward.door import notation
from poleward.errors import InputError, shortened

if TYPE_CHECKING:
    from datetime import datetime, timedelta

    from astropy.time import Time, TimeDelta
    from astropy.units import Quantity

    Value = Quantity | str | float
    """A value with its unit, or a bare number where one is taken; Angle, Latitude and Longitude are Quantities."""
    Duration = Value | TimeDelta | timedelta
    Moment = Time | datetime | str


@dataclass(frozen=True)
class Kind:
    """What a value may be.

    Attributes
    ----------
    unit : str
        The unit of the number handed on, in astropy's spelling.
    bare : str or None
        The unit a bare number is in; None when a bare number is an error.
    example : str
        A correct value, for messages.
    sexagesimal : str
        The unit of ``12:34:56``; empty when that form makes no sense.
    why_bare_fails : str
        For the message, when `bare` is None.
    sides : str
        Letters that may stand for the sign, the positive first: ``NS``.
    """

    unit: str
    bare: str | None
    example: str
    sexagesimal: str = ""
    why_bare_fails: str = ""
    sides: str = ""


HOUR_ANGLE = Kind("rad", "hourangle", "-0h20m", "hourangle")
RIGHT_ASCENSION = Kind(
    "rad", None, "05h34m32s", "hourangle", "could be hours or degrees (05h34m or 83.6 deg says which)"
)
ANGLE = Kind("rad", "deg", "+47d30m", "deg")
LATITUDE = Kind("rad", "deg", "47.1 deg", "deg", "", "NS")
LONGITUDE = Kind("rad", "deg", "8.4 deg", "deg", "", "EW")
DECLINATION = Kind("rad", "deg", "+47d30m", "deg", "", "NS")
SMALL_ANGLE = Kind("arcsec", "arcsec", "-4.2 arcsec")
TURN = Kind("arcmin", "arcmin", "0.4 arcmin")
RATE = Kind("arcsec / min", "arcsec / min", "-0.84 arcsec/min")
DURATION = Kind("s", "s", "5 min")
FRACTION = Kind("", "", "0.7")
PIXELS = Kind("pix", "pix", "-3.1 pix")
SCALE = Kind("arcsec / pix", "arcsec / pix", "1.9 arcsec/pix")
LENGTH = Kind("m", None, "600 mm", "", "could be millimetres or metres")
PIXEL_SIZE = Kind("m", None, "3.76 um", "", "could be micrometres or millimetres")
HEIGHT = Kind("m", "m", "560 m")
PRESSURE = Kind("hPa", None, "950 hPa", "", "could be hPa or mmHg")
TEMPERATURE = Kind("deg_C", None, "4 deg_C", "", "could be Celsius or kelvin")
WAVELENGTH = Kind("um", None, "0.55 um", "", "could be nm or um")
ACCURACY = Kind("arcmin", None, "0.5 arcmin", "", "could be arcmin or degrees")
AXIS_ERROR = Kind("arcmin", None, "-3 arcmin", "", "could be arcmin or degrees")
OFFSET = Kind("rad", None, "12 arcmin", "", "could be arcmin or degrees")
KNOB_ANGLE = Kind("arcmin", None, "38 arcmin", "", "could be arcmin or degrees")
DRIVE_RATE = Kind("arcsec / s", None, "15.0369 arcsec/s", "", "could be per second or per minute")


def missing(value: Any) -> bool:
    """Whether a value says "not measured": None, blank text, or a masked cell."""
    if value is None or isinstance(value, str):
        return not (value and value.strip())
    # Of numpy, of a Masked Quantity, of a Time; an array of one or of none.
    mask = getattr(value, "mask", False)
    return bool(mask.all()) if hasattr(mask, "all") else False


def parse(value: Any, kind: Kind, where: str = "", name: str = "", unit: str = "") -> float:
    """Read one value as a number in the unit of its kind.

    Parameters
    ----------
    value : str, float, Quantity, Angle or TimeDelta
        What the user wrote.
    kind : Kind
        What it must be.
    where, name : str
        Place and name of the value, for messages.
    unit : str
        The unit a table's header gives to bare numbers; wins over the kind's own.

    Returns
    -------
    float
        In ``kind.unit``.

    Raises
    ------
    InputError
        Not a number, not finite, no unit where one is needed, a unit of another kind, or an hour angle that cannot be.
    """
    place = f"{where}, {name}" if where and name else where or name
    if missing(value):
        raise InputError(
            "this value is masked or empty: not measured", f"write a value such as {kind.example}", place
        )
    if getattr(value, "shape", ()):
        hint = f"such as {kind.example}; of a table give the rows"
        raise InputError(f"an array of shape {value.shape} is given, one value is needed", hint, place)
    text = notation.plain_signs(value) if isinstance(value, str) else value
    shown = f"'{shortened(value)}'" if isinstance(value, str) else shortened(str(value))
    try:
        number, given = _split(text, kind, unit)
    except InputError as error:
        raise InputError(error.message, error.hint or f"write e.g. {kind.example}", place) from None
    except (ValueError, TypeError, OverflowError):  # the last: a whole number of hundreds of digits
        raise InputError(
            f"{shown} cannot be read as a value such as {kind.example}", _hint(text, kind), place
        ) from None
    if given is None:
        hint = f"write e.g. {kind.example}"
        raise InputError(f"{shown} has no unit and {kind.why_bare_fails or 'needs one'}", hint, place)
    if not math.isfinite(number):
        hint = f"write a value such as {kind.example}, or leave it empty"
        raise InputError(f"{shown} is not a finite number", hint, place)
    converted = _converted(number, given, kind, shown, place)
    return _hour_angle(converted, place) if kind is HOUR_ANGLE else converted


def _hour_angle(angle: float, place: str) -> float:
    """Return an hour angle, radians, of -12 to +12 h; 12 to 24 h are those of the other way of counting."""
    hours = math.degrees(angle) / 15
    if not -12 - 1e-9 <= hours <= 24 + 1e-9:
        raise InputError(
            f"an hour angle of {hours:g} h is beyond 12 h: minutes? write {hours:g}m",
            "allowed is -12 h to +12 h, or 0 h to 24 h",
            place,
        )
    return angle - 2 * math.pi if hours > 12 + 1e-9 else angle


def _split(text: Any, kind: Kind, unit: str) -> tuple[float, Any]:
    """Separate number and unit; a unit of None means that there is none and none may be assumed."""
    if not isinstance(text, str):
        if kind.unit == "s" and hasattr(text, "to_datetime"):
            text = text.to_datetime()  # a TimeDelta
        if kind.unit == "s" and hasattr(text, "total_seconds"):
            return float(text.total_seconds()), "s"
        if hasattr(text, "unit") and hasattr(text, "value"):
            return float(getattr(text.value, "unmasked", text.value)), text.unit
        if isinstance(text, bool):
            raise ValueError(text)
        return float(text), (unit or kind.bare)
    try:
        return float(text), (unit or kind.bare)
    except ValueError:
        pass
    if len(text) > notation.LONGEST:
        raise ValueError(text)
    side = 1.0
    if kind.unit == "s" and (seconds := notation.clocked(text)) is not None:
        return seconds, "s"
    if kind.sexagesimal:
        angle, side = notation.sided(text, kind.sides) if kind.sides else (text, 1.0)
        if kind.sides:
            notation.refuse_hours(angle)
        try:
            return side * float(angle), (unit or kind.bare)
        except ValueError:
            pass
        degrees = notation.sexagesimal(angle, kind.sexagesimal == "hourangle")
        if degrees is not None:
            return side * degrees, "deg"
        text = angle
    number = notation.NUMBER.match(text)
    rest = "" if number is None else text[number.end() :].strip()
    if number is None or not rest or rest[0] in ",.:;0123456789":
        raise ValueError(text)
    given = notation.unit_name(rest)
    return side * float(number.group()), "hourangle" if given == "h" and kind.sexagesimal else given


def _converted(number: float, given: Any, kind: Kind, shown: str, place: str) -> float:
    """Return the number in the kind's unit; the common unit is not worth an import of astropy."""
    if str(given).replace(" ", "") == kind.unit.replace(" ", ""):
        return number
    if kind.unit == "rad" and given in ("deg", "hourangle"):
        return math.radians(number * (15 if given == "hourangle" else 1))
    from astropy import units

    try:
        unit = units.imperial.__dict__[given] if given in ("inch", "foot") else units.Unit(given)
        return float(units.Quantity(number, unit).to_value(kind.unit, units.temperature()))
    except (ValueError, TypeError, units.UnitsError):
        hint = f"write e.g. {kind.example}"
        if str(given).lower().endswith(("north", "south", "east", "west")):
            hint = (
                f"no words for ways: {'east' if kind is HOUR_ANGLE else 'south or west'} is negative, {hint}"
            )
        raise InputError(f"{shown}: the unit '{given}' does not fit here", hint, place) from None


def _hint(text: Any, kind: Kind) -> str:
    if isinstance(text, str) and "," in text:
        return f"a decimal point, not a comma: {kind.example}"
    if kind is HOUR_ANGLE or kind is RIGHT_ASCENSION:
        return f"hours, minutes, seconds as {kind.example}, or an angle as 83.6 deg"
    return f"write e.g. {kind.example}"


def header_unit(text: str, kind: Kind, where: str) -> str:
    """Return the unit a table's header gives to a column's bare numbers, checked.

    Raises
    ------
    InputError
        A unit astropy does not know (it lets them pass silently) or of another kind.
    """
    unit = notation.unit_name(text.strip())
    if kind.sexagesimal == "hourangle" and unit in ("h", "hr", "hour", "hours"):
        return "hourangle"
    if unit in ("", kind.unit, kind.bare):
        return unit
    from astropy import units

    try:
        fits = units.Unit(unit).is_equivalent(units.Unit(kind.unit)) or (
            kind is TEMPERATURE and unit in ("K", "deg_F")
        )
    except (ValueError, TypeError):
        fits = False
    if not fits:
        raise InputError(
            f"the unit '{unit}' does not fit here", f"allowed is a unit as in {kind.example}", where
        )
    return unit


def refuse_unknown(names: Iterable[str], known: Iterable[str], where: str) -> None:
    """Refuse a name that is none of the known ones.

    Raises
    ------
    InputError
        Names the nearest known one.
    """
    known = list(known)
    for name in names:
        if name not in known:
            raise InputError(f"unknown name '{name}'", nearest(name, known), where)


def refuse_missing(names: Iterable[str], needed: Iterable[str], hint: str, where: str) -> None:
    """Refuse to do without a name that is needed.

    Raises
    ------
    InputError
        With the hint.
    """
    for name in needed:
        if name not in names:
            raise InputError(f"{name} is missing", hint, where)


MEANT = {
    "ha": "hour_angle", "declination": "dec", "right_ascension": "ra", "az": "azimuth", "alt": "altitude",
    "lat": "latitude", "lon": "longitude", "long": "longitude",
}  # fmt: skip
"""Words of the field that no spelling leads to the name they mean."""
OPPOSITE = {"south": "north", "west": "east"}


def nearest(name: str, known: Iterable[str]) -> str:
    """Return a hint that names the known word nearest to a mistyped one, or all of them."""
    names = list(known)
    for way, other in OPPOSITE.items():
        if name.startswith(way) and (meant := name.replace(way, other, 1)) in names:
            return f"{way} is {other} with the other sign: write {meant}=-4.2 for 4.2 {way}"
    if MEANT.get(name) in names:
        return f"did you mean {MEANT[name]}?"
    close = get_close_matches(name, names, n=1, cutoff=0.6)
    return f"did you mean {close[0]}?" if close else f"known: {', '.join(names)}"
