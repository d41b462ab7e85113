"""The targets table: what will be photographed, when, and for how long.

One row per target: `name`, `ra`, `dec` (ICRS), `exposure`, and where they matter `start` and `end` of the
exposures and the guide star's place, `guide_star_offset_north` and `guide_star_offset_east` from the frame's centre.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from poleward.door import quantity
from poleward.door.cells import Cells, Columns, cells_of_rows, cells_of_table
from poleward.door.tables import read_table
from poleward.errors import InputError

COLUMNS: Columns = {
    "name": None,
    "ra": quantity.RIGHT_ASCENSION,
    "dec": quantity.DECLINATION,
    "start": None,
    "end": None,
    "exposure": quantity.DURATION,
    "guide_star_offset_north": quantity.OFFSET,
    "guide_star_offset_east": quantity.OFFSET,
}

FARTHEST_GUIDE_STAR_DEG = 20.0
"""A guide star farther than this from the frame's centre is a wrong unit: no guide telescope points so far aside."""
MOST_TARGETS = 100
"""More than a night has room for; each takes up to a second to look at."""
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
    where: str = field(default="", compare=False)


def _guide_offset(cells: Cells, name: str) -> float:
    if cells.text(name) in ("", "0", "0.0", "+0", "-0"):
        return 0.0  # nothing is nothing in any unit
    value = cells.needed(name, "")
    if abs(value) > math.radians(FARTHEST_GUIDE_STAR_DEG):
        cells.fail(
            name,
            f"{name} is {math.degrees(value):g} deg, allowed is up to {FARTHEST_GUIDE_STAR_DEG:g} deg",
            "it is the guide star's distance from the frame's centre, on the sky",
        )
    return value


def _window(cells: Cells) -> tuple[datetime | None, datetime | None]:
    start, end = cells.time("start"), cells.time("end")
    if start is None and end is None:
        return None, None
    if start is None or end is None:
        given, missing = ("start", "end") if end is None else ("end", "start")
        hint = "give both, or neither for the coming night"
        raise InputError(f"{given} is given without {missing}", hint, cells.where)
    seconds = (end - start).total_seconds()
    if not 0 < seconds <= LONGEST_WINDOW_S:
        raise InputError(
            f"from start to end are {seconds / 3600:g} h, allowed is more than 0 and up to 24 h",
            "end is the end of the last picture; past midnight it is of the next date",
            cells.where,
        )
    return start, end


def target_from_cells(cells: Cells) -> Target:
    """Check one row and strip its units.

    Raises
    ------
    InputError
        Names the place, what was found, what is allowed.
    """
    ra = cells.angle("ra", "a target", 0, 360, "ra and dec are ICRS")
    dec = cells.angle("dec", "a target", -90, 90, "ra and dec are ICRS")
    exposure = cells.needed("exposure", "a target", "the length of one picture, e.g. 180 s")
    if exposure <= 0:
        cells.fail("exposure", f"exposure is {exposure:g} s, allowed is more than 0")
    start, end = _window(cells)
    return Target(
        name=cells.text("name") or cells.where,
        ra=ra,
        dec=dec,
        exposure_s=exposure,
        start=start,
        end=end,
        guide_north=_guide_offset(cells, "guide_star_offset_north"),
        guide_east=_guide_offset(cells, "guide_star_offset_east"),
        where=cells.where,
    )


def _told_apart(targets: Iterable[Target]) -> tuple[Target, ...]:
    """Number names that come again, so that table, chart and record tell them apart: ``nebula``, ``nebula (2)``."""
    seen: dict[str, int] = {}
    told = []
    for target in targets:
        seen[target.name] = number = seen.get(target.name, 0) + 1
        told.append(target if number == 1 else replace(target, name=f"{target.name} ({number})"))
    return tuple(told)


def targets_from_cells(cells: Iterable[Cells]) -> tuple[Target, ...]:
    """Targets from the checked cells of a table."""
    return _told_apart(target_from_cells(one) for one in cells)


def targets_from_rows(
    rows: Iterable[Mapping[str, Any]], *, timezone: str = "", name: str = "row"
) -> tuple[Target, ...]:
    """Targets from mappings with the table's column names; values are text or Quantity.

    `timezone` is that of times without an offset; messages call a row `name`: ``--target`` says ``--target 2``.

    Raises
    ------
    InputError
        As `read_targets`.
    """
    return targets_from_cells(cells_of_rows(rows, COLUMNS, timezone, name))


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
    if len(table.rows) > MOST_TARGETS:
        raise InputError(
            f"this table has {len(table.rows)} targets, allowed are {MOST_TARGETS}",
            "keep those of tonight",
            table.name,
        )
    return targets_from_cells(cells_of_table(table, COLUMNS, timezone, "target"))
