"""Rows of any table that a user writes: checked cell by cell, units stripped, every complaint with its place."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo
from typing import Any, NoReturn

from poleward.door.clock import parse_time, zone_of
from poleward.door.quantity import Kind, header_unit, nearest, parse, refuse_unknown
from poleward.door.tables import RawTable, Row, is_place
from poleward.errors import InputError, WrongTypeError

Columns = Mapping[str, Kind | None]
"""What a table may hold: by column its kind of quantity, None for text and times."""


@dataclass(frozen=True)
class Cells:
    """One row, its cells read on demand, with the units that the header gives and the zone of times without an offset."""

    row: Row
    columns: Columns
    units: Mapping[str, str]
    zone: tzinfo | None

    @property
    def where(self) -> str:
        """Where the row stands."""
        return self.row.where

    def has(self, name: str) -> bool:
        """Whether a cell is filled."""
        return name in self.row.cells

    def value(self, name: str) -> float | None:
        """Return a number in the unit of its column's kind; None where it is not given."""
        kind = self.columns[name]
        if not self.has(name) or kind is None:
            return None
        return parse(self.row.cells[name], kind, self.where, f"column {name}", self.units.get(name, ""))

    def bare(self, name: str) -> bool:
        """Whether a number stands there alone, with no unit in the cell or in the header."""
        value = self.row.cells.get(name)
        if isinstance(value, str):
            try:
                value = float(value)
            except ValueError:
                return False
        return isinstance(value, int | float) and not self.units.get(name)

    def needed(self, name: str, why: str, hint: str = "") -> float:
        """Return a number that must be given; `why` says what needs it."""
        value = self.value(name)
        if value is None:
            raise InputError(f"{why} needs {name}", hint, self.where)
        return value

    def angle(self, name: str, why: str, low_deg: float, high_deg: float, hint: str = "") -> float:
        """Return an angle, radians, that must be given and lie between two limits."""
        value = self.needed(name, why, hint)
        if not math.radians(low_deg) - 1e-12 <= value <= math.radians(high_deg) + 1e-12:
            sign = "+" if low_deg < 0 else ""
            self.fail(
                name,
                f"{name} is {math.degrees(value):g} deg, allowed is {low_deg:g} to {high_deg:{sign}g} deg",
            )
        return value

    def text(self, name: str) -> str:
        """Return a text; empty where it is not given."""
        return str(self.row.cells.get(name, "")).strip()

    def time(self, name: str) -> datetime | None:
        """Return a moment, aware, UTC; None where it is not given."""
        if not self.has(name):
            return None
        return parse_time(self.row.cells[name], f"{self.where}, column {name}", self.zone)

    def fail(self, name: str, message: str, hint: str = "") -> NoReturn:
        """Complain about a cell."""
        raise InputError(message, hint, f"{self.where}, column {name}")


def cells_of_table(table: RawTable, columns: Columns, timezone: str, what: str) -> list[Cells]:
    """Check a table's header and return its rows; `what` a row is, for messages.

    Raises
    ------
    InputError
        An unknown column, a unit that does not fit, or no rows.
    """
    for column in table.units:
        if column not in columns:
            raise InputError(f"unknown column '{column}'", nearest(column, columns), table.header)
    zone = zone_of(timezone) if timezone else None
    units = {}
    for column, text in table.units.items():
        kind, place = columns[column], f"{table.header}, column {column}"
        if kind is not None:
            units[column] = header_unit(text, kind, place)
        elif text and column in ("time", "start", "end"):
            zone = zone_of(text, place)
    if not table.rows:
        raise InputError("the table has a header and no rows", f"one row per {what}", table.name)
    return [Cells(row, columns, units, zone) for row in table.rows]


def cells_of_rows(
    rows: Iterable[Mapping[str, Any]], columns: Columns, timezone: str, name: str, hint: str = ""
) -> Sequence[Cells]:
    """Return rows of mappings, called ``NAME 1`` and so on in messages.

    Raises
    ------
    InputError
        An unknown name.
    WrongTypeError
        Not a mapping; `hint` says what to use instead.
    """
    zone = zone_of(timezone) if timezone else None
    made = []
    for number, cells in enumerate(rows, 1):
        where = f"{name} {number}"
        if not isinstance(cells, Mapping):
            raise WrongTypeError(where, cells, "a mapping of column names to values", hint)
        row = Row(where, cells)
        refuse_unknown((key for key, value in cells.items() if not is_place(value)), columns, where)
        made.append(Cells(row, columns, {}, zone))
    return made
