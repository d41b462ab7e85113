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
from dataclasses import dataclass, replace

import numpy as np

from poleward.axis import Floats
from poleward.guidelog.correct import glitches, jumps, robust_sigma
from poleward.guidelog.noise import Noise, cleared, covariance, lasting, normal_equations, standardised
from poleward.guidelog.parts import Drive, Linear, Part, Sky, State, linear
from poleward.guidelog.search import Rows, find_noise

OUTLIER_SIGMAS = 4.5
"""Rows further than this from what all other rows say lose their weight; of good rows 7 in a million do."""
GUST_SIGMAS = 5.0
"""Stretches whose lasting part is this far out lose their weight: wind, a cable, a hand on the tripod."""
BACKLASH_GRID_MS = (0, 40, 80, 120, 160, 200, 250, 300, 350, 400, 500, 600, 800, 1000, 1300, 1700, 2200)
"""Where the search for the backlash looks first; its likelihood is smooth on the scale of one pulse, some 100 ms."""
PROFILE_ROWS = 4000
"""That search uses means of neighbouring rows, about this many per section."""


def rows_for_noise(part: Part, model: Linear) -> Rows:
    """What the noise is found from: slope and bend free in each section, so that its own drift is no noise."""
    seconds = part.track.seconds[part.kept]
    unit = (seconds - seconds[0]) / max(seconds[-1] - seconds[0], 1.0) * 2 - 1
    columns = np.column_stack([unit, unit**2, model.columns[:, 2:], model.residuals])
    alive = np.linalg.norm(columns, axis=0) > 0
    alive[-1] = True
    return Rows(seconds, part.starts, columns[:, alive], model.spread, part.noise.white_arcsec**2)


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
            model = linear(part, replace(state, drives=tuple(drives)), sky)
            model = replace(model, columns=model.columns[:, :3])
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


@dataclass(frozen=True)
class Information:
    """Normal matrix of all sections, 1/arcmin^2 and so on, and its right-hand side.

    Parameters are A, e, and rate and backlash of each drive.
    """

    matrix: Floats
    vector: Floats


def places_of(part: Part) -> list[int]:
    """Which parameters a section's columns belong to."""
    return [0, 1] if part.drive is None else [0, 1, 2 + 2 * part.drive, 3 + 2 * part.drive]


def gather(parts: Sequence[Part], models: Sequence[Linear], state: State) -> Information:
    """Add up the sections, and what is known beforehand of the guide rates."""
    count = 2 + 2 * len(state.drives)
    matrix, vector = np.zeros((count, count)), np.zeros(count)
    for part, model in zip(parts, models, strict=True):
        inner = weigh(part, model, model.columns)
        at = places_of(part)
        variance = part.noise.white_arcsec**2
        matrix[np.ix_(at, at)] += inner[:-1, :-1] / variance
        vector[at] += inner[:-1, -1] / variance
    for number, drive in enumerate(state.drives):
        if math.isfinite(drive.sigma):
            matrix[2 + 2 * number, 2 + 2 * number] += drive.sigma**-2
            vector[2 + 2 * number] += (1 - drive.rate) * drive.sigma**-2
        # Where the play is never used its size cannot be told; this keeps the matrix regular and nothing more.
        matrix[3 + 2 * number, 3 + 2 * number] += 1e-6
    return Information(matrix, vector)


def weigh(part: Part, model: Linear, columns: Floats) -> Floats:
    """Normal matrix of some columns and the residuals (last), in units of the white variance."""
    noise = part.noise
    matrix = covariance(part.track.seconds[part.kept], part.starts, noise.ratio, noise.time_s)
    data = np.column_stack([columns, model.residuals])
    return normal_equations(matrix, data, model.spread, noise.white_arcsec**2).matrix


