"""What a solve says: one frozen result, always of the same shape, and its record."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from poleward.errors import Note
from poleward.sky.pole import Pole


@dataclass(frozen=True)
class FittedDrift:
    """One timing beside what the fitted axis would have made of it; arcsec, None where not measured."""

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

    @property
    def pull(self) -> float | None:
        """(measured - fitted) / sigma of the north drift."""
        return _pull(self.north_arcsec, self.north_fitted_arcsec, self.north_sigma_arcsec)

    @property
    def east_pull(self) -> float | None:
        """(measured - fitted) / sigma of the east drift."""
        return _pull(self.east_arcsec, self.east_fitted_arcsec, self.east_sigma_arcsec)


def _pull(measured: float | None, fitted: float, sigma: float | None) -> float | None:
    return None if measured is None or sigma is None else (measured - fitted) / sigma


@dataclass(frozen=True)
class Move:
    """What one knob must do.

    Attributes
    ----------
    knob : str
        ``azimuth`` or ``altitude``.
    move_arcmin : float
        Change of that angle of the axis; east and up positive.
    toward : str
        ``east``, ``west``, ``up`` or ``down``.
    turns : float or None
        Of the knob, never negative; None without knob data.
    direction : str or None
        ``clockwise`` or ``counter-clockwise``.
    star : StarMotion or None
        How a star moves in the field meanwhile.
    """

    knob: str
    move_arcmin: float
    toward: str
    turns: float | None = None
    direction: str | None = None
    star: StarMotion | None = None


@dataclass(frozen=True)
class StarMotion:
    """Motion of a star in the field while a knob turns; pixels only with a guide camera."""

    hour_angle_h: float
    dec_deg: float
    north_arcsec: float
    east_arcsec: float
    x_pix: float | None = None
    y_pix: float | None = None


@dataclass(frozen=True)
class FitSummary:
    """How well the timings agree.

    Attributes
    ----------
    measurements : int
        Timings used.
    values : int
        Drift components fitted: at most two per timing.
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


@dataclass(frozen=True)
class Solution:
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
    offset_arcmin, offset_sigma_arcmin : float or None
        Angle on the sky between axis and pole.
    site_latitude_deg : float
    combination : tuple of four float, or None
        Where neither is determined but one direction is: weights of (azimuth error on the sky, altitude error),
        the value of the weighted sum and its sigma, arcmin.
    fit : FitSummary
    drifts : tuple of FittedDrift
    moves : tuple of Move
    warnings : tuple of Note
    """

    pole: Pole
    determined: str
    azimuth_error_arcmin: float | None
    azimuth_sigma_arcmin: float | None
    altitude_error_arcmin: float | None
    altitude_sigma_arcmin: float | None
    correlation: float | None
    offset_arcmin: float | None
    offset_sigma_arcmin: float | None
    site_latitude_deg: float
    combination: tuple[float, float, float, float] | None
    fit: FitSummary
    drifts: tuple[FittedDrift, ...]
    moves: tuple[Move, ...]
    warnings: tuple[Note, ...] = field(default=())

    @property
    def reference(self) -> str:
        """What the errors are given against: ``apparent pole`` or ``true pole``."""
        return self.pole.reference

    @property
    def azimuth_error(self) -> Any:
        """Azimuth error as a Quantity, or None."""
        return _quantity(self.azimuth_error_arcmin)

    @property
    def azimuth_sigma(self) -> Any:
        """Its standard uncertainty as a Quantity, or None."""
        return _quantity(self.azimuth_sigma_arcmin)

    @property
    def altitude_error(self) -> Any:
        """Altitude error as a Quantity, or None."""
        return _quantity(self.altitude_error_arcmin)

    @property
    def altitude_sigma(self) -> Any:
        """Its standard uncertainty as a Quantity, or None."""
        return _quantity(self.altitude_sigma_arcmin)

    @property
    def offset(self) -> Any:
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
        record = {
            "record": "solution",
            "version": 1,
            "axis": {
                "reference": self.reference,
                "determined": self.determined,
                "azimuth_error_arcmin": self.azimuth_error_arcmin,
                "azimuth_sigma_arcmin": self.azimuth_sigma_arcmin,
                "altitude_error_arcmin": self.altitude_error_arcmin,
                "altitude_sigma_arcmin": self.altitude_sigma_arcmin,
                "correlation": self.correlation,
                "offset_arcmin": self.offset_arcmin,
                "offset_sigma_arcmin": self.offset_sigma_arcmin,
                "pole_altitude_deg": self.pole.altitude_deg,
                "latitude_deg": self.site_latitude_deg,
            },
            "fit": {
                "measurements": self.fit.measurements,
                "values": self.fit.values,
                "chi_square": self.fit.chi_square,
                "degrees_of_freedom": self.fit.degrees_of_freedom,
                "p_value": self.fit.p_value,
                "sigma_source": self.fit.sigma_source,
                "coverage_factor_95": self.fit.coverage_factor_95,
                "drive_rate_error_arcsec_per_s": self.fit.drive_rate_error_arcsec_per_s,
                "drive_rate_error_sigma_arcsec_per_s": self.fit.drive_rate_error_sigma_arcsec_per_s,
            },
            "drifts": [_drift_record(drift) for drift in self.drifts],
            "moves": [_move_record(move) for move in self.moves],
            "warnings": [{"code": note.code, "text": note.text} for note in self.warnings],
        }
        if self.combination is not None:
            names = ("azimuth_on_sky_weight", "altitude_weight", "value_arcmin", "sigma_arcmin")
            record["axis"]["combination"] = dict(zip(names, self.combination, strict=True))  # type: ignore[index]
        return record


def _quantity(value: float | None) -> Any:
    if value is None:
        return None
    from astropy import units

    return units.Quantity(value, "arcmin")


def _drift_record(drift: FittedDrift) -> dict[str, Any]:
    return {
        "label": drift.label,
        "used": drift.used,
        "hour_angle_h": drift.hour_angle_h,
        "dec_deg": drift.dec_deg,
        "altitude_deg": drift.altitude_deg,
        "duration_s": drift.duration_s,
        "north_arcsec": drift.north_arcsec,
        "north_fitted_arcsec": drift.north_fitted_arcsec,
        "north_sigma_arcsec": drift.north_sigma_arcsec,
        "pull": drift.pull,
        "east_arcsec": drift.east_arcsec,
        "east_fitted_arcsec": drift.east_fitted_arcsec,
        "east_sigma_arcsec": drift.east_sigma_arcsec,
        "east_pull": drift.east_pull,
        "weight": drift.weight,
    }


def _move_record(move: Move) -> dict[str, Any]:
    star = move.star
    return {
        "knob": move.knob,
        "move_arcmin": move.move_arcmin,
        "toward": move.toward,
        "turns": move.turns,
        "direction": move.direction,
        "star": None
        if star is None
        else {
            "hour_angle_h": star.hour_angle_h,
            "dec_deg": star.dec_deg,
            "north_arcsec": star.north_arcsec,
            "east_arcsec": star.east_arcsec,
            "x_pix": star.x_pix,
            "y_pix": star.y_pix,
        },
    }
