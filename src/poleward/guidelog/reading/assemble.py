"""One block of a log to a `Section`: facts, times, signs and units, and what had to be left out."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, time, timedelta, tzinfo

import numpy as np

from poleward.door import clock
from poleward.errors import InputError, Note
from poleward.guidelog.reading import times
from poleward.guidelog.reading.blocks import Block
from poleward.guidelog.reading.facts import zone
from poleward.guidelog.reading.form import Layout, Measure, Words
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


Steps = list[tuple[int, float]]
Integers = np.ndarray[tuple[int], np.dtype[np.int64]]


@dataclass
class _Draft:
    """A section while it is built: its rows, which of them stay, and what is to be said."""

    table: Table
    keep: Bools
    unread: list[tuple[int, str]]
    notes: list[Note]

    def drop(self, rows: Bools, reason: Callable[[int], str]) -> None:
        """Leave out those of some rows that were still in."""
        rows = rows & self.keep
        self.unread += [(int(self.table.numbers[row]), reason(row)) for row in np.flatnonzero(rows).tolist()]
        self.keep = self.keep & ~rows


def build(
    block: Block, copied: Bools, number: int, layout: Layout, file: str, local: tzinfo | None
) -> Section:
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

    Raises
    ------
    InputError
        The section cannot be used.
    """
    where = f"{file}:{block.first}"
    held = Held(layout.facts, block.scopes, file, layout.text.decimal)
    draft = _draft(block, copied, layout, file)
    good = _good(draft, layout)
    seconds, start = _seconds(draft, layout, held, local, where)
    _check_readable(draft, int((~copied).sum()), block.first, where)
    seconds, steps = _steady(draft, seconds, where)
    rows = np.flatnonzero(draft.keep)
    moved = _moved(draft, layout, block, rows, steps)
    scale = held.number("image_scale", where) if any(m.pixels for m in layout.measures.values()) else None
    turned = reversed_columns(held)
    columns = _columns(draft.table, layout, scale, turned, rows)
    good = _with_star(good[rows], columns, where)
    pointing = pointing_of(held, start, where)
    guide_rates = rates(held, scale, pointing, draft.notes)
    _tell(draft, file, copied, steps, rows)
    label = held.value("label")
    return Section(
        file,
        str(label[0]) if label else f"section {number}",
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
    )


def _draft(block: Block, copied: Bools, layout: Layout, file: str) -> _Draft:
    """Read the rows; those that repeat earlier ones do not stay, and say nothing."""
    where = f"{file}:{block.first}"
    if not block.rows and (block.header or all(cell.number for cell in layout.cells)):
        raise InputError("this section has no rows", "", where)
    table = read_rows(block, layout, file)
    if copied.all():
        raise InputError("all rows of this section repeat earlier ones", "", where)
    again = {block.numbers[at] for at in np.flatnonzero(copied)}
    unread = [(line, reason) for line, reason in table.unread if line not in again]
    return _Draft(table, ~copied[table.positions], unread, [])


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
        if measure is not None:
            _check_pulses(draft, layout, name, measure)
    return good


def _check_pulses(draft: _Draft, layout: Layout, name: str, measure: Measure) -> None:
    """Drop rows whose pulse is too long, or has no direction."""
    size = np.nan_to_num(draft.table.values[name])
    draft.drop(
        np.abs(size * measure.factor) > LONGEST_PULSE_MS, lambda row: f"{name} of {size[row]:g} cannot be"
    )
    if measure.direction is not None:
        known = among(draft.table.words[name.replace("_pulse", "_way")], _ways(layout, measure.direction))
        draft.drop((size != 0) & ~known, lambda row: f"{name} {size[row]:g} has no known direction")


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
    named = held.value("timezone")
    local = local if named is None else zone(str(named[0]), named[1])
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


def _check_readable(draft: _Draft, asked: int, first: int, where: str) -> None:
    if len(draft.unread) > UNREADABLE_SHARE * asked or not draft.keep.any():
        line, reason = min(draft.unread, default=(first, "nothing is left"))
        raise InputError(
            f"{len(draft.unread)} of {asked} rows cannot be read, the first at line {line}: {reason}",
            "see delimiter and decimal in [text], and the units and names in [columns]",
            where,
        )


def _steady(draft: _Draft, seconds: Floats, where: str) -> tuple[Floats, Steps]:
    """Return the times of the rows that stay, put right, and where among them the clock was set back."""
    steady = times.steady(seconds[draft.keep])
    strays = np.zeros(len(draft.keep), dtype=bool)
    strays[np.flatnonzero(draft.keep)[steady.strays]] = True
    draft.drop(strays, lambda row: "a time out of order")
    span = float(np.ptp(steady.seconds)) if len(steady.seconds) else 0.0
    if span > times.LONGEST_S:
        raise InputError(
            f"the rows of this section span {span / 3600:.0f} h, allowed is up to {times.LONGEST_S / 3600:.0f} h",
            "check the unit of time",
            where,
        )
    return steady.seconds, steady.steps


def _moved(draft: _Draft, layout: Layout, block: Block, rows: Integers, steps: Steps) -> Bools:
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
    moved[[row for row, _ in steps]] = True
    moved[:1] = False  # the first row begins a level anyway
    return moved


def _columns(
    table: Table, layout: Layout, scale: float | None, turned: Sequence[str], rows: Integers
) -> dict[str, Floats]:
    """Return the columns that the layout names, in arcsec and ms, of the rows that stay."""
    return {
        name: column(table, name, measure, scale, name in turned)[rows]
        for name, measure in layout.measures.items()
    }


def _with_star(good: Bools, columns: dict[str, Floats], where: str) -> Bools:
    """Return the rows in which there is a star with a place; in the others there is no place."""
    places = [columns[name] for name in ("north", "east") if name in columns]
    good = good & np.isfinite(places).all(axis=0)
    if not good.any():
        raise InputError(f"the star was lost in all {len(good)} rows of this section", "", where)
    for place in places:
        place[~good] = np.nan
    return good


def _tell(draft: _Draft, file: str, copied: Bools, steps: Steps, rows: Integers) -> None:
    """Add the notes about rows that were left out, and about the clock."""
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
        were = "row that repeats an earlier one was" if count == 1 else "rows that repeat earlier ones were"
        draft.notes.append(Note("rows-repeated", f"{file}:{line}: {count} {were} left out"))
    for row, back in steps:
        place, step = f"{file}:{draft.table.numbers[rows[row]]}", timedelta(seconds=round(back))
        text = f"{place}: the clock steps back by {step}; the rows after it are taken to follow on"
        draft.notes.append(Note("clock-set-back", text))
