"""The times of a section's rows as seconds since its start, rising strictly, whatever the clock did."""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from typing import Any

import numpy as np

from poleward.door.clock import FIRST_YEAR, LAST_YEAR
from poleward.errors import InputError
from poleward.guidelog.reading.section import Bools, Integers
from poleward.sky.axis import Floats

DAY_S = 86400.0
STRAY_ROWS = 5
"""As many rows in a row at most are taken for garbled times; more is a clock that was set back. A garbled line is one
row, a garbled piece of disk some; a clock that is set back by less than five exposures does no harm left as it is."""
_DOTTED = re.compile(r"^(\d{1,2})\.(\d{1,2})\.(\d{4})(?=\D|$)")
_SLASHED = re.compile(r"^(\d{4})/(\d{1,2})/(\d{1,2})(?=\D|$)")
LONGEST_S = 16 * 3600.0
"""No night of guiding on one star is longer; a longer one is a wrong unit."""


GAP_S = 120.0
"""A clock set ahead looks like a gap, and so do lines that are lost, those that open a section among them. A guider that
waits for a star, or for a picture to be read, is back sooner (common practice, no source)."""


@dataclass(frozen=True, eq=False)
class Steady:
    """Times put right.

    Attributes
    ----------
    seconds : array (n,)
        Of the rows kept, rising strictly.
    kept : int array (n,)
        Which rows are kept.
    strays, stuck : int array
        Rows left out: their time fits neither with the rows before nor with those after; the clock stood still.
    steps : list of (row, seconds)
        Where, among the rows kept, the clock was set back, and how far.
    """

    seconds: Floats
    kept: Integers
    strays: Integers
    stuck: Integers
    steps: list[tuple[int, float]]

    @property
    def gaps(self) -> list[tuple[int, float]]:
        """Where, among the rows kept, nothing was written for long, and how long."""
        steps = np.diff(self.seconds)
        return [(int(at) + 1, float(steps[at])) for at in np.flatnonzero(steps > GAP_S)]


def moment(text: str, form: str) -> datetime | time:
    """Read one moment as it is written: a date and time, aware or not, or a time of day alone.

    Raises
    ------
    ValueError
        It is neither.
    """
    text = text.strip().strip('"')
    if form:
        read = datetime.strptime(text, form)
        return read if any(code in form for code in ("%d", "%j", "%s", "%x", "%c")) else read.timetz()
    if text[2:3] == ":" or text[1:2] == ":":
        return time.fromisoformat(text if text[2:3] == ":" else f"0{text}")
    if len(text) < 12:
        raise ValueError(text)  # a date alone is no moment
    return datetime.fromisoformat(_iso(text))


def _iso(text: str) -> str:
    """Turn a date with dots, day first, or with slashes, year first, into ISO 8601; nobody writes those otherwise."""
    text = _DOTTED.sub(lambda m: f"{m[3]}-{m[2]:0>2}-{m[1]:0>2}", text)
    return _SLASHED.sub(lambda m: f"{m[1]}-{m[2]:0>2}-{m[3]:0>2}", text)


def day(text: object, form: str, where: str) -> date:
    """Read a date.

    Raises
    ------
    InputError
        It is none.
    """
    try:
        if form:
            return datetime.strptime(str(text).strip(), form).date()
        return date.fromisoformat(_iso(str(text).strip())[:10])
    except ValueError:
        raise InputError(
            f"'{text}' is not a date", "e.g. 2026-11-25, or say how it is written: format = '%d.%m.%Y'", where
        ) from None


def moments(cells: Sequence[str], form: str) -> tuple[list[datetime | time | None], type]:
    """Read a column of moments, None for those that cannot be read, and the kind that most of them are."""
    read: list[datetime | time | None] = []
    for cell in cells:
        try:
            found = moment(cell, form)
        except (ValueError, OverflowError):
            read.append(None)
        else:
            known = isinstance(found, time) or FIRST_YEAR <= found.year <= LAST_YEAR
            read.append(found if known else None)
    kind = time if sum(isinstance(m, time) for m in read) * 2 > len(read) else datetime
    return read, kind


