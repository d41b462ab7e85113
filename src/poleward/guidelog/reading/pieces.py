"""One block's rows, divided where they are really those of several sections.

A line that opens a section may be lost, and a log may tell the target in its columns. Proof of a lost line: the line
that names the columns stands again and the times do not go on; a coordinate is found twice with two values; times that
count from the section's start begin again, or go back behind lines that cannot be read.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from poleward.errors import InputError
from poleward.guidelog.reading import times
from poleward.guidelog.reading.blocks import Block
from poleward.guidelog.reading.facts import NUMBERS, Fact, number_of
from poleward.guidelog.reading.form import Layout
from poleward.guidelog.reading.held import Line, Scopes, found_in
from poleward.guidelog.reading.rows import BLANKS, FACT, Table, read_rows
from poleward.guidelog.reading.section import Bools, Integers
from poleward.sky.axis import STELLAR_RATE, Floats, unit_vector

GOES_ON_ROWS = 10.0
"""Rows whose times follow within so many usual steps are of one section: between two stars lies a slew, and the fit
begins a new level at such a gap anyway."""
ELSEWHERE_RAD = math.radians(0.5)
"""Another target stands further off than this. A coordinate rounded to 0.01 h jumps by 0.15 deg, a guide star is
placed anew by arcminutes, and a drift of 0.5 deg changes by less than 1 %."""
COORDINATES = ("hour_angle", "ra", "azimuth", "dec", "altitude")
_SEXAGESIMAL = re.compile(r"([+-]?)(\d{1,3})([:hd ])\s?(\d{1,2})[:m' ]?\s?([\d.]{0,12})[s\"]?")


@dataclass(frozen=True, eq=False)
class Piece:
    """The rows of one section.

    Attributes
    ----------
    block : Block
        In whose lines they stand.
    first : int
        Number of the line that opens it.
    table : Table
    copied : bool array
        Which lines of the block repeat earlier ones of the file.
    asked : int
        Lines in the place of rows, without those.
    scopes : Scopes
    told : int or None
        Line of the row whose cells tell a coordinate that runs with the sky: it holds at that row's moment.
    anew : str
        Why it begins where no line opens it; empty for a section that has its own.
    """

    block: Block
    first: int
    table: Table
    copied: Bools
    asked: int
    scopes: Scopes
    told: int | None = None
    anew: str = ""


def divided(block: Block, copied: Bools, layout: Layout, file: str) -> list[Piece]:
    """Read the rows of a block and divide them.

    Parameters
    ----------
    block : Block
    copied : bool array
        Which of the block's lines repeat earlier ones.
    layout : Layout
    file : str

    Raises
    ------
    InputError
        There are no rows or no such columns, or the rows may be those of two stars and nobody can tell which.
    """
    where = f"{file}:{block.first}"
    if not block.rows and (block.header or all(cell.number for cell in layout.cells)):
        raise InputError("this section has no rows", "", where)
    table = read_rows(block, layout, file)
    if copied.all():
        raise InputError("all rows of this section repeat earlier ones", "", where)
    seconds = _raw_seconds(block, table, layout)
    own = np.isfinite(seconds) & ~copied[table.positions]
    garbled = np.array([line for line, _ in table.unread], dtype=np.int64)
    cuts = _lost_lines(block, (table.numbers[own], seconds[own], garbled), layout, where)
    moves, strays = _targets(table, own, seconds, layout, where)
    table.unread += [(line, "its columns tell another target, for so few rows") for line in strays]
    lines = sorted({*moves, *cuts})
    edges = [0.0, *lines, math.inf]
    numbers = np.array(block.numbers)
    kept = ~np.isin(table.numbers, strays) if strays else np.ones(len(table.numbers), bool)
    opened = "" if block.opened else "the line that names the columns stands there"
    found = []
    for low, high in pairwise(edges):
        inside = kept & (table.numbers >= low) & (table.numbers < high)
        part = table if inside.all() and not lines else table.part(inside, (low, high))
        lines_in = (numbers >= low) & (numbers < high)
        asked = int((lines_in & ~copied).sum())
        piece = Piece(block, int(low) or block.first, part, copied, asked, block.scopes, anew=opened)
        if low:
            piece = replace(
                piece, scopes=_scopes_from(block, table.numbers, low, high), anew=cuts.get(int(low), "")
            )
        elif lines:
            piece = replace(
                piece, scopes=replace(block.scopes, own=_between(block, table.numbers, 0, high), after=())
            )
        found.append(_with_cells(piece, layout))
    return found


def _between(block: Block, numbers: Integers, low: float, high: float) -> list[Line]:
    """Return free lines from after the last row before a line to the last row before another."""
    first, last = (numbers[numbers < edge].max(initial=0) for edge in (low, high))
    return [line for line in block.scopes.own if first < line[0] <= last]


def _scopes_from(block: Block, numbers: Integers, low: float, high: float) -> Scopes:
    after = block.scopes.after if math.isinf(high) else ()
    return replace(block.scopes, own=_between(block, numbers, low, high), before=(), after=after)


def _raw_seconds(block: Block, table: Table, layout: Layout) -> Floats:
    """Return the rows' times as they stand, in seconds from anywhere; moments only where somebody asks for them."""
    if layout.time.factor is not None:
        raw: Floats = table.values["time"] * layout.time.factor
        return raw
    running = any(fact.cell is not None for fact in layout.facts.values())
    if not (block.repeated or running):
        return np.zeros(len(table.numbers))
    return times.elapsed(*times.moments(table.words["time"], layout.time.format), None, None)[0]


