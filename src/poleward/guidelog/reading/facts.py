"""What holds for each section of a log: stated in the layout, or found in the log's own free lines."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from poleward.door import quantity
from poleward.door.clock import zone_of
from poleward.door.quantity import Kind, nearest, parse
from poleward.errors import InputError
from poleward.guidelog.reading.patterns import pattern
from poleward.sky.axis import SIDEREAL_RATE

"""Of the axis; design page and outside-checks section F."""
IMAGE_SCALE = Kind("arcsec / pix", "arcsec / pix", "1.9 arcsec/pix")
GUIDE_RATE = Kind(
    "arcsec / s", None, "7.5 arcsec/s", "", "could be arcsec/s or a part of the sidereal rate (0.5 sidereal)"
)
PIXEL_RATE = Kind("pix / s", None, "4.1 pix/s")
_PIXELS = re.compile("pix|px")

NUMBERS: Mapping[str, Kind] = {
    "hour_angle": quantity.HOUR_ANGLE,
    "dec": quantity.DECLINATION,
    "ra": quantity.RIGHT_ASCENSION,
    "azimuth": quantity.ANGLE,
    "altitude": quantity.ANGLE,
    "image_scale": IMAGE_SCALE,
}
RATES = ("north_guide_rate", "east_guide_rate", "north_guide_rate_sigma", "east_guide_rate_sigma")
FACTS = (*NUMBERS, *RATES, "start", "date", "timezone", "reversed", "label")
LIMITS: Mapping[str, tuple[float, float, str]] = {
    # in the unit shown; an image scale above 60 arcsec per pixel is no guide camera's
    "hour_angle": (-12, 12, "h"),
    "dec": (-90, 90, "deg"),
    "ra": (0, 24, "h"),
    "azimuth": (-360, 360, "deg"),
    "altitude": (0, 90, "deg"),
    "image_scale": (1e-3, 60, "arcsec/pix"),
}
REVERSIBLE = ("north", "east", "north_pulse", "east_pulse")
YES, NO = frozenset(("yes", "true", "y", "1")), frozenset(("no", "false", "n", "0"))


@dataclass(frozen=True)
class Cell:
    """Where a value stands in a row: under a name of the header, or by its number from 1."""

    name: str = ""
    number: int | None = None

    def __str__(self) -> str:
        """Return it as messages show it."""
        return f"column '{self.name}'" if self.number is None else f"column {self.number}"


@dataclass(frozen=True)
class Fact:
    """One fact of the layout.

    Attributes
    ----------
    name, where : str
    stated : Any
        As the user wrote it; None where it is only found. Holds where the line is missing.
    pattern : re.Pattern or None
        Its first group is the value.
    cell : Cell or None
        The column that holds it, row by row.
    unit, format : str
        Of what is found: the unit of a bare number, how a moment is written.
    yes : frozenset of str
        For `reversed`: the found words that mean yes.
    columns : tuple of str
        For `reversed`: the columns that are turned.
    """

    name: str
    where: str
    stated: Any = None
    pattern: re.Pattern[str] | None = None
    unit: str = ""
    format: str = ""
    yes: frozenset[str] = frozenset()
    columns: tuple[str, ...] = REVERSIBLE
    cell: Cell | None = None


def cell_of(entry: Mapping[str, Any], where: str) -> Cell:
    """Return the column that an entry of the layout names.

    Raises
    ------
    InputError
        Neither or both of name and number, or one that cannot be.
    """
    name, number = entry.get("name"), entry.get("number")
    if (name is None) == (number is None):
        raise InputError("give either name or number", 'name = "t" as in the header, or number = 1', where)
    if number is not None:
        if isinstance(number, bool) or not isinstance(number, int) or not 1 <= number <= 10_000:
            raise InputError(f"number is {number!r}, allowed is 1 for the first column, and so on", "", where)
        return Cell(number=number)
    if not isinstance(name, str) or not name.strip():
        raise InputError(f"name is {name!r}, it must be a column's name in quotes", "", where)
    return Cell(name=name.strip())


@dataclass(frozen=True)
class Rate:
    """A guide rate as written: `kind` is ``sky`` (arcsec/s), ``axis`` (arcsec/s) or ``pix`` (pixels/s)."""

    value: float
    kind: str


def read_facts(stated: Mapping[str, Any], found: Mapping[str, Any], where: str) -> dict[str, Fact]:
    """Check the facts of a layout, their keys already known.

    Raises
    ------
    InputError
        A stated value, a unit or a regular expression that cannot be used.
    """
    facts = {}
    for name in (*stated, *(key for key in found if key not in stated)):
        place = f"{where} {name}"
        fact = (
            _found(name, found[name], f"{where[:-1]}.found] {name}") if name in found else Fact(name, place)
        )
        if name in stated:
            fact = _with_stated(fact, stated[name], place)
        facts[name] = fact
    return facts


def _found(name: str, given: Any, where: str) -> Fact:
    if not isinstance(given, dict):
        return Fact(name, where, None, pattern(given, where, group=True))
    more = (
        ("yes", "columns") if name == "reversed" else ("format",) if name in ("start", "date") else ("unit",)
    )
    for key in given:
        if key not in (known := ("find", "name", "number", *more)):
            raise InputError(f"unknown key '{key}'", nearest(key, known), where)
    if "find" in given and ("name" in given or "number" in given):
        raise InputError(
            "find and a column are both given", "a fact stands in free lines or in a column", where
        )
    unit, form, yes = given.get("unit", ""), given.get("format", ""), given.get("yes", [])
    if not isinstance(unit, str) or not isinstance(form, str) or not isinstance(yes, list):
        raise InputError("unit and format are text in quotes, yes is a list of words", "", where)
    if unit:
        unit = _checked_unit(name, unit, where)
    in_column = "name" in given or "number" in given
    compiled = None if in_column else pattern(given.get("find"), where, group=True)
    cell = cell_of(given, where) if in_column else None
    words = frozenset(str(word).strip() for word in yes)
    columns = _columns(given.get("columns", list(REVERSIBLE)), where)
    return Fact(name, where, None, compiled, unit, form, words, columns, cell)


def _checked_unit(name: str, unit: str, where: str) -> str:
    if name in RATES:
        if unit == "sidereal":
            return unit
        return quantity.header_unit(unit, PIXEL_RATE if _PIXELS.search(unit) else GUIDE_RATE, where)
    if name in NUMBERS:
        return quantity.header_unit(unit, NUMBERS[name], where)
    raise InputError(f"{name} has no unit", "", where)


def _columns(given: Any, where: str) -> tuple[str, ...]:
    names = given if isinstance(given, list) else [given]
    for name in names:
        if name not in REVERSIBLE:
            raise InputError(f"'{name}' cannot be reversed", f"allowed are {', '.join(REVERSIBLE)}", where)
    return tuple(names)


def _with_stated(fact: Fact, value: Any, where: str) -> Fact:
    """Add a stated value, checked now so that a wrong layout is refused before any log is read."""
    columns = fact.columns
    if fact.name in NUMBERS:
        number_of(fact, value, where)
    elif fact.name in RATES:
        rate_of(fact, value, where)
    elif fact.name == "reversed" and isinstance(value, list):
        value, columns = "yes", _columns(value, where)
    elif fact.name == "reversed":
        said(fact, str(value), where)
    elif isinstance(value, dict | list | bool):
        raise InputError(f"{value!r} is not a single value", "", where)
    elif fact.name == "timezone":
        zone_of(str(value), where)
    return replace(fact, stated=value, columns=columns)


def said(fact: Fact, text: str, where: str) -> bool:
    """Whether a word means yes.

    Raises
    ------
    InputError
        It means neither yes nor no.
    """
    word = text.strip()
    if fact.yes:
        return word in fact.yes
    if word.lower() not in YES | NO:
        raise InputError(
            f"reversed is '{word}', allowed is yes or no",
            f"say which words mean yes: reversed = {{ find = '...', yes = [\"{word}\"] }}; docs: log-layout.md#6-after-a-meridian-flip",
            where,
        )
    return word.lower() in YES


def number_of(fact: Fact, value: Any, where: str) -> float:
    """Return a fact's number in its kind's unit, its range checked.

    Raises
    ------
    InputError
        Not a number, no unit where one is needed, out of range.
    """
    kind = NUMBERS[fact.name]
    if isinstance(value, dict | list):
        raise InputError(f"{value!r} is not a single value", f"write e.g. {kind.example}", where)
    number = parse(value, kind, where, unit=fact.unit)
    low, high, unit = LIMITS[fact.name]
    shown = math.degrees(number) / (15 if unit == "h" else 1) if kind.unit == "rad" else number
    if not low - 1e-9 <= shown <= high + 1e-9:
        raise InputError(
            f"{fact.name} is {shown:g} {unit}, allowed is {low:g} to {high:g} {unit}",
            "check its unit",
            where,
        )
    return number


def rate_of(fact: Fact, value: Any, where: str) -> Rate:
    """Return a guide rate.

    Raises
    ------
    InputError
        Not a rate, or not more than zero.
    """
    if isinstance(value, dict | list):
        raise InputError(f"{value!r} is not a single value", f"write e.g. {GUIDE_RATE.example}", where)
    text, unit = str(value).strip(), fact.unit
    if text.endswith("sidereal"):
        text, unit = text.removesuffix("sidereal").strip(), "sidereal"
    if unit == "sidereal":
        rate = Rate(parse(text, quantity.FRACTION, where) * SIDEREAL_RATE, "axis")
    elif _PIXELS.search(text) or _PIXELS.search(unit):
        rate = Rate(parse(text, PIXEL_RATE, where, unit=unit), "pix")
    else:
        rate = Rate(parse(text, GUIDE_RATE, where, unit=unit), "sky")
    if rate.value <= 0:
        raise InputError(f"{fact.name} is {text}, allowed is more than 0", "leave it out", where)
    return rate
