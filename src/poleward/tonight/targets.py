"""The targets table: what will be photographed, when, and for how long.

One row per target: `name`, `ra`, `dec` (ICRS), `exposure`, and where they matter `start` and `end` of the
exposures and the guide star's place, `guide_star_offset_north` and `guide_star_offset_east` from the frame's centre.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime, tzinfo
from pathlib import Path
from typing import Any

from poleward.door import quantity
from poleward.door.clock import parse_time, zone_of
from poleward.door.quantity import Kind, parse
from poleward.door.tables import Row, read_table
from poleward.errors import InputError

OFFSET = Kind("rad", None, "12 arcmin", "", "could be arcmin or degrees")

COLUMNS: Mapping[str, Kind | None] = {
    "name": None,
    "ra": quantity.RIGHT_ASCENSION,
    "dec": quantity.ANGLE,
    "start": None,
    "end": None,
    "exposure": quantity.DURATION,
    "guide_star_offset_north": OFFSET,
    "guide_star_offset_east": OFFSET,
}

FARTHEST_GUIDE_STAR_DEG = 20.0
"""A guide star farther than this from the frame's centre is a wrong unit: no guide telescope points so far aside."""
LONGEST_WINDOW_S = 24 * 3600.0
"""A longer window is not one night's."""


@dataclass(frozen=True)
class Target:
    """One thing to photograph.

    Attributes
    ----------
    name : str
    ra, dec : float
        ICRS, radians.
    exposure_s : float
        Of one picture.
    start, end : datetime or None
        Of the first and last picture, aware, UTC; both or neither. None: the coming night, while it stands high.
    guide_north, guide_east : float
        Guide star from the frame's centre, radians on the sky.
    where : str
        Where the user wrote it, for messages.
    """

    name: str
    ra: float
    dec: float
    exposure_s: float
    start: datetime | None = None
    end: datetime | None = None
    guide_north: float = 0.0
    guide_east: float = 0.0
    where: str = ""


def _angle(row: Row, units: Mapping[str, str], name: str, low_deg: float, high_deg: float) -> float:
    kind = COLUMNS[name]
    assert kind is not None
    if name not in row.cells:
        raise InputError(f"a target needs {name}", "ra and dec are ICRS", row.where)
    value = parse(row.cells[name], kind, row.where, f"column {name}", units.get(name, ""))
    sign = "+" if low_deg < 0 else ""
    if not math.radians(low_deg) - 1e-12 <= value <= math.radians(high_deg) + 1e-12:
        raise InputError(
            f"{name} is {math.degrees(value):g} deg, allowed is {low_deg:g} to {high_deg:{sign}g} deg",
            "",
            f"{row.where}, column {name}",
        )
    return value


def _guide_offset(row: Row, units: Mapping[str, str], name: str) -> float:
    cell = row.cells.get(name)
    if cell is None or str(cell).strip() in ("0", "0.0", "+0", "-0"):
        return 0.0  # nothing is nothing in any unit
    value = parse(cell, OFFSET, row.where, f"column {name}", units.get(name, ""))
    if abs(value) > math.radians(FARTHEST_GUIDE_STAR_DEG):
        raise InputError(
            f"{name} is {math.degrees(value):g} deg, allowed is up to {FARTHEST_GUIDE_STAR_DEG:g} deg",
            "it is the guide star's distance from the frame's centre, on the sky",
            f"{row.where}, column {name}",
        )
    return value


def _window(row: Row, zone: tzinfo | None) -> tuple[datetime | None, datetime | None]:
    given = [name for name in ("start", "end") if name in row.cells]
    if len(given) == 1:
        missing = "end" if given == ["start"] else "start"
        raise InputError(
            f"{given[0]} is given without {missing}",
            "give both, or neither for the coming night",
            row.where,
        )
    if not given:
        return None, None
    start, end = (
        parse_time(row.cells[name], f"{row.where}, column {name}", zone) for name in ("start", "end")
    )
    seconds = (end - start).total_seconds()
    if not 0 < seconds <= LONGEST_WINDOW_S:
        raise InputError(
            f"from start to end are {seconds / 3600:g} h, allowed is more than 0 and up to 24 h",
            "end is the end of the last picture; past midnight it is of the next date",
            row.where,
        )
    return start, end


def target_from_row(row: Row, units: Mapping[str, str], zone: tzinfo | None) -> Target:
    """Check one row and strip its units.

    Raises
    ------
    InputError
        Names the place, what was found, what is allowed.
    """
    ra = _angle(row, units, "ra", 0, 360)
    dec = _angle(row, units, "dec", -90, 90)
    if "exposure" not in row.cells:
        raise InputError("a target needs exposure", "the length of one picture, e.g. 180 s", row.where)
    exposure = parse(
        row.cells["exposure"], quantity.DURATION, row.where, "column exposure", units.get("exposure", "")
    )
    if exposure <= 0:
        raise InputError(
            f"exposure is {exposure:g} s, allowed is more than 0", "", f"{row.where}, column exposure"
        )
    start, end = _window(row, zone)
    return Target(
        name=str(row.cells.get("name", "")).strip() or row.where,
        ra=ra,
        dec=dec,
        exposure_s=exposure,
        start=start,
        end=end,
        guide_north=_guide_offset(row, units, "guide_star_offset_north"),
        guide_east=_guide_offset(row, units, "guide_star_offset_east"),
        where=row.where,
    )


def _told_apart(targets: Iterable[Target]) -> tuple[Target, ...]:
    """Number names that come again, so that table, chart and record tell them apart: ``nebula``, ``nebula (2)``."""
    seen: dict[str, int] = {}
    told = []
    for target in targets:
        seen[target.name] = number = seen.get(target.name, 0) + 1
        told.append(target if number == 1 else replace(target, name=f"{target.name} ({number})"))
    return tuple(told)


def targets_from_rows(
    rows: Iterable[Mapping[str, Any]], *, timezone: str = "", name: str = "row"
) -> tuple[Target, ...]:
    """Targets from mappings with the table's column names; values are text or Quantity.

    Parameters
    ----------
    rows : iterable of mapping
    timezone : str
        Zone of times that carry no offset.
    name : str
        What to call a row in messages: ``--target`` says ``--target 2``.

    Raises
    ------
    InputError
        As `read_targets`.
    """
    zone = zone_of(timezone) if timezone else None
    made = []
    for number, cells in enumerate(rows, 1):
        where = f"{name} {number}"
        for key in cells:
            if key not in COLUMNS:
                raise InputError(f"unknown name '{key}'", quantity.nearest(key, COLUMNS), where)
        made.append(target_from_row(Row(where, cells), {}, zone))
    return _told_apart(made)


def read_targets(path: str | Path, *, timezone: str = "") -> tuple[Target, ...]:
    """Read a targets table.

    Parameters
    ----------
    path : str or Path
        CSV, ECSV or VOTable; ``-`` is standard input.
    timezone : str
        Zone of times that carry no offset; without it they are an error.

    Returns
    -------
    tuple of Target

    Raises
    ------
    InputError
        Names the file, the line and the column, what was found and what is allowed.
    """
    table = read_table(path)
    table.check_columns(COLUMNS)
    zone = zone_of(timezone) if timezone else None
    units = {}
    for column, text in table.units.items():
        kind, place = COLUMNS[column], f"{table.header}, column {column}"
        if kind is not None:
            units[column] = quantity.header_unit(text, kind, place)
        elif text and column in ("start", "end"):
            zone = zone_of(text, place)
    if not table.rows:
        raise InputError("the table has a header and no rows", "one row per target", table.name)
    return _told_apart(target_from_row(row, units, zone) for row in table.rows)
