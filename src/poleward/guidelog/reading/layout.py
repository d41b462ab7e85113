"""The layout file: how a guide log is written, whichever program wrote it (docs/log-layout.md)."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from poleward.door import quantity
from poleward.door.incoming import read_toml
from poleward.door.notation import unit_name
from poleward.door.quantity import Kind, nearest
from poleward.errors import InputError
from poleward.guidelog.reading.facts import FACTS, Fact, cell_of, read_facts
from poleward.guidelog.reading.form import Layout, Marks, Measure, TextForm, TimeColumn, Words
from poleward.guidelog.reading.patterns import pattern

PULSE = Kind("ms", None, "250 ms", "", "could be ms or s")
ANSWERS = ("", "this", "before")
DELIMITERS = {"tab": "\t", "space": ""}
KEYS: Mapping[str, tuple[str, ...]] = {
    "": ("text", "section", "facts", "columns"),
    "text": ("encoding", "delimiter", "decimal", "comment", "short_rows"),
    "section": ("begin", "header", "end", "shift", "ignore"),
    "facts": (*FACTS, "found"),
    "facts.found": FACTS,
    "columns": ("time", "north", "east", "north_pulse", "east_pulse", "status", "shift"),
}


def read_layout(path: str | Path) -> Layout:
    """Read and check a layout file.

    Parameters
    ----------
    path : str or Path
        TOML.

    Returns
    -------
    Layout

    Raises
    ------
    InputError
        It cannot be read, is not TOML, holds an unknown key (the nearest known one is named), a regular expression
        or a unit that cannot be used, or lacks the pointing or a column that is needed.
    """
    content = read_toml(path, "layout", "text stands in quotes, a regular expression in single ones: '^t,'")
    return layout_from(content, str(path))


def layout_from(content: Mapping[str, Any], name: str) -> Layout:
    """Check a layout that is already parsed; see `read_layout`."""
    _check_keys(content, "", name)
    parts = {key: _part(content, key, name) for key in ("text", "section", "facts", "columns")}
    found = _part(parts["facts"], "found", name)
    _check_keys(found, "facts.found", name)
    stated = {key: value for key, value in parts["facts"].items() if key != "found"}
    facts = read_facts(stated, found, f"{name} [facts]")
    columns = parts["columns"]
    place = f"{name} [columns]"
    for needed, why in (("time", "when each row was"), ("north", "the star's place toward the north")):
        if needed not in columns:
            way = ", positive = ..." if needed == "north" else ""
            hint = f"{needed} = {{ name = ..., unit = ...{way} }}"
            raise InputError(f"{needed} is missing: it tells {why}", hint, place)
    layout = Layout(
        name,
        _text_form(parts["text"], f"{name} [text]"),
        Marks(**{key: pattern(value, f"{name} [section] {key}") for key, value in parts["section"].items()}),
        facts,
        _time(columns["time"], f"{place} time"),
        _place(columns, "north", "south", place),
        _place(columns, "east", "west", place) if "east" in columns else None,
        _pulse(columns, "north", "south", place) if "north_pulse" in columns else None,
        _pulse(columns, "east", "west", place) if "east_pulse" in columns else None,
        _words(columns, "status", "good", place) if "status" in columns else None,
        _words(columns, "shift", "values", place) if "shift" in columns else None,
    )
    _check_pointing(facts, layout.time.factor is None, f"{name} [facts]")
    if any(m.pixels for m in layout.measures.values()) and "image_scale" not in facts:
        raise InputError(
            "places in pixels need image_scale", 'image_scale = "1.9 arcsec/pix"', f"{name} [facts]"
        )
    return layout


def _check_pointing(facts: Mapping[str, Fact], moments: bool, where: str) -> None:
    """Refuse a layout that does not tell where the telescope pointed.

    Parameters
    ----------
    facts : mapping
    moments : bool
        The time column holds moments, which can stand in for `start`.
    where : str

    Raises
    ------
    InputError
        No kind of pointing or more than one, or half of one.
    """
    pairs = {"hour_angle": "dec", "ra": "dec", "azimuth": "altitude"}
    given = [name for name in pairs if name in facts]
    ways = "hour_angle and dec, or ra and dec with start, or azimuth and altitude"
    if len(given) != 1:
        seen = "the pointing is missing" if not given else f"{' and '.join(given)} are both given"
        raise InputError(seen, f"give {ways}, stated here or in [facts.found]", where)
    if pairs[given[0]] not in facts:
        raise InputError(f"{given[0]} needs {pairs[given[0]]}", f"give {ways}", where)
    if given == ["ra"] and "start" not in facts and not moments:
        raise InputError("ra needs start, or moments in the time column", f"give {ways}", where)


def _check_keys(content: Mapping[str, Any], part: str, name: str) -> None:
    for key in content:
        if key not in KEYS[part]:
            where = f"{name} [{part}]" if part else name
            hint = nearest(key, KEYS[part])
            if key == "WHAT":  # of a draft
                hint = "put the fact's name (hour_angle, dec, ...) in place of WHAT"
            raise InputError(f"unknown key '{key}'", hint, where)


def _part(content: Mapping[str, Any], key: str, name: str) -> dict[str, Any]:
    part = content.get(key, {})
    if not isinstance(part, dict):
        raise InputError(f"{key} is a single value, it must be a table", f"write [{key}] on a line", name)
    if key in KEYS:
        _check_keys(part, key, name)
    return part


def _entry(columns: Mapping[str, Any], key: str, keys: tuple[str, ...], place: str) -> dict[str, Any]:
    """Return one column's inline table, its keys checked."""
    entry, where = columns[key], f"{place} {key}"
    if not isinstance(entry, dict):
        raise InputError(f"{entry!r} is not a table", f"write {key} = {{ name = ... }}", where)
    for word in entry:
        if word not in keys:
            raise InputError(f"unknown key '{word}'", nearest(word, keys), where)
    return entry


