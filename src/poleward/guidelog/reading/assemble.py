"""One block of a log to a `Section`: facts, times, signs and units, and what had to be left out."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, time, timedelta, tzinfo

import numpy as np

from poleward.door import clock
from poleward.errors import InputError, Note
from poleward.guidelog.reading import times
from poleward.guidelog.reading.blocks import Block
from poleward.guidelog.reading.facts import zone
from poleward.guidelog.reading.form import Layout, Words
from poleward.guidelog.reading.held import Held, pointing_of, start_as_written
from poleward.guidelog.reading.rows import Table, read_rows
from poleward.guidelog.reading.section import Bools, Section
from poleward.guidelog.reading.signs import among, column, rates, reversed_columns
from poleward.sky.axis import Floats

UNREADABLE_SHARE = 0.5
"""Above this share of rows that cannot be read the section is refused: a wrong layout reads nearly nothing, a damaged
log still reads most."""
LONGEST_PULSE_MS = 60_000.0
"""Guide pulses last up to a few seconds (common practice, no source); a minute is a garbled number."""


@dataclass
class _Draft:
    """A section while it is built: the table, which of its rows stay, and what is to be said."""

    table: Table
    keep: Bools
    unread: list[tuple[int, str]]
    notes: list[Note]


def build(
    block: Block, copied: Bools, number: int, layout: Layout, file: str, local: tzinfo | None
) -> tuple[Section, int]:
    """Build one section.

    Parameters
    ----------
    block : Block
    copied : bool array
        Which of the block's lines repeat earlier ones.
    number : int
        Of the section in its file, from 1.
    layout : Layout
    file : str
    local : tzinfo or None
        Zone of times without an offset, where the layout names none.

    Returns
    -------
    section : Section
    int
        Rows left out.

    Raises
    ------
    InputError
        The section cannot be used.
    """
    where = f"{file}:{block.first}"
    if not block.rows and (block.header or all(cell.number for cell in layout.cells)):
        raise InputError("this section has no rows", "", where)
    held = Held(layout.facts, block.scopes, file, layout.text.decimal)
    named = held.value("timezone")
    local = local if named is None else zone(str(named[0]), named[1])
    table = read_rows(block, layout, file)
    again = {block.numbers[at] for at in np.flatnonzero(copied)}
    unread = [(line, reason) for line, reason in table.unread if line not in again]
    draft = _Draft(table, ~copied[table.positions], unread, [])
    if copied.all():
        raise InputError("all rows of this section repeat earlier ones", "", where)
    good = _good(draft, layout)
    seconds, start = _seconds(draft, layout, held, local, where)
    _check_readable(draft, block, copied, where)
    steady = times.steady(seconds[draft.keep])
    rows = np.flatnonzero(draft.keep)
    draft.unread += [(int(table.numbers[rows[i]]), "a time out of order") for i in steady.strays]
    rows = rows[steady.kept]
    _check_span(steady.seconds, where)
    pulsed = layout.north_pulse is not None or layout.east_pulse is not None
    lost_lines = (
        sorted({line for line, _ in draft.unread} - set(table.numbers[rows].tolist())) if pulsed else []
    )
    moved = _moved(draft, layout, block, rows, steady.steps, lost_lines)
    scale = None
    if any(m.pixels for m in layout.measures.values()):
        scale = held.number("image_scale", where)
    turned = reversed_columns(held)
    columns = {
        name: column(table, name, measure, scale, name in turned)[rows]
        for name, measure in layout.measures.items()
    }
    good = good[rows]
    for name in ("north", "east"):
        if name in columns:
            good &= np.isfinite(columns[name])
    if not good.any():
        raise InputError(f"the star was lost in all {len(rows)} rows of this section", "", where)
    for name in ("north", "east"):
        if name in columns:
            columns[name] = np.where(good, columns[name], np.nan)
    pointing = pointing_of(held, start, where)
    guide_rates = rates(held, scale, pointing, draft.notes)
    _tell(draft, file, copied, steady.steps, rows)
    label = held.value("label")
    return Section(
        file,
        str(label[0]) if label else f"section {number}",
        where,
        start,
        pointing,
        steady.seconds,
        columns["north"],
        columns.get("east"),
        columns.get("north_pulse"),
        columns.get("east_pulse"),
        good,
        moved,
        bool(turned),
        *guide_rates,
        scale,
        tuple(draft.notes),
    ), len(block.rows) - len(rows)


def _good(draft: _Draft, layout: Layout) -> Bools:
    """Return the rows in which the star was not lost; drop those whose pulse cannot be told."""
    table = draft.table
    good = np.ones(len(table.numbers), dtype=bool)
    if layout.status is not None:
        good = among(table.words["status"], layout.status.values)
    for at, reason in table.doubtful.items():
        if good[at] and draft.keep[at]:
            draft.unread.append((int(table.numbers[at]), reason))
            good[at] = False
    for name in ("north_pulse", "east_pulse"):
        measure = getattr(layout, name)
        if measure is None:
            continue
        size = np.nan_to_num(table.values[name])
        wrong = np.abs(size * measure.factor) > LONGEST_PULSE_MS
        if measure.direction is not None:
            ways = table.words[name.replace("_pulse", "_way")]
            known = among(ways, _ways(layout, measure.direction))
            wrong |= (size != 0) & ~known
        for row in np.flatnonzero(wrong & draft.keep).tolist():
            draft.unread.append(
                (
                    int(table.numbers[row]),
                    f"{name} {size[row]:g} has no known direction"
                    if abs(size[row] * measure.factor) <= LONGEST_PULSE_MS
                    else f"{name} of {size[row]:g} cannot be",
                )
            )
        draft.keep &= ~wrong
    return good


def _ways(layout: Layout, direction: Words) -> frozenset[str]:
    """Return the words that a direction column may hold: both axes' where they share it."""
    shared = [m.direction for m in layout.measures.values() if m.direction is not None]
    both = [words.values | words.opposite for words in shared if words.cell == direction.cell]
    return frozenset().union(*both)


