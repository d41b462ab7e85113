"""Timed drifts to the axis error: the exact model, fitted by weighted least squares."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from poleward.door import quantity
from poleward.errors import InputError, Note, UsageError
from poleward.sky.axis import SIDEREAL_RATE, azimuth_altitude
from poleward.sky.look import TOO_LOW_DEG, Sight, altitude_notes, look
from poleward.sky.pole import pole_name
from poleward.sky.site import Site
from poleward.solving.estimate import Doubt, Estimate, doubts, estimate_axis
from poleward.solving.least_squares import Fit
from poleward.solving.model import DriftModel, drift_model
from poleward.solving.solution import FitSummary, FittedDrift, Solution
from poleward.solving.statement import Answer, solution_from
from poleward.timings.rows import Drift

RATES = {"sidereal": SIDEREAL_RATE, "king": 15.03697, "solar": 15.0}
"""Drive rates, arcsec/s. King's mean rate, 1436.46 min a turn, is from memory (outside-checks E3)."""


FARTHEST_DEG = 20.0
"""An axis farther from the pole than this is a mistake in the table; no compass is so wrong."""


def drive_rate_of(rate: Any) -> float:
    """Return a drive rate, arcsec/s, from ``sidereal``, ``king``, ``solar`` or a rate.

    Raises
    ------
    UsageError
        Not within 1 % of the sidereal rate: nothing would stay in the field.
    """
    if isinstance(rate, str) and rate.lower() in RATES:
        return RATES[rate.lower()]
    try:
        value = quantity.parse(rate, quantity.DRIVE_RATE)
    except InputError as error:
        raise UsageError(
            f"drive rate: {error.message}", "sidereal, king, solar, or as 15.0369 arcsec/s"
        ) from None
    if abs(value / RATES["sidereal"] - 1) > 0.01:
        raise UsageError(
            f"drive rate: {value:g} arcsec/s, allowed is 15.041 arcsec/s within 1 %",
            "sidereal, king, solar, or as 15.0369 arcsec/s",
        )
    return value


def solve(
    drifts: Sequence[Drift],
    site: Site,
    *,
    pole: str = "apparent",
    drive_rate: Any = "sidereal",
    reading_error: Any = "1 arcsec",
    robust: bool = False,
    from_scatter: bool = False,
    allow_low: bool = False,
) -> Solution:
    """Find the axis error that explains timed drifts.

    Parameters
    ----------
    drifts : sequence of Drift
        From `read_drifts` or `Drifts.from_rows`.
    site : Site
    pole : {"apparent", "true"}
        The pole that the errors are given against: as refraction shows it, or the celestial pole itself.
    drive_rate : str or Quantity
        ``sidereal``, ``king``, ``solar`` or a rate.
    reading_error : str or Quantity
        Standard uncertainty of one reading of a star's place, for drifts without a stated sigma; a drift is the
        difference of two readings.
    robust : bool
        Lower the weight of timings that do not fit.
    from_scatter : bool
        Take the size of all sigmas from the scatter of the timings; needs at least one degree of freedom.
    allow_low : bool
        Use stars below 10 deg too, where refraction is not well known.

    Returns
    -------
    Solution

    Raises
    ------
    InputError
        No usable timing, or a star below the horizon or too low.
    UsageError
        An option outside what is allowed.
    """
    pole_name(pole)
    reading = quantity.parse(reading_error, quantity.SMALL_ANGLE, "", "reading error")
    if reading <= 0:
        raise UsageError(f"reading error: {reading:g} arcsec, allowed is more than 0")
    used = [i for i, drift in enumerate(drifts) if drift.used]
    if not used:
        raise InputError("there is no timing to use", "two at different hour angles give both errors")
    ends = np.array([[0.0, drift.duration_s] for drift in drifts])
    sight = look([drift.pointing for drift in drifts], ends, site)
    names = [drift.label or f"timing {i + 1}" for i, drift in enumerate(drifts)]
    _refuse_low(drifts, sight, used, allow_low)
    model = drift_model(drifts, sight, pole, drive_rate_of(drive_rate), reading)
    notes = [*sight.notes, *altitude_notes(sight, site, [names[i] for i in used], used)]
    if sum(drifts[i].east_arcsec is not None for i in used) == 1:
        notes.append(Note("east-alone", "one east drift alone tells only the drive rate, so it is not used"))
    if not len(model.data):
        raise InputError("there is no drift to fit", "give the north drift at two hour angles at least")
    estimate = estimate_axis(model, robust)
    _refuse_absurd(model, estimate)
    doubt = doubts(model, estimate, names, used, from_scatter, robust)
    return _solution(drifts, site, model, estimate, doubt, notes)


