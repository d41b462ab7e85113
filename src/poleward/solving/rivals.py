"""Stars nearer to the pole than the axis is can leave two answers: whether another axis explains timings as well."""

from __future__ import annotations

import numpy as np

from poleward.sky.axis import ARCSEC, Floats, angle_between
from poleward.solving.least_squares import Fit, Problem
from poleward.solving.model import DriftModel

BEYOND = 0.3
"""A rival is looked for where the axis is this part of the nearest star's distance from the pole, or more: in simulation it
takes an axis beyond the star."""
RADII = np.geomspace(0.2, 8.0, 8)
"""Where it is looked for, in polar distances of the star nearest to the pole: a rival stands beyond it if the answer is this
side, and the other way about."""
ANGLES = np.radians(np.arange(0, 360, 20))
AS_GOOD = 6.0
"""Chi-square by which a rival may be worse: with two errors one honest answer in twenty is (-2 ln 0.05)."""
APART = 5.0
"""Sigmas by which it must differ; nearer it is the same answer."""


def rival(model: DriftModel, fit: Fit) -> Floats | None:
    """Return another axis (A, e), arcmin, that explains the timings as well as the fit does; None if there is none."""
    nearest = 60 * (90 - np.max(np.abs(np.degrees(model.sight.dec[model.used]))))
    if np.hypot(*(fit.values[:2] * model.pole.on_sky)) < BEYOND * nearest:
        return None
    problem, spread = model.problem(fit.doubts), np.linalg.inv(fit.covariance[:2, :2])
    here = model.pole.axis(*fit.values[:2]).north
    for start in _hollows(model, problem, fit.weights, float(nearest)):
        values = problem.solved(start, fit.weights)
        if angle_between(model.pole.axis(*values[:2]).north, here) < ARCSEC:
            continue  # once round the vertical: the same axis
        by = (values - fit.values)[:2]
        as_good = problem.fit(values, fit.weights).chi_square < fit.chi_square + AS_GOOD
        if as_good and float(by @ spread @ by) > APART**2:
            return np.asarray(values[:2], np.float64)
    return None


def _hollows(model: DriftModel, problem: Problem, weights: Floats, scale_arcmin: float) -> list[Floats]:
    """Points of a grid about the pole at which chi-square is less than at all their neighbours."""
    points = np.zeros((len(RADII), len(ANGLES), len(model.names)))
    points[..., 0] = scale_arcmin * np.outer(RADII, np.cos(ANGLES)) / model.pole.level
    points[..., 1] = scale_arcmin * np.outer(RADII, np.sin(ANGLES))
    height = np.array([[problem.fit(point, weights).chi_square for point in ring] for ring in points])
    walled = np.pad(np.pad(height, ((1, 1), (0, 0)), constant_values=np.inf), ((0, 0), (1, 1)), mode="wrap")
    around = [
        walled[1 + i : 1 + i + len(RADII), 1 + j : 1 + j + len(ANGLES)]
        for i in (-1, 0, 1)
        for j in (-1, 0, 1)
        if (i, j) != (0, 0)
    ]
    return list(points[np.all([height <= one for one in around], axis=0)])
