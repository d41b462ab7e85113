"""The times of a section's rows as seconds since its start, rising strictly, whatever the clock did."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from typing import Any

import numpy as np

from poleward.errors import InputError
from poleward.guidelog.reading.section import Bools
from poleward.sky.axis import Floats

DAY_S = 86400.0
STRAY_ROWS = 5
"""As many rows in a row at most are taken for garbled times; more is a clock that was set back. A garbled line is one
row, a garbled piece of disk some; a clock that is set back by less than five exposures does no harm left as it is."""
LONGEST_S = 16 * 3600.0
"""No night of guiding on one star is longer; a longer one is a wrong unit."""


@dataclass(frozen=True)
class Steady:
    """Times put right.

    Attributes
    ----------
    seconds : array (n,)
        Of the rows kept, rising strictly.
    kept : int array (n,)
        Which rows are kept.
    strays : int array
        Rows left out: their time fits neither with the rows before nor with those after.
    steps : list of (row, seconds)
        Where, among the rows kept, the clock was set back, and how far.
    """

    seconds: Floats
    kept: np.ndarray[tuple[int], np.dtype[np.int64]]
    strays: np.ndarray[tuple[int], np.dtype[np.int64]]
    steps: list[tuple[int, float]]


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
    return datetime.fromisoformat(text)


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
        return date.fromisoformat(str(text).strip()[:10])
    except ValueError:
        raise InputError(
            f"'{text}' is not a date", "e.g. 2026-11-25, or say how it is written: format = '%d.%m.%Y'", where
        ) from None


def moments(cells: Sequence[str], form: str) -> tuple[list[datetime | time | None], type]:
    """Read a column of moments, None for those that cannot be read, and the kind that most of them are."""
    read: list[datetime | time | None] = []
    for cell in cells:
        try:
            read.append(moment(cell, form))
        except (ValueError, OverflowError):
            read.append(None)
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

    Rows whose time fits neither before nor after are left out. Where the clock was set back, the rows after it are
    taken to follow on at the usual spacing. Equal times are spread over the time to the next.

    Parameters
    ----------
    seconds : array (n,)
        As logged, finite.
    """
    kept = np.arange(len(seconds))
    strays = kept[:0]
    far = np.abs(seconds - np.median(seconds)) > LONGEST_S if len(seconds) else kept.astype(bool)
    if far.sum() * 2 < len(seconds):
        strays, kept = kept[far], kept[~far]
    if np.any(np.diff(seconds[kept]) < 0):
        lone = _strays(seconds[kept])
        strays, kept = np.union1d(strays, kept[lone]), kept[~lone]
    times = seconds[kept].copy()
    gaps = np.diff(times)
    usual = float(np.median(gaps[gaps > 0])) if np.any(gaps > 0) else 1.0
    steps = [(int(i) + 1, float(usual - gaps[i])) for i in np.flatnonzero(gaps < 0)]
    for row, back in steps:
        times[row:] += back
    return Steady(_spread(times, usual), kept, strays, steps)


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
