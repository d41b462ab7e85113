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
from poleward.solving.rivals import rival

DOUBT = 0.01
"""A p-value below this widens the intervals; one honest set in a hundred is widened for nothing."""
CONTRADICTION = 1e-4
"""Below this timings with one or two values to spare, or with one that does not fit, contradict each other: an answer widened
to their scatter is then worth nothing, for a scatter of one or two values says almost nothing. With more to spare and none
that stands out the sigmas were stated too small, and the widened answer holds."""
FEW_TO_SPARE = 2
SLIP = 1e-3
"""Below this a slip of the pen is looked for; one honest set in a thousand is looked at for nothing."""
EXPLAINED = DOUBT
"""Leaving out one timing explains the disagreement when the others then pass the same test."""
FARTHEST_DEG = 20.0
"""An axis farther from the pole than this is a mistake in the table; no compass is so wrong."""
STARTS_DEG = (0.5, 1.5, 4.0)
"""Radii on the sky of the starting points, so that an axis degrees off, beside a star near the pole, is found."""


@dataclass(frozen=True, eq=False)
class DriftFit:
    """A fit of timings, and what it says of the axis by the stated sigmas and doubts."""

    axis: AxisEstimate
    fit: Fit
    rival: Floats | None = None
    """Another axis that explains the timings as well: then neither error is determined."""

    @property
    def degrees_of_freedom(self) -> int:
        """Values that were not set aside, less the directions and nuisance parameters fitted."""
        directions = 2 if self.rival is not None else self.axis.determination.directions
        free = directions + self.fit.values.size - 2
        return int(np.sum(self.fit.weights > 0)) - free

    def widened(self, factor: float) -> AxisEstimate:
        """What it says with every sigma of the timings widened."""
        return replace(self.axis, information=self.fit.information(factor))


def fit_axis(model: DriftModel, robust: bool) -> DriftFit:
    """Fit both errors if the data separate them, else what they fix, the rest held within BLIND_ARCMIN of zero.

    What the doubts do depends a little on where the axis stands: they are taken at zero first, then at that answer.

    Raises
    ------
    InputError
        No axis makes these drifts: a wrong unit, or minutes for seconds.
    """
    zero = np.zeros(len(model.names))
    problem = model.problem(model.doubts(zero))
    held = np.zeros((2, len(zero)))
    held[:, :2] = np.diag(model.pole.on_sky / BLIND_ARCMIN)
    if model.judged(problem.fit(zero, np.ones(len(model.data)))).determination.directions == 2:
        fits = [least_squares(problem, begin, robust=robust) for begin in _starts(model)]
        fit = min(fits, key=lambda one: float(np.sum(one.weights * one.residuals**2) + np.sum(one.shares**2)))
        if model.judged(fit).determination.directions == 2:
            found = _again(model, fit, None, robust)
            if found.axis.determination.directions == 2:
                return _alone(model, _believable(model, found))
    fit = least_squares(replace(problem, prior=held), zero, robust=robust)
    return _alone(model, _believable(model, _again(model, fit, held, robust)))


def _alone(model: DriftModel, found: DriftFit) -> DriftFit:
    """Take back what a fit says if another axis explains the timings as well."""
    other = rival(model, found.fit) if found.axis.determination.determined == "both" else None
    if other is None:
        return found
    neither = replace(found.axis.determination, determined="neither", directions=0)
    return DriftFit(replace(found.axis, determination=neither), found.fit, other)


def _again(model: DriftModel, fit: Fit, prior: Floats | None, robust: bool) -> DriftFit:
    """Fit once more from an answer, with the doubts as they are there."""
    if fit.shares.size:
        fit = least_squares(model.problem(model.doubts(fit.values), prior), fit.values, robust=robust)
    return DriftFit(model.judged(fit), fit)


def believes(model: DriftModel, found: DriftFit) -> bool:
    """Whether a robust fit may be believed: a few values set aside, the rest in agreement by the stated sigmas.

    Where more than a quarter lost half their weight, or the rest disagree all the same, the sigmas are too small: what
    is left would only seem to agree.
    """
    chance = p_value(found.fit.chi_square, found.degrees_of_freedom)
    lowered = int(np.sum(found.fit.weights < 0.5))
    return lowered <= max(1, len(model.data) // 4) and (chance is None or chance >= DOUBT)


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
    contradiction: bool = False
    suspects: tuple[int, ...] = ()


def doubts(model: DriftModel, found: DriftFit, *, from_scatter: bool, robust: bool) -> Doubt:
    """Judge whether the timings agree within their sigmas, and name the one that does not fit."""
    chi_square, free = found.fit.chi_square, found.degrees_of_freedom
    chance = p_value(chi_square, free)
    notes = [] if found.rival is None else [_two_answers(found, found.rival)]
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
    lost = chance < CONTRADICTION and (free <= FEW_TO_SPARE or bool(suspects))
    return Doubt(factor, "scatter", chance, tuple(notes), coverage_factor(free), lost, tuple(suspects))


def _two_answers(found: DriftFit, other: Floats) -> Note:
    told = " or ".join(f"{a:+.1f} east and {e:+.1f} high" for a, e in (found.axis.point, other))
    return Note(
        "two-answers",
        "a star is nearer to the pole than the axis may be, and two axes explain these timings: "
        f"{told} (arcmin); a timing further from the pole decides",
    )


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
