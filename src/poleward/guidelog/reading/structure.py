"""What a log's own structure tells, whoever wrote it: cells, the line of names, sections, what each column holds."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from poleward.guidelog.reading.columns import Column, column_of, is_moment, number
from poleward.guidelog.reading.rows import splitter

Splitter = Callable[[str], list[str]]
FORMS = tuple((delimiter, decimal) for decimal in (".", ",") for delimiter in ("\t", ";", ",", "|", ""))
SHORT_CELLS = 3
"""A header may name so many columns more than most rows have: rows that leave out empty cells at their end."""
LONGEST_LINE = 4000
"""A longer line is damage: a row of a hundred columns has a quarter of that."""
LOOKED_AT = 20_000
"""Lines that are looked at: a night has that many rows, and its structure does not change after."""


@dataclass(frozen=True)
class Structure:
    """What was seen in a log.

    Attributes
    ----------
    delimiter, decimal : str
    header : str
        The line that names the columns; empty where there is none.
    begin, end : str
        What the lines that open and close every section have in common at their beginning; empty where nothing.
    sections, rows : int
    short_rows : bool
        The header names more columns than most rows have.
    columns : tuple of Column
    free : tuple of (int, str)
        Free lines of the first section that hold numbers, each with its line number.
    between : tuple of (int, str)
        Free lines among the rows, one of each kind.
    """

    delimiter: str
    decimal: str
    header: str
    begin: str
    end: str
    sections: int
    rows: int
    short_rows: bool
    columns: tuple[Column, ...]
    free: tuple[tuple[int, str], ...]
    between: tuple[tuple[int, str], ...]


def look(lines: Sequence[str]) -> Structure | None:
    """Look at a log's lines; None where no rows of numbers are found.

    Parameters
    ----------
    lines : sequence of str
    """
    lines = [line if len(line) <= LONGEST_LINE else "" for line in lines[:LOOKED_AT]]
    best: tuple[int, str, str, list[int], int] | None = None
    for delimiter, decimal in FORMS:
        score, rows, width = _rows(lines, delimiter, decimal)
        if score > (best[0] if best else 0):
            best = score, delimiter, decimal, rows, width
    if best is None:
        return None
    _, delimiter, decimal, rows, width = best
    split = splitter(delimiter)
    header = _header(lines, rows, width, split)
    runs = _runs(lines, rows, header)
    begin, end = _marks(lines, runs, header)
    names = [""] * width if header is None else _names(lines[header], split)
    cells = [[split(lines[i]) for i in run] for run in runs]
    short = len(names) > width
    names += [""] * (width - len(names))
    columns = tuple(
        column_of(k, names[k], [[row[k].strip() for row in run] for run in cells], decimal)
        for k in range(width)
    )
    first, last = runs[0][0], runs[0][-1]
    row_set = set(rows)
    free = tuple((i + 1, lines[i]) for i in range(first) if i != header and re.search(r"\d", lines[i]))[-30:]
    shapes: dict[str, tuple[int, str]] = {}
    for i in range(first, last):
        if i not in row_set and lines[i].strip() and (header is None or lines[i] != lines[header]):
            shapes.setdefault(prefix(lines[i]), (i + 1, lines[i]))
    return Structure(
        delimiter,
        decimal,
        "" if header is None else lines[header],
        begin,
        end,
        len(runs),
        sum(len(run) for run in runs),
        short,
        columns,
        free,
        tuple(shapes.values())[:10],
    )


def prefix(line: str) -> str:
    """Return a line's words up to its first digit: what lines of one kind have in common."""
    return re.split(r"\d", line, maxsplit=1)[0].rstrip("+-. ")


def _rows(lines: Sequence[str], delimiter: str, decimal: str) -> tuple[int, list[int], int]:
    """Return how many numbers the rows hold, which lines they are, and how many cells they have."""
    split = splitter(delimiter)
    found: list[tuple[int, int, int]] = []
    for index, line in enumerate(lines):
        if (delimiter or " ") not in line or not re.search(r"\d", line):
            continue
        cells = split(line)
        numbers = sum(number(cell, decimal) is not None for cell in cells)
        stamped = numbers and any(is_moment(cell) for cell in cells[:3])
        if len(cells) >= 2 and numbers + bool(stamped) >= 2:
            found.append((index, len(cells), numbers))
    if not found:
        return 0, [], 0
    width = Counter(count for _, count, _ in found).most_common(1)[0][0]
    fit = [(index, numbers) for index, count, numbers in found if count == width]
    return sum(numbers for _, numbers in fit), [index for index, _ in fit], width