def _lost_lines(
    block: Block, rows: tuple[Integers, Floats, Integers], layout: Layout, where: str
) -> dict[int, str]:
    """Return the lines at which rows of another section begin though no line opens it, each with the proof.

    Of the rows: their lines, their seconds, and the lines of those that cannot be read.
    """
    numbers, seconds, garbled = rows
    steps = np.diff(seconds)
    usual = float(np.median(steps[steps > 0])) if np.any(steps > 0) else 0.0
    room = GOES_ON_ROWS * usual
    found = {}
    for line in [block.numbers[at] for at in block.repeated if at < len(block.numbers)]:
        at = int(np.searchsorted(numbers, line))
        if 0 < at < len(numbers) and not 0 < steps[at - 1] <= room:
            found[int(numbers[at])] = "the line that names the columns stands above it once more"
    if layout.time.factor is not None:
        begun = seconds[:1]
        for at in (np.flatnonzero(steps < -room)[:1000] + 1).tolist():
            ahead = seconds[at : at + times.STRAY_ROWS + 1]
            if len(ahead) <= times.STRAY_ROWS or ahead.max() >= seconds[at - 1]:
                continue
            if abs(ahead[0] - begun[0]) <= room:
                found.setdefault(int(numbers[at]), "the times begin again there")
            elif np.any((garbled > numbers[at - 1]) & (garbled < numbers[at])):
                found.setdefault(int(numbers[at]), "the times go back behind lines that cannot be read")
    for name, first, line in _twice(block, layout):
        at = int(np.searchsorted(numbers, line))
        if 0 < at < len(numbers) and (int(numbers[at]) in found or layout.time.factor is None):
            found.setdefault(int(numbers[at]), f"{name} stands above it once more")
        elif at < len(numbers):
            raise InputError(
                f"{name} stands twice in this section with two values, at lines {first} and {line}: a line that opens "
                "a section may be lost",
                "or its pattern matches too much: it must match once in each section",
                where,
            )
    return found


def _twice(block: Block, layout: Layout) -> Iterator[tuple[str, int, int]]:
    """Coordinates that stand in a section's free lines with two values: name, first line, other line."""
    for name in COORDINATES:
        fact = layout.facts.get(name)
        if fact is None or fact.pattern is None:
            continue
        lines = block.scopes.lines_for(name)
        first = next(((n, text) for n, line in lines if (text := found_in(fact, line)) is not None), None)
        for number, line in block.scopes.own:
            if first is not None and (text := found_in(fact, line)) is not None and text != first[1]:
                yield name, first[0], number