def elapsed(
    read: Sequence[datetime | time | None], kind: type, origin: datetime | time | None, zone: tzinfo | None
) -> tuple[Floats, datetime | time | None]:
    """Return seconds since `origin`, NaN for rows whose moment cannot be used, and the first moment as written.

    Parameters
    ----------
    read : sequence
        Moments as written.
    kind : type
        ``datetime``, or ``time`` where the log writes times of day only: across midnight they go on.
    origin : datetime or time or None
        The section's start as written; None: its first row.
    zone : tzinfo or None
        Of moments without an offset. Its clock changes are taken out; without it they are not known.
    """
    sound: list[Any] = [m for m in read if isinstance(m, kind)]
    if not sound:
        return np.full(len(read), np.nan), None
    if kind is time:
        return _of_day(read, sound[0] if origin is None else origin), sound[0]
    first: datetime = sound[0]
    aware = first.tzinfo is not None
    stamps = [m if isinstance(m, datetime) and (m.tzinfo is not None) == aware else None for m in read]
    if not aware and zone is not None:
        stamps = _in_zone(stamps, zone)
        aware = True
    reference = next(m for m in stamps if m is not None)
    if isinstance(origin, datetime):
        begun = origin
        if aware and begun.tzinfo is None:
            begun = begun.replace(tzinfo=zone or reference.tzinfo)
        elif not aware:
            begun = begun.replace(tzinfo=None)
        reference = begun
    if aware:
        reference = reference.astimezone(UTC)
    return np.array([np.nan if m is None else (m - reference).total_seconds() for m in stamps]), first


def _of_day(read: Sequence[datetime | time | None], origin: datetime | time) -> Floats:
    """Seconds of times of day since a moment; a step of more than half a day back is a midnight."""
    begun = _seconds_of_day(origin.timetz() if isinstance(origin, datetime) else origin)
    raw = np.array([_seconds_of_day(m) if isinstance(m, time) else np.nan for m in read]) - begun
    sound = np.isfinite(raw)
    steps = np.diff(raw[sound], prepend=0.0)
    raw[sound] += np.cumsum(
        np.where(steps < -DAY_S / 2, DAY_S, 0.0) - np.where(steps > DAY_S / 2, DAY_S, 0.0)
    )
    return raw


def _seconds_of_day(moment_of_day: time) -> float:
    m = moment_of_day
    return m.hour * 3600.0 + m.minute * 60.0 + m.second + m.microsecond * 1e-6


def _in_zone(stamps: Sequence[datetime | None], zone: tzinfo) -> list[datetime | None]:
    """Give naive stamps their zone; after the clock has gone back by about an hour they are the later ones."""
    fold, before = 0, None
    zoned: list[datetime | None] = []
    for stamp in stamps:
        if stamp is None:
            zoned.append(None)
            continue
        if before is not None and timedelta(minutes=-121) < stamp - before < timedelta(minutes=-29):
            fold = 1
        before = stamp
        zoned.append(stamp.replace(tzinfo=zone, fold=fold).astimezone(UTC))
    return zoned


def steady(seconds: Floats) -> Steady:
    """Put the times of a section right.

    Rows whose time fits neither before nor after are left out, and so are those of a clock that stands still. Where the
    clock was set back, the rows after it are taken to follow on at the usual spacing. Equal times are spread over the
    time to the next.

    Parameters
    ----------
    seconds : array (n,)
        As logged, finite.
    """
    kept = np.arange(len(seconds))
    far = np.abs(seconds - np.median(seconds)) > LONGEST_S if len(seconds) else kept.astype(bool)
    if far.sum() * 2 < len(seconds):
        kept = kept[~far]
    stuck = kept[_stuck(seconds[kept])]
    kept = np.setdiff1d(kept, stuck)
    for sieve in (_excursions, _strays):
        if np.any(np.diff(seconds[kept]) < 0):
            kept = kept[~sieve(seconds[kept])]
    strays = np.setdiff1d(np.arange(len(seconds)), np.union1d(kept, stuck))
    times = seconds[kept].copy()
    gaps = np.diff(times)
    usual = _usual(times)
    steps = [(int(i) + 1, float(usual - gaps[i])) for i in np.flatnonzero(gaps < 0)]
    for row, back in steps:
        times[row:] += back
    return Steady(_spread(times, usual), kept, strays, stuck, steps)


