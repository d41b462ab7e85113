"""The rows of one section as columns: numpy.loadtxt where every row is sound, a slower pass where not.

The slower pass names every line that cannot be read and leaves it out; a row is never repaired.
"""

from __future__ import annotations

import csv
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np

from poleward.door.quantity import nearest
from poleward.errors import InputError
from poleward.guidelog.reading.blocks import Block, shorten
from poleward.guidelog.reading.facts import Cell
from poleward.guidelog.reading.form import Layout
from poleward.guidelog.reading.section import Bools
from poleward.sky.axis import Floats

BLANKS = frozenset(("", "-", "--", "n/a", "na", "nan", "none", "null"))
"""Cells that say that there is no value."""


@dataclass
class Table:
    """Columns of one section, one value per row that could be read.

    Attributes
    ----------
    numbers : int array
        The rows' lines in the file.
    positions : int array
        The rows' positions among the block's lines.
    values : dict of str to array
        ``time`` (where it is a number), ``north``, ``east``, ``north_pulse``, ``east_pulse`` as written; NaN for a
        blank, and for a place that is no number.
    words : dict of str to list of str
        ``time`` (where it is a moment), ``status``, ``shift``, ``north_way``, ``east_way``, and facts that stand in
        columns (``fact ra``), blanks stripped.
    unread : list of (line, reason)
        Rows that were left out.
    doubtful : dict of int to str
        Position among the rows kept, and reason: the place is no number. No fault if the star was lost there.
    """

    numbers: np.ndarray[tuple[int], np.dtype[np.int64]]
    positions: np.ndarray[tuple[int], np.dtype[np.int64]]
    values: dict[str, Floats]
    words: dict[str, list[str]]
    unread: list[tuple[int, str]] = field(default_factory=list)
    doubtful: dict[int, str] = field(default_factory=dict)

    def part(self, chosen: Bools, lines: tuple[float, float]) -> Table:
        """Return some of the rows, and what was left out between two lines of the file."""
        places = np.flatnonzero(chosen)
        words = {name: [column[at] for at in places.tolist()] for name, column in self.words.items()}
        now = {old: new for new, old in enumerate(places.tolist())}
        return Table(
            self.numbers[places],
            self.positions[places],
            {name: column[places] for name, column in self.values.items()},
            words,
            [(line, reason) for line, reason in self.unread if lines[0] <= line < lines[1]],
            {now[at]: reason for at, reason in self.doubtful.items() if at in now},
        )


def read_rows(block: Block, layout: Layout, file: str) -> Table:
    """Read the rows of a block.

    Raises
    ------
    InputError
        A column that the layout names is not in the header, or the rows do not have as many cells as the header.
    """
    where = {name: cell for name, cell in _cells(layout)}
    places, width = _columns(block, layout, file, where)
    numeric = [name for name in where if name in NUMERIC and (name != "time" or layout.time.factor)]
    table = _fast(block, layout, places, width, numeric)
    return _slow(block, layout, places, width, numeric) if table is None else table


FACT = "fact "
"""Before the name of a fact that stands in a column."""
NUMERIC = ("time", "north", "east", "north_pulse", "east_pulse")


def _cells(layout: Layout) -> list[tuple[str, Cell]]:
    found = [("time", layout.time.cell)]
    for name, measure in layout.measures.items():
        found.append((name, measure.cell))
        if measure.direction is not None:
            found.append((name.replace("_pulse", "_way"), measure.direction.cell))
    for name, words in (("status", layout.status), ("shift", layout.shift)):
        if words is not None:
            found.append((name, words.cell))
    return [
        *found,
        *((FACT + fact.name, fact.cell) for fact in layout.facts.values() if fact.cell is not None),
    ]


def splitter(delimiter: str) -> Callable[[str], list[str]]:
    """Return the function that divides a line into cells; double quotes hold a cell together."""

    def split(line: str) -> list[str]:
        if '"' in line:
            source = line if delimiter else " ".join(line.split())
            try:
                return next(csv.reader([source], delimiter=delimiter or " ", skipinitialspace=True))
            except (csv.Error, StopIteration):
                return []
        return line.split(delimiter) if delimiter else line.split()

    return split


def _columns(
    block: Block, layout: Layout, file: str, where: dict[str, Cell]
) -> tuple[dict[str, int], int | None]:
    """Return each column's index, and how many cells a row has; None where no header tells."""
    if block.header is None:
        for cell in where.values():
            if cell.number is None:
                raise InputError(
                    f"no line names the columns of this section, {cell} cannot be found",
                    "see header in [section], or give the column's number instead of its name",
                    f"{file}:{block.first}",
                )
        return {name: (cell.number or 1) - 1 for name, cell in where.items()}, None
    number, line = block.header
    comment = layout.text.comment
    if comment and line.lstrip().startswith(comment):
        line = line.lstrip().removeprefix(comment).lstrip()
    names = [name.strip() for name in splitter(layout.text.delimiter)(line)]
    places = {}
    for key, cell in where.items():
        if cell.number is not None:
            places[key] = cell.number - 1
            continue
        count = names.count(cell.name)
        if count != 1:
            seen = "is not in this header" if not count else f"is there {count} times in this header"
            hint = nearest(cell.name, names) if not count else "give its number instead: number = 3"
            raise InputError(f"{cell} {seen}", hint, f"{file}:{number}")
        places[key] = names.index(cell.name)
    if max(places.values()) >= len(names):
        raise InputError(
            f"the header names {len(names)} columns, the layout asks for number {max(places.values()) + 1}",
            "see delimiter in [text]",
            f"{file}:{number}",
        )
    return places, len(names)


