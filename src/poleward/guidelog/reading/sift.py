"""Which rows of a section can be used, and which sections cannot be: each with its reason."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from poleward.errors import InputError, Note
from poleward.guidelog.reading import times
from poleward.guidelog.reading.blocks import shorten
from poleward.guidelog.reading.form import Layout, Measure, Words
from poleward.guidelog.reading.pieces import Piece
from poleward.guidelog.reading.rows import BLANKS, Table
from poleward.guidelog.reading.section import Bools
from poleward.guidelog.reading.signs import among
from poleward.sky.axis import Floats

UNREADABLE_SHARE = 0.5
"""Above this share of rows that cannot be read the section is refused: a wrong layout reads nearly nothing, a damaged
log still reads most."""
LONGEST_PULSE_MS = 60_000.0
"""Guide pulses last up to a few seconds (common practice, no source); a minute is a garbled number."""


EARLY_S, LATE_S = 120.0, 3600.0
"""A start written to the minute, or after the first row, is early by less than two minutes. Late: a wrong hour is to be
seen, and who waits for clouds to go for longer than one begins anew."""
NOTED_S = 600.0
"""So much turns the sky by 2.5 deg, which changes a drift by 4 %: worth a word."""
SAME_WORD = 3
"""Damage leaves a row out, and hardly ever writes the same wrong word, or a pulse too long, in so many."""
YEARS = (1985, 2100)
"""Before, there were no guide logs; a clock that was never set shows 1970 or 1980."""


@dataclass
class Draft:
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


def draft_of(piece: Piece) -> Draft:
    """Begin with all rows but those that repeat earlier ones; they do not stay, and say nothing."""
    table = piece.table
    again = {piece.block.numbers[at] for at in np.flatnonzero(piece.copied)}
    unread = [(line, reason) for line, reason in table.unread if line not in again]
    return Draft(table, ~piece.copied[table.positions], unread, [])


def rows_with_star(draft: Draft, layout: Layout, where: str) -> Bools:
    """Return the rows in which the star was not lost; drop those whose pulse cannot be told.

    Raises
    ------
    InputError
        Most pulses cannot be, or many go in a direction that the layout does not name.
    """
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
            _check_pulses(draft, layout, name, measure, where)
    return good


def _check_pulses(draft: Draft, layout: Layout, name: str, measure: Measure, where: str) -> None:
    """Drop rows whose pulse is too long, or has no direction."""
    size = np.nan_to_num(draft.table.values[name])
    _drop_long(draft, name, measure, np.full(len(size), LONGEST_PULSE_MS), "cannot be", where)
    if measure.direction is not None:
        words = draft.table.words[name.replace("_pulse", "_way")]
        known = among(words, _ways(layout, measure.direction))
        _check_words(draft, layout, name, measure.direction, (size != 0) & draft.keep, known, where)
        draft.drop((size != 0) & ~known, lambda row: f"{name} {size[row]:g} has no known direction")


def _drop_long(draft: Draft, name: str, measure: Measure, longest: Floats, why: str, where: str) -> None:
    """Drop rows whose pulse is longer than it can be; where most are, the unit is wrong."""
    size = np.nan_to_num(draft.table.values[name])
    sent, ms = size != 0, np.abs(size * measure.factor)
    long = ms > np.minimum(longest, LONGEST_PULSE_MS)
    if long.sum() >= SAME_WORD and long.sum() > UNREADABLE_SHARE * sent.sum():
        raise InputError(
            f"{long.sum()} of {sent.sum()} {name.replace('_', ' ')}s cannot be: {np.median(ms[long]) / 1000:g} s is longer "
            "than the rows are apart",
            "is the unit ms?" if abs(measure.factor) > 1 else "check the unit of pulses, and of time",
            where,
        )
    draft.drop(ms > longest, lambda row: f"{name} of {size[row]:g} {why}")


def _check_words(
    draft: Draft, layout: Layout, name: str, direction: Words, sent: Bools, known: Bools, where: str
) -> None:
    """Refuse a section with pulses in a direction that the layout does not name: the others would be all there is."""
    words = draft.table.words[name.replace("_pulse", "_way")]
    strange = Counter(words[row] for row in np.flatnonzero(sent & ~known).tolist())
    mine = sent & among(words, direction.values | direction.opposite)
    named = [word for word, times in strange.most_common(4) if word.lower() not in BLANKS]
    lost, side = strange.total(), name.removesuffix("_pulse")
    if lost >= SAME_WORD and not mine.any():
        seen = ", ".join(f"'{shorten(word, 20)}'" for word in sorted(named)) or "a blank"
        there, back = (" or ".join(sorted(ways)) for ways in (direction.values, direction.opposite))
        ways = ("north", "south") if side == "north" else ("east", "west")
        raise InputError(
            f"none of its {lost} {side} pulses can be read: {seen} {'are' if len(named) > 1 else 'is'} no direction that "
            f'the layout names ({ways[0]} = "{there}", {ways[1]} = "{back}")',
            "",
            where,
        )
    often = [word for word in named if strange[word] >= SAME_WORD]
    if often or (lost >= SAME_WORD and lost > mine.sum()):
        users = [
            key for key, m in layout.measures.items() if m.direction and m.direction.cell == direction.cell
        ]
        names = f"{' and '.join(users)} {'do' if len(users) > 1 else 'does'}"
        seen = ", ".join(f"'{shorten(word, 20)}' ({strange[word]}x)" for word in often or strange)
        raise InputError(
            f"{direction.cell} also holds {seen}, which {names} not name",
            "name both ways of each axis that has pulses there",
            where,
        )


def _ways(layout: Layout, direction: Words) -> frozenset[str]:
    """Return the words that a direction column may hold: both axes' where they share it."""
    shared = [m.direction for m in layout.measures.values() if m.direction is not None]
    both = [words.values | words.opposite for words in shared if words.cell == direction.cell]
    return frozenset().union(*both)


