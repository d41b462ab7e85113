"""From the model to an estimate: what the data fix is fitted, and how far the timings can be believed is judged."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from poleward.errors import InputError, Note
from poleward.sky.axis import Floats
from poleward.solving.determine import BLIND_ARCMIN, Determination, judge
from poleward.solving.least_squares import (
    Fit,
    covariance_of,
    coverage_factor,
    group_drop,
    least_squares,
    p_value,
    scatter_factor,
)
from poleward.solving.model import DriftModel

DOUBT = 0.01
"""A p-value below this widens the intervals; one honest set in a hundred is widened for nothing."""
EXPLAINED = DOUBT
"""Leaving out one timing explains the disagreement when the others then pass the same test."""
STARTS_DEG = (0.5, 1.5, 4.0)
"""Radii on the sky of the starting points, so that an axis degrees off, beside a star near the pole, is found."""


@dataclass(frozen=True)
class Estimate:
    """A fit, what it determines, and the prior rows (k, p) that held what the data leave open."""

    determination: Determination
    fit: Fit
    prior: Floats

    @property
    def degrees_of_freedom(self) -> int:
        """Values that were not set aside, less the directions and nuisance parameters fitted."""
        free = self.determination.directions + self.fit.values.size - 2
        return int(np.sum(self.fit.weights > 0)) - free

    @property
    def chi_square(self) -> float:
        """Of the values that were not set aside by a robust fit."""
        return float(np.sum(self.fit.residuals[self.fit.weights > 0] ** 2))

    def covariance(self, factor: float) -> Floats:
        """Covariance of all parameters with every sigma of the data widened by a factor."""
        slope = self.fit.jacobian * np.sqrt(self.fit.weights)[:, None] / factor
        return covariance_of(np.vstack([slope, self.prior]))


def estimate_axis(model: DriftModel, robust: bool) -> Estimate:
    """Fit both errors if the data separate them, else what they fix, the rest held within BLIND_ARCMIN of zero."""
    start = np.zeros(len(model.names))
    determination = _judged(model, model.jacobian(start))
    if determination.directions == 2:
        fits = [
            least_squares(model.names, model.residuals, model.jacobian, begin, robust=robust)
            for begin in _starts(model)
        ]
        fit = min(fits, key=lambda candidate: float(np.sum(candidate.weights * candidate.residuals**2)))
        determination = _judged(model, fit.jacobian * np.sqrt(fit.weights)[:, None])
        if determination.directions == 2:
            return Estimate(determination, fit, np.zeros((0, len(start))))
    prior = np.zeros((2, len(start)))
    prior[0, 0], prior[1, 1] = model.pole.level / BLIND_ARCMIN, 1 / BLIND_ARCMIN
    count = len(model.data)
    held = least_squares(
        model.names,
        lambda p: np.concatenate([model.residuals(p), prior @ p]),
        lambda p: np.vstack([model.jacobian(p), prior]),
        start,
    )
    residuals, slope = held.residuals[:count], held.jacobian[:count]
    fit = Fit(held.values, held.covariance, residuals, slope, np.ones(count), float(np.sum(residuals**2)))
    return Estimate(_judged(model, slope), fit, prior)


def _judged(model: DriftModel, jacobian: Floats) -> Determination:
    return judge(model.information(jacobian), model.lever(jacobian))


def _starts(model: DriftModel) -> list[Floats]:
    """Zero, and the best of some rings of starting points about it."""
    zero = np.zeros(len(model.names))
    ring = [zero]
    for radius in STARTS_DEG:
        for angle in np.arange(0, 360, 45):
            point = zero.copy()
            point[0] = 60 * radius * math.cos(math.radians(angle)) / model.pole.level
            point[1] = 60 * radius * math.sin(math.radians(angle))
            ring.append(point)
    best = min(ring, key=lambda p: float(np.sum(model.residuals(p) ** 2)))
    return [zero] if best is zero else [zero, best]


@dataclass(frozen=True)
class Doubt:
    """Factor on the sigmas, where they come from, what there is to say about it, and sigmas in a 95 % interval."""

    factor: float
    source: str
    p_value: float | None
    notes: tuple[Note, ...]
    coverage_factor: float = 2.0


def doubts(
    model: DriftModel,
    estimate: Estimate,
    names: Sequence[str],
    used: Sequence[int],
    from_scatter: bool,
    robust: bool,
) -> Doubt:
    """Judge whether the timings agree within their sigmas, and name the one that does not fit."""
    chi_square, free = estimate.chi_square, estimate.degrees_of_freedom
    chance = p_value(chi_square, free)
    notes: list[Note] = []
    for timing in used:
        weight = min((float(estimate.fit.weights[row]) for row in model.rows_of(timing)), default=1.0)
        if weight < 0.5:
            how = f"its weight was lowered to {weight:.2f}" if weight else "it was set aside"
            notes.append(Note("low-weight", f"{names[timing]} does not fit: {how}"))
    if from_scatter:
        if chance is None:
            raise InputError(
                "the scatter of so few timings says nothing",
                "add a timing, or state the sigmas or --reading-error",
            )
        return Doubt(scatter_factor(chi_square, free), "scatter", chance, tuple(notes), coverage_factor(free))
    source = "assumed" if model.assumed else "stated"
    if chance is None:
        if estimate.determination.determined == "both":
            notes.append(Note("no-check", "just enough timings for an answer: one more would check them"))
        return Doubt(1.0, source, None, tuple(notes))
    if chance >= DOUBT:
        return Doubt(1.0, source, chance, tuple(notes))
    factor = scatter_factor(chi_square, free)
    notes.append(
        Note(
            "scatter",
            f"the timings disagree by more than their {source} uncertainties (p = {chance:.2g}): "
            f"the intervals are widened {factor:.1f} times",
        )
    )
    suspects = [] if robust else _suspects(model, estimate, used)
    if suspects:
        named = " or ".join(names[timing] for timing in suspects)
        notes.append(
            Note(
                "blunder", f"{named} does not fit, the others agree without it: check it, use=no, or --robust"
            )
        )
    return Doubt(factor, "scatter", chance, tuple(notes), coverage_factor(free))


def _suspects(model: DriftModel, estimate: Estimate, used: Sequence[int]) -> list[int]:
    """Timings that, each left out alone, leave the others in agreement: of four or more, two names at most."""
    if len(used) < 4 or estimate.determination.directions < 2:
        return []
    found = []
    for timing in used:
        rows = model.rows_of(timing)
        free = estimate.degrees_of_freedom - len(rows)
        if rows and free >= 1:
            chance = p_value(estimate.chi_square - group_drop(estimate.fit, rows), free)
            if chance is not None and chance > EXPLAINED:
                found.append((chance, timing))
    found.sort(reverse=True)
    return [timing for _, timing in found] if len(found) <= 2 else []