def _header(lines: Sequence[str], rows: Sequence[int], width: int, split: Splitter) -> int | None:
    """Return the nearest line above the rows with as many cells as they, all different and none of them a number."""
    for index in range(rows[0] - 1, max(rows[0] - 4, -1), -1):
        names = _names(lines[index], split)
        if names and not names[-1]:
            names.pop()  # a delimiter after the last name
        if (
            width - 1 <= len(names) <= width + SHORT_CELLS
            and all(names)
            and len(set(names)) == len(names)
            and not any(number(name, ".") is not None for name in names)
        ):
            return index
    return None


def _names(line: str, split: Splitter) -> list[str]:
    """Return a header's names, without a comment sign before them."""
    return [name.strip() for name in split(line.lstrip().removeprefix("#").lstrip())]


def _runs(lines: Sequence[str], rows: Sequence[int], header: int | None) -> list[list[int]]:
    """Divide the rows into sections: at every repeat of the header, else where they are all.

    Where some of these follow other lines, the ones in the midst of rows open nothing: they are there for the eye.
    """
    if header is None:
        return [list(rows)]
    openers = [i for i, line in enumerate(lines) if line == lines[header]]
    row_set = set(rows)
    apart = [
        i for i in openers if next((k for k in range(i - 1, -1, -1) if lines[k].strip()), -1) not in row_set
    ]
    openers = apart if len(apart) > 1 else openers
    runs: list[list[int]] = [[] for _ in openers]
    at = 0
    for row in rows:
        while at + 1 < len(openers) and row > openers[at + 1]:
            at += 1
        if row > openers[at]:
            runs[at].append(row)
    return [run for run in runs if run]


def _marks(lines: Sequence[str], runs: Sequence[Sequence[int]], header: int | None) -> tuple[str, str]:
    """Return what opens and what closes every section, as the beginnings of lines.

    In as few words as tell these lines from all others: what follows may be the name of what was looked at.
    """
    if header is None:
        return "", ""
    gaps, stop = [], -1
    for run in runs:
        gaps.append([i for i in range(stop + 1, run[0]) if lines[i].strip() and lines[i] != lines[header]])
        stop = run[-1]
    after = [_next_text(lines, run[-1] + 1) for run in runs]
    closing = [lines[i] for i in after if i is not None and lines[i] != lines[header]]
    # The line after the rows may be the one that introduces the next section: then it stands before the first one too.
    ends = _beginnings(closing[0]) if closing and (closing[1:] or len(runs) == 1) else []
    end = next((e for e in ends if _all_of(lines, closing, e)), "")
    if len(closing) < len(runs) - 1 or any(lines[i].startswith(end or "\n") for i in gaps[0]):
        end = ""
    opening = [line for i in gaps[-1] for line in _beginnings(lines[i])] if len(runs) > 1 else []
    for begin in opening:
        firsts = [[lines[i] for i in gap if lines[i].startswith(begin)] for gap in gaps]
        once = begin != end and all(len(first) == 1 for first in firsts)
        if once and _all_of(lines, [first[0] for first in firsts], begin):
            return begin, end
    return "", end


def _beginnings(line: str) -> list[str]:
    """Return a line's first word, first two words and so on, up to its first digit; three signs at least."""
    stem = prefix(line)
    found = [stem[: m.end()] for m in re.finditer(r"\S+", stem)]
    return [beginning for beginning in found if len(beginning.strip()) >= 3]


def _all_of(lines: Sequence[str], wanted: Sequence[str], beginning: str) -> bool:
    """Whether these lines, and no others, begin so."""
    return all(w.startswith(beginning) for w in wanted) and sum(
        line.startswith(beginning) for line in lines
    ) == len(wanted)


def _next_text(lines: Sequence[str], start: int) -> int | None:
    return next((i for i in range(start, len(lines)) if lines[i].strip()), None)