def settle(parts: Sequence[Part], state: State, sky: Sky, prior: Floats) -> tuple[State, Information]:
    """Gauss-Newton steps until A and e stand still to 1e-4 arcmin.

    Parameters
    ----------
    prior : array (2, 2)
        Information held on A and e where the data leave something open; else zero.
    """
    for _ in range(12):
        information = gather(parts, [linear(part, state, sky) for part in parts], state)
        matrix, vector = information.matrix.copy(), information.vector.copy()
        matrix[:2, :2] += prior
        vector[:2] -= prior @ np.array([state.azimuth, state.altitude])
        step = np.linalg.solve(matrix, vector)
        drives = []
        for number, drive in enumerate(state.drives):
            rate, backlash = step[2 + 2 * number], step[3 + 2 * number]
            # The likelihood is made of pieces in the backlash: a long step would leave the one it was meant for.
            moved = max(0.0, drive.backlash_ms + float(np.clip(backlash, -15, 15)))
            drives.append(replace(drive, rate=drive.rate + float(rate), backlash_ms=moved))
        state = State(state.azimuth + float(step[0]), state.altitude + float(step[1]), tuple(drives))
        if abs(step[0]) < 1e-4 and abs(step[1]) < 1e-4:
            break
    return state, information


def sieve(part: Part, state: State, sky: Sky) -> Part:
    """Take the weight from rows and stretches that do not fit, and begin new levels at jumps."""
    model = linear(part, state, sky)
    kept = np.flatnonzero(part.kept)
    new_piece = jumps(model.residuals, part.piece[kept])
    piece = part.piece.copy()
    for first in new_piece:
        piece[kept[first] :] += 1
    part = replace(part, piece=piece)
    noise = part.noise
    matrix = covariance(part.track.seconds[kept], part.starts, noise.ratio, noise.time_s)
    left = cleared(matrix, model.residuals, model.spread, noise.white_arcsec**2)
    wild = np.abs(standardised(matrix, left, noise.white_arcsec)) > OUTLIER_SIGMAS
    slow = lasting(matrix, left)
    gust = np.abs(slow) > GUST_SIGMAS * max(robust_sigma(slow), 0.1 * noise.white_arcsec)
    keep, gusts = part.kept.copy(), part.gusts.copy()
    keep[kept[wild | gust]] = False
    gusts[kept[gust & ~wild]] = True
    return replace(part, kept=keep, gusts=gusts)


def begin(part: Part) -> Part:
    """First sieve and first guess."""
    part = replace(part, kept=~glitches(part.track.north_arcsec))
    return replace(part, noise=first_guess(part))


def fit_noise(part: Part, state: State, sky: Sky, *, anew: bool, restricted: bool = True) -> Part:
    """Find a section's noise at a state."""
    rows = rows_for_noise(part, linear(part, state, sky))
    return replace(part, noise=find_noise(rows, restricted=restricted, begin=None if anew else part.noise))


def fit(
    parts: Sequence[Part], drives: Sequence[Drive], sky: Sky, prior: Floats, *, restricted: bool = True
) -> tuple[tuple[Part, ...], State, Information]:
    """Fit everything.

    Parameters
    ----------
    parts : sequence of Part
    drives : sequence of Drive
    sky : Sky
    prior : array (2, 2)
        See `settle`.
    restricted : bool
        Noise by REML, or by plain maximum likelihood.

    Returns
    -------
    parts, state, information
        The sections with their noise and weights, the answer, and the normal matrix there.
    """
    state = State(0.0, 0.0, tuple(drives))
    now = [begin(part) for part in parts]
    for coarse in (True, False):
        for number in range(len(drives)):
            backlash = profile_backlash(now, state, sky, number, coarse=coarse)
            renewed = list(state.drives)
            renewed[number] = replace(renewed[number], backlash_ms=backlash)
            state = replace(state, drives=tuple(renewed))
        now = [fit_noise(part, state, sky, anew=coarse, restricted=restricted) for part in now]
        state, _ = settle(now, state, sky, prior)
        now = [sieve(part, state, sky) for part in now]
    now = [fit_noise(part, state, sky, anew=False, restricted=restricted) for part in now]
    state, information = settle(now, state, sky, prior)
    return tuple(now), state, information
