"""What a fit leaves of its measurements: each timing beside the fitted one, and how well they agree."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from poleward.door.record import record_of


@dataclass(frozen=True)
class FittedDrift:
    """One timing beside what the fitted axis would have made of it; None where not measured."""

    label: str
    used: bool
    hour_angle_h: float
    dec_deg: float
    altitude_deg: float
    duration_s: float
    north_arcsec: float | None
    north_fitted_arcsec: float
    north_sigma_arcsec: float | None
    east_arcsec: float | None
    east_fitted_arcsec: float
    east_sigma_arcsec: float | None
    weight: float
    rotation_arcmin: float | None = None
    rotation_fitted_arcmin: float | None = None
    rotation_sigma_arcmin: float | None = None

    @property
    def pull(self) -> float | None:
        """(measured - fitted) / sigma of the north drift."""
        return _pull(self.north_arcsec, self.north_fitted_arcsec, self.north_sigma_arcsec)

    @property
    def east_pull(self) -> float | None:
        """(measured - fitted) / sigma of the east drift."""
        return _pull(self.east_arcsec, self.east_fitted_arcsec, self.east_sigma_arcsec)

    @property
    def rotation_pull(self) -> float | None:
        """(measured - fitted) / sigma of the field's rotation."""
        if self.rotation_fitted_arcmin is None:
            return None
        return _pull(self.rotation_arcmin, self.rotation_fitted_arcmin, self.rotation_sigma_arcmin)

    def to_record(self) -> dict[str, Any]:
        """Return plain numbers with their units in the names."""
        return {**record_of(self), **record_of(self, ("pull", "east_pull", "rotation_pull"))}


def _pull(measured: float | None, fitted: float, sigma: float | None) -> float | None:
    return None if measured is None or sigma is None else (measured - fitted) / sigma


@dataclass(frozen=True)
class FitSummary:
    """How well the timings agree.

    Attributes
    ----------
    measurements : int
        Timings used.
    values : int
        Components fitted: at most two of drift and one of rotation per timing.
    chi_square : float
    degrees_of_freedom : int
    p_value : float or None
        None without a degree of freedom.
    sigma_source : str
        ``stated``, ``assumed`` (reading error) or ``scatter`` (widened, or asked for).
    drive_rate_error_arcsec_per_s : float or None
        Where east drifts were fitted.
    drive_rate_error_sigma_arcsec_per_s : float or None
    coverage_factor_95 : float
        Sigmas to a 95.4 % interval: 2, or more where they come from the scatter of few timings.
    refraction_doubt : float
        Standard uncertainty of refraction, as a part of it, that the sigmas count.
    pointing_doubt_deg : float
        The same of hour angles and azimuths; nothing where there are none.
    drive_doubt_arcsec : float
        The same of how far the drive turned in a timing whose rotation is fitted; nothing where there is none.
    """

    measurements: int
    values: int
    chi_square: float
    degrees_of_freedom: int
    p_value: float | None
    sigma_source: str
    drive_rate_error_arcsec_per_s: float | None = None
    drive_rate_error_sigma_arcsec_per_s: float | None = None
    coverage_factor_95: float = 2.0
    refraction_doubt: float = 0.0
    pointing_doubt_deg: float = 0.0
    drive_doubt_arcsec: float = 0.0
