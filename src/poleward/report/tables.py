"""Results as ECSV tables: one row per timing, section, target or pointing, all else in the metadata."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Any

from poleward.door.record import column_of

if TYPE_CHECKING:
    from astropy.table import Table


def record_table(record: dict[str, Any], rows: str) -> Table:
    """Return a table of a result's record; units come out of the names, missing values are masked.

    The list `rows` in it becomes the rows; all else goes into the header.
    """
    from astropy.table import MaskedColumn, Table

    flat = [flat_row(row) for row in record[rows]]
    table = Table(meta={key: value for key, value in record.items() if key != rows})
    for key in dict.fromkeys(key for row in flat for key in row):
        values = [row.get(key) for row in flat]
        kinds = {type(value) for value in values if value is not None}
        filler: Any = "" if str in kinds else False if kinds == {bool} else 0.0
        name, unit = column_of(key)
        table[name] = MaskedColumn(
            [filler if value is None else value for value in values],
            mask=[value is None for value in values],
            unit=unit,
        )
    return table


def ecsv_of(table: Table) -> str:
    """Return the text of an ECSV 1.0 table."""
    buffer = io.StringIO()
    table.write(buffer, format="ascii.ecsv", delimiter=",")
    return buffer.getvalue()


def flat_row(row: dict[str, Any]) -> dict[str, Any]:
    """Return a row without records inside: a thing with a name becomes that, other parts join the row, notes a text."""
    flat: dict[str, Any] = {}
    for key, value in row.items():
        if isinstance(value, dict) and "name" in value:
            flat[key] = value["name"]
        elif isinstance(value, dict):
            flat |= value
        elif isinstance(value, list):
            flat[key] = "; ".join(_words(one) for one in value) or None
        else:
            flat[key] = value
    return flat


def _words(one: Any) -> str:
    """Return a note as its text, and a pair of times as the interval of ISO 8601."""
    if isinstance(one, dict):
        return str(one["text"])
    return "/".join(map(str, one)) if isinstance(one, list) else str(one)