def _usual(times: Floats) -> float:
    gaps = np.diff(times)
    return float(np.median(gaps[gaps > 0])) if np.any(gaps > 0) else 1.0


def _stuck(seconds: Floats) -> Bools:
    """Rows after the first of a run of equal times that is longer than this clock's steps make them.

    A clock that shows whole seconds, or minutes, gives runs of about one size; three rows at one time do no harm.
    """
    starts = np.flatnonzero(np.diff(seconds, prepend=-np.inf) != 0)
    sizes = np.diff(np.append(starts, len(seconds)))
    most = 2 * np.median(sizes) + 1 if len(sizes) >= STRAY_ROWS else 0
    long = np.repeat(sizes > max(most, 3), sizes)
    long[starts] = False
    return long


def _excursions(seconds: Floats) -> Bools:
    """Rows between a jump and the jump back, after which the clock goes on as if nothing had been."""
    usual, steps = _usual(seconds), np.diff(seconds)
    out = np.zeros(len(seconds), dtype=bool)
    jumps = np.flatnonzero((steps < 0) | (steps > 10 * usual)) + 1
    at = 0
    while at + 1 < len(jumps):
        first, after = jumps[at], jumps[at + 1]
        expected = (after - first + 1) * usual
        back = abs(seconds[after] - seconds[first - 1] - expected) <= max(3 * usual, expected / 2)
        opposite = (steps[first - 1] < 0) != (steps[after - 1] < 0)
        if back and opposite and 2 * (after - first) < len(seconds):
            out[first:after] = True
            at += 1
        at += 1
    return out


def _strays(seconds: Floats) -> Bools:
    """Rows outside the longest run of rising times, where at most `STRAY_ROWS` of them stand together.

    The longest non-decreasing subsequence by patience sorting (Knuth, The Art of Computer Programming, vol. 3,
    section 5.1.4; from memory), O(n log n).
    """
    tails: list[float] = []
    holders: list[int] = []
    before = np.full(len(seconds), -1)
    for row, value in enumerate(seconds.tolist()):
        pile = bisect_right(tails, value)
        if pile:
            before[row] = holders[pile - 1]
        tails[pile : pile + 1] = [value]
        holders[pile : pile + 1] = [row]
    inside = np.zeros(len(seconds), dtype=bool)
    row = holders[-1]
    while row >= 0:
        inside[row] = True
        row = int(before[row])
    edges = np.flatnonzero(np.diff(np.concatenate(([False], ~inside, [False])).astype(np.int8)))
    for start, stop in zip(edges[::2], edges[1::2], strict=True):
        if stop - start > STRAY_ROWS:
            inside[start:stop] = True
    return ~inside


def _spread(times: Floats, usual: float) -> Floats:
    """Spread equal times, as a clock that shows whole seconds gives them, evenly up to the next one."""
    if len(times) < 2 or np.all(np.diff(times) > 0):
        return times
    starts = np.flatnonzero(np.concatenate(([True], np.diff(times) > 0)))
    sizes = np.diff(np.append(starts, len(times)))
    room = np.append(np.minimum(np.diff(times[starts]), usual), usual)
    rank = np.arange(len(times)) - np.repeat(starts, sizes)
    return times + rank * np.repeat(room / sizes, sizes)
