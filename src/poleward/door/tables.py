"""Tables that users write: CSV, ECSV and VOTable as rows of named cells, each with its place for messages."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from poleward.door.incoming import name_of, read_bytes
from poleward.door.notation import decimal_point
from poleward.door.quantity import missing
from poleward.door.votable import check_votable, refuse_many
from poleward.errors import InputError

HEADER_BYTES = 64_000
"""Of an ECSV file's own header, which is YAML: 4 MB of it take a minute."""
WORDED = ("label", "name", "star")
"""Columns of words, in which a comma is one."""
EARTHLY = ("altaz", "hadec", "cirs", "tete", "teme", "itrs", "precessedgeocentric")
"""Frames of astropy that need a moment and its tables of Earth rotation."""


@dataclass(frozen=True)
class Row:
    """One row: its cells by column name, and where it stands.

    Cells that are empty or masked are left out, and a SkyCoord of any name becomes `ra` and `dec`.
    """

    where: str
    cells: Mapping[str, Any]

    def __post_init__(self) -> None:
        """Leave out what was not measured."""
        told: dict[str, Any] = {}
        for name, value in self.cells.items():
            if missing(value):
                continue
            cells = _icrs(value, self.where) if is_place(value) else {name: value}
            if twice := cells.keys() & told.keys():
                raise InputError(f"{min(twice)} and a SkyCoord are both given", "give one", self.where)
            told |= cells
        object.__setattr__(self, "cells", told)


def is_place(value: Any) -> bool:
    """Whether a value is a SkyCoord."""
    return hasattr(value, "transform_to")


def _icrs(place: Any, where: str) -> dict[str, Any]:
    """Right ascension and dec of a SkyCoord of one place among the stars."""
    if place.frame.name in EARTHLY:
        raise InputError(
            f"a SkyCoord of the frame '{place.frame.name}' turns with the Earth, allowed is one such as ICRS",
            "give hour_angle and dec (apparent, of date), or azimuth and altitude (as seen)",
            where,
        )
    return {"ra": place.icrs.ra, "dec": place.icrs.dec}


@dataclass(frozen=True)
class RawTable:
    """Rows, and the unit each column's header gives (empty where it gives none)."""

    name: str
    header: str
    rows: tuple[Row, ...]
    units: Mapping[str, str]


def decoded(data: bytes, name: str) -> str:
    """Return the text of a file: UTF-8 or UTF-16 with or without byte-order mark.

    Raises
    ------
    InputError
        It holds NUL bytes, so it is not text.
    """
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return data.decode("utf-16", errors="replace")
    if b"\0" in data:
        raise InputError(
            "this is not a text file (it holds NUL bytes)", "a table is CSV, ECSV or VOTable", name
        )
    return data.decode("utf-8-sig", errors="replace")


def read_table(path: str | Path) -> RawTable:
    """Read a table of any of the three kinds, which is seen from its first line; ``-`` is standard input.

    Raises
    ------
    InputError
        It cannot be read, is empty, or is not a table.
    """
    name = name_of(path)
    data = read_bytes(path)
    if data.lstrip()[:1] == b"<":
        check_votable(data.lstrip(), name)
        return _by_astropy(io.BytesIO(data.lstrip()), "votable", name, [])
    text = decoded(data, name)
    if text.lstrip().startswith("# %ECSV"):
        lines = text.lstrip().splitlines()
        numbers = [i + 1 for i, line in enumerate(lines) if line.strip() and not line.startswith("#")]
        refuse_many(len(numbers) - 1, name)
        if sum(len(line) for line in lines if line.startswith("#")) > HEADER_BYTES:
            raise InputError("this ECSV's header is too long", "is this the right file?", name)
        return _by_astropy(lines, "ascii.ecsv", name, numbers[1:])
    return _csv(text, name)


