"""What a timing of some minutes at some pointing will tell: the expected covariance of the very same solver.

Two things limit it: how well the star's place is read, which more minutes mend, and how well the air is known, which
they do not. How well refraction is known is the solver's own `doubt.air_doubt`, the same for all pointings of an evening: it
is one and the same air. What it does to the answer is what the solver makes of drifts in slightly thicker air.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from poleward.errors import InputError
from poleward.sky.axis import SIDEREAL_RATE, Floats, angle_between, azimuth_altitude
from poleward.sky.doubt import thicker
from poleward.sky.look import Pointing, look
from poleward.sky.site import Site
from poleward.solving.least_squares import covariance_of
from poleward.solving.model import DriftModel, drift_model
from poleward.timings.rows import Drift

SUN_KEEP_OUT_DEG = 30.0
"""By day no pointing is proposed nearer to the Sun than this (common practice, no source): a slip of the hand, or a goto
with a wrong clock, must not reach it."""
NOMINAL_S = 300.0
"""Length of timing at which pointings are compared; the minutes are then set by the exact model."""
LASTING_ARCSEC, LASTING_S = 0.5, 30.0
"""What lasts from frame to frame, where no log tells it: that of the simulated nights (docs/noise-model.md), whose range is
0.3 to 1 arcsec over 10 to 120 s; no published source. Left out, plans promised half of what nights gave
(docs/experiments/plan_noise.py)."""
SHORTEST_PART = 0.02
"""Of the correlation's time: the formula loses its digits below; a timing of a minute is shorter only beyond 50 minutes."""
Mask = NDArray[np.bool_]
FWHM_PER_SIGMA = 2 * math.sqrt(2 * math.log(2))


