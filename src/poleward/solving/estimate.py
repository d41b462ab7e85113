"""From the model to an estimate: what the data fix is fitted, and how far the timings can be believed is judged."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from poleward.errors import InputError, Note
from poleward.sky.axis import Floats
from poleward.solving.determine import BLIND_ARCMIN, AxisEstimate
from poleward.solving.least_squares import (
    Fit,
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
FARTHEST_DEG = 20.0
"""An axis farther from the pole than this is a mistake in the table; no compass is so wrong."""
STARTS_DEG = (0.5, 1.5, 4.0)
"""Radii on the sky of the starting points, so that an axis degrees off, beside a star near the pole, is found."""


@dataclass(frozen=True, eq=False)
class DriftFit:
    """A fit of timings, and what it says of the axis by the sigmas of the timings alone."""

    axis: AxisEstimate
    fit: Fit

    @property
    def degrees_of_freedom(self) -> int:
        """Values that were not set aside, less the directions and nuisance parameters fitted."""
        free = self.axis.determination.directions + self.fit.values.size - 2
        return int(np.sum(self.fit.weights > 0)) - free

    def widened(self, factor: float) -> AxisEstimate:
        """What it says with every sigma widened."""
        return replace(self.axis, information=self.axis.information / factor**2)


def fit_axis(model: DriftModel, robust: bool) -> DriftFit:
    """Fit both errors if the data separate them, else what they fix, the rest held within BLIND_ARCMIN of zero.

    Raises
    ------
    InputError
        No axis makes these drifts: a wrong unit, or minutes for seconds.
    """
    start = np.zeros(len(model.names))
    if model.judged(model.jacobian(start)).determination.directions == 2:
        fits = [
            least_squares(model.names, model.residuals, model.jacobian, begin, robust=robust)
            for begin in _starts(model)
        ]
        fit = min(fits, key=lambda candidate: float(np.sum(candidate.weights * candidate.residuals**2)))
        found = _found(model, fit)
        if found.axis.determination.directions == 2:
            return _believable(model, found)
    prior = np.zeros((2, len(start)))
    prior[:, :2] = np.diag(model.pole.on_sky / BLIND_ARCMIN)
    held = least_squares(model.names, model.residuals, model.jacobian, start, prior=prior)
    return _believable(model, _found(model, held))


def _found(model: DriftModel, fit: Fit) -> DriftFit:
    judged = model.judged(fit.jacobian * np.sqrt(fit.weights)[:, None])
    azimuth, altitude = (float(value) for value in fit.values[:2])
    return DriftFit(replace(judged, azimuth=azimuth, altitude=altitude), fit)


def _believable(model: DriftModel, found: DriftFit) -> DriftFit:
    axis, fit = found.axis, found.fit
    far = math.hypot(axis.azimuth * axis.pole.level, axis.altitude) / 60
    # With nothing to spare the fit goes through every value, unless no axis does.
    spare = len(model.data) - fit.values.size
    missed = axis.determination.directions == 2 and spare < 1 and fit.chi_square > 0.01
    if far > FARTHEST_DEG or missed:
        raise InputError(
            f"no axis within {FARTHEST_DEG:.0f} deg of the pole makes these drifts",
            "check the units (arcsec, minutes or seconds) and the signs of drifts and hour angles",
        )
    return found


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


def doubts(model: DriftModel, found: DriftFit, *, from_scatter: bool, robust: bool) -> Doubt:
    """Judge whether the timings agree within their sigmas, and name the one that does not fit."""
    chi_square, free = found.fit.chi_square, found.degrees_of_freedom
    chance = p_value(chi_square, free)
    notes: list[Note] = []
    for timing in model.used:
        weight = min((float(found.fit.weights[row]) for row in model.rows_of(timing)), default=1.0)
        if weight < 0.5:
            how = f"its weight was lowered to {weight:.2f}" if weight else "it was set aside"
            notes.append(Note("low-weight", f"{model.name(timing)} does not fit: {how}"))
    if from_scatter:
        if chance is None:
            raise InputError(
                "the scatter of so few timings says nothing",
                "add a timing, or state the sigmas or --reading-error",
            )
        return Doubt(scatter_factor(chi_square, free), "scatter", chance, tuple(notes), coverage_factor(free))
    source = "assumed" if model.assumed else "stated"
    if chance is None:
        if found.axis.determination.determined == "both":
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
    suspects = [] if robust else _suspects(model, found)
    if suspects:
        named = " or ".join(model.name(timing) for timing in suspects)
        notes.append(
            Note(
                "blunder", f"{named} does not fit, the others agree without it: check it, use=no, or --robust"
            )
        )
    return Doubt(factor, "scatter", chance, tuple(notes), coverage_factor(free))


def _suspects(model: DriftModel, found: DriftFit) -> list[int]:
    """Timings that, each left out alone, leave the others in agreement: of four or more, two names at most."""
    if len(model.used) < 4 or found.axis.determination.directions < 2:
        return []
    suspects = []
    for timing in model.used:
        rows = model.rows_of(timing)
        free = found.degrees_of_freedom - len(rows)
        if rows and free >= 1:
            chance = p_value(found.fit.chi_square - group_drop(found.fit, rows), free)
            if chance is not None and chance > EXPLAINED:
                suspects.append((chance, timing))
    suspects.sort(reverse=True)
    return [timing for _, timing in suspects] if len(suspects) <= 2 else []
