"""Timed drifts to the axis error: the exact model, fitted by weighted least squares."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from poleward import quantity
from poleward.axis import STELLAR_RATE, Floats, angle_between, azimuth_altitude, tilted_axis
from poleward.determine import ARCMIN, BLIND_ARCMIN, Determination, judge, pointing_to_add
from poleward.drifts import Drift
from poleward.errors import InputError, Note, UsageError
from poleward.fit import Fit, covariance_of, group_drop, least_squares, p_value, scatter_factor
from poleward.model import DriftModel, drift_model
from poleward.site import Site
from poleward.sky import TOO_LOW_DEG, Sight, altitude_notes, look
from poleward.solution import FitSummary, FittedDrift, Move, Solution

RATES = {"sidereal": math.degrees(STELLAR_RATE) * 3600, "king": 15.03697, "solar": 15.0}
"""Drive rates, arcsec/s. King's mean rate, 1436.46 min a turn, is from memory (outside-checks E3)."""
DOUBT = 0.01
"""A p-value below this widens the intervals; one honest set in a hundred is widened for nothing."""
EXPLAINED = 0.05
"""Leaving out one timing explains the disagreement when the others then reach this p-value."""
STARTS_DEG = (0.5, 1.5, 4.0)
"""Radii on the sky of the starting points, so that an axis degrees off, beside a star near the pole, is found."""


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
    estimate = _estimate(model, robust)
    doubt = _doubt(model, estimate, names, used, from_scatter, robust)
    return _solution(drifts, site, pole, model, estimate, doubt, notes)


@dataclass(frozen=True)
class _Estimate:
    """A fit, what it determines, and the prior rows (k, p) that held what the data leave open."""

    determination: Determination
    fit: Fit
    prior: Floats

    @property
    def degrees_of_freedom(self) -> int:
        free = self.determination.directions + self.fit.values.size - 2
        return int(np.sum(self.fit.weights >= 0.3)) - free

    @property
    def chi_square(self) -> float:
        """Of the values that kept their weight: below 0.3 (4.5 sigma) a robust fit has set them aside."""
        return float(np.sum(self.fit.residuals[self.fit.weights >= 0.3] ** 2))

    def covariance(self, factor: float) -> Floats:
        slope = self.fit.jacobian * np.sqrt(self.fit.weights)[:, None] / factor
        return covariance_of(np.vstack([slope, self.prior]))


def _estimate(model: DriftModel, robust: bool) -> _Estimate:
    """Fit both errors if the data separate them, else what they fix, the rest held within BLIND_ARCMIN of zero."""
    start = np.zeros(len(model.names))
    determination = judge(model.jacobian(start), model.level)
    if determination.directions == 2:
        fits = [
            least_squares(model.names, model.residuals, model.jacobian, begin, robust=robust)
            for begin in _starts(model)
        ]
        fit = min(fits, key=lambda candidate: float(np.sum(candidate.weights * candidate.residuals**2)))
        determination = judge(fit.jacobian, model.level)
        if determination.directions == 2:
            return _Estimate(determination, fit, np.zeros((0, len(start))))
    prior = np.zeros((2, len(start)))
    prior[0, 0], prior[1, 1] = model.level / BLIND_ARCMIN, 1 / BLIND_ARCMIN
    count = len(model.data)
    held = least_squares(
        model.names,
        lambda p: np.concatenate([model.residuals(p), prior @ p]),
        lambda p: np.vstack([model.jacobian(p), prior]),
        start,
    )
    residuals, slope = held.residuals[:count], held.jacobian[:count]
    fit = Fit(held.values, held.covariance, residuals, slope, np.ones(count), float(np.sum(residuals**2)))
    return _Estimate(judge(slope, model.level), fit, prior)


def _starts(model: DriftModel) -> list[Floats]:
    """Zero, and the best of some rings of starting points about it."""
    zero = np.zeros(len(model.names))
    ring = [zero]
    for radius in STARTS_DEG:
        for angle in np.arange(0, 360, 45):
            point = zero.copy()
            point[0] = 60 * radius * math.cos(math.radians(angle)) / model.level
            point[1] = 60 * radius * math.sin(math.radians(angle))
            ring.append(point)
    best = min(ring, key=lambda p: float(np.sum(model.residuals(p) ** 2)))
    return [zero] if best is zero else [zero, best]


@dataclass(frozen=True)
class _Doubt:
    """Factor on the sigmas, where they come from, and what there is to say about it."""

    factor: float
    source: str
    p_value: float | None
    notes: tuple[Note, ...]


def _doubt(
    model: DriftModel,
    estimate: _Estimate,
    names: Sequence[str],
    used: Sequence[int],
    from_scatter: bool,
    robust: bool,
) -> _Doubt:
    """Judge whether the timings agree within their sigmas, and name the one that does not fit."""
    chi_square, free = estimate.chi_square, estimate.degrees_of_freedom
    chance = p_value(chi_square, free)
    notes: list[Note] = []
    for timing in used:
        weight = min((float(estimate.fit.weights[row]) for row in model.rows_of(timing)), default=1.0)
        if weight < 0.5:
            notes.append(
                Note("low-weight", f"{names[timing]} does not fit: its weight was lowered to {weight:.2f}")
            )
    if from_scatter:
        if chance is None:
            raise InputError(
                "the scatter of so few timings says nothing",
                "add a timing, or state the sigmas or --reading-error",
            )
        return _Doubt(scatter_factor(chi_square, free), "scatter", chance, tuple(notes))
    source = "assumed" if model.assumed else "stated"
    if chance is None:
        notes.append(Note("no-check", "just enough timings for an answer: one more would check them"))
        return _Doubt(1.0, source, None, tuple(notes))
    if chance >= DOUBT:
        return _Doubt(1.0, source, chance, tuple(notes))
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
    return _Doubt(factor, "scatter", chance, tuple(notes))


def _suspects(model: DriftModel, estimate: _Estimate, used: Sequence[int]) -> list[int]:
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
    estimate: _Estimate,
    doubt: _Doubt,
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
    model: DriftModel, estimate: _Estimate, covariance: Floats
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
            north_sigma_arcsec=_plain(sigma.get(("north", i), drift.north_sigma_arcsec)),
            east_arcsec=drift.east_arcsec,
            east_fitted_arcsec=float(east[i]),
            east_sigma_arcsec=_plain(sigma.get(("east", i), drift.east_sigma_arcsec)),
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
