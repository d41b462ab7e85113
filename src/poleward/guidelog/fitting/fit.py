"""One model over all rows of all sections: exact drift curves, levels, guide rate, backlash, noise with a memory.

    star's place north = level of its piece + D(t; A, e) - rate z(t) / 1000 + noise

D is the exact displacement from `axis` for the directions of `sky`, on a grid of moments and by cubic spline
between them; z the telescope's own path in ms of pulse, behind a backlash (`correct`). The curves are nearly linear in A
and e, so Gauss-Newton steps of generalised least squares settle in a few rounds; the noise is found anew in between.

The east axis is not used: a worm wheel's periodic error of 8 arcsec is a hundred times what A and e do there.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from poleward.guidelog.fitting.correct import glitches, jumps, robust_sigma
from poleward.guidelog.fitting.drive import find_drive, rows_for_noise
from poleward.guidelog.fitting.joint import approach, settle
from poleward.guidelog.fitting.noise import Noise, cleared, covariance, lasting, standardised
from poleward.guidelog.fitting.parts import Drive, Part, State, linear
from poleward.guidelog.fitting.search import find_noise
from poleward.sky.axis import Floats
from poleward.sky.pole import Pole

OUTLIER_SIGMAS = 4.5
"""Rows further than this from what all other rows say lose their weight; of good rows 7 in a million do."""
GUST_SIGMAS = 5.0
"""Stretches whose lasting part is this far out lose their weight: wind, a cable, a hand on the tripod."""
SIEVES = 2
"""How often rows are judged: once from afar, once with an answer that is almost the last one."""
NO_WEIGHT = 1e-6
"""Of rows set aside, while they are judged: no influence on others, and far from the rounding of doubles."""


def first_guess(part: Part) -> Noise:
    """Roughly the noise, from differences of neighbouring rows."""
    steps = np.diff(part.track.north_arcsec[part.kept])
    white = max(robust_sigma(steps) / math.sqrt(2), 1e-3)
    return Noise(white, white * math.sqrt(0.5), 30.0)


def sieve(part: Part, state: State, pole: Pole) -> Part:
    """Judge all rows anew: which have weight, and where new levels begin at jumps.

    A row is judged by what is left of it after everything else is known, never by its place as logged: a guider answers
    to a glitch, and rows thrown out for being far off then would be those that show how far the telescope moves.
    """
    whole = replace(part, kept=np.ones(len(part.kept), bool))
    model = linear(whole, state, pole, by_backlash=False)
    kept = np.flatnonzero(part.kept)
    piece = part.piece.copy()
    for first in jumps(model.residuals[kept], piece[kept]):
        piece[kept[first] :] += 1
    whole = replace(whole, piece=piece)
    noise = part.noise
    weights = np.where(part.kept, 1.0, NO_WEIGHT)
    matrix = covariance(part.track.seconds, whole.starts, noise.ratio, noise.correlation_time_s, weights)
    left = cleared(matrix, model.residuals, model.spread, noise.white_arcsec**2)
    wild = np.abs(standardised(matrix, left, noise.white_arcsec)) > OUTLIER_SIGMAS
    slow = lasting(matrix, left)
    gust = np.abs(slow) > GUST_SIGMAS * max(robust_sigma(slow), 0.1 * noise.white_arcsec)
    return replace(whole, kept=~(wild | gust), gusts=gust & ~wild)


def begin(part: Part) -> Part:
    """First sieve and first guess."""
    part = replace(part, kept=~glitches(part.track.north_arcsec))
    return replace(part, noise=first_guess(part))


def fit_noise(part: Part, state: State, pole: Pole) -> Part:
    """Find a section's noise: anew, or from what is roughly known with the drive."""
    rows = rows_for_noise(part, linear(part, state, pole, by_backlash=False))
    return replace(part, noise=find_noise(rows, begin=None if part.drive is None else part.noise))


def fit(
    parts: Sequence[Part], drives: Sequence[Drive], pole: Pole, prior: Floats
) -> tuple[tuple[Part, ...], State, Floats]:
    """Fit everything.

    Parameters
    ----------
    parts : sequence of Part
    drives : sequence of Drive
    pole : Pole
    prior : array (2, 2)
        Information held on A and e where the data leave something open; else zero.

    Returns
    -------
    parts, state, information
        The sections with their noise and weights, the answer, and the information there: on A and e, arcmin^-2,
        and on rate and backlash of each drive.
    """
    state = State(0.0, 0.0, tuple(drives))
    now = [begin(part) for part in parts]
    found = []
    for number, drive in enumerate(drives):
        mine = [i for i, part in enumerate(now) if part.drive == number]
        drive, noises = find_drive([now[i] for i in mine], drive, state, pole)
        found.append(drive)
        for i, noise in zip(mine, noises, strict=True):
            now[i] = replace(now[i], noise=noise)
    state = replace(state, drives=tuple(found))
    now = [fit_noise(part, state, pole) for part in now]
    state = approach(now, state, pole, prior)
    settled = tuple(now)
    for _ in range(SIEVES):
        settled, state, _ = settle(settled, state, pole, prior)
        settled = tuple(sieve(part, state, pole) for part in settled)
    return settle(settled, state, pole, prior)
