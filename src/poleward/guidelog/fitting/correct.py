"""Undoing the corrections: how far the telescope itself has moved, and where a new level begins.

What tracking alone would have done is the star's place plus the telescope's own motion. A pulse of declination is
first swallowed by the play of the gears when it comes after one of the other direction; the telescope follows the
motor like a body dragged between two stops that are the backlash apart (the play operator of the theory of
hysteresis; Krasnosel'skii & Pokrovskii 1989, Systems with Hysteresis, chapter 1).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from poleward.guidelog.fitting.noise import Integers
from poleward.guidelog.reading.section import Bools, Section
from poleward.sky.axis import Floats

GAP_ROWS = 10.0
"""A gap of this many cadences begins a new level.

A guider that drops ten exposures on end has been doing something else, and may have moved the telescope without
writing it down. A level costs little: one every ten minutes raises sigma by a tenth (docs/noise-model.md).
"""
WINDOW = 7
"""Rows on either side whose medians are compared to find a jump: more than half may be glitches."""
JUMP_SIGMAS = 8.0
"""A jump is this many standard deviations of such differences, which have a heavier tail than normal ones."""
GLITCH_MADS = 6.0
"""Before anything is fitted: rows this many robust standard deviations off the median of their neighbours."""
NORMAL_MAD = 0.6744897501960817
"""Of a standard normal distribution: scipy.special.ndtri(0.75). scipy.stats has the whole, at four times the cost."""


@dataclass(frozen=True, eq=False)
class Track:
    """The usable rows of a section and the motor's path.

    Attributes
    ----------
    rows : int array (n,)
        Rows of the section in which the star was seen.
    seconds, north_arcsec : array (n,)
        Of those rows.
    piece : int array (n,)
        Number of the piece each row belongs to, rising.
    stretch : int array (n,)
        The same, if deliberate moves that are noted begin no piece: where pulses of the log made them.
    pulse_ms : array (N,) or None
        Pulses of the whole section, lost stars included; None where there are none.
    motor_ms : array (N,) or None
        Sum of the pulses sent before each row that the drive answers to.
    row_known : bool
        Whether the layout says which row a pulse belongs to.
    cadence_s : float
        Median time between rows.
    """

    rows: Integers
    seconds: Floats
    north_arcsec: Floats
    piece: Integers
    stretch: Integers
    pulse_ms: Floats | None
    motor_ms: Floats | None
    row_known: bool
    cadence_s: float

    @property
    def guided(self) -> bool:
        """Whether any pulse was sent in declination."""
        return self.motor_ms is not None

    def answering(self, dead_ms: float = 0.0, early: bool = False) -> Track:
        """Return it with a drive that shorter pulses do not move, or that has had a pulse before the row it stands in."""
        if self.pulse_ms is None:
            return self
        path = np.cumsum(np.where(np.abs(self.pulse_ms) < dead_ms, 0.0, self.pulse_ms))
        return replace(self, motor_ms=path if early else np.concatenate([[0.0], path[:-1]]))

    def cropped(self, first: int, last: int) -> Track:
        """Return only these rows with a star, and what lies between them."""
        inside, every = slice(first, last + 1), slice(int(self.rows[first]), int(self.rows[last]) + 1)
        return replace(
            self,
            rows=self.rows[inside] - self.rows[first],
            seconds=self.seconds[inside],
            north_arcsec=self.north_arcsec[inside],
            piece=self.piece[inside],
            stretch=self.stretch[inside],
            pulse_ms=None if self.pulse_ms is None else self.pulse_ms[every],
            motor_ms=None if self.motor_ms is None else self.motor_ms[every],
        )

    def tilted(self, off_ms: Floats) -> Track:
        """Return it with a motor that has gone so much further, (N,)."""
        assert self.motor_ms is not None
        return replace(self, motor_ms=self.motor_ms + off_ms)

    @cached_property
    def _first(self) -> Integers:
        """For each row of the section the first row of its piece, (N,)."""
        assert self.motor_ms is not None
        piece = np.zeros(len(self.motor_ms), np.int64)
        piece[self.rows] = self.piece
        piece = np.maximum.accumulate(piece)
        return np.searchsorted(piece, piece)

    def backlash(self, backlash_ms: float) -> tuple[Floats, Floats]:
        """Where the telescope stands, in ms of pulse, for rows seen: (middle, half of what is not known), (n,) each.

        At the beginning of a piece nobody knows where between the stops it rests. Both extremes are followed until
        they meet, which they do once the motor has gone one backlash in one direction.
        """
        assert self.motor_ms is not None
        low, high = dragged(self.motor_ms, backlash_ms, self._first)
        lowest, highest = low[self.rows], high[self.rows]
        return (highest + lowest) / 2, (highest - lowest) / 2


def dragged(motor: Floats, backlash: float, first: Integers) -> tuple[Floats, Floats]:
    """Follow a body dragged by a motor, between `motor - backlash` and `motor`: its lowest and highest place.

    Parameters
    ----------
    motor : array (n,)
    backlash : float
        In the same unit, not negative.
    first : int array (n,)
        For each row the first row of its piece, at which the body may be anywhere between the stops.

    Notes
    -----
    Each step clamps the place to an interval, and clamps in a row make one clamp, in which older ones drop out as soon
    as they are narrower than nothing. So rows are joined with those 1, 2, 4, ... before them until every interval
    has closed or begins with its piece: a few passes over all rows instead of a loop.
    """
    low, high = motor - backlash, motor.copy()
    older, reach = np.arange(len(motor)) - first, 1
    while True:
        # All rows are joined in each pass: to pick those that are still open costs more.
        least, most, there = low[reach:], high[reach:], older[reach:] >= reach
        if not ((most > least) & there).any():
            return low, high
        # Read before written: a row's older half must be the one of this round.
        below, above = np.maximum(low[:-reach], least), np.maximum(high[:-reach], least)
        below, above = np.minimum(below, most, out=below), np.minimum(above, most, out=above)
        np.copyto(least, below, where=there)
        np.copyto(most, above, where=there)
        reach *= 2


def track(section: Section) -> Track:
    """Pick the usable rows of a section and cut them into pieces."""
    seen = section.good & np.isfinite(section.north_arcsec) & np.isfinite(section.seconds)
    rows = np.flatnonzero(seen)
    # Two rows at one time cannot both be right, and the noise needs time to pass; the first one stays.
    rows = rows[np.diff(np.maximum.accumulate(section.seconds[rows]), prepend=-np.inf) > 0]
    seconds = section.seconds[rows]
    steps = np.diff(section.seconds)
    steps = steps[steps > 0]
    cadence = float(np.median(steps)) if len(steps) else 0.0
    # A move in a row whose star was lost counts from the next row that has one.
    moves = np.cumsum(section.moved)[rows]
    gap = np.diff(seconds, prepend=seconds[:1]) > GAP_ROWS * cadence
    new = gap | (np.diff(moves, prepend=moves[:1]) > 0)
    pulse = None if section.north_pulse_ms is None else np.nan_to_num(section.north_pulse_ms)
    if pulse is not None and not np.any(pulse):
        pulse = None
    return Track(
        rows=rows,
        seconds=seconds,
        north_arcsec=section.north_arcsec[rows],
        piece=np.cumsum(new),
        stretch=np.cumsum(gap),
        pulse_ms=pulse,
        motor_ms=None,
        row_known=section.pulse_row_known,
        cadence_s=cadence,
    ).answering()


def running_median(values: Floats, size: int) -> Floats:
    """Median of each value and its neighbours, `size` (odd) in all; at the ends of what there is, by reflection."""
    from scipy.ndimage import median_filter

    result: Floats = median_filter(values, size=size, mode="reflect")
    return result


def robust_sigma(values: Floats) -> float:
    """Standard deviation from the median absolute deviation, exact for normal errors."""
    return float(np.median(np.abs(values - np.median(values)))) / NORMAL_MAD


def glitches(values: Floats) -> Bools:
    """Rows far off the median of their neighbours: a first, coarse sieve before there is a noise to judge by."""
    if len(values) < WINDOW:
        return np.zeros(len(values), bool)
    off = values - running_median(values, WINDOW)
    sigma = robust_sigma(off)
    return np.abs(off) > GLITCH_MADS * sigma if sigma > 0 else np.zeros(len(values), bool)


def jumps(values: Floats, piece: Integers, scale: Floats) -> Integers:
    """Rows at which the star stands in a new place though nobody said so.

    Parameters
    ----------
    values : array (n,)
        Places with the known motion taken off, glitches taken out.
    piece : int array (n,)
        Pieces known already.
    scale : array (n,)
        How many times as large the noise is.

    Returns
    -------
    int array (j,)
        First rows after the jumps.
    """
    count = len(values)
    if count < 4 * WINDOW:
        return np.zeros(0, np.int64)
    half = WINDOW // 2
    middle = running_median(values, WINDOW)
    at = np.arange(WINDOW, count - WINDOW)
    step = (middle[at + half] - middle[at - half - 1]) / np.maximum(scale[at + half], scale[at - half - 1])
    sigma = robust_sigma(step)
    inside = piece[at + WINDOW - 1] == piece[at - WINDOW]
    found: list[int] = []
    if sigma <= 0:
        return np.zeros(0, np.int64)
    size = np.where(inside, np.abs(step), 0.0)
    while size.size and float(np.max(size)) > JUMP_SIGMAS * sigma:
        best = int(np.argmax(size))
        found.append(int(at[best]))
        size[max(0, best - WINDOW) : best + WINDOW + 1] = 0.0
    return np.array(sorted(found), np.int64)
