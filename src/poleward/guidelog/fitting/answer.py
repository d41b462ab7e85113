"""From the fit to what is said: determined or not, how sure, and how well the sections agree."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from poleward.guidelog.fitting.fit import fit
from poleward.guidelog.fitting.joint import add_beliefs, noise_stepped, places_of, share, stepped
from poleward.guidelog.fitting.parts import Drive, Part, State, curve, linear
from poleward.sky.axis import ARCSEC, Floats, displacement
from poleward.sky.pole import Pole
from poleward.solving.determine import AxisEstimate, Determination, blind, judge
from poleward.solving.estimate import DOUBT
from poleward.solving.least_squares import cleared, p_value, scatter_factor

RATE_ROUNDS = 5
"""Steps for the sections' own rates, at most: rates and noise in turn, which leaves a tenth of a sigma after the third."""


@dataclass(frozen=True)
class SectionRates:
    """What each section says for itself: mean drift rate of S sections, the axis' own curve for its shape.

    Attributes
    ----------
    fitted, measured, sigma : array (S,)
        Rates north, arcsec/min: by the axis fitted to all sections, and the section's own.
    east_fitted : array (S,)
        Rate east by the fitted axis.
    chi_square : float
        How much likelier the rows are when each section may have a rate of its own.
    """

    fitted: Floats
    measured: Floats
    sigma: Floats
    east_fitted: Floats
    chi_square: float


@dataclass(frozen=True)
class Fitted:
    """A fit of some sections.

    Attributes
    ----------
    parts : tuple of Part
    state : State
    information : array (2, 2)
        On A and e, arcmin^-2, from the data alone, everything else cleared away.
    drive_sigma : array (D, 2)
        Sigma of rate (in units of the stated one) and backlash (ms) of each drive.
    determination : Determination
    lever : array (m, 2)
        See `determine.judge`.
    rates : SectionRates
    factor : float
        By which sigmas are widened.
    p_value : float or None
    degrees_of_freedom : int
    """

    parts: tuple[Part, ...]
    state: State
    information: Floats
    drive_sigma: Floats
    determination: Determination
    lever: Floats
    rates: SectionRates
    factor: float
    p_value: float | None
    degrees_of_freedom: int


def fit_sections(parts: Sequence[Part], drives: Sequence[Drive], pole: Pole) -> Fitted:
    """Fit some sections with one axis, and judge what they determine and whether they agree."""
    # Held lightly from the start: free, a single short section would send its undetermined error anywhere.
    prior = blind(pole)
    settled, state, whole = fit(parts, drives, pole, prior)
    lever = _lever(settled, state, pole)
    found = judge(cleared(whole), lever, pole)
    if found.directions == 2:
        state = _let_go(state, whole, prior)
    rates = section_rates(settled, state, pole)
    free = max(0, len(settled) - found.directions)
    chance = p_value(rates.chi_square, free)
    factor = scatter_factor(rates.chi_square, free) if chance is not None and chance < DOUBT else 1.0
    held = whole.copy()
    held[:2, :2] += prior
    spread = np.sqrt(np.diag(np.linalg.inv(held)))[2:].reshape(-1, 2)
    return Fitted(settled, state, cleared(whole), spread, found, lever, rates, factor, chance, free)


def _let_go(state: State, whole: Floats, prior: Floats) -> State:
    """Take back what holding A and e did: nothing is left open, so nothing needs to be held."""
    pull = np.zeros(len(whole))
    pull[:2] = prior @ np.array([state.azimuth, state.altitude])
    return stepped(state, np.asarray(np.linalg.solve(whole, pull), np.float64))


def _lever(parts: Sequence[Part], state: State, pole: Pole) -> Floats:
    """Drift by each error on the sky against the fastest possible, in each step of the sections' grids."""
    levers = []
    for part in parts:
        _, by = curve(part, state, pole, part.grid_s)
        levers.append(np.diff(by, axis=0) / pole.on_sky / (60 * np.diff(part.turn))[:, None])
    return np.concatenate(levers)


def section_rates(parts: Sequence[Part], state: State, pole: Pole) -> SectionRates:
    """Each section's own rate; guide rates, backlashes and noise are fitted along anew.

    A section that disagrees has noise of another size once it may go its own way, hence a few rounds.
    """
    count = len(parts)
    size = count + 2 * len(state.drives)
    own, now, there = np.zeros(count), list(parts), state
    heights: list[float] = []
    best: Floats = own
    covariance: Floats = np.eye(count)
    for _ in range(RATE_ROUNDS):
        height = -0.5 * sum(((1 - drive.rate) / drive.sigma) ** 2 for drive in there.drives)
        held, whole, vector = np.zeros((size, size)), np.zeros((size, size)), np.zeros(size)
        for i, part in enumerate(now):
            model = linear(part, there, pole)
            minutes = part.track.seconds[part.kept] / 60
            columns = np.column_stack([minutes, model.columns[:, 2:]])
            piece = share(part, replace(model, columns=columns, residuals=model.residuals - own[i] * minutes))
            at = [i, *(place - 2 + count for place in places_of(part)[2:])]
            slope, alone = piece.plain
            held[np.ix_(at, at)] += alone
            whole[np.ix_(at, at)] += piece.information
            vector[at] += slope
            height += piece.value
            now[i] = noise_stepped(replace(part, noise=piece.noise), piece.noise_step)
        add_beliefs(held, vector, there, count)
        add_beliefs(whole, np.zeros(size), there, count)
        if not heights or height >= max(heights):
            best, covariance = own, np.asarray(np.linalg.inv(whole)[:count, :count], np.float64)
        heights.append(height)
        step = np.linalg.solve(held, vector)
        if np.all(np.abs(step[:count]) < 0.05 * np.sqrt(np.diag(covariance))):
            break
        own = own + step[:count]
        there = stepped(there, np.concatenate([np.zeros(2), step[count:]]))
    # Twice the gain in log-likelihood, which is a chi-square (S. S. Wilks 1938, Ann. Math. Stat. 9, 60).
    chi_square = 2 * (max(heights) - heights[0])
    fitted, east = _fitted_rates(parts, state, pole)
    return SectionRates(fitted, fitted + best, np.sqrt(np.diag(covariance)), east, chi_square)


def _fitted_rates(parts: Sequence[Part], state: State, pole: Pole) -> tuple[Floats, Floats]:
    """Mean rates north and east of each section by the fitted axis, arcsec/min."""
    north, east = [], []
    axis = pole.axis(state.azimuth, state.altitude)
    for part in parts:
        seconds = part.track.seconds[[0, -1]]
        ends, _ = curve(part, state, pole, seconds)
        north.append((ends[1] - ends[0]) / (seconds[1] - seconds[0]) * 60)
        moved = displacement(axis, part.seen[:1], part.seen[-1:], part.turn[-1:])
        east.append(float(moved.east[0]) / ARCSEC / part.grid_s[-1] * 60)
    return np.array(north), np.array(east)


def estimate_of(found: Fitted, pole: Pole) -> AxisEstimate:
    """Return the axis error of one fit."""
    state, information = found.state, found.information / found.factor**2
    return AxisEstimate(state.azimuth, state.altitude, information, found.determination, found.lever, pole)
