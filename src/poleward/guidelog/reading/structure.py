"""What a log's own structure tells, whoever wrote it: cells, the line of names, sections, what each column holds."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from poleward.guidelog.reading.blocks import shorten
from poleward.guidelog.reading.rows import BLANKS, splitter
from poleward.guidelog.reading.times import moment

Splitter = Callable[[str], list[str]]
FORMS = tuple((delimiter, decimal) for decimal in (".", ",") for delimiter in ("\t", ";", ",", "|", ""))
SHORT_CELLS = 3
"""A header may name so many columns more than most rows have: rows that leave out empty cells at their end."""
LOOKED_AT = 20_000
"""Lines that are looked at: a night has that many rows, and its structure does not change after."""
FEW_VALUES = 6
"""A column with at most so many different values is shown with all of them: it may be a flag or a direction."""
RISING_SHARE = 0.98
"""Of the steps of a column of times, so many go up; the others are new sections and damage."""


@dataclass(frozen=True)
class Column:
    """What one column holds.

    Attributes
    ----------
    number : int
        From 1.
    name : str
        Of the header; empty where there is none.
    kind : str
        ``moments``, ``rising``, ``counter``, ``few``, ``whole``, ``numbers``, ``flags`` (few words),
        ``words`` or ``empty``.
    seen : str
        The same in words, with what was seen.
    values : tuple of str
        Of a column with few of them, the most frequent first.
    """

    number: int
    name: str
    kind: str
    seen: str
    values: tuple[str, ...] = ()


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
    lines = lines[:LOOKED_AT]
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
        _column(k, names[k], [[row[k].strip() for row in run] for run in cells], decimal)
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


def number(cell: str, decimal: str) -> float | None:
    """Return a cell's number, None where it is none."""
    text = cell.strip()
    if decimal == ",":
        if "." in text:
            return None
        text = text.replace(",", ".")
    if not text.isascii() or "_" in text:
        return None
    try:
        value = float(text)
    except ValueError:
        return None
    return value if np.isfinite(value) else None


def _rows(lines: Sequence[str], delimiter: str, decimal: str) -> tuple[int, list[int], int]:
    """Return how many numbers the rows hold, which lines they are, and how many cells they have."""
    split = splitter(delimiter)
    found: list[tuple[int, int, int]] = []
    for index, line in enumerate(lines):
        if (delimiter or " ") not in line or not re.search(r"\d", line):
            continue
        cells = split(line)
        numbers = sum(number(cell, decimal) is not None for cell in cells)
        stamped = numbers and any(_is_moment(cell) for cell in cells[:3])
        if len(cells) >= 2 and numbers + bool(stamped) >= 2:
            found.append((index, len(cells), numbers))
    if not found:
        return 0, [], 0
    width = Counter(count for _, count, _ in found).most_common(1)[0][0]
    fit = [(index, numbers) for index, count, numbers in found if count == width]
    return sum(numbers for _, numbers in fit), [index for index, _ in fit], width


def _is_moment(cell: str) -> bool:
    try:
        moment(cell, "")
    except (ValueError, OverflowError):
        return False
    return ":" in cell


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
    """Divide the rows into sections: at every repeat of the header, else where they are all."""
    if header is None:
        return [list(rows)]
    openers = [i for i, line in enumerate(lines) if line == lines[header]]
    runs: list[list[int]] = [[] for _ in openers]
    at = 0
    for row in rows:
        while at + 1 < len(openers) and row > openers[at + 1]:
            at += 1
        if row > openers[at]:
            runs[at].append(row)
    return [run for run in runs if run]


def _marks(lines: Sequence[str], runs: Sequence[Sequence[int]], header: int | None) -> tuple[str, str]:
    """Return what opens and what closes every section, as the beginnings of lines."""
    if header is None:
        return "", ""
    after = [_next_text(lines, run[-1] + 1) for run in runs]
    ends = {prefix(lines[i]) for i in after if i is not None and lines[i] != lines[header]}
    end = ends.pop() if len(ends) == 1 else ""
    if len(end.strip()) < 3 or any(_starts(lines[i], end) for run in runs for i in run):
        end = ""
    begin = ""
    stop = -1
    gaps = []
    for run in runs:
        gaps.append([prefix(lines[i]) for i in range(stop + 1, run[0]) if lines[i].strip()])
        stop = run[-1]
    for candidate in gaps[-1] if len(runs) > 1 else []:
        others = len([1 for line in lines if _starts(line, candidate)])
        if (
            len(candidate.strip()) >= 3
            and not _starts(lines[header], candidate)
            and all(gap.count(candidate) == 1 for gap in gaps)
            and others == len(runs)
            and candidate != end
        ):
            begin = candidate
            break
    return begin, end


def _starts(line: str, beginning: str) -> bool:
    return line.startswith(beginning)


def _next_text(lines: Sequence[str], start: int) -> int | None:
    return next((i for i in range(start, len(lines)) if lines[i].strip()), None)


def _column(index: int, name: str, runs: Sequence[Sequence[str]], decimal: str) -> Column:
    """Describe one column from its cells, section by section."""
    cells = [cell for run in runs for cell in run]
    filled = [cell for cell in cells if cell.lower() not in BLANKS]
    if not filled:
        return Column(index + 1, name, "empty", "empty")
    counts = Counter(filled)
    few = ", ".join(f"{shorten(value, 20)} ({count}x)" for value, count in counts.most_common(FEW_VALUES))
    values_of = tuple(value for value, _ in counts.most_common(FEW_VALUES))
    blanks = len(cells) - len(filled)
    more = f", empty in {blanks} of {len(cells)} rows" if blanks else ""
    if sum(_is_moment(cell) for cell in filled[:50]) * 2 > len(filled[:50]):
        return Column(index + 1, name, "moments", f"moments, the first {shorten(filled[0], 40)}{more}")
    read = [[number(cell, decimal) for cell in run] for run in runs]
    values = np.array([v for run in read for v in run if v is not None])
    if len(values) * 2 < len(filled):
        kind = "flags" if len(counts) <= FEW_VALUES else "words"
        words = f"words: {few}{' ...' if len(counts) > FEW_VALUES else ''}{more}"
        return Column(index + 1, name, kind, words, values_of)
    steps = np.concatenate([np.diff([v for v in run if v is not None]) for run in read])
    if len(steps) and np.mean(steps > 0) >= RISING_SHARE:
        if np.mean(steps == 1) >= RISING_SHARE:
            return Column(
                index + 1, name, "counter", f"counts up by one, from {values.min():g} to {values.max():g}"
            )
        shown = f"rises, by {np.median(steps):g} from row to row, from {values.min():g} to {values.max():g}"
        return Column(index + 1, name, "rising", f"{shown}{more}")
    if len(counts) <= FEW_VALUES:
        return Column(index + 1, name, "few", f"few values: {few}{more}", values_of)
    spread = f"from {values.min():g} to {values.max():g}"
    if np.all(values == np.round(values)):
        zero = np.mean(values == 0)
        return Column(index + 1, name, "whole", f"whole numbers {spread}, {zero:.0%} of them zero{more}")
    return Column(index + 1, name, "numbers", f"numbers {spread}, median {np.median(values):.3g}{more}")
