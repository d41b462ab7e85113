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

from poleward.axis import Floats
from poleward.guidelog.correct import glitches, jumps, robust_sigma
from poleward.guidelog.joint import approach, settle
from poleward.guidelog.noise import Noise, cleared, covariance, lasting, standardised
from poleward.guidelog.parts import Drive, Linear, Part, Sky, State, bends, linear
from poleward.guidelog.search import Rows, find_noise

OUTLIER_SIGMAS = 4.5
"""Rows further than this from what all other rows say lose their weight; of good rows 7 in a million do."""
GUST_SIGMAS = 5.0
"""Stretches whose lasting part is this far out lose their weight: wind, a cable, a hand on the tripod."""
BACKLASH_GRID_MS = (0, 40, 80, 120, 160, 200, 250, 300, 350, 400, 500, 600, 800, 1000, 1300, 1700, 2200)
"""Where the search for the backlash looks first; its likelihood is smooth on the scale of one pulse, some 100 ms."""
NO_WEIGHT = 1e-6
"""Of rows set aside, while they are judged: no influence on others, and far from the rounding of doubles."""
PROFILE_ROWS = 4000
"""That search uses means of neighbouring rows, about this many per section."""


def rows_for_noise(part: Part, model: Linear) -> Rows:
    """What the noise is found from: what A and e could do is free in each section, so that drift is no noise."""
    seconds = part.track.seconds[part.kept]
    columns = np.column_stack([bends(model), model.residuals])
    return Rows(seconds, part.starts, columns, model.spread, part.noise.white_arcsec**2)


def first_guess(part: Part) -> Noise:
    """Roughly the noise, from differences of neighbouring rows."""
    steps = np.diff(part.track.north_arcsec[part.kept])
    white = max(robust_sigma(steps) / math.sqrt(2), 1e-3)
    return Noise(white, white * math.sqrt(0.5), 30.0)


def profile_backlash(parts: Sequence[Part], state: State, sky: Sky, number: int, *, coarse: bool) -> float:
    """Find the backlash, ms, that makes the sections of one drive likeliest, everything else free in each."""
    from scipy.optimize import minimize_scalar

    mine = [part for part in parts if part.drive == number]
    drive = state.drives[number]

    def badness(backlash: float) -> float:
        drives = list(state.drives)
        drives[number] = replace(drive, backlash_ms=float(backlash))
        total = 0.0
        for part in mine:
            model = linear(part, replace(state, drives=tuple(drives)), sky, by_backlash=False)
            rows = rows_for_noise(part, model).binned(PROFILE_ROWS)
            total -= rows.normal(part.noise.ratio, part.noise.time_s).log_likelihood(False)
        return total

    if coarse:
        longest = max(float(np.ptp(part.track.motor_ms)) for part in mine if part.track.motor_ms is not None)
        grid = [b for b in BACKLASH_GRID_MS if b == 0 or b < longest]
        values = [badness(b) for b in grid]
        best = int(np.argmin(values))
        low, high = float(grid[max(0, best - 1)]), float(grid[min(len(grid) - 1, best + 1)])
        centre, floor = float(grid[best]), values[best]
    else:
        centre, floor = drive.backlash_ms, badness(drive.backlash_ms)
        low, high = max(0.0, centre - 60), centre + 60
    if high <= low:
        return centre
    found = minimize_scalar(
        badness, bounds=(low, high), method="bounded", options={"xatol": 2.0, "maxiter": 14}
    )
    return float(found.x) if found.fun < floor else centre


def sieve(part: Part, state: State, sky: Sky) -> Part:
    """Judge all rows anew: which have weight, and where new levels begin at jumps.

    A row is judged by what is left of it after everything else is known, never by its place as logged: a guider answers
    to a glitch, and rows thrown out for being far off then would be those that show how far the telescope moves.
    """
    whole = replace(part, kept=np.ones(len(part.kept), bool))
    model = linear(whole, state, sky, by_backlash=False)
    kept = np.flatnonzero(part.kept)
    piece = part.piece.copy()
    for first in jumps(model.residuals[kept], piece[kept]):
        piece[kept[first] :] += 1
    whole = replace(whole, piece=piece)
    noise = part.noise
    weights = np.where(part.kept, 1.0, NO_WEIGHT)
    matrix = covariance(part.track.seconds, whole.starts, noise.ratio, noise.time_s, weights)
    left = cleared(matrix, model.residuals, model.spread, noise.white_arcsec**2)
    wild = np.abs(standardised(matrix, left, noise.white_arcsec)) > OUTLIER_SIGMAS
    slow = lasting(matrix, left)
    gust = np.abs(slow) > GUST_SIGMAS * max(robust_sigma(slow), 0.1 * noise.white_arcsec)
    return replace(whole, kept=~(wild | gust), gusts=gust & ~wild)


def begin(part: Part) -> Part:
    """First sieve and first guess."""
    part = replace(part, kept=~glitches(part.track.north_arcsec))
    return replace(part, noise=first_guess(part))


def fit_noise(part: Part, state: State, sky: Sky) -> Part:
    """Find a section's noise, its own slope, bend and pulses free."""
    return replace(part, noise=find_noise(rows_for_noise(part, linear(part, state, sky))))


def fit(
    parts: Sequence[Part], drives: Sequence[Drive], sky: Sky, prior: Floats, *, restricted: bool = True
) -> tuple[tuple[Part, ...], State, Floats]:
    """Fit everything.

    Parameters
    ----------
    parts : sequence of Part
    drives : sequence of Drive
    sky : Sky
    prior : array (2, 2)
        Information held on A and e where the data leave something open; else zero.
    restricted : bool
        Noise by REML, or by plain maximum likelihood.

    Returns
    -------
    parts, state, information
        The sections with their noise and weights, the answer, and the information there: on A and e, arcmin^-2,
        and on rate and backlash of each drive.
    """
    state = State(0.0, 0.0, tuple(drives))
    now: tuple[Part, ...] = tuple(begin(part) for part in parts)
    for coarse in (True, False):
        for number in range(len(drives)):
            backlash = profile_backlash(now, state, sky, number, coarse=coarse)
            renewed = list(state.drives)
            renewed[number] = replace(renewed[number], backlash_ms=backlash)
            state = replace(state, drives=tuple(renewed))
        now = tuple(fit_noise(part, state, sky) for part in now)
        state = approach(now, state, sky, prior)
        now, state, _ = settle(now, state, sky, prior, restricted=restricted)
        now = tuple(sieve(part, state, sky) for part in now)
    now, state, _ = settle(now, state, sky, prior, restricted=restricted)
    now = tuple(sieve(part, state, sky) for part in now)
    return settle(now, state, sky, prior, restricted=restricted)
