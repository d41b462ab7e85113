"""Stars nearer to the pole than the axis is can leave two answers: whether another axis explains timings as well."""

from __future__ import annotations

import numpy as np

from poleward.sky.axis import ARCSEC, Floats, angle_between
from poleward.solving.least_squares import Fit, Problem
from poleward.solving.model import DriftModel

BEYOND = 0.3
"""Another answer is looked for where the axis is this part of the nearest star's distance from the pole, or more: in
simulation it takes an axis beyond the star."""
RADII = np.geomspace(0.2, 8.0, 8)
"""Where it is looked for, in polar distances of the star nearest to the pole: a rival stands beyond it if the answer is this
side, and the other way about."""
FARTHEST_DEG = 20.0
"""An axis farther from the pole than this is a mistake in the table; no compass is so wrong."""
ANGLES = np.radians(np.arange(0, 360, 20))
AS_GOOD = 6.0
"""Chi-square by which a rival may be worse: with two errors one honest answer in twenty is (-2 ln 0.05)."""
BENT = 3.0
"""Sigmas along the weakest direction at which the valley's floor is looked at: it should have risen by nine there."""
APART = 2.0
"""Sigmas by which it must differ: nearer, it stands within the interval that is printed."""
SAME = 10 * ARCSEC
"""Answers nearer than this to each other are one: closer than any timing tells, further apart than the solver leaves them."""


def minima(model: DriftModel, problem: Problem, fit: Fit) -> list[Floats]:
    """Return where the sum of squares has minima about the pole, as far as a search from the floors of its valleys finds them.

    Empty if the axis of the fit stands well within the nearest star's distance from the pole: then there is one.
    """
    nearest = 60 * (90 - np.max(np.abs(np.degrees(model.sight.dec[model.used]))))
    if np.hypot(*(fit.values[:2] * model.pole.on_sky)) < BEYOND * nearest:
        return []
    return [
        problem.solved(start, fit.weights) for start in _floors(model, problem, fit.weights, float(nearest))
    ]


def rivals(model: DriftModel, fit: Fit, candidates: list[Floats]) -> tuple[Floats, ...]:
    """Return those of some other axes, each (A, e) in arcmin, which explain the timings as well as the fit does."""
    problem, spread = model.problem(fit.doubts), np.linalg.inv(fit.covariance[:2, :2])
    found = [fit.values]
    for values in [*candidates, *(_floor(problem, fit, way) for way in (BENT, -BENT) if candidates)]:
        by = (values - fit.values)[:2]
        as_good = problem.fit(values, fit.weights).chi_square < fit.chi_square + AS_GOOD
        if (
            as_good
            and float(by @ spread @ by) > APART**2
            and not any(_same(model, values, one) for one in found)
        ):
            found.append(values)
    return tuple(np.asarray(values[:2], np.float64) for values in found[1:])


def _floor(problem: Problem, fit: Fit, sigmas: float) -> Floats:
    """Best parameters with the axis moved by some sigmas along its weakest direction: where a valley bends, it hardly rises."""
    strengths, ways = np.linalg.eigh(fit.covariance[:2, :2])
    base = fit.values.copy()
    base[:2] += sigmas * np.sqrt(strengths[-1]) * ways[:, -1]
    free = np.eye(len(base))[:, 1:]
    free[:2, 0] = ways[:, 0]
    across = Problem(
        problem.names[1:],
        lambda z: problem.residuals(base + free @ z),
        lambda z: problem.jacobian(base + free @ z) @ free,
        doubts=problem.doubts,
    )
    return np.asarray(base + free @ across.solved(np.zeros(len(base) - 1), fit.weights), np.float64)


def _same(model: DriftModel, one: Floats, other: Floats) -> bool:
    """Whether two pairs of errors are one axis, found twice or once round the vertical."""
    first, second = (model.pole.axis(*values[:2]).north for values in (one, other))
    return bool(angle_between(first, second) < SAME)


def _floors(model: DriftModel, problem: Problem, weights: Floats, scale_arcmin: float) -> list[Floats]:
    """Points of a grid about the pole at which chi-square is less than at both neighbours, along the ring or across it.

    A valley is narrow where a star far from the pole was timed for long: a point that is least of all eight neighbours may
    stand anywhere along it, or nowhere.
    """
    radii = RADII[scale_arcmin * RADII <= 60 * FARTHEST_DEG]
    points = np.zeros((len(radii), len(ANGLES), len(model.names)))
    points[..., 0] = scale_arcmin * np.outer(radii, np.cos(ANGLES)) / model.pole.level
    points[..., 1] = scale_arcmin * np.outer(radii, np.sin(ANGLES))
    height = np.array([[problem.fit(p, weights).chi_square for p in ring] for ring in points])
    walled = np.pad(height, ((1, 1), (0, 0)), constant_values=np.inf)
    across = (height <= walled[:-2]) & (height <= walled[2:])
    along = (height <= np.roll(height, 1, 1)) & (height <= np.roll(height, -1, 1))
    return list(points[across | along])
