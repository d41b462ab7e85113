"""One block of a log to a `Section`: facts, times, signs and units, and what had to be left out."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, time, timedelta, tzinfo

import numpy as np

from poleward.door import clock
from poleward.door.clock import zone_of
from poleward.errors import Note
from poleward.guidelog.reading import times
from poleward.guidelog.reading.blocks import Block, shorten
from poleward.guidelog.reading.form import Layout
from poleward.guidelog.reading.held import Held, pointing_of, start_as_written
from poleward.guidelog.reading.pieces import Piece
from poleward.guidelog.reading.rows import Table
from poleward.guidelog.reading.section import Bools, Integers, Section
from poleward.guidelog.reading.sift import (
    NOTED_S,
    Draft,
    check_readable,
    check_start,
    draft_of,
    drop_endless_pulses,
    rows_with_star,
    steady_times,
    with_star,
)
from poleward.guidelog.reading.signs import among, column, rates, reversed_columns
from poleward.guidelog.reading.unlikely import check_north_pulses, lost_where_still, note_odd_pulses
from poleward.sky.axis import Floats


def build(piece: Piece, number: int, layout: Layout, file: str, local: tzinfo | None) -> Section:
    """Build one section.

    Parameters
    ----------
    piece : Piece
    number : int
        Of the section in its file, from 1.
    layout : Layout
    file : str
    local : tzinfo or None
        Zone of times without an offset, where the layout names none.

    Raises
    ------
    InputError
        The section cannot be used.
    """
    where = f"{file}:{piece.first}"
    held = Held(layout.facts, piece.scopes, file, layout.text.decimal)
    draft = draft_of(piece)
    good = rows_with_star(draft, layout, where)
    seconds, start = _seconds(draft, layout, held, local, where)
    drop_endless_pulses(draft, layout, seconds, where)
    check_readable(draft, piece, where)
    steady = steady_times(draft, seconds, where)
    rows, seconds = np.flatnonzero(draft.keep), steady.seconds
    check_start(draft, seconds, start, where)
    moved = _moved(draft, layout, piece.block, rows, steady)
    scale = held.number("image_scale", where) if any(m.pixels for m in layout.measures.values()) else None
    turned = reversed_columns(held)
    columns = _columns(draft.table, layout, scale, turned, rows)
    check_north_pulses(columns, where)
    note_odd_pulses(draft, rows, columns, file)
    good = lost_where_still(draft, rows, with_star(good[rows], columns, where), columns, where)
    if piece.told is not None:
        seconds, start = _counted_from(piece.told, draft.table.numbers[rows], seconds, start)
    pointing = pointing_of(held, start, where)
    guide_rates = rates(held, scale, pointing, draft.notes)
    _tell(draft, file, piece, steady)
    return Section(
        file,
        shorten(str(label[0])) if (label := held.value("label")) else f"section {number}",
        where,
        start,
        pointing,
        seconds,
        columns["north"],
        columns.get("east"),
        columns.get("north_pulse"),
        columns.get("east_pulse"),
        good,
        moved,
        bool(turned),
        *guide_rates,
        tuple(draft.notes),
        layout.north_pulse is not None and bool(layout.north_pulse.answers),
        scale,
        held.told_at("image_scale", "north_guide_rate", "east_guide_rate"),
    )


def _seconds(
    draft: Draft, layout: Layout, held: Held, local: tzinfo | None, where: str
) -> tuple[Floats, datetime | None]:
    """Return seconds since the section's start, and when that was; drop rows without a time."""
    table = draft.table
    named = held.value("timezone")
    local = local if named is None else zone_of(str(named[0]), named[1])
    begun, begun_at = start_as_written(held)
    if layout.time.factor is not None:
        seconds = table.values["time"] * layout.time.factor
        first: datetime | time | None = None
    else:
        read, kind = times.moments(table.words["time"], layout.time.format)
        kept = [m if keep else None for m, keep in zip(read, draft.keep, strict=True)]
        seconds, first = times.elapsed(kept, kind, begun, local)
    words = table.words.get("time", [])
    draft.drop(~np.isfinite(seconds), lambda row: f"'{words[row][:30]}' is no moment" if words else "no time")
    written = begun if begun is not None else first
    if isinstance(written, time):
        dated = held.value("date")
        form = held.facts["date"].format if "date" in held.facts else ""
        written = datetime.combine(times.day(dated[0], form, dated[1]), written) if dated else None
    if written is None:
        return seconds, None
    if written.tzinfo is None and local is None:
        if "ra" in held.facts:
            clock.parse_time(written, begun_at or where)  # raises, and says how to name the zone
        draft.notes.append(
            Note(
                "no-time-zone",
                f"{where}: the times have no time zone, so the night of this section is not known",
            )
        )
        return seconds, None
    return seconds, clock.parse_time(written, begun_at or where, local)


