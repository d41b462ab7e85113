"""Where the sections of a log are: their free lines, the line that names the columns, and their rows."""

from __future__ import annotations

import re
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass

from poleward.errors import InputError
from poleward.guidelog.reading.form import Layout
from poleward.guidelog.reading.held import Line, Scopes
from poleward.guidelog.reading.logtext import LogText


@dataclass(frozen=True)
class Block:
    """One section's lines.

    Attributes
    ----------
    first : int
        Number of the line that opens it, from 1.
    header : tuple of (int, str) or None
        Number and text of the line that names the columns.
    numbers : list of int
        Of the rows' lines.
    rows : list of str
        As they stand; may still hold lines that are no rows.
    shifted : list of int
        Positions in `rows` before which a free line says that the star was placed anew.
    scopes : Scopes
        The lines in which facts may stand.
    cut : int or None
        Number of a last line without a line end, which is not among the rows.
    """

    first: int
    header: Line | None
    numbers: list[int]
    rows: list[str]
    shifted: list[int]
    scopes: Scopes
    cut: int | None = None


def find_blocks(text: LogText, layout: Layout, file: str) -> list[Block]:
    """Divide a log into sections.

    Raises
    ------
    InputError
        No line opens a section.
    """
    lines, marks = text.lines, layout.marks
    begins, headers, ends = (_matching(lines, mark) for mark in (marks.begin, marks.header, marks.end))
    named = not all(cell.number for cell in layout.cells)
    openers = begins if marks.begin else headers if marks.header else [_first_content(lines, layout)]
    if not openers:
        which, mark = ("begin", marks.begin) if marks.begin else ("header", marks.header)
        assert mark is not None
        first = next((line for line in lines if line.strip()), "")
        raise InputError(
            f"no line opens a section: none matches {which} = '{mark.pattern}'",
            f"the file has {len(lines)} lines, the first is '{shorten(first)}'",
            file,
        )
    head = _numbered(lines, 0, openers[0])
    blocks: list[Block] = []
    stop = 0
    for start, limit in zip(openers, [*openers[1:], len(lines)], strict=True):
        header = _header(lines, layout, headers, start, limit, named)
        body = start if header is None or header < start else header
        own_end = bisect_left(ends, body + 1)
        last = ends[own_end] if own_end < len(ends) and ends[own_end] < limit else limit
        opens_with_rows = header is None and not marks.begin
        body = body if opens_with_rows else body + 1
        if named and header is None:
            body = last  # without names no line can be a row
        place = (start, body, last)
        blocks.append(_block(text, layout, place, header, _numbered(lines, stop, start), head))
        stop = min(last + 1, limit)
    return blocks


def shorten(text: str, most: int = 60) -> str:
    """Return text fit for a message: printable, not longer than `most` signs."""
    shown = "".join(sign if sign.isprintable() else "?" for sign in text[: most + 1])
    return shown if len(text) <= most else shown[:most] + "..."


def _matching(lines: Sequence[str], mark: re.Pattern[str] | None) -> list[int]:
    if mark is None:
        return []
    search = mark.search
    return [number for number, line in enumerate(lines) if search(line)]


def _is_free(line: str, comment: str) -> bool:
    stripped = line.strip()
    return not stripped or bool(comment and stripped.startswith(comment))


def _first_content(lines: Sequence[str], layout: Layout) -> int:
    return next((i for i, line in enumerate(lines) if not _is_free(line, layout.text.comment)), 0)


def _header(
    lines: Sequence[str], layout: Layout, headers: list[int], start: int, limit: int, named: bool
) -> int | None:
    """Return the index of the line that names a section's columns; it may stand before the section."""
    if layout.marks.header:
        at = bisect_left(headers, start)
        if at < len(headers) and headers[at] < limit:
            return headers[at]
        return headers[at - 1] if at else None
    if not named:
        return None
    after = start + 1 if layout.marks.begin else start
    return next((i for i in range(after, limit) if not _is_free(lines[i], layout.text.comment)), None)


def _numbered(lines: Sequence[str], start: int, stop: int) -> list[Line]:
    return [(number + 1, lines[number]) for number in range(start, stop)]


def _block(
    text: LogText,
    layout: Layout,
    place: tuple[int, int, int],
    header: int | None,
    preface: list[Line],
    head: list[Line],
) -> Block:
    lines, marks, comment = text.lines, layout.marks, layout.text.comment
    start, body, last = place
    own = _numbered(lines, start, body)
    numbers: list[int] = []
    rows: list[str] = []
    shifted: list[int] = []
    header_text = None if header is None else lines[header]
    for index in range(body, last):
        line = lines[index]
        if marks.shift and marks.shift.search(line):
            shifted.append(len(rows))
            own.append((index + 1, line))
        elif _is_free(line, comment) or (marks.ignore and marks.ignore.search(line)):
            own.append((index + 1, line))
        elif line != header_text:
            numbers.append(index + 1)
            rows.append(line)
    if last < len(lines):
        own.append((last + 1, lines[last]))
    cut = None
    if text.open_end and numbers and numbers[-1] == len(lines):
        cut = numbers.pop()
        rows.pop()
    shown = None if header is None or header_text is None else (header + 1, header_text)
    return Block(
        start + 1, shown, numbers, rows, shifted, Scopes(own, preface, head, marks.begin is not None), cut
    )