def _fast(
    block: Block, layout: Layout, places: dict[str, int], width: int | None, numeric: list[str]
) -> Table | None:
    """Read all rows at once; None as soon as one of them is not as it should be."""
    rows, delimiter = block.rows, layout.text.delimiter
    if not rows:
        return None
    counts = {row.count(delimiter) + 1 if delimiter else len(row.split()) for row in rows}
    if len(counts) != 1 or width not in (None, *counts) or max(places.values()) >= min(counts):
        return None
    source = rows
    if layout.text.decimal == ",":
        if delimiter == ",":
            return None
        source = "\n".join(rows).replace(",", ".").split("\n")
    try:
        loaded = np.loadtxt(
            source,
            delimiter=delimiter or None,
            usecols=[places[name] for name in numeric],
            comments=None,
            ndmin=2,
        )
    except (ValueError, IndexError):
        return None
    if len(loaded) != len(rows) or np.isinf(loaded).any():
        return None
    words: dict[str, list[str]] = {}
    others = [name for name in places if name not in numeric]
    if others:
        if any('"' in row for row in rows):
            return None
        for name in others:
            # One column at a time: the cells of a million rows at once would not fit.
            column, most = places[name], places[name] + 1
            words[name] = [row.split(delimiter or None, most)[column].strip() for row in rows]
    # A copy of each column, so that the whole array can go.
    values = {name: loaded[:, k].copy() for k, name in enumerate(numeric)}
    return Table(np.array(block.numbers), np.arange(len(rows)), values, words)


def _slow(
    block: Block, layout: Layout, places: dict[str, int], width: int | None, numeric: list[str]
) -> Table:
    """Read row by row, and leave out those that cannot be read."""
    split = splitter(layout.text.delimiter)
    width, trailing = _width([split(row) for row in block.rows[:1000]], width)
    comma = layout.text.decimal == ","
    least = max(places.values()) + 1 if layout.text.short_rows else width
    kept: list[int] = []
    values: dict[str, list[float]] = {name: [] for name in numeric}
    words: dict[str, list[str]] = {name: [] for name in places if name not in numeric}
    unread: list[tuple[int, str]] = []
    doubtful: dict[int, str] = {}
    for position, row in enumerate(block.rows):
        cells = split(row)
        if trailing and len(cells) > 1 and not cells[-1].strip():
            cells.pop()
        if not least <= len(cells) <= width:
            unread.append((block.numbers[position], f"{len(cells)} cells, not {width}"))
            continue
        found: dict[str, float] = {}
        problem = ""
        for name in numeric:
            number = _number(cells[places[name]], comma)
            if number is None:
                problem = f"'{shorten(cells[places[name]].strip(), 20)}' is no number"
                if name not in ("north", "east"):
                    break
                number = np.nan
            found[name] = number
        else:
            if problem:
                doubtful[len(kept)] = problem
            kept.append(position)
            for name, value in found.items():
                values[name].append(value)
            for name, column in words.items():
                column.append(cells[places[name]].strip())
            continue
        unread.append((block.numbers[position], problem))
    arrays = {name: np.array(column, dtype=float) for name, column in values.items()}
    positions = np.array(kept, dtype=np.int64)
    return Table(
        np.array(block.numbers, dtype=np.int64)[positions], positions, arrays, words, unread, doubtful
    )


def _width(rows: Sequence[list[str]], width: int | None) -> tuple[int, bool]:
    """Return how many cells a sound row has, as the header or as most rows, and whether rows end with a delimiter.

    Whether they do is decided for the section: in a single row one empty cell too many is damage.
    """
    most, count = Counter(len(cells) for cells in rows).most_common(1)[0] if rows else (width or 1, 0)
    usual = [cells for cells in rows if len(cells) == most]
    trailing = most == (width or 0) + 1 and count * 2 > len(rows) and not any(c[-1].strip() for c in usual)
    return width or most, trailing


def _number(cell: str, comma: bool) -> float | None:
    """Return a cell's number, NaN for a blank, None for anything else."""
    text = cell.strip()
    if text.lower() in BLANKS:
        return np.nan
    if comma:
        text = text.replace(",", ".")
    if not text.isascii() or "_" in text:
        return None
    try:
        number = float(text)
    except ValueError:
        return None
    return number if np.isfinite(number) else None
