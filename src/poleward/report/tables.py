"""The solution as an ECSV table: one row per timing, the axis in the metadata."""

from __future__ import annotations

import io
import re
from typing import Any

from poleward.solving.solution import Solution

UNITS = {
    "hour_angle_h": "hourangle",
    "dec_deg": "deg",
    "altitude_deg": "deg",
    "duration_s": "s",
    "north_arcsec": "arcsec",
    "north_fitted_arcsec": "arcsec",
    "north_sigma_arcsec": "arcsec",
    "east_arcsec": "arcsec",
    "east_fitted_arcsec": "arcsec",
    "east_sigma_arcsec": "arcsec",
}

UNIT_SUFFIX = re.compile(r"_[a-zA-Z]+(_per_[a-z]+)?$")


def solution_ecsv(solution: Solution) -> str:
    """Return the text of an ECSV 1.0 table of the timings, with axis, fit, moves and warnings as metadata."""
    record = solution.to_record()
    return record_ecsv(record.pop("drifts"), record, UNITS)


def record_ecsv(rows: list[dict[str, Any]], meta: dict[str, Any], units: dict[str, str]) -> str:
    """Return ECSV text of rows with the same keys; missing values become empty cells.

    Parameters
    ----------
    rows : list of dict
    meta : dict
        Goes into the header.
    units : dict
        Unit by column; the column's name loses its unit suffix.
    """
    from astropy.table import MaskedColumn, Table

    table = Table(meta=meta)
    for key in rows[0]:
        values = [row[key] for row in rows]
        text = all(value is None or isinstance(value, str) for value in values) and any(
            isinstance(value, str) for value in values
        )
        filler: Any = "" if text else False if all(isinstance(value, bool) for value in values) else 0.0
        unit = units.get(key)
        table[UNIT_SUFFIX.sub("", key) if unit else key] = MaskedColumn(
            [filler if value is None else value for value in values],
            mask=[value is None for value in values],
            unit=unit,
        )
    buffer = io.StringIO()
    table.write(buffer, format="ascii.ecsv", delimiter=",")
    return buffer.getvalue()