def _factor(entry: Mapping[str, Any], kind: Kind, where: str) -> float:
    unit = entry.get("unit")
    if not isinstance(unit, str) or not unit.strip():
        raise InputError("unit is missing", f'e.g. unit = "{kind.example.split()[-1]}"', where)
    return quantity.parse(1.0, kind, where, unit=quantity.header_unit(unit, kind, where))


def _time(entry: Any, where: str) -> TimeColumn:
    place, key = where.rsplit(" ", 1)
    entry = _entry({key: entry}, key, ("name", "number", "unit", "format"), place)
    cell = cell_of(entry, where)
    if "format" in entry:
        if not isinstance(entry["format"], str) or "%" not in entry["format"] or "\0" in entry["format"]:
            raise InputError("format is how a moment is written", 'e.g. "%d.%m.%Y %H:%M:%S"', where)
        return TimeColumn(cell, None, entry["format"])
    if entry.get("unit") == "iso":
        return TimeColumn(cell, None)
    return TimeColumn(cell, _factor(entry, quantity.DURATION, where))


def _sign(entry: Mapping[str, Any], plus: str, minus: str, where: str) -> float:
    if entry.get("positive") not in (plus, minus):
        seen = f"positive is {entry['positive']!r}" if "positive" in entry else "positive is missing"
        raise InputError(f"{seen}, allowed is {plus} or {minus}", "which way a positive number points", where)
    return 1.0 if entry["positive"] == plus else -1.0


def _place(columns: Mapping[str, Any], plus: str, minus: str, place: str) -> Measure:
    where = f"{place} {plus}"
    entry = _entry(columns, plus, ("name", "number", "unit", "positive"), place)
    sign = _sign(entry, plus, minus, where)
    if unit_name(str(entry.get("unit", ""))) == "pix":
        return Measure(cell_of(entry, where), sign, True)
    return Measure(cell_of(entry, where), sign * _factor(entry, quantity.SMALL_ANGLE, where))


def _pulse(columns: Mapping[str, Any], plus: str, minus: str, place: str) -> Measure:
    key = f"{plus}_pulse"
    where = f"{place} {key}"
    entry = _entry(columns, key, ("name", "number", "unit", "positive", "direction", "answers"), place)
    factor = _factor(entry, PULSE, where)
    answers = entry.get("answers", "")
    if answers not in ANSWERS:
        allowed = "this (the row it stands in) or before (the row before)"
        raise InputError(f"answers is {answers!r}, allowed is {allowed}", "left out: the fit finds it", where)
    if "direction" not in entry:
        sign = _sign(entry, plus, minus, where)
        return Measure(cell_of(entry, where), factor * sign, answers=answers)
    if "positive" in entry:
        raise InputError("positive and direction are both given", "a signed pulse has no direction", where)
    ways = _entry(entry, "direction", ("name", "number", plus, minus), where)
    there, back = (_values(ways, way, f"{where} direction") for way in (plus, minus))
    if there & back:
        raise InputError(f"'{min(there & back)}' means both {plus} and {minus}", "", f"{where} direction")
    words = Words(cell_of(ways, f"{where} direction"), there, back)
    return Measure(cell_of(entry, where), factor, False, words, answers)


def _words(columns: Mapping[str, Any], key: str, values: str, place: str) -> Words:
    entry = _entry(columns, key, ("name", "number", values), place)
    return Words(cell_of(entry, f"{place} {key}"), _values(entry, values, f"{place} {key}"))


def _values(entry: Mapping[str, Any], key: str, where: str) -> frozenset[str]:
    given = entry.get(key)
    values = given if isinstance(given, list) else [given]
    if not values or any(isinstance(v, bool) or not isinstance(v, str | int) for v in values):
        raise InputError(f"{key} is missing or not a list of words", f'e.g. {key} = ["1"]', where)
    return frozenset(str(value).strip() for value in values)


def _text_form(part: Mapping[str, Any], where: str) -> TextForm:
    for key in ("encoding", "delimiter", "decimal", "comment"):
        if not isinstance(part.get(key, ""), str):
            raise InputError(f"{key} is {part[key]!r}, it must be text in quotes", "", where)
    form = TextForm(
        part.get("encoding", "utf-8"),
        DELIMITERS.get(part.get("delimiter", ","), part.get("delimiter", ",")),
        part.get("decimal", "."),
        part.get("comment", "#"),
        part.get("short_rows", False),
    )
    try:
        known = b"1".decode(form.encoding) == "1" or "16" in form.encoding or "32" in form.encoding
    except UnicodeError:
        known = "16" in form.encoding or "32" in form.encoding
    except (LookupError, ValueError):
        known = False
    if not known:
        raise InputError(f"there is no encoding '{form.encoding}'", 'e.g. "utf-8" or "latin-1"', where)
    if len(form.delimiter) > 1 or form.delimiter.isalnum() or form.delimiter in ('"', "\n", "\r", "\0"):
        raise InputError(
            f'delimiter is \'{form.delimiter}\', allowed is one sign, such as "," or ";", or tab, or space',
            "",
            where,
        )
    if form.decimal not in (".", ","):
        raise InputError(f'decimal is \'{form.decimal}\', allowed is "." or ","', "", where)
    if not isinstance(form.short_rows, bool):
        raise InputError(f"short_rows is {form.short_rows!r}, allowed is true or false", "", where)
    return form
