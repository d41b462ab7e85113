"""Timed drifts to the axis error: the exact model, fitted by weighted least squares."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from poleward import quantity
from poleward.axis import STELLAR_RATE, Floats, angle_between, azimuth_altitude, tilted_axis
from poleward.determine import ARCMIN, pointing_to_add
from poleward.drift_rows import Drift
from poleward.errors import InputError, Note, UsageError
from poleward.estimate import Doubt, Estimate, doubts, estimate_axis
from poleward.fit import Fit
from poleward.model import DriftModel, drift_model
from poleward.site import Site
from poleward.sky import TOO_LOW_DEG, Sight, altitude_notes, look
from poleward.solution import FitSummary, FittedDrift, Move, Solution

RATES = {"sidereal": math.degrees(STELLAR_RATE) * 3600, "king": 15.03697, "solar": 15.0}
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
    if pole not in ("apparent", "true"):
        raise UsageError(f"pole: '{pole}', allowed is apparent or true")
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
    model = drift_model(drifts, sight, site, pole, drive_rate_of(drive_rate), reading)
    notes = [*sight.notes, *altitude_notes(sight, site, [names[i] for i in used], used)]
    if sum(drifts[i].east_arcsec is not None for i in used) == 1:
        notes.append(Note("east-alone", "one east drift alone tells only the drive rate, so it is not used"))
    if not len(model.data):
        raise InputError("there is no drift to fit", "give the north drift at two hour angles at least")
    estimate = estimate_axis(model, robust)
    _refuse_absurd(model, estimate)
    doubt = doubts(model, estimate, names, used, from_scatter, robust)
    return _solution(drifts, site, pole, model, estimate, doubt, notes)


def _refuse_absurd(model: DriftModel, estimate: Estimate) -> None:
    """Refuse drifts that no axis makes: a wrong unit, or minutes for seconds."""
    azimuth, altitude = estimate.fit.values[:2]
    far = math.hypot(azimuth * model.level, altitude) / 60
    # With nothing to spare the fit goes through every value, unless no axis does.
    missed = (
        estimate.determination.directions == 2
        and estimate.degrees_of_freedom < 1
        and estimate.chi_square > 0.01
    )
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
    pole: str,
    model: DriftModel,
    estimate: Estimate,
    doubt: Doubt,
    notes: Sequence[Note],
) -> Solution:
    """Put together what is determined, and nothing else."""
    fit, found = estimate.fit, estimate.determination
    covariance = estimate.covariance(doubt.factor)
    sigma = np.sqrt(np.diag(covariance))
    azimuth, altitude = float(fit.values[0]), float(fit.values[1])
    has_azimuth = found.determined in ("azimuth", "both")
    has_altitude = found.determined in ("altitude", "both")
    both = found.determined == "both"
    offset, offset_sigma = _offset(model, azimuth, altitude, covariance[:2, :2])
    said = [*notes, *doubt.notes]
    if not both:
        said.append(Note("add-pointing", pointing_to_add(found.worst, site).text))
    drive = fit.values.size > 2
    return Solution(
        reference=f"{pole} pole",
        determined=found.determined,
        azimuth_error_arcmin=azimuth if has_azimuth else None,
        azimuth_sigma_arcmin=float(sigma[0]) if has_azimuth else None,
        altitude_error_arcmin=altitude if has_altitude else None,
        altitude_sigma_arcmin=float(sigma[1]) if has_altitude else None,
        correlation=float(covariance[0, 1] / sigma[0] / sigma[1]) if both else None,
        offset_arcmin=offset if both else None,
        offset_sigma_arcmin=offset_sigma if both else None,
        level=model.level,
        pole_altitude_deg=math.degrees(math.asin(float(model.pole[2]))),
        site_latitude_deg=math.degrees(site.latitude_rad),
        combination=_combination(model, estimate, covariance),
        fit=FitSummary(
            measurements=len({*model.north_rows, *model.east_rows}),
            values=len(model.data),
            chi_square=estimate.chi_square,
            degrees_of_freedom=estimate.degrees_of_freedom,
            p_value=doubt.p_value,
            sigma_source=doubt.source,
            drive_rate_error_arcsec_per_s=float(fit.values[2]) if drive else None,
            drive_rate_error_sigma_arcsec_per_s=float(sigma[2]) if drive else None,
            coverage_factor_95=doubt.coverage_factor,
        ),
        drifts=_fitted(drifts, model, fit),
        moves=_moves(azimuth if has_azimuth else None, altitude if has_altitude else None),
        warnings=tuple(said),
    )


def _offset(model: DriftModel, azimuth: float, altitude: float, covariance: Floats) -> tuple[float, float]:
    """Angle between axis and pole, and its sigma by linear propagation (JCGM 100:2008, eq. 13); arcmin."""
    axis = tilted_axis(azimuth * ARCMIN, altitude * ARCMIN, model.pole, model.hemisphere)
    angle = float(angle_between(axis.elevated, model.pole))
    slopes = np.array([axis.d_azimuth @ model.pole, axis.d_altitude @ model.pole]) * -model.hemisphere
    if angle < 1e-9:  # on the pole every direction is as good as another: take the widest
        return angle / ARCMIN, float(np.sqrt(np.linalg.eigvalsh(covariance)[-1]))
    gradient = slopes / math.sin(angle)
    return angle / ARCMIN, float(np.sqrt(gradient @ covariance @ gradient))


def _combination(
    model: DriftModel, estimate: Estimate, covariance: Floats
) -> tuple[float, float, float, float] | None:
    """Where neither error is determined but one direction is: its weights, value and sigma."""
    found = estimate.determination
    if found.determined != "neither" or found.directions == 0:
        return None
    weights = found.best * (1 if found.best[int(np.argmax(np.abs(found.best)))] > 0 else -1)
    on_sky = np.array([weights[0] * model.level, weights[1]])
    value = float(on_sky @ estimate.fit.values[:2])
    return float(weights[0]), float(weights[1]), value, float(np.sqrt(on_sky @ covariance[:2, :2] @ on_sky))


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


def _moves(azimuth: float | None, altitude: float | None) -> tuple[Move, ...]:
    """Return the moves that undo the errors; the two knobs do not disturb each other's angle."""
    moves = []
    if azimuth is not None:
        moves.append(Move("azimuth", -azimuth, "west" if azimuth > 0 else "east"))
    if altitude is not None:
        moves.append(Move("altitude", -altitude, "down" if altitude > 0 else "up"))
    return tuple(moves)
