"""From the model to an estimate: what the data fix is fitted, and how far the timings can be believed is judged."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from poleward.errors import InputError, Note
from poleward.sky.axis import Floats
from poleward.solving.determine import BLIND_ARCMIN, AxisEstimate, blind, judge
from poleward.solving.least_squares import (
    Fit,
    coverage_factor,
    group_drop,
    least_squares,
    p_value,
    scatter_factor,
)
from poleward.solving.model import DriftModel
from poleward.solving.rivals import FARTHEST_DEG, minima, rivals
from poleward.solving.robust import LEAST_TO_SPARE, BlunderFit, weighed

DOUBT = 0.01
"""A p-value below this widens the intervals; one honest set in a hundred is widened for nothing."""
CONTRADICTION = 1e-4
"""Below this timings with one or two values to spare, or with one that does not fit, contradict each other: an answer widened
to their scatter is then worth nothing, for a scatter of one or two values says almost nothing. With more to spare and none
that stands out the sigmas were stated too small, and the widened answer holds."""
FEW_TO_SPARE = 2
SLIP = 1e-3
"""Below this a slip of the pen is looked for; one honest set in a thousand is looked at for nothing."""
TOO_SMALL = 1.5
"""Sigmas that a robust fit finds stated this many times too small are told of."""
EXPLAINED = DOUBT
"""Leaving out one timing explains the disagreement when the others then pass the same test."""
STARTS_DEG = (0.5, 1.5, 4.0)
"""Radii on the sky of the starting points, so that an axis degrees off, beside a star near the pole, is found."""


@dataclass(frozen=True, eq=False)
class DriftFit:
    """A fit of timings, and what it says of the axis by the stated sigmas and doubts."""

    axis: AxisEstimate
    fit: Fit
    rivals: tuple[Floats, ...] = ()
    """Other axes that explain the timings as well: then neither error is determined."""
    weighed: BlunderFit | None = None
    """Of a robust fit: what all its hypotheses say together."""

    @property
    def degrees_of_freedom(self) -> int:
        """Values that were not set aside, less the directions and nuisance parameters fitted."""
        directions = 2 if self.rivals else self.axis.determination.directions
        free = directions + self.fit.values.size - 2
        return int(np.sum(self.fit.weights > 0)) - free

    def widened(self, factor: float) -> AxisEstimate:
        """What it says with every sigma of the timings widened; a robust fit has its own widths."""
        if self.weighed is not None:
            return self.axis
        return replace(self.axis, information=self.fit.information(factor))


def fit_axis(model: DriftModel) -> DriftFit:
    """Fit both errors if the data separate them, else what they fix, the rest held within BLIND_ARCMIN of zero.

    What the doubts do depends a little on where the axis stands: they are taken at zero first, then at that answer.

    Raises
    ------
    InputError
        No axis makes these drifts: a wrong unit, or minutes for seconds.
    """
    zero = np.zeros(len(model.names))
    problem = model.problem(model.doubts(zero))
    held = replace(problem, prior=_held(model))
    fit, others = problem.fit(zero, np.ones(len(model.data))), list[Floats]()
    if model.judged(fit).determination.directions < 2:
        fit = least_squares(held, zero)
    if model.judged(fit).determination.directions == 2:
        fits = [least_squares(problem, begin) for begin in _starts(model)]
        more = [problem.fit(values, fit.weights) for values in minima(model, problem, _best(model, fits))]
        fits += more
        fit = _best(model, fits)
        others = [one.values for one in fits if more and _off_deg(model, one) <= FARTHEST_DEG]
        if model.judged(fit).determination.directions == 2:
            found = _again(model, fit, None)
            if found.axis.determination.directions == 2:
                return _alone(model, _believable(model, found), others)
    found = _again(model, least_squares(held, fit.values), held.prior)
    return _alone(model, _believable(model, found), others)


def _best(model: DriftModel, fits: list[Fit]) -> Fit:
    """The best of those that an axis may have, if there are any."""
    return min(fits, key=lambda one: (_off_deg(model, one) > FARTHEST_DEG, one.chi_square))


def _off_deg(model: DriftModel, fit: Fit) -> float:
    return float(np.hypot(*(fit.values[:2] * model.pole.on_sky))) / 60


def _held(model: DriftModel) -> Floats:
    """Rows (2, p) that hold both errors about zero; see `BLIND_ARCMIN`."""
    return np.eye(2, len(model.names)) * (model.pole.on_sky / BLIND_ARCMIN)[:, None]


def _alone(model: DriftModel, found: DriftFit, others: list[Floats]) -> DriftFit:
    """Take back what a fit says if another axis explains the timings as well."""
    other = rivals(model, found.fit, others) if found.axis.determination.determined == "both" else ()
    if not other:
        return found
    neither = replace(found.axis.determination, determined="neither", directions=0)
    return DriftFit(replace(found.axis, determination=neither), found.fit, other)


def _again(model: DriftModel, fit: Fit, prior: Floats | None) -> DriftFit:
    """Fit once more from an answer, with the doubts as they are there."""
    if fit.shares.size:
        fit = least_squares(model.problem(model.doubts(fit.values), prior), fit.values)
    return DriftFit(model.judged(fit), fit)


def robustly(model: DriftModel, plain: DriftFit) -> DriftFit | None:
    """Count on blunders, starting from the plain answer; None where too few values are to spare for that."""
    if plain.degrees_of_freedom < LEAST_TO_SPARE or plain.rivals:
        return None
    found = weighed(model.problem(plain.fit.doubts), plain.fit.values, _held(model))
    strengths, ways = np.linalg.eigh(np.linalg.inv(found.covariance) - blind(model.pole))
    information = ways * np.maximum(strengths, 0.0) @ ways.T
    lever = model.judged(found.fit).lever
    azimuth, altitude = (float(value) for value in found.fit.values[:2])
    judged = judge(information, lever, model.pole)
    axis = AxisEstimate(azimuth, altitude, information, judged, lever, model.pole, found.intervals)
    return DriftFit(axis, found.fit, weighed=found)


def _believable(model: DriftModel, found: DriftFit) -> DriftFit:
    axis, fit = found.axis, found.fit
    # With nothing to spare the fit goes through every value, unless no axis does.
    spare = len(model.data) - fit.values.size
    missed = axis.determination.directions == 2 and spare < 1 and not len(fit.prior) and fit.chi_square > 0.01
    if _off_deg(model, fit) > FARTHEST_DEG or missed:
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


def doubts(model: DriftModel, found: DriftFit, *, from_scatter: bool) -> Doubt:
    """Judge whether the timings agree within their sigmas, and name the one that does not fit."""
    chi_square, free = found.fit.chi_square, found.degrees_of_freedom
    chance = p_value(chi_square, free)
    notes = [_two_answers(found)] if found.rivals else []
    if found.weighed is not None:
        return _of_robust(model, found.weighed, chance)
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
    text = (
        f"the timings disagree by more than their {source} uncertainties (p = {chance:.2g}): "
        f"the intervals are widened {factor:.1f} times"
    )
    notes.append(Note("scatter", text))
    suspects = _suspects(model, found)
    if suspects:
        named = " or ".join(model.name(timing) for timing in suspects)
        text = f"{named} does not fit, the others agree without it: check it, use=no, or --robust"
        notes.append(Note("blunder", text))
    lost = chance < CONTRADICTION and (free <= FEW_TO_SPARE or bool(suspects))
    return Doubt(factor, "scatter", chance, tuple(notes), coverage_factor(free), lost, tuple(suspects))


def _of_robust(model: DriftModel, found: BlunderFit, chance: float | None) -> Doubt:
    """What there is to say about a robust fit, whose intervals hold all that is in doubt already."""
    notes = []
    for timing in model.used:
        right = min((float(found.right[row]) for row in model.rows_of(timing)), default=1.0)
        if right < 0.9:
            how = "it is taken as a blunder" if right < 0.5 else "it may be a blunder"
            notes.append(
                Note("low-weight", f"{model.name(timing)} does not fit: {how} ({100 * (1 - right):.0f} %)")
            )
    source = "assumed" if model.assumed else "stated"
    if found.scale >= TOO_SMALL:
        text = f"the {source} uncertainties look {found.scale:.1f} times too small: the intervals are widened"
        notes.append(Note("scatter", text))
        source = "scatter"
    return Doubt(1.0, source, chance, tuple(notes), found.wider)


def _two_answers(found: DriftFit) -> Note:
    axes = [found.axis.point, *found.rivals]
    told = " or ".join(f"{a:+.1f} east and {e:+.1f} high" for a, e in axes)
    return Note(
        "two-answers",
        f"a star is nearer to the pole than the axis may be, and {'several' if axes[2:] else 'two'} axes explain these "
        f"timings: {told} (arcmin); a timing further from the pole decides",
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