def _csv(text: str, name: str) -> RawTable:
    """Comma, semicolon or tab separated; ``#`` lines and empty lines are passed over."""
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")  # a form feed in a label ends no line
    numbered = [
        (i + 1, line) for i, line in enumerate(lines) if line.strip() and not line.lstrip().startswith("#")
    ]
    if not text.strip() and name == "standard input":
        raise InputError("nothing came through the pipe", "see the message of the command before it", name)
    if not numbered:
        raise InputError("this table is empty", "its first line names the columns", name)
    refuse_many(len(numbered) - 1, name)
    first_number, first = numbered[0]
    header_at = f"{name}:{first_number}"
    delimiter = max(",;\t", key=first.count)
    try:
        cells = [next(csv.reader([line], delimiter=delimiter, skipinitialspace=True)) for _, line in numbered]
    except csv.Error as error:
        raise InputError(
            f"this is not a table: {error}", "its first line names the columns", header_at
        ) from None
    columns, units = [], {}
    for cell in cells[0]:
        column, bracket, rest = (part.strip() for part in cell.partition("["))
        if not column or "]" in column or (bracket and not rest.endswith("]")):
            raise InputError(f"'{cell}' is not a column's name", "write name or name [unit]", header_at)
        if column in units:
            raise InputError(f"column '{column}' is named twice", "", header_at)
        columns.append(column)
        units[column] = rest.removesuffix("]").strip()
    rows = []
    for (number, _), values in zip(numbered[1:], cells[1:], strict=True):
        if len(values) != len(columns):
            raise InputError(
                f"this row has {len(values)} cells, the header names {len(columns)} columns",
                "an empty value still needs its separator",
                f"{name}:{number}",
            )
        row = {column: value.strip() for column, value in zip(columns, values, strict=True)}
        if delimiter == ";":
            row = _with_points(row, f"{name}:{number}")
        rows.append(Row(f"{name}:{number}", row))
    return RawTable(name, header_at, tuple(rows), units)


def _with_points(row: dict[str, str], where: str) -> dict[str, str]:
    """Return a row with decimal commas as points; a label keeps its comma."""
    made = {}
    for column, cell in row.items():
        try:
            made[column] = cell if column in WORDED else decimal_point(cell)
        except InputError as error:
            raise InputError(error.message, error.hint, f"{where}, column {column}") from None
    return made


def _by_astropy(source: Any, kind: str, name: str, line_numbers: list[int]) -> RawTable:
    import warnings

    from astropy.table import Table

    try:
        with warnings.catch_warnings():
            # Units it does not know are refused by name when they are used.
            warnings.simplefilter("ignore")
            table = Table.read(source, format=kind)
    except Exception as error:  # noqa: BLE001 - astropy raises whatever its parsers raise; all mean the same here
        reason = str(error).strip().splitlines()
        shown = "ECSV" if kind == "ascii.ecsv" else "VOTable"
        raise InputError(
            f"this {shown} cannot be read: {reason[0] if reason else type(error).__name__}", "", name
        ) from None
    return rows_of_table(table, name, line_numbers)


def _plain(value: Any) -> Any:
    """Return numpy's scalars as Python's; what is missing or carries more than a value stays as it is."""
    if missing(value) or hasattr(value, "unit") or not hasattr(value, "item") or value.shape:
        return value
    return value.item().decode() if value.dtype.kind == "S" else value.item()


def rows_of_table(table: Any, name: str = "table", line_numbers: Sequence[int] = ()) -> RawTable:
    """Rows of an astropy Table or QTable, called `name` in messages.

    Units of columns, masked cells and columns of Time, Quantity and SkyCoord are honoured. `line_numbers` say where its rows
    stand in a file, if they do.
    """
    units: dict[str, str] = {}
    for column in table.colnames:
        places = ("ra", "dec") if is_place(table[column]) else (column,)
        units |= dict.fromkeys(places, str(getattr(table[column], "unit", None) or ""))
    rows = []
    for number in range(len(table)):
        cells = {column: _plain(table[column][number]) for column in table.colnames}
        place = (
            f"{name}:{line_numbers[number]}" if number < len(line_numbers) else f"{name}, row {number + 1}"
        )
        rows.append(Row(place, cells))
    return RawTable(name, name, tuple(rows), units)