def _seconds(
    draft: _Draft, layout: Layout, held: Held, local: tzinfo | None, where: str
) -> tuple[Floats, datetime | None]:
    """Return seconds since the section's start, and when that was; drop rows without a time."""
    table = draft.table
    begun, begun_at = start_as_written(held)
    if layout.time.factor is not None:
        seconds = table.values["time"] * layout.time.factor
        first: datetime | time | None = None
    else:
        read, kind = times.moments(table.words["time"], layout.time.format)
        kept = [m if keep else None for m, keep in zip(read, draft.keep, strict=True)]
        seconds, first = times.elapsed(kept, kind, begun, local)
    blank = ~np.isfinite(seconds) & draft.keep
    for row in np.flatnonzero(blank).tolist():
        shown = "no time" if layout.time.factor else f"'{table.words['time'][row][:30]}' is no moment"
        draft.unread.append((int(table.numbers[row]), shown))
    draft.keep &= ~blank
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


def _check_readable(draft: _Draft, block: Block, copied: Bools, where: str) -> None:
    asked = len(block.rows) - int(copied.sum())
    if len(draft.unread) > UNREADABLE_SHARE * asked or not draft.keep.any():
        line, reason = min(draft.unread, default=(block.first, "nothing is left"))
        raise InputError(
            f"{len(draft.unread)} of {asked} rows cannot be read, the first at line {line}: {reason}",
            "see delimiter and decimal in [text], and the units and names in [columns]",
            where,
        )


def _check_span(seconds: Floats, where: str) -> None:
    if len(seconds) and seconds[-1] - seconds[0] > times.LONGEST_S:
        raise InputError(
            f"the rows of this section span {(seconds[-1] - seconds[0]) / 3600:.0f} h, allowed is up to "
            f"{times.LONGEST_S / 3600:.0f} h",
            "check the unit of time",
            where,
        )


def _moved(
    draft: _Draft,
    layout: Layout,
    block: Block,
    rows: np.ndarray[tuple[int], np.dtype[np.int64]],
    steps: list[tuple[int, float]],
    lost_lines: list[int],
) -> Bools:
    """Return where the star stands anew: on purpose, after a clock step, after a row whose pulses are not known."""
    moved = np.zeros(len(rows), dtype=bool)
    numbers = draft.table.numbers[rows]
    marks = [block.numbers[at] for at in block.shifted if at < len(block.numbers)]
    if layout.shift is not None:
        told = among(draft.table.words["shift"], layout.shift.values)
        marks += draft.table.numbers[told].tolist()
    # A mark on a row that was left out holds for the next one.
    at = np.searchsorted(numbers, np.array(marks + [line + 1 for line in lost_lines], dtype=np.int64))
    moved[at[at < len(rows)]] = True
    for row, _ in steps:
        moved[row] = True
    if len(moved):
        moved[0] = False  # the first row begins a level anyway
    return moved


def _tell(
    draft: _Draft,
    file: str,
    copied: Bools,
    steps: list[tuple[int, float]],
    rows: np.ndarray[tuple[int], np.dtype[np.int64]],
) -> None:
    """Add the notes about rows that were left out."""
    if draft.unread:
        seen = sorted(set(draft.unread))
        lines = sorted({line for line, _ in seen})
        place, reason = f"{file}:{seen[0][0]}", seen[0][1]
        if len(lines) == 1:
            text = f"{place}: this row was left out: {reason}"
        else:
            shown = ", ".join(str(line) for line in lines[:5]) + (", ..." if len(lines) > 5 else "")
            text = f"{place}: {len(lines)} rows were left out (here: {reason}), lines {shown}"
        draft.notes.append(Note("rows-unread", text))
    if count := int(copied.sum()):
        line = int(draft.table.numbers[copied[draft.table.positions]][:1].sum())
        rows_were = (
            "1 row that repeats an earlier one was"
            if count == 1
            else (f"{count} rows that repeat earlier ones were")
        )
        draft.notes.append(Note("rows-repeated", f"{file}:{line}: {rows_were} left out"))
    for row, back in steps:
        line = int(draft.table.numbers[rows[row]])
        draft.notes.append(
            Note(
                "clock-set-back",
                f"{file}:{line}: the clock steps back by {timedelta(seconds=round(back))}; the rows after it are taken "
                "to follow on",
            )
        )
