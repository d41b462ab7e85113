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
from poleward.guidelog.search import START_RATIOS, START_TIMES_S, Rows, find_noise

OUTLIER_SIGMAS = 4.5
"""Rows further than this from what all other rows say lose their weight; of good rows 7 in a million do."""
GUST_SIGMAS = 5.0
"""Stretches whose lasting part is this far out lose their weight: wind, a cable, a hand on the tripod."""
SIEVES = 2
"""How often rows are judged: once from afar, once with an answer that is almost the last one."""
BACKLASH_GRID_MS = (0, 40, 80, 120, 160, 200, 250, 300, 350, 400, 500, 600, 800, 1000, 1300, 1700, 2200)
"""Where the search for the backlash looks first; its likelihood is smooth on the scale of one pulse, some 100 ms."""
RATE_GRID = (0.8, 1.2, 1.8, 2.7, 4.0, 5.5, 7.5, 9.0, 11.0, 13.5)
"""Guide rates tried where none was stated, arcsec/s: from a twentieth of the sidereal rate up to nine tenths."""
DRIVE_ROWS = 4000
"""That search uses so many rows in all, from the middle of each section, and at least `DRIVE_LEAST` of each.

They stay in a row: means of rows, that would do for the noise alone, hide which pulse answered to what.
"""
DRIVE_LEAST = 400
NO_WEIGHT = 1e-6
"""Of rows set aside, while they are judged: no influence on others, and far from the rounding of doubles."""


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


def find_drive(parts: Sequence[Part], state: State, sky: Sky, number: int) -> tuple[Drive, dict[int, Noise]]:
    """Find roughly the backlash of a drive, its rate if none was stated, and the noise of its sections.

    For each candidate the noise is the likeliest of a few, never a fixed one: with the wrong noise a lazy telescope
    that ignores the pulses looks likelier than the one that answered to them.

    Returns
    -------
    drive, noises
        The noises by place in `parts`.
    """
    mine = [i for i, part in enumerate(parts) if part.drive == number]
    share = max(DRIVE_LEAST, DRIVE_ROWS // len(mine))
    shorter = {i: middle(parts[i], share) for i in mine}
    points = [(ratio, time) for time in START_TIMES_S for ratio in START_RATIOS]
    matrices = {
        i: [covariance(part.track.seconds[part.kept], part.starts, *point) for point in points]
        for i, part in shorter.items()
    }

    def badness(drive: Drive) -> tuple[float, dict[int, Noise]]:
        drives = tuple(drive if i == number else other for i, other in enumerate(state.drives))
        total, noises = 0.0, {}
        for i, part in shorter.items():
            rows = rows_for_noise(part, linear(part, replace(state, drives=drives), sky, by_backlash=False))
            normals = [rows.weighed(matrix) for matrix in matrices[i]]
            values = [normal.log_likelihood() for normal in normals]
            best = int(np.nanargmax(values))
            white = math.sqrt(normals[best].white_variance())
            total -= values[best]
            noises[i] = Noise(white, white * math.sqrt(points[best][0]), points[best][1])
        return total, noises

    def best_of(candidates: Sequence[Drive]) -> Drive:
        return min(candidates, key=lambda drive: badness(drive)[0])

    drive = state.drives[number]
    if not math.isfinite(drive.sigma):
        drive = best_of(
            [replace(drive, rate=r, backlash_ms=b) for r in RATE_GRID for b in (0.0, 200.0, 500.0)]
        )
    reach = max(
        float(np.ptp(part.track.motor_ms)) for part in shorter.values() if part.track.motor_ms is not None
    )
    grid = [float(b) for b in BACKLASH_GRID_MS if b == 0 or b < reach]
    drive = best_of([replace(drive, backlash_ms=b) for b in grid])
    at = grid.index(drive.backlash_ms)
    low, high = grid[max(at - 1, 0)], grid[min(at + 1, len(grid) - 1)]
    if high > low:
        drive = best_of([replace(drive, backlash_ms=float(b)) for b in np.linspace(low, high, 11)])
    if not math.isfinite(drive.sigma):
        drive = best_of(
            [replace(drive, rate=drive.rate * f) for f in (0.8, 0.87, 0.93, 1.0, 1.07, 1.15, 1.24)]
        )
    return drive, badness(drive)[1]


def middle(part: Part, rows: int) -> Part:
    """Return the same section with only so many rows, from its middle, in the fit."""
    kept = np.flatnonzero(part.kept)
    if len(kept) <= rows:
        return part
    first = (len(kept) - rows) // 2
    chosen = np.zeros(len(part.kept), bool)
    chosen[kept[first : first + rows]] = True
    return replace(part, kept=chosen)


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
    """Find a section's noise: anew, or from what is roughly known with the drive."""
    rows = rows_for_noise(part, linear(part, state, sky, by_backlash=False))
    return replace(part, noise=find_noise(rows, begin=None if part.drive is None else part.noise))


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
    now = [begin(part) for part in parts]
    for number in range(len(drives)):
        drive, noises = find_drive(now, state, sky, number)
        state = replace(state, drives=tuple(drive if i == number else d for i, d in enumerate(state.drives)))
        for i, noise in noises.items():
            now[i] = replace(now[i], noise=noise)
    now = [fit_noise(part, state, sky) for part in now]
    state = approach(now, state, sky, prior)
    settled = tuple(now)
    for _ in range(SIEVES):
        settled, state, _ = settle(settled, state, sky, prior, restricted=restricted)
        settled = tuple(sieve(part, state, sky) for part in settled)
    return settle(settled, state, sky, prior, restricted=restricted)