def drop_endless_pulses(draft: Draft, layout: Layout, seconds: Floats, where: str) -> None:
    """Drop rows whose pulse would not end before the next row is measured: a guider waits for it.

    Half as long again is allowed, and half a second, for a row that is written late.
    """
    rows = np.flatnonzero(draft.keep)
    gaps = np.diff(seconds[rows], append=np.inf)
    if not np.any(gaps[:-1] > 0):
        return
    gaps[gaps <= 0] = np.median(gaps[gaps > 0])
    longest = np.full(len(draft.keep), np.inf)
    longest[rows] = 1500 * gaps + 500
    for name in ("north_pulse", "east_pulse"):
        if (measure := getattr(layout, name)) is not None:
            _drop_long(draft, name, measure, longest, "would not end before the next row", where)


def check_readable(draft: Draft, piece: Piece, where: str) -> None:
    """Refuse a section most of whose rows cannot be read: the layout is wrong."""
    if len(draft.unread) > UNREADABLE_SHARE * piece.asked or not draft.keep.any():
        line, reason = min(draft.unread, default=(piece.first, "nothing is left"))
        raise InputError(
            f"{len(draft.unread)} of {piece.asked} rows cannot be read, the first at line {line}: {reason}",
            "see delimiter and decimal in [text], and the units, names and format in [columns]",
            where,
        )


def steady_times(draft: Draft, seconds: Floats, where: str) -> times.Steady:
    """Put the times of the rows that stay right; drop those whose time is of no use."""
    rows = np.flatnonzero(draft.keep)
    steps = np.diff(seconds[rows])
    if len(steps) > times.STRAY_ROWS and (back := int((steps < 0).sum())) > UNREADABLE_SHARE * len(steps):
        raise InputError(
            f"the times go back in {back} of {len(steps)} rows: the newest row stands first",
            "turn the lines round, or check which column holds the time",
            where,
        )
    steady = times.steady(seconds[rows])
    if len(steady.stuck) > UNREADABLE_SHARE * len(rows):
        line = draft.table.numbers[rows[steady.stuck[0]]]
        raise InputError(
            f"the clock stands still in {len(steady.stuck)} of {len(rows)} rows, the first at line {line}",
            "check which column holds the time",
            where,
        )
    for which, reason in ((steady.strays, "a time out of order"), (steady.stuck, "the clock stands still")):
        left = np.zeros(len(draft.keep), dtype=bool)
        left[rows[which]] = True
        draft.drop(left, lambda row, reason=reason: reason)  # type: ignore[misc]
    span = float(np.ptp(steady.seconds)) if len(steady.seconds) else 0.0
    if span > times.LONGEST_S:
        raise InputError(
            f"the rows of this section span {span / 3600:.0f} h, allowed is up to {times.LONGEST_S / 3600:.0f} h",
            "check the unit of time",
            where,
        )
    return steady


def check_start(draft: Draft, seconds: Floats, start: datetime | None, where: str) -> None:
    """Refuse rows that do not belong to the start they are counted from: the pointing would be of another hour."""
    if start is not None and not YEARS[0] <= start.year <= YEARS[1]:
        raise InputError(f"this section begins in the year {start.year}: its clock was never set", "", where)
    late = float(seconds[0])
    shown = timedelta(seconds=round(abs(late))) if abs(late) < 1e9 else f"{abs(late):.3g} s"
    if late < -EARLY_S:
        raise InputError(
            f"the first row stands {shown} before the section's start",
            "check start, the time zone, and the day of the rows' times",
            where,
        )
    if late > LATE_S:
        raise InputError(
            f"the first row stands {shown} after the section's start, allowed is up to {LATE_S / 3600:.0f} h",
            "check start, the unit of time, and that times count from the section's start",
            where,
        )
    if late > NOTED_S:
        text = f"{where}: the first row stands {shown} after the section's start; if that is not so, the result is wrong"
        draft.notes.append(Note("late-rows", text))


def with_star(good: Bools, columns: dict[str, Floats], where: str) -> Bools:
    """Return the rows in which there is a star with a place; in the others there is no place."""
    places = [columns[name] for name in ("north", "east") if name in columns]
    good = good & np.isfinite(places).all(axis=0)
    if not good.any():
        raise InputError(f"the star was lost in all {len(good)} rows of this section", "", where)
    for place in places:
        place[~good] = np.nan
    return good
