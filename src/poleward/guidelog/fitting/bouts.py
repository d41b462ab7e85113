"""Wind in bouts: how much larger the noise is in each row, from what is left over when the corrections have been undone.

A row is quiet or in a bout, and stays so for a while: a hidden Markov chain of two states, its chances row by row found
forward and backward, its two sizes by expectation and maximisation (L. E. Baum et al. 1970, Ann. Math. Statist. 41, 164).
Where a bout begins nobody knows to the row. So a row has the size that it has in the mean over its chances: with the likelier
of the two the loud rows at a bout's edges, taken for quiet ones, told a guide rate 5 to 10 % too small.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from poleward.guidelog.fitting.correct import NORMAL_MAD, running_median
from poleward.guidelog.fitting.noise import covariance, levelled, standardised
from poleward.guidelog.fitting.parts import Part, State, left_over
from poleward.sky.axis import Floats
from poleward.sky.pole import Pole

BOUT_ROWS = 21
BOUT_FACTOR = 2.0
"""A bout is suspected where the median step of so many rows is so many times that of all: with a noise that is the same
throughout one in 2000 such stretches looks so."""
LASTS = (160.0, 40.0)
"""Mean rows that it stays quiet, and windy; what the rows say overrules it within a few rows."""
GLITCHES = 0.01
GLITCH_SIZE = 20.0
"""Share of rows that are plainly wrong and their size in units of quiet noise: they say nothing of either."""
LIKELIER = 6.0
"""Log-likelihood that bouts must gain. Of 200 sections of docs/experiments/log_nights.py none gains more than 4.0, of 36
of docs/experiments/log_oddities.py with bouts of 2 (3) times the noise none less than 18 (84)."""
PASSES = 5
"""Of expectation and maximisation: the sizes then stand to one in a hundred."""
LEAST_DENSITY = 1e-300
NO_WEIGHT = 1e-6
"""Of rows set aside: as in `sieve`."""


def suspected(values: Floats) -> Floats:
    """How many times as large the noise is in each of n rows, roughly: 1, and more in bouts where it is plainly larger.

    Judged by steps from row to row, which a drift and a noise that lasts hardly show; one number for all bouts.
    """
    scale = np.ones(len(values))
    if len(values) < 4 * BOUT_ROWS:
        return scale
    step = np.abs(np.diff(values, prepend=values[:1]))
    local, usual = running_median(step, BOUT_ROWS), float(np.median(step))
    wild = local > BOUT_FACTOR * usual
    share = np.mean(wild)
    if usual <= 0 or not 0 < share < 0.5:
        return scale
    # The median of the rows beside it shrinks a bout by some rows at either end.
    wild = np.convolve(wild, np.ones(7), "same") > 0
    within, without = (float(np.median(step[rows])) for rows in (wild, ~wild))
    if without > 0:
        scale[wild] = max(within / without, 1.0)
    return scale


def gauged(part: Part, state: State, pole: Pole) -> Part:
    """Find anew how large the noise is in each row of a section where bouts are suspected."""
    if np.all(part.scale == 1):
        return part
    residuals, half = left_over(part, state, pole)
    starts = replace(part, kept=np.ones(len(part.kept), bool)).starts
    noise, weights = part.noise, np.where(part.kept, 1.0, NO_WEIGHT)
    matrix = covariance(part.track.seconds, starts, noise.ratio, noise.correlation_time_s, weights)
    spread = None if half is None else half / part.scale
    left = levelled(matrix, residuals / part.scale, spread, noise.white_arcsec**2, part.scale)
    return replace(part, scale=sizes(standardised(matrix, left, noise.white_arcsec) * part.scale, part.scale))


def sizes(off: Floats, first: Floats) -> Floats:
    """How many times as large a noise is in each of n rows, the quiet ones 1: all 1 where bouts explain too little.

    Parameters
    ----------
    off : array (n,)
        The rows, each independent of the others, in any unit.
    first : array (n,)
        A first guess of the sizes.
    """
    square, loud = off**2, first > math.sqrt(float(np.max(first)))
    if not 0 < np.sum(loud) < len(off):
        return np.ones(len(off))
    variance = np.array([float(np.median(square[rows])) for rows in (~loud, loud)]) / NORMAL_MAD**2
    for _ in range(PASSES):
        if not 0 < variance[0] < variance[1] < GLITCH_SIZE**2 * variance[0]:
            return np.ones(len(off))
        fine, glitch = _densities(square, variance)
        windy, log = _chances(fine + glitch)
        weight = np.stack([1 - windy, windy]) * fine / (fine + glitch)
        variance = weight @ square / np.sum(weight, axis=1)
    fine, glitch = _densities(square, np.full(1, np.sum(weight @ square) / np.sum(weight)))
    if log < float(np.sum(np.log(fine + glitch))) + LIKELIER:
        return np.ones(len(off))
    return np.asarray(np.sqrt(1 + windy * (variance[1] / variance[0] - 1)))


def _densities(square: Floats, variance: Floats) -> tuple[Floats, Floats]:
    """Densities of squares in rows of k variances, (k, n): of those that are noise, and of those that are glitches."""
    wide = GLITCH_SIZE**2 * variance[0]
    glitch = GLITCHES * np.exp(-0.5 * square / wide) / math.sqrt(wide)
    fine = (1 - GLITCHES) * np.exp(-0.5 * square / variance[:, None]) / np.sqrt(variance)[:, None]
    return fine, np.maximum(glitch, LEAST_DENSITY)


def _chances(density: Floats) -> tuple[Floats, float]:
    """Chance (n,) that each row is windy, from all rows, given their densities quiet and windy (2, n); log-likelihood."""
    starts, ends = 1 / LASTS[0], 1 / LASTS[1]
    odds, chance, log = (density[1] / density[0]).tolist(), starts / (starts + ends), 0.0
    before, after = [], []
    for each in odds:
        before.append(chance)
        windy = chance * each
        whole = windy + 1 - chance
        log += math.log(whole)
        after.append(windy / whole)
        chance = starts + (1 - ends - starts) * after[-1]
    told = after[-1:]
    # From the end: what a row's own past says of it, corrected by what has become known of the row after it.
    for here, foretold in zip(after[-2::-1], before[:0:-1], strict=True):
        on, off = told[-1] / foretold, (1 - told[-1]) / (1 - foretold)
        told.append(here * ((1 - ends) * on + ends * off))
    return np.array(told[::-1]), log + float(np.sum(np.log(density[0])))