def _counted_from(
    line: int, numbers: Integers, seconds: Floats, start: datetime | None
) -> tuple[Floats, datetime | None]:
    """Count from the row in which a coordinate stands that runs with the sky: it holds at that row's moment."""
    row = min(int(np.searchsorted(numbers, line)), len(seconds) - 1)
    zero = float(seconds[row])
    return seconds - zero, None if start is None else start + timedelta(seconds=zero)


def _moved(draft: Draft, layout: Layout, block: Block, rows: Integers, steady: times.Steady) -> Bools:
    """Return where the star stands anew: on purpose, after a clock step, after a row whose pulses are not known."""
    moved = np.zeros(len(rows), dtype=bool)
    numbers = draft.table.numbers[rows]
    marks = [block.numbers[at] for at in block.shifted if at < len(block.numbers)]
    if layout.shift is not None:
        told = among(draft.table.words["shift"], layout.shift.values)
        marks += draft.table.numbers[told].tolist()
    if layout.north_pulse is not None or layout.east_pulse is not None:
        lost = {line for line, _ in draft.unread} - set(numbers.tolist())
        marks += [line + 1 for line in sorted(lost)]
    # A mark on a row that was left out holds for the next one.
    at = np.searchsorted(numbers, np.array(marks, dtype=np.int64))
    moved[at[at < len(rows)]] = True
    moved[[row for row, _ in steady.steps]] = True
    moved[:1] = False  # the first row begins a level anyway
    return moved


def _columns(
    table: Table, layout: Layout, scale: float | None, turned: Sequence[str], rows: Integers
) -> dict[str, Floats]:
    """Return the columns that the layout names, in arcsec and ms, of the rows that stay."""
    columns = {}
    for name, measure in layout.measures.items():
        values = column(table, name, measure, scale, name in turned)[rows]
        # A pulse that answers the row before was sent before this row was measured: it acts after that one.
        columns[name] = np.append(values[1:], 0.0) if measure.answers == "before" else values
    return columns


def _tell(draft: Draft, file: str, piece: Piece, steady: times.Steady) -> None:
    """Add the notes about rows that were left out, about the clock, and about a beginning that was lost."""
    table = draft.table

    def note(code: str, line: int, text: str) -> None:
        draft.notes.append(Note(code, f"{file}:{line}: {text}"))

    if piece.anew:
        note("section-anew", piece.first, f"a section begins here though no line opens it: {piece.anew}")
    if draft.unread:
        seen = sorted(set(draft.unread))
        lines = sorted({line for line, _ in seen})
        if len(lines) == 1:
            text = f"this row was left out: {seen[0][1]}"
        else:
            shown = ", ".join(str(line) for line in lines[:5]) + (", ..." if len(lines) > 5 else "")
            text = f"{len(lines)} rows were left out (here: {seen[0][1]}), lines {shown}"
        note("rows-unread", seen[0][0], text)
    repeated = table.numbers[piece.copied[table.positions]]
    if len(repeated):
        were = (
            "row that repeats an earlier one was"
            if len(repeated) == 1
            else "rows that repeat earlier ones were"
        )
        note("rows-repeated", int(repeated[0]), f"{len(repeated)} {were} left out")
    numbers = table.numbers[draft.keep]
    for row, back in steady.steps:
        step = timedelta(seconds=round(back))
        text = f"the clock steps back by {step}; the rows after it are taken to follow on, and are wrong if a line that opens "
        note("clock-set-back", int(numbers[row]), f"{text}a section is lost there")
    if gaps := steady.gaps:
        row, longest = max(gaps, key=lambda gap: gap[1])
        several = f", the longest of {len(gaps)} gaps" if len(gaps) > 1 else ""
        text = f"no row for {timedelta(seconds=round(longest))} before this one{several}: if rows are lost there, or the "
        behind = any(numbers[row - 1] < line < numbers[row] for line, _ in draft.unread)
        code = "long-gap" if longest >= NOTED_S or behind else "gap"
        note(code, int(numbers[row]), f"{text}clock was set ahead, the result may be wrong")