@dataclass(frozen=True)
class Reader:
    """How the star's place is read.

    Attributes
    ----------
    scatter_arcsec : float
        Standard uncertainty of one reading of one coordinate, new in every reading.
    cadence_s : float or None
        Time between readings of a camera; None for an eyepiece, read at the beginning and the end only.
    lasting_arcsec, lasting_s : float
        Of a camera: the part that lasts from frame to frame (wind, gears, slow air), and the time after which its
        correlation has fallen to 1/e.
    """

    scatter_arcsec: float
    cadence_s: float | None = None
    lasting_arcsec: float = 0.0
    lasting_s: float = LASTING_S

    @classmethod
    def of_seeing(cls, seeing_arcsec: float, cadence_s: float) -> Reader:
        """Return a camera under some seeing (full width at half maximum of a star's long exposure).

        In a short exposure through a small telescope the star dances; over time it fills the seeing disc. Its place
        then scatters by at most that disc's sigma, FWHM / 2.355 (of a normal distribution).
        """
        return cls(seeing_arcsec / FWHM_PER_SIGMA, cadence_s, LASTING_ARCSEC)

    @classmethod
    def of_record(cls, record: Any, where: str = "record") -> Reader:
        """Return a camera whose noise is that of the middling section of a guide log's record.

        Raises
        ------
        InputError
            The record holds no section whose noise was fitted.
        """
        found = []
        for section in record.get("sections") or () if isinstance(record, dict) else ():
            noise = section.get("noise")
            if noise and section.get("rows_used") and section.get("duration_s"):
                white, lasting, time = (
                    float(noise[name]) for name in ("white_arcsec", "correlated_arcsec", "correlation_time_s")
                )
                cadence = section["duration_s"] / section["rows_used"]
                found.append((lasting * math.sqrt(time), cls(white, cadence, lasting, time)))
        if not found:
            hint = "poleward log --output log.json writes one"
            raise InputError("this record holds no section with its noise", hint, where)
        return sorted(found, key=lambda one: one[0])[len(found) // 2][1]

    def sigma(self, seconds: Floats | float) -> Floats:
        """Standard uncertainty, arcsec, of the drift in a timing: of a straight line through N equal steps.

        Of what is new in each reading scatter sqrt(12 (N - 1) / (N (N + 1))), from the variance of a regression
        slope; sqrt(2) scatter for N = 2. Of what lasts, correlated as exp(-t / T), with a = duration / T:
        the variance 288 lasting^2 (1 / (12 a) - 1 / (4 a^2) + 1 / a^4 - exp(-a) (1 / (4 a^2) + 1 / a^3 + 1 / a^4)),
        the double integral of 12 (u - 1/2) 12 (v - 1/2) exp(-a |u - v|) over the timing; 24 lasting^2 / a where a is
        large.
        """
        seconds = np.asarray(seconds, float)
        if self.cadence_s is None:
            return np.full(seconds.shape, math.sqrt(2) * self.scatter_arcsec)
        count = np.maximum(seconds / self.cadence_s + 1, 2.0)
        variance = self.scatter_arcsec**2 * 12 * (count - 1) / (count * (count + 1))
        if self.lasting_arcsec:
            a = np.maximum(seconds / self.lasting_s, SHORTEST_PART)
            ends = np.exp(-a) * (1 / (4 * a**2) + 1 / a**3 + 1 / a**4)
            variance = variance + 288 * self.lasting_arcsec**2 * (
                1 / (12 * a) - 1 / (4 * a**2) + 1 / a**4 - ends
            )
        sigma: Floats = np.sqrt(variance)
        return sigma


@dataclass(frozen=True)
class Blocked:
    """A sector of the horizon where nothing is seen up to some altitude; degrees, from north through east."""

    begin_deg: float
    end_deg: float
    up_to_deg: float = 90.0

    def hides(self, azimuth_deg: Floats, altitude_deg: Floats) -> Mask:
        """Whether directions lie in it, a bool array; a sector may run through north."""
        width = (self.end_deg - self.begin_deg) % 360 or 360.0
        inside: Mask = ((azimuth_deg - self.begin_deg) % 360 <= width) & (altitude_deg < self.up_to_deg)
        return inside


@dataclass(frozen=True, eq=False)
class OpenSky:
    """Where a telescope may be pointed; `suns` (K, 3): where the Sun is seen by day during the work, None at night."""

    lowest_deg: float
    blocked: tuple[Blocked, ...] = ()
    suns: Floats | None = None

    def shows(self, seen: Floats) -> Mask:
        """Whether directions (..., 3) may be pointed at, a bool array (...)."""
        azimuth, altitude = (np.degrees(angle) for angle in azimuth_altitude(seen))
        good: Mask = altitude >= self.lowest_deg
        for sector in self.blocked:
            good = good & ~sector.hides(azimuth, altitude)
        for sun in self.suns if self.suns is not None else ():
            good = good & (
                np.degrees(angle_between(seen, np.broadcast_to(sun, seen.shape))) > SUN_KEEP_OUT_DEG
            )
        return good


@dataclass(frozen=True)
class Bench:
    """The site in its air and in slightly thicker air, and how the star is read: what all expectations need."""

    site: Site
    reader: Reader
    pole: str

    @cached_property
    def thick(self) -> Site:
        """The site in thicker air."""
        return thicker(self.site)

    def _model(self, hour_angle: Floats, dec: Floats, seconds: Floats, site: Site) -> DriftModel:
        drifts = [
            Drift(Pointing(hour_angle=float(h), dec=float(d)), float(s), 0.0, north_sigma_arcsec=float(sigma))
            for h, d, s, sigma in zip(hour_angle, dec, seconds, self.reader.sigma(seconds), strict=True)
        ]
        ends = np.stack([np.zeros(len(drifts)), seconds], axis=-1)
        sight = look([drift.pointing for drift in drifts], ends, site)
        return drift_model(drifts, sight, self.pole, SIDEREAL_RATE, 1.0)

    def covariance(self, hour_angle: Floats, dec: Floats, seconds: Floats) -> tuple[Floats, float]:
        """Expected covariance (2, 2) of azimuth and altitude error, arcmin^2, and the pole's level.

        Hour angle and dec (n,) are at the starts, radians, and `seconds` the lengths; two pointings or more.
        """
        model = self._model(hour_angle, dec, seconds, self.site)
        thick = self._model(hour_angle, dec, seconds, self.thick)
        zero = np.zeros(2)
        jacobian = model.jacobian(zero)
        covariance = covariance_of(jacobian)
        extra = (thick.drift(zero)[0] - model.drift(zero)[0]) / model.sigma
        shift = covariance @ jacobian.T @ extra
        result: Floats = covariance + np.outer(shift, shift)
        return result, model.pole.level

    def rows(self, hour_angle: Floats, dec: Floats, star: NDArray[np.intp] | None = None) -> DriftRows:
        """What a minute at each pointing shows."""
        seconds = np.full(len(hour_angle), NOMINAL_S)
        model = self._model(hour_angle, dec, seconds, self.site)
        thick = self._model(hour_angle, dec, seconds, self.thick)
        zero, minutes = np.zeros(2), NOMINAL_S / 60
        slope = model.jacobian(zero) * model.sigma[:, None] / model.pole.on_sky / minutes
        doubt = (thick.drift(zero)[0] - model.drift(zero)[0]) / minutes
        nobody = np.full(len(dec), -1) if star is None else star
        return DriftRows(hour_angle, dec, slope, doubt, model.sight.seen[:, 0], nobody)


@dataclass(frozen=True, eq=False)
class DriftRows:
    """Pointings, and what their drifts show.

    Attributes
    ----------
    hour_angle, dec : array (M,)
        Radians.
    slope : array (M, 2)
        North drift, arcsec/min, of one arcmin of azimuth error on the sky and of altitude error.
    doubt : array (M,)
        North drift, arcsec/min, that doubt about the air leaves open.
    seen : array (M, 3)
        At the start.
    star : array (M,)
        Which bundled star stands there; -1: any place in the sky.
    """

    hour_angle: Floats
    dec: Floats
    slope: Floats
    doubt: Floats
    seen: Floats
    star: NDArray[np.intp]

    def taken(self, index: NDArray[np.intp]) -> DriftRows:
        """Return some of the rows."""
        return DriftRows(*(getattr(self, name)[index] for name in self.__dataclass_fields__))


def worst_sigma(slope: Floats, doubt: Floats, minutes: Floats, reader: Reader) -> Floats:
    """Largest standard uncertainty of the axis in any direction on the sky, arcmin (...), of slopes (..., n, 2), doubts and
    minutes (..., n); vectorised.
    """
    weight = (minutes / reader.sigma(60 * minutes)) ** 2
    azimuth, altitude = slope[..., 0], slope[..., 1]
    a, b, c, u, v = (
        np.einsum("...n,...n->...", weight, product)
        for product in (azimuth**2, azimuth * altitude, altitude**2, azimuth * doubt, altitude * doubt)
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        size = a * c - b * b
        x, y = (c * u - b * v) / size, (a * v - b * u) / size
        p, q, r = c / size + x * x, -b / size + x * y, a / size + y * y
        largest = (p + r) / 2 + np.hypot((p - r) / 2, q)
        sigma: Floats = np.where(size > 1e-12 * a * c, np.sqrt(largest), np.inf)
    return sigma


def on_sky(covariance: Floats, level: float) -> float:
    """Largest standard uncertainty in any direction on the sky of a covariance of (azimuth, altitude) error."""
    scale = np.array([level, 1.0])
    return math.sqrt(float(np.linalg.eigvalsh(covariance * np.outer(scale, scale))[-1]))
