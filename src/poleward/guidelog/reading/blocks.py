"""Where the sections of a log are: begin, header and end lines matched; free lines, column names and rows told apart."""

from __future__ import annotations

import re
from bisect import bisect_left
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from poleward.errors import InputError
from poleward.guidelog.reading.facts import Fact
from poleward.guidelog.reading.form import Layout
from poleward.guidelog.reading.held import Line, Scopes, found_in
from poleward.guidelog.reading.logtext import LogText
from poleward.guidelog.reading.patterns import searched

_BEGINS_AS_NUMBER = re.compile(r"\s*[\"']?[-+.,]?\d")


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
    shifted, repeated : list of int
        Positions in `rows` before which a free line says that the star was placed anew; before which the line that
        names the columns stands once more.
    scopes : Scopes
        The lines in which facts may stand.
    cut : int or None
        Number of a last line without a line end, which is not among the rows.
    opened : bool
        By a line as the layout says; False: by a line that names the columns, where there should be one before it.
    outside : list of int
        Numbers of lines between sections that look like its rows.
    """

    first: int
    header: Line | None
    numbers: list[int]
    rows: list[str]
    shifted: list[int]
    repeated: list[int]
    scopes: Scopes
    cut: int | None = None
    opened: bool = True
    outside: list[int] = field(default_factory=list)


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
    openers = headers if marks.header else [_first_content(lines, layout)]
    if marks.begin:
        openers = sorted({*begins, *_orphans(lines, layout, begins, headers, ends)})
    if not openers:
        which, mark = ("begin", marks.begin) if marks.begin else ("header", marks.header)
        assert mark is not None
        first = next((line for line in lines if line.strip()), "")
        raise InputError(
            f"no line opens a section: none matches {which} = '{mark.pattern}'",
            f"the file has {len(lines)} lines, the first is '{shorten(first)}'",
            file,
        )
    blocks: list[Block] = []
    begun, stop = set(begins), 0
    for start, limit in zip(openers, [*openers[1:], len(lines)], strict=True):
        header = _header(lines, layout, headers, start, limit, named)
        body = start if header is None or header < start else header
        own_end = bisect_left(ends, body + 1)
        last = ends[own_end] if own_end < len(ends) and ends[own_end] < limit else limit
        opens_with_rows = header is None and not marks.begin
        body = body if opens_with_rows else body + 1
        if named and header is None:
            body = last  # without names no line can be a row
        block = _block(text, layout, (start, body, last, limit), header)
        before = _numbered(lines, stop, start)
        head = blocks[0].scopes.head if blocks else before
        scopes = replace(block.scopes, before=before, head=head)
        blocks.append(replace(block, scopes=scopes, opened=not marks.begin or start in begun))
        between = [*before, *(block.scopes.after if limit == len(lines) else ())]
        block.outside.extend(_rows_among(between, layout, block.header))
        stop = block.numbers[-1] if block.numbers else start
    return _with_sides(blocks, layout.facts)


def _orphans(
    lines: Sequence[str], layout: Layout, begins: list[int], headers: list[int], ends: list[int]
) -> list[int]:
    """Return headers with rows under them that follow no begin line: it was lost, or cannot be read any more."""

    def latest(marked: list[int], line: int) -> int:
        at = bisect_left(marked, line)
        return marked[at - 1] if at else -1

    found = []
    for header in headers:
        closed = latest(ends, header)
        if latest(begins, header) > closed or latest(headers, header) > closed or header in begins:
            continue
        following = bisect_left(begins, header)
        limit = begins[following] if following < len(begins) else len(lines)
        if any(not _is_free(line, layout.text.comment) for line in lines[header + 1 : limit]):
            found.append(header)
    return found


def _with_sides(blocks: list[Block], facts: Mapping[str, Fact]) -> list[Block]:
    """Say of each fact on which side of the rows this log tells it.

    A line between two sections can belong to either. What stands before the first one's rows stands before all rows;
    what does not, and stands after the last one's rows, stands after all.
    """
    above, trailing, unclear = set(), set(), set()
    first, last = blocks[0].scopes, blocks[-1].scopes
    for name, fact in facts.items():
        if fact.pattern is None:
            continue
        if not first.begun and _tells(fact, first.before):
            above.add(name)
        elif _tells(fact, [*first.before, *first.own]):
            continue
        elif _tells(fact, last.after):
            trailing.add(name)
        elif any(_tells(fact, block.scopes.before) for block in blocks[1:]):
            unclear.add(name)
    sides = frozenset(above), frozenset(trailing), frozenset(unclear)

    def sided(scopes: Scopes) -> Scopes:
        return replace(scopes, above=sides[0], trailing=sides[1], unclear=sides[2])

    return [replace(block, scopes=sided(block.scopes)) for block in blocks]


def _tells(fact: Fact, lines: Sequence[Line]) -> bool:
    return any(found_in(fact, line) is not None for _, line in lines)


def shorten(text: str, most: int = 60) -> str:
    """Return text fit for a message: printable, not longer than `most` signs."""
    shown = "".join(sign if sign.isprintable() else "?" for sign in text[: most + 1])
    return shown if len(text) <= most else shown[:most] + "..."


def _matching(lines: Sequence[str], mark: re.Pattern[str] | None) -> list[int]:
    return [] if mark is None else [number for number, line in enumerate(lines) if searched(mark, line)]


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


def _block(text: LogText, layout: Layout, place: tuple[int, int, int, int], header: int | None) -> Block:
    """Sort the lines from the one that opens a section to the one that opens the next; `before` and `head` are empty.

    Behind the last line that looks like a row nothing is a row. Among the rows a line that does not look like one is
    one that is damaged, but may tell a fact.
    """
    lines, marks, comment = text.lines, layout.marks, layout.text.comment
    start, body, last, limit = place
    own = _numbered(lines, start, body)
    numbers: list[int] = []
    rows: list[str] = []
    shifted: list[int] = []
    repeated: list[int] = []
    header_text = None if header is None else lines[header]
    looks_like_row = _row_test(layout, header_text)
    tail = next((i for i in range(last, body, -1) if looks_like_row(lines[i - 1])), body)
    for index in range(body, tail):
        line = lines[index]
        if marks.shift and searched(marks.shift, line):
            shifted.append(len(rows))
            own.append((index + 1, line))
        elif _is_free(line, comment) or (marks.ignore and searched(marks.ignore, line)):
            own.append((index + 1, line))
        elif line == header_text:
            repeated.append(len(rows))
        else:
            numbers.append(index + 1)
            rows.append(line)
            if not looks_like_row(line):
                own.append((index + 1, line))
    cut = None
    if text.open_end and last == len(lines) > body and not _is_free(lines[-1], comment):
        cut = last
        if numbers and numbers[-1] == cut:
            numbers.pop()
            rows.pop()
    shown = None if header is None or header_text is None else (header + 1, header_text)
    stop = numbers[-1] if numbers else tail
    after = [(number, line) for number, line in own if number > stop] + _numbered(lines, tail, limit)
    scopes = Scopes([line for line in own if line[0] <= stop], (), after, (), marks.begin is not None)
    return Block(start + 1, shown, numbers, rows, shifted, repeated, scopes, cut)


def _rows_among(lines: Sequence[Line], layout: Layout, header: Line | None) -> list[int]:
    """Return the numbers of lines that look like rows, none where anything would."""
    looks_like_row = _row_test(layout, header[1] if header else None)
    return [] if looks_like_row("") else [number for number, line in lines if looks_like_row(line)]


def _row_test(layout: Layout, header: str | None) -> Callable[[str], bool]:
    """Return whether a line looks like a row: enough cells, and where the time should be something with a digit."""
    delimiter = layout.text.delimiter or None
    names = [name.strip() for name in (header or "").lstrip(f"{layout.text.comment} ").split(delimiter)]
    cell = layout.time.cell
    if cell.number is None and cell.name not in names:
        return lambda line: True
    column = names.index(cell.name) if cell.number is None else cell.number - 1
    # A header may end with a delimiter; rows may leave out cells.
    least = column + 1 if header is None or layout.text.short_rows else max(len(names) - 1, column + 1)

    commas = len(names) - 1

    def looks_like_row(line: str) -> bool:
        if delimiter and column == 0 and line.count(delimiter) == commas and line[:1].isdigit():
            return True  # nearly always, and five times as fast
        cells = line.split(delimiter)
        return len(cells) >= least and bool(_BEGINS_AS_NUMBER.match(cells[column]))

    return looks_like_row
