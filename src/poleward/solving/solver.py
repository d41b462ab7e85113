"""Timed drifts to the axis error: the exact model, fitted by weighted least squares."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from poleward.door.tables import WORDED
from poleward.errors import InputError, Note
from poleward.sky.doubt import DRIVE_ARCSEC, air_doubt, low_pole_notes
from poleward.sky.look import altitude_notes
from poleward.sky.site import Site, zone_notes
from poleward.sky.sun import daylight_notes
from poleward.solving.estimate import SLIP, Doubt, DriftFit, doubts, fit_axis, robustly
from poleward.solving.fitted import FitSummary
from poleward.solving.how import How, blank_of
from poleward.solving.knobs import Turning
from poleward.solving.least_squares import least_squares, p_value
from poleward.solving.model import DriftModel
from poleward.solving.slips import slips
from poleward.solving.solution import CONTRADICTION, Solution, solution_from
from poleward.timings.rows import SHORTEST_S, Drift

FEW = 6
"""Of up to so many timings any may be the one that slipped, if none stands out."""
AGREES = 0.05
"""A slip is named when with it set right the timings agree as 95 of 100 honest sets do."""
NOT_ROBUST = "too few values to spare for one of them to be a blunder: robust is not used"


def axis_of(drifts: Sequence[Drift], site: Site, how: How, turning: Turning | None) -> Solution:
    """Solve in six steps: timings, sight and model, estimate, doubt, what is to be said, solution."""
    timings, notes = _once(drifts)
    model = how.model(timings, site)
    found = fit_axis(model)
    if how.robust:
        robust = robustly(model, found)
        notes += [] if robust else [Note("not-robust", NOT_ROBUST)]
        found = robust or found
    doubt = doubts(model, found, from_scatter=how.from_scatter)
    told = _told(how, timings, model, site, doubt)
    notes += [*told, *_sight_notes(model, site), *doubt.notes]
    estimate, summary = found.widened(doubt.factor), _summary(model, found, doubt, how, site)
    return solution_from(estimate, site, summary, model.table(found.fit), notes, turning, how.reading)


def _told(how: How, drifts: Sequence[Drift], model: DriftModel, site: Site, doubt: Doubt) -> list[Note]:
    """Say that the timings contradict each other, and which slip set right would make them agree."""
    chance = _chance(model) if how.robust else doubt.p_value
    if how.from_scatter or chance is None or chance >= SLIP:
        return []
    # Of many timings one that slipped stands out; of few it may be any. What stands out robust has set aside already:
    # left is what all share.
    at_fault = doubt.suspects or (model.used if len(model.used) <= FEW else [])
    names = {} if how.robust else {i: model.name(i) for i in at_fault}
    right: list[tuple[float, str]] = []
    for words, fixed, where in slips(drifts, names, site):
        try:
            agree = _chance(how.model(fixed, where))
        except InputError:
            continue  # no such star
        if agree is not None and agree > AGREES:
            right.append((agree, words))
    if not right and (how.robust or not doubt.contradiction):
        return []
    text = "the timings contradict each other: turn nothing yet"
    if right:
        right.sort(reverse=True)
        text += (
            f"; they would agree with {', or '.join(words for _, words in right[:3])}; or a value was misread"
        )
    return [Note(CONTRADICTION, text)]


def _chance(model: DriftModel) -> float | None:
    """How probable it is that honest timings scatter more; None with no value to spare."""
    zero = np.zeros(len(model.names))
    fit = least_squares(model.problem(model.doubts(zero)), zero)
    return p_value(fit.chi_square, fit.degrees_of_freedom)


def _plain(drift: Drift) -> Drift:
    """Return a timing without its words, which are no measurement."""
    words: dict[str, Any] = {name: "" for name in WORDED if hasattr(drift, name)}
    return replace(drift, **words)


def _once(drifts: Sequence[Drift]) -> tuple[list[Drift], list[Note]]:
    """Count a row that was written twice once: the same star at the same time with the same drift checks nothing."""
    kept: list[Drift] = []
    notes = []
    for i, drift in enumerate(drifts):
        same = [j for j, one in enumerate(kept) if one.used and drift.used and _plain(one) == _plain(drift)]
        if same:
            first = kept[same[0]].label or f"timing {same[0] + 1}"
            notes.append(
                Note("repeated", f"{drift.label or f'timing {i + 1}'} repeats {first} and is counted once")
            )
        kept.append(replace(drift, used=False) if same else drift)
    return kept, notes


def _sight_notes(model: DriftModel, site: Site) -> list[Note]:
    """Say what is doubtful about the stars and what is measured of them."""
    notes = [*model.sight.notes]
    names = [model.name(i) for i in model.used]
    notes += altitude_notes(model.sight, names, model.used)
    notes += daylight_notes([model.drifts[i].pointing for i in model.used], names, site)
    if model.pole.name == "apparent":
        notes += low_pole_notes(site)
    notes += [
        Note(
            "short",
            f"{model.name(i)} was timed for {model.duration[i]:g} s only: is its duration in minutes?",
        )
        for i in model.used
        if model.duration[i] < SHORTEST_S
    ]
    timed = (model.drifts[i].pointing for i in model.used)
    notes += zone_notes(site, next((point.time for point in timed if point.ra is not None), None))
    blank = blank_of(model.drifts)
    if blank:
        notes.append(Note("blank", f"still blank, and not used: {', '.join(blank)}"))
    if not model.east_rows and any(model.drifts[i].east_arcsec is not None for i in model.used):
        notes.append(Note("east-alone", "one east drift alone tells only the drive rate, so it is not used"))
    return notes


def _summary(model: DriftModel, found: DriftFit, doubt: Doubt, how: How, site: Site) -> FitSummary:
    fit = found.fit
    drive = fit.values.size > 2
    return FitSummary(
        measurements=len(set(model.rows)),
        values=len(model.data),
        chi_square=fit.chi_square,
        degrees_of_freedom=found.degrees_of_freedom,
        p_value=doubt.p_value,
        sigma_source=doubt.source,
        drive_rate_error_arcsec_per_s=float(fit.values[2]) if drive else None,
        drive_rate_error_sigma_arcsec_per_s=math.sqrt(fit.widened(doubt.factor)[2, 2]) if drive else None,
        coverage_factor_95=doubt.coverage_factor,
        refraction_doubt=air_doubt(site.air),
        pointing_doubt_deg=how.pointing_deg if model.around.which else 0.0,
        drive_doubt_arcsec=DRIVE_ARCSEC if model.turn_rows else 0.0,
    )
