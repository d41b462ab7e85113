"""What a solve says: one frozen result, always of the same shape; what is determined, and nothing else.

Drifts and logs both end here.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from poleward.door.record import record_of
from poleward.door.show import Shown
from poleward.errors import Note
from poleward.sky.axis import ARCMIN, Floats, angle_between
from poleward.sky.doubt import air_drift
from poleward.sky.pole import Pole
from poleward.sky.site import Site
from poleward.solving.determine import AxisEstimate, Determined, pointing_to_add
from poleward.solving.fitted import FitSummary, FittedDrift
from poleward.solving.knobs import Move, Turning, moves_of

if TYPE_CHECKING:
    from astropy.units import Quantity


@dataclass(frozen=True)
class Combination:
    """A direction in which the axis is known: the weighted sum of both errors, its value and sigma."""

    azimuth_on_sky_weight: float
    altitude_weight: float
    value_arcmin: float
    sigma_arcmin: float


CONTRADICTION = "contradiction"
"""Code of the note that says so; there are no moves then."""
NORMAL_95 = 1.959964
"""Sigmas to either side that hold 95 % of a normal distribution; two hold 95.4 %."""
AXIS = (
    "reference", "determined", "azimuth_error_arcmin", "azimuth_sigma_arcmin", "altitude_error_arcmin",
    "altitude_sigma_arcmin", "azimuth_interval_95_arcmin", "altitude_interval_95_arcmin", "correlation",
    "offset_arcmin", "offset_sigma_arcmin", "pole_altitude_deg", "latitude_deg", "combination",
)  # fmt: skip
"""What a record says of the axis."""


@dataclass(frozen=True, repr=False)
class Solution(Shown):
    """The axis error and how sure it is.

    Attributes
    ----------
    pole : Pole
        That the errors are given against.
    determined : str
        ``both``, ``azimuth``, ``altitude`` or ``neither``.
    azimuth_error_arcmin, azimuth_sigma_arcmin : float or None
        East positive, an angle of azimuth; None where not determined.
    altitude_error_arcmin, altitude_sigma_arcmin : float or None
        Above the pole positive.
    correlation : float or None
        Of the two errors.
    azimuth_interval_95_arcmin, altitude_interval_95_arcmin : tuple of (low, high), or None
        In which the errors lie with 95 %; the two sides need not be alike.
    offset_arcmin, offset_sigma_arcmin : float or None
        Angle on the sky between axis and pole.
    site : Site
    combination : Combination or None
        Where neither is determined but one direction is.
    fit : FitSummary
    drifts : tuple of FittedDrift
    moves : tuple of Move
    warnings : tuple of Note
    reading_error_arcsec : float or None
        Of one reading, where sigmas were left to it.
    """

    pole: Pole
    determined: Determined
    azimuth_error_arcmin: float | None
    azimuth_sigma_arcmin: float | None
    altitude_error_arcmin: float | None
    altitude_sigma_arcmin: float | None
    azimuth_interval_95_arcmin: tuple[float, float] | None
    altitude_interval_95_arcmin: tuple[float, float] | None
    correlation: float | None
    offset_arcmin: float | None
    offset_sigma_arcmin: float | None
    site: Site
    combination: Combination | None
    fit: FitSummary
    drifts: tuple[FittedDrift, ...]
    moves: tuple[Move, ...]
    warnings: tuple[Note, ...] = ()
    reading_error_arcsec: float | None = None

    def __repr__(self) -> str:
        """Return both errors on one line."""
        known = [f"{name} {error:+.2f} +/- {sigma:.2f}" for name, (error, sigma) in errors_of(self).items()]
        shown = f"{', '.join(known)} arcmin" if known else "neither error determined"
        return f"<Solution: {shown} from the {self.reference}, {self.fit.measurements} measurements>"

    @property
    def reference(self) -> str:
        """What the errors are given against: ``apparent pole`` or ``true pole``."""
        return self.pole.reference

    @property
    def pole_altitude_deg(self) -> float:
        """Altitude of that pole."""
        return self.pole.altitude_deg

    @property
    def latitude_deg(self) -> float:
        """Latitude of the site."""
        return math.degrees(self.site.latitude_rad)

    @property
    def air_drift(self) -> tuple[tuple[float, float], ...]:
        """Altitudes, deg, and the fastest north drift there, arcsec/min, that the air makes with an axis on the pole."""
        return air_drift(self.site, self.pole.name)

    @property
    def contradictory(self) -> bool:
        """Whether the timings contradict each other, so that nothing should be turned."""
        return any(note.code == CONTRADICTION for note in self.warnings)

    @property
    def azimuth_error(self) -> Quantity | None:
        """Azimuth error as a Quantity, or None."""
        return _quantity(self.azimuth_error_arcmin)

    @property
    def azimuth_sigma(self) -> Quantity | None:
        """Its standard uncertainty as a Quantity, or None."""
        return _quantity(self.azimuth_sigma_arcmin)

    @property
    def altitude_error(self) -> Quantity | None:
        """Altitude error as a Quantity, or None."""
        return _quantity(self.altitude_error_arcmin)

    @property
    def altitude_sigma(self) -> Quantity | None:
        """Its standard uncertainty as a Quantity, or None."""
        return _quantity(self.altitude_sigma_arcmin)

    @property
    def offset(self) -> Quantity | None:
        """Angle on the sky between axis and pole as a Quantity, or None."""
        return _quantity(self.offset_arcmin)

    @property
    def covariance_arcmin2(self) -> tuple[tuple[float, float], tuple[float, float]] | None:
        """Covariance of (azimuth error, altitude error), arcmin^2; None unless both are determined."""
        sa, se, rho = self.azimuth_sigma_arcmin, self.altitude_sigma_arcmin, self.correlation
        if sa is None or se is None or rho is None:
            return None
        return ((sa * sa, rho * sa * se), (rho * sa * se, se * se))

    def to_record(self) -> dict[str, Any]:
        """Return the record of the result: plain numbers with their units in the names, ready for JSON."""
        axis = record_of(self, AXIS)
        if axis["combination"] is None:
            del axis["combination"]
        rest = record_of(self, ("fit", "drifts", "moves", "warnings"))
        return {"record": "solution", "version": 1, "axis": axis, **rest}


def errors_of(solution: Solution) -> dict[str, tuple[float, float]]:
    """Return the errors that are determined, ``azimuth`` before ``altitude``, each with its sigma; arcmin."""
    errors = {
        "azimuth": (solution.azimuth_error_arcmin, solution.azimuth_sigma_arcmin),
        "altitude": (solution.altitude_error_arcmin, solution.altitude_sigma_arcmin),
    }
    return {
        name: (error, sigma)
        for name, (error, sigma) in errors.items()
        if error is not None and sigma is not None
    }


def _quantity(value: float | None) -> Quantity | None:
    if value is None:
        return None
    from astropy import units

    return units.Quantity(value, "arcmin")


def solution_from(
    estimate: AxisEstimate,
    site: Site,
    fit: FitSummary,
    drifts: Sequence[FittedDrift],
    notes: Sequence[Note],
    turning: Turning | None = None,
    reading_error_arcsec: float | None = None,
) -> Solution:
    """Put together a solution: what is not determined becomes None, and a pointing that would help is named.

    `notes` are of timings and fit; the reading error, arcsec of one reading, is told where sigmas were left to it.
    """
    found = estimate.determination
    both = found.determined == "both"
    covariance = estimate.covariance
    sigma = np.sqrt(np.diag(covariance))
    azimuth = estimate.azimuth if found.determined in ("azimuth", "both") else None
    altitude = estimate.altitude if found.determined in ("altitude", "both") else None
    intervals = _intervals(estimate, sigma, fit.coverage_factor_95)
    offset, offset_sigma = _offset(estimate)
    advice = [] if both else [Note("add-pointing", pointing_to_add(found.worst, site).text)]
    return Solution(
        pole=estimate.pole,
        determined=found.determined,
        azimuth_error_arcmin=azimuth,
        azimuth_sigma_arcmin=None if azimuth is None else float(sigma[0]),
        altitude_error_arcmin=altitude,
        altitude_sigma_arcmin=None if altitude is None else float(sigma[1]),
        azimuth_interval_95_arcmin=None if azimuth is None else intervals[0],
        altitude_interval_95_arcmin=None if altitude is None else intervals[1],
        correlation=float(covariance[0, 1] / sigma[0] / sigma[1]) if both else None,
        offset_arcmin=offset if both else None,
        offset_sigma_arcmin=offset_sigma if both else None,
        site=site,
        combination=_combination(estimate),
        fit=fit,
        drifts=tuple(drifts),
        moves=()
        if any(note.code == CONTRADICTION for note in notes)
        else moves_of(azimuth, altitude, estimate.pole, site, turning or Turning()),
        warnings=(*notes, *advice),
        reading_error_arcsec=reading_error_arcsec,
    )


def _intervals(estimate: AxisEstimate, sigma: Floats, factor: float) -> list[tuple[float, float]]:
    """In which each error lies with 95 %: as found, or as many sigmas to either side."""
    if estimate.intervals is not None:
        return [(float(low), float(high)) for low, high in estimate.intervals]
    wide = factor * NORMAL_95 / 2 * sigma
    return [(float(at - off), float(at + off)) for at, off in zip(estimate.point, wide, strict=True)]


def _offset(estimate: AxisEstimate) -> tuple[float, float]:
    """Angle between axis and pole, and its sigma by linear propagation (JCGM 100:2008, eq. 13); arcmin."""
    pole, covariance = estimate.pole, estimate.covariance
    axis = pole.axis(estimate.azimuth, estimate.altitude)
    angle = float(angle_between(axis.elevated, pole.direction))
    if angle < 1e-9:  # on the pole every direction is as good as another: take the widest
        return angle / ARCMIN, float(np.sqrt(np.linalg.eigvalsh(covariance)[-1]))
    slopes = -pole.hemisphere * axis.d_north @ pole.direction
    gradient = slopes / math.sin(angle)
    return angle / ARCMIN, float(np.sqrt(gradient @ covariance @ gradient))


def _combination(estimate: AxisEstimate) -> Combination | None:
    """What is known where neither error is determined but one direction is."""
    found = estimate.determination
    if found.determined != "neither" or found.directions == 0:
        return None
    weights = found.best * (1 if found.best[int(np.argmax(np.abs(found.best)))] > 0 else -1)
    on_sky = weights * estimate.pole.on_sky
    value = float(on_sky @ np.array([estimate.azimuth, estimate.altitude]))
    sigma = float(np.sqrt(on_sky @ estimate.covariance @ on_sky))
    return Combination(float(weights[0]), float(weights[1]), value, sigma)
