"""The drift model: timings as arrays beside what an axis with given errors would make of them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from poleward.errors import InputError
from poleward.sky.axis import ARCSEC, Displacement, Floats, displacement
from poleward.sky.doubt import air_doubt, aside, pole_doubt_arcmin, thicker
from poleward.sky.look import Pointing, Sight, look
from poleward.sky.pole import Pole
from poleward.sky.site import Site
from poleward.solving.determine import AxisEstimate, judge
from poleward.solving.fitted import FittedDrift
from poleward.solving.least_squares import Fit, Problem, followed
from poleward.timings.rows import Drift


@dataclass(frozen=True, eq=False)
class Around:
    """The sky as it might be.

    Attributes
    ----------
    thick : Sight or None
        The stars in air that refracts one standard uncertainty more.
    aside : Sight or None
        The stars one standard uncertainty of the pointing to the west or clockwise.
    which : tuple of int
        Timings whose pointing is in doubt.
    pole_arcmin : float
        Standard uncertainty of the pole's own lift by the formula.
    """

    thick: Sight | None = None
    aside: Sight | None = None
    which: tuple[int, ...] = ()
    pole_arcmin: float = 0.0


def around(pointings: Sequence[Pointing], ends: Floats, site: Site, pole: str, pointing_deg: float) -> Around:
    """Look at the sky as it might be.

    Parameters
    ----------
    pointings : sequence of N Pointing
    ends : array (N, 2)
        Seconds at which each timing begins and ends.
    site : Site
    pole : {"apparent", "true"}
    pointing_deg : float
        Standard uncertainty of hour angles and azimuths.
    """
    thick = look(pointings, ends, thicker(site)) if air_doubt(site.air) else None
    moved, which = aside(pointings, pointing_deg)
    return Around(
        thick,
        look(moved, ends, site) if pointing_deg and which else None,
        tuple(which if pointing_deg else ()),
        pole_doubt_arcmin(site) if pole == "apparent" else 0.0,
    )


@dataclass(frozen=True, eq=False)
class DriftModel:
    """N timings, the drifts measured in them, and the exact model of both.

    Parameters of the model are A and e in arcmin and, where east drifts are fitted, the error of the drive rate
    in arcsec/s (positive: the drive runs fast).

    Attributes
    ----------
    drifts : tuple of N Drift
        As they were timed.
    sight : Sight
        Where the stars were seen at the start and the end of each timing.
    pole : Pole
        That the errors refer to.
    duration, turn : array (N,)
        Seconds, and the angle the drive was meant to turn, radians.
    north_rows, east_rows : tuple of int
        Timings whose north and east drift are fitted.
    data, sigma : array (n,)
        North drifts, then east drifts, arcsec.
    assumed : bool
        Whether any sigma was left to the reading error.
    around : Around
        The sky as it might be.
    """

    drifts: tuple[Drift, ...]
    sight: Sight
    pole: Pole
    duration: Floats
    turn: Floats
    north_rows: tuple[int, ...]
    east_rows: tuple[int, ...]
    data: Floats
    sigma: Floats
    assumed: bool
    around: Around

    @property
    def names(self) -> list[str]:
        """Names of the parameters."""
        return ["azimuth", "altitude", "drive"][: 3 if self.east_rows else 2]

    @property
    def used(self) -> list[int]:
        """Timings that are to be fitted."""
        return [i for i, drift in enumerate(self.drifts) if drift.used]

    def name(self, timing: int) -> str:
        """What to call a timing."""
        return self.drifts[timing].label or f"timing {timing + 1}"

    @property
    def rows(self) -> list[int]:
        """The timing of every value in `data`."""
        return [*self.north_rows, *self.east_rows]

    def rows_of(self, timing: int) -> list[int]:
        """Places of one timing's drifts in `data`."""
        return [i for i, row in enumerate(self.rows) if row == timing]

    def _moved(self, p: Floats, sight: Sight | None = None) -> Displacement:
        sight = sight or self.sight
        # The axis is as far from the pole that is seen, wherever the air puts it.
        axis = (
            self.pole.axis(p[0], p[1]) if sight is self.sight else sight.pole(self.pole.name).axis(p[0], p[1])
        )
        extra = p[2] * ARCSEC * self.duration if len(p) > 2 else 0.0
        return displacement(axis, sight.seen[:, 0], sight.seen[:, 1], self.turn + extra)

    def drift(self, p: Floats) -> tuple[Floats, Floats]:
        """North and east drift of all N timings, arcsec."""
        moved = self._moved(p)
        return moved.north / ARCSEC, moved.east / ARCSEC

    def judged(self, fit: Fit) -> AxisEstimate:
        """Return what a fit tells of the axis: errors, information, levers and what they determine."""
        slope = fit.jacobian * np.sqrt(fit.weights)[:, None]
        alone = slope[:, :2] - slope[:, 2:] @ followed(slope.T @ slope)
        fastest = 60 * self.turn[self.rows] / self.sigma  # one arcminute, in sigmas
        lever = alone / self.pole.on_sky / fastest[:, None]
        azimuth, altitude = (float(value) for value in fit.values[:2])
        information = fit.information()
        return AxisEstimate(
            azimuth, altitude, information, judge(information, lever, self.pole), lever, self.pole
        )

    def _values(self, p: Floats, sight: Sight | None = None) -> Floats:
        """Drifts modelled for every value in `data`, in sigmas."""
        moved = self._moved(p, sight)
        by = np.concatenate([moved.north[list(self.north_rows)], moved.east[list(self.east_rows)]])
        result: Floats = by / ARCSEC / self.sigma
        return result

    def residuals(self, p: Floats) -> Floats:
        """(model - data) / sigma, (n,)."""
        return self._values(p) - self.data / self.sigma

    def doubts(self, p: Floats) -> Floats:
        """What one standard uncertainty of the air, of the pole's lift and of each pointing would do, (n, k), in sigmas."""
        plain, columns = self._values(p), []
        if self.around.thick is not None:
            columns.append(self._values(p, self.around.thick) - plain)
        if self.around.pole_arcmin:
            columns.append(self.jacobian(p)[:, 1] * self.around.pole_arcmin)
        if self.around.aside is not None:
            by = self._values(p, self.around.aside) - plain
            columns += [np.where(np.array(self.rows) == i, by, 0.0) for i in self.around.which]
        return np.stack(columns, axis=-1) if columns else np.zeros((len(plain), 0))

    def problem(self, doubts: Floats, prior: Floats | None = None) -> Problem:
        """Return the fit to be made."""
        return Problem(self.names, self.residuals, self.jacobian, prior, doubts)

    def jacobian(self, p: Floats) -> Floats:
        """Exact derivatives of the residuals, (n, p)."""
        moved = self._moved(p)
        rows = self.rows
        by = np.concatenate([moved.north_by[list(self.north_rows)], moved.east_by[list(self.east_rows)]])
        # Radians per radian is arcsec per arcsec; A and e are in arcmin, a rate error counts for the duration.
        scale = np.stack([np.full(len(rows), 60.0), np.full(len(rows), 60.0), self.duration[rows]], axis=1)
        result: Floats = (by * scale)[:, : len(p)] / self.sigma[:, None]
        return result

    def table(self, fit: Fit) -> tuple[FittedDrift, ...]:
        """All timings beside what the fitted axis, and the doubts' shares, would have made of them."""
        north, east = self.drift(fit.values)
        fitted, split = self.data + self.sigma * fit.residuals, len(self.north_rows)
        north[list(self.north_rows)], east[list(self.east_rows)] = fitted[:split], fitted[split:]
        north_sigma = dict(zip(self.north_rows, self.sigma, strict=False))
        east_sigma = dict(zip(self.east_rows, self.sigma[split:], strict=True))
        sight = self.sight

        def sigma(known: dict[int, float], i: int, stated: float | None) -> float | None:
            return float(known[i]) if i in known else None if self.drifts[i].used else stated

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
                north_sigma_arcsec=sigma(north_sigma, i, drift.north_sigma_arcsec),
                east_arcsec=drift.east_arcsec,
                east_fitted_arcsec=float(east[i]),
                east_sigma_arcsec=sigma(east_sigma, i, drift.east_sigma_arcsec),
                weight=min((float(fit.weights[row]) for row in self.rows_of(i)), default=0.0),
            )
            for i, drift in enumerate(self.drifts)
        )