def _refuse_absurd(model: DriftModel, estimate: Estimate) -> None:
    """Refuse drifts that no axis makes: a wrong unit, or minutes for seconds."""
    azimuth, altitude = estimate.fit.values[:2]
    far = math.hypot(azimuth * model.pole.level, altitude) / 60
    # With nothing to spare the fit goes through every value, unless no axis does.
    spare = len(model.data) - estimate.fit.values.size
    missed = estimate.determination.directions == 2 and spare < 1 and estimate.fit.chi_square > 0.01
    if far > FARTHEST_DEG or missed:
        raise InputError(
            f"no axis within {FARTHEST_DEG:.0f} deg of the pole makes these drifts",
            "check the units (arcsec, minutes or seconds) and the signs of drifts and hour angles",
        )


def _refuse_low(drifts: Sequence[Drift], sight: Sight, used: Sequence[int], allow_low: bool) -> None:
    lowest = np.degrees(np.min(azimuth_altitude(sight.seen)[1], axis=1))
    for i in used:
        where = drifts[i].pointing.where
        if lowest[i] < 0:
            raise InputError(
                f"the star is {-lowest[i]:.1f} deg below the horizon",
                "check the signs of hour angle (west positive), dec and latitude, and the time",
                where,
            )
        if lowest[i] < TOO_LOW_DEG and not allow_low:
            raise InputError(
                f"the star stands at {lowest[i]:.1f} deg, allowed is {TOO_LOW_DEG:.0f} deg or more",
                "refraction is not well known so low; --allow-low uses it all the same",
                where,
            )


def _solution(
    drifts: Sequence[Drift],
    site: Site,
    model: DriftModel,
    estimate: Estimate,
    doubt: Doubt,
    notes: Sequence[Note],
) -> Solution:
    """Put together what the estimate and its doubts allow to be said."""
    fit = estimate.fit
    covariance = estimate.covariance(doubt.factor)
    answer = Answer(
        float(fit.values[0]),
        float(fit.values[1]),
        covariance[:2, :2],
        estimate.determination,
        model.pole,
    )
    drive = fit.values.size > 2
    summary = FitSummary(
        measurements=len({*model.north_rows, *model.east_rows}),
        values=len(model.data),
        chi_square=estimate.chi_square,
        degrees_of_freedom=estimate.degrees_of_freedom,
        p_value=doubt.p_value,
        sigma_source=doubt.source,
        drive_rate_error_arcsec_per_s=float(fit.values[2]) if drive else None,
        drive_rate_error_sigma_arcsec_per_s=math.sqrt(covariance[2, 2]) if drive else None,
        coverage_factor_95=doubt.coverage_factor,
    )
    return solution_from(answer, site, summary, _fitted(drifts, model, fit), [*notes, *doubt.notes])


def _fitted(drifts: Sequence[Drift], model: DriftModel, fit: Fit) -> tuple[FittedDrift, ...]:
    north, east = model.drift(fit.values)
    sigma = dict(
        zip(
            [("north", i) for i in model.north_rows] + [("east", i) for i in model.east_rows],
            model.sigma,
            strict=True,
        )
    )
    sight = model.sight
    return tuple(
        FittedDrift(
            label=drift.label,
            used=drift.used,
            hour_angle_h=math.degrees(float(sight.hour_angle[i])) / 15,
            dec_deg=math.degrees(float(sight.dec[i])),
            altitude_deg=math.degrees(float(sight.altitude[i])),
            duration_s=drift.duration_s,
            north_arcsec=drift.north_arcsec,
            north_fitted_arcsec=float(north[i]),
            north_sigma_arcsec=_plain(
                sigma.get(("north", i), None if drift.used else drift.north_sigma_arcsec)
            ),
            east_arcsec=drift.east_arcsec,
            east_fitted_arcsec=float(east[i]),
            east_sigma_arcsec=_plain(sigma.get(("east", i), None if drift.used else drift.east_sigma_arcsec)),
            weight=min((float(fit.weights[row]) for row in model.rows_of(i)), default=0.0),
        )
        for i, drift in enumerate(drifts)
    )


def _plain(value: Any) -> float | None:
    return None if value is None else float(value)
