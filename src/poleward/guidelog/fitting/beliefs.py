"""What is known beforehand of noise, guide rate and play, where a log itself says too little.

Each is wide against what a night's rows usually tell, and each has its reason; docs/noise-model.md shows what they do
on nights of all kinds.
"""

from __future__ import annotations

import math

import numpy as np

from poleward.sky.axis import Floats

NOISE = (np.log([0.4, 35.0]), np.array([1.5, 1.5]))
"""Of log (lasting / white)^2 and log time (s): middle and standard deviation, if anything lasts.

Lasting parts of 0.14 to 2.8 times the new one, and times of 2 s to 700 s, are within two of them. A section of a
thousand rows overrules it; a short one is kept from the corners where its time runs away.
"""
NOTHING_LASTS = 0.4
"""Chance that nothing lasts: a rival of its own. Without it a noise that is all new is taken for one that lasts a row
or two and a guide rate that is too large, which explains the same rows just as well."""
LEAST_MEMORY_ROWS = 3.0
"""What lasts lasts so many rows at least: less is hardly a memory, and cannot be told from a wrong guide rate.

A guider that sends back a share g of each error turns a rate r times the true one into a memory of -1 / ln(1 - g)
rows: 1.1 for 0.6, 2.8 for 0.3.
"""
SHORTER = 0.3
"""How far, in its logarithm, a memory may be below that: one standard deviation."""
STATED_SIGMA = 0.06
"""Relative sigma of a guide rate stated without one.

The mount's own rate is a fraction of the sidereal one and exact; what is off is the focal length of the guide
telescope, stated to 3 to 5 % (common practice, no source), and each pulse by some ms in a hundred.
"""
BLUNDER = 0.03
BLUNDER_SIGMA = 0.5
"""Chance that a stated rate is not the one at all (another setting of the mount, a wrong scale), and how far off, in its
logarithm, it then is."""
USUAL_RATE = 7.5
USUAL_SIGMA = 0.5
"""Guide rate, arcsec/s, where none is stated, and how wide in its logarithm: half the sidereal rate, from a fifth of it to
a third more than it within two of them (common practice, no source)."""
UNUSUAL = 0.2
UNUSUAL_SPAN = 4.6
"""Chance that it is none of these, and over which span of the logarithm it then is anywhere: a factor of a hundred."""
PLAY_MS = 300.0
"""Mean of the play where there is any."""
NO_PLAY = 0.2
"""Chance that there is none."""


def noise_belief(noises: Floats, cell: float, cadence_s: float) -> Floats:
    """Log of the chances (J,) of noises (J, 2) in log ratio and log time, each standing for a cell of this area."""
    short = np.maximum(math.log(LEAST_MEMORY_ROWS * cadence_s) - noises[:, 1], 0.0) / SHORTER
    off = np.column_stack([(noises - NOISE[0]) / NOISE[1], short])
    return np.asarray(-0.5 * np.sum(off**2, axis=1) - math.log(2 * math.pi * float(np.prod(NOISE[1])) / cell))


def rate_belief(rate: Floats, sigma: float) -> Floats:
    """Log density (R,) of a guide rate in units of the stated one, arcsec/s where none was.

    Parameters
    ----------
    rate : array (R,)
        Positive.
    sigma : float
        Relative, stated; infinite where no rate was.
    """
    if not math.isfinite(sigma):
        usual = np.exp(-0.5 * (np.log(rate / USUAL_RATE) / USUAL_SIGMA) ** 2) / USUAL_SIGMA
        return np.asarray(
            np.log(((1 - UNUSUAL) * usual / math.sqrt(2 * math.pi) + UNUSUAL / UNUSUAL_SPAN) / rate)
        )
    core = np.exp(-0.5 * ((rate - 1) / sigma) ** 2) / sigma
    far = np.exp(-0.5 * (np.log(rate) / BLUNDER_SIGMA) ** 2) / BLUNDER_SIGMA / rate
    return np.asarray(np.log((1 - BLUNDER) * core + BLUNDER * far))


def play_belief(play_ms: Floats) -> Floats:
    """Log of the chances (P,) of plays that rise; each stands for the middle of what lies between its neighbours."""
    if len(play_ms) == 1:
        return np.zeros(1)
    edges = np.concatenate([play_ms[:1], (play_ms[1:] + play_ms[:-1]) / 2, play_ms[-1:]])
    share = (1 - NO_PLAY) * np.diff(edges) / PLAY_MS * np.exp(-play_ms / PLAY_MS)
    return np.asarray(np.log(share + NO_PLAY * (play_ms == 0)))