def drift_model(
    drifts: Sequence[Drift],
    sight: Sight,
    pole: str,
    rate_arcsec_per_s: float,
    reading_arcsec: float,
    around: Around | None = None,
) -> DriftModel:
    """Lay out timings for the fit.

    Parameters
    ----------
    drifts : sequence of N Drift
    sight : Sight
        Of their starts and ends.
    pole : {"apparent", "true"}
    rate_arcsec_per_s : float
        Drive rate.
    reading_arcsec : float
        Standard uncertainty of one reading, for drifts without a stated sigma.
    around : Around, optional
        Left out: nothing is in doubt.

    Raises
    ------
    InputError
        There is nothing to fit.
    """
    duration = np.array([drift.duration_s for drift in drifts])
    north_rows = [i for i, drift in enumerate(drifts) if drift.used and drift.north_arcsec is not None]
    east_rows = [i for i, drift in enumerate(drifts) if drift.used and drift.east_arcsec is not None]
    if len(east_rows) < 2:
        east_rows = []  # a single one tells the drive rate and nothing else
    if not north_rows and not east_rows:
        raise InputError("there is no drift to fit", "give the north drift at two hour angles at least")
    measured = [(drifts[i].north_arcsec, drifts[i].north_sigma_arcsec) for i in north_rows]
    measured += [(drifts[i].east_arcsec, drifts[i].east_sigma_arcsec) for i in east_rows]
    default = reading_arcsec * math.sqrt(2)  # a drift is the difference of two readings
    return DriftModel(
        tuple(drifts),
        sight,
        sight.pole(pole),
        duration,
        rate_arcsec_per_s * ARCSEC * duration,
        tuple(north_rows),
        tuple(east_rows),
        np.array([value for value, _ in measured], float),
        np.array([default if sigma is None else sigma for _, sigma in measured], float),
        any(sigma is None for _, sigma in measured),
        around or Around(),
    )