def _targets(
    table: Table, own: Bools, seconds: Floats, layout: Layout, where: str
) -> tuple[list[int], list[int]]:
    """Return the lines at which the columns tell another target, and rows that are elsewhere for a moment only."""
    facts = [fact for fact in layout.facts.values() if fact.cell is not None]
    rows = np.flatnonzero(own)
    if not facts or not len(rows):
        return [], []
    starts = np.flatnonzero(_changes(table, rows, seconds, facts, layout, where))
    sizes = np.diff(np.append(starts, len(rows)))
    stray = np.repeat(sizes <= times.STRAY_ROWS, sizes)
    if stray.all():
        return [], []
    kept = rows[~stray]
    cuts = np.flatnonzero(_changes(table, kept, seconds, facts, layout, where))[1:]
    return table.numbers[kept[cuts]].tolist(), table.numbers[rows[stray]].tolist()


def _changes(
    table: Table, rows: Integers, seconds: Floats, facts: Sequence[Fact], layout: Layout, where: str
) -> Bools:
    """Return at which of some rows the columns tell something new; the first is always new."""
    changed = np.zeros(len(rows), bool)
    for fact in facts:
        if fact.name not in COORDINATES:
            before = ""
            for at, row in enumerate(rows.tolist()):
                text = table.words[FACT + fact.name][row]
                if text.lower() not in BLANKS:
                    changed[at] |= text != before
                    before = text
    angles = {f.name: _angles(table, rows, f, layout, where) for f in facts if f.name in COORDINATES}
    if angles:
        seen = np.flatnonzero(np.isfinite(list(angles.values())).all(axis=0))
        clock = seconds[rows[seen]]
        here = {name: values[seen] for name, values in angles.items()}
        zeros = np.zeros(len(seen))
        turned = here.get("hour_angle", zeros) - STELLAR_RATE * clock * ("hour_angle" in here)
        round_about = turned + here.get("ra", zeros) + here.get("azimuth", zeros)
        place = unit_vector(round_about, here.get("dec", zeros) + here.get("altitude", zeros))
        # Azimuth and altitude run with the sky, at most by its rate; half as much again for what is rounded.
        slack = 1.5 * STELLAR_RATE * np.abs(np.diff(clock)) * ("azimuth" in here or "altitude" in here)
        apart = np.linalg.norm(np.diff(place, axis=0), axis=1)
        changed[seen[1:][apart > ELSEWHERE_RAD + slack]] = True
    changed[:1] = True
    return changed


def _angles(table: Table, rows: Integers, fact: Fact, layout: Layout, where: str) -> Floats:
    """Return one coordinate of some rows in radians, NaN where it cannot be read: to see changes, not to be used."""
    found = np.full(len(rows), np.nan)
    words = table.words[FACT + fact.name]
    hours = NUMBERS[fact.name].sexagesimal == "hourangle"
    known: dict[str, float] = {}
    for at, row in enumerate(rows.tolist()):
        text = words[row].replace(",", ".") if layout.text.decimal == "," else words[row]
        if text not in known:
            known[text] = _angle(text, fact, hours, where)
        found[at] = known[text]
    return found


def _angle(text: str, fact: Fact, hours: bool, where: str) -> float:
    matched = _SEXAGESIMAL.fullmatch(text)
    try:
        if matched is None:
            return math.nan if text.lower() in BLANKS else number_of(fact, text, where)
        sign, whole, mark, minutes, rest = matched.groups()
        value = int(whole) + int(minutes) / 60 + float(rest or 0) / 3600
    except (InputError, ValueError):
        return math.nan
    return math.radians(value * (15 if mark == "h" or (hours and mark != "d") else 1)) * (
        -1 if sign == "-" else 1
    )


def _with_cells(piece: Piece, layout: Layout) -> Piece:
    """Take a piece's facts out of its columns: from the first row in which all coordinates can be read."""
    table = piece.table
    facts = [fact for fact in layout.facts.values() if fact.cell is not None]
    cells: dict[str, Line] = {}
    told = None
    along = [fact for fact in facts if fact.name in COORDINATES]
    for fact in facts:
        words = table.words[FACT + fact.name]
        together = [table.words[FACT + f.name] for f in along] if fact in along else [words]
        for at, (line, text) in enumerate(zip(table.numbers.tolist(), words, strict=True)):
            if all(column[at].lower() not in BLANKS for column in together):
                cells[fact.name] = line, text
                told = line if fact.name in ("hour_angle", "azimuth", "altitude") else told
                break
    return replace(piece, scopes=replace(piece.scopes, cells=cells), told=told) if facts else piece
