"""The drift model: timings, and how their fields turned, as arrays beside what an axis with given errors would make of them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from poleward.errors import InputError
from poleward.sky.axis import ARCSEC, Floats, displacement
from poleward.sky.doubt import DRIVE_ARCSEC
from poleward.sky.fieldturn import field_turn
from poleward.sky.look import Sight
from poleward.sky.pole import Pole
from poleward.solving.around import Around, beside_of, turning
from poleward.solving.determine import AxisEstimate, judge
from poleward.solving.fitted import FittedDrift
from poleward.solving.least_squares import Fit, Problem, followed
from poleward.timings.rows import Drift

Made = tuple[Floats, Floats, Floats, Floats]
"""North and east drift of all N timings, and what is in `data` (n,), radians, with its slopes (n, 3)."""


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
        Where the stars were seen at the start and the end of each timing, and the places beside them; see `places_of`.
    pole : Pole
        That the errors refer to.
    duration, turn : array (N,)
        Seconds, and the angle the drive was meant to turn, radians.
    north_rows, east_rows : tuple of int
        Timings whose north and east drift are fitted.
    turn_rows : tuple of int
        Timings whose field rotation is fitted.
    data, sigma : array (n,)
        North drifts, then east drifts, then rotations, arcsec.
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
    turn_rows: tuple[int, ...]
    data: Floats
    sigma: Floats
    assumed: bool
    around: Around
    _last: dict[bytes, Made] = field(default_factory=dict, init=False, repr=False)

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
        return [*self.north_rows, *self.east_rows, *self.turn_rows]

    def rows_of(self, timing: int) -> list[int]:
        """Places of one timing's values in `data`."""
        return [i for i, row in enumerate(self.rows) if row == timing]

    def _made(self, p: Floats) -> Made:
        """What an axis makes; the last is kept, for a fit asks for residuals and slopes at the same place."""
        key = p.tobytes()
        made = self._last.get(key)
        if made is None:
            made = self._made_under(self.sight, p)
            self._last.clear()
            self._last[key] = made
        return made

    def _made_under(self, sight: Sight, p: Floats) -> Made:
        # The axis is as far from the pole that is seen, wherever the air puts it.
        axis = sight.pole(self.pole.name).axis(p[0], p[1])
        turn = self.turn + (p[2] * ARCSEC * self.duration if len(p) > 2 else 0.0)
        north, east, field = map(list, (self.north_rows, self.east_rows, self.turn_rows))
        count = len(self.drifts)
        seen = sight.seen[:count]
        moved = displacement(axis, seen[:, 0], seen[:, 1], turn)
        values, slopes = [moved.north[north], moved.east[east]], [moved.north_by[north], moved.east_by[east]]
        if field:
            turned, turned_by = field_turn(axis, seen[field, 0], beside_of(sight, count), turn[field])
            values.append(turned)
            slopes.append(turned_by)
        return moved.north, moved.east, np.concatenate(values), np.concatenate(slopes)

    def drift(self, p: Floats) -> tuple[Floats, Floats]:
        """North and east drift of all N timings, arcsec."""
        north, east, _, _ = self._made(p)
        return north / ARCSEC, east / ARCSEC

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
        """What an axis makes of every value in `data`, in sigmas."""
        made = self._made(p) if sight is None else self._made_under(sight, p)
        result: Floats = made[2] / ARCSEC / self.sigma
        return result

    def residuals(self, p: Floats) -> Floats:
        """(model - data) / sigma, (n,)."""
        return self._values(p) - self.data / self.sigma

    def doubts(self, p: Floats) -> Floats:
        """What one standard uncertainty of the air, of the pole's lift, of each pointing and, where a rotation is fitted, of
        how far the drive turned would do, (n, k), in sigmas.
        """
        plain, columns = self._values(p), []
        timing = np.array(self.rows)
        if self.around.thick is not None:
            columns.append(self._values(p, self.around.thick) - plain)
        if self.around.pole_arcmin:
            columns.append(self.jacobian(p)[:, 1] * self.around.pole_arcmin)
        if self.around.aside is not None:
            by = self._values(p, self.around.aside) - plain
            columns += [np.where(timing == i, by, 0.0) for i in self.around.which]
        if self.turn_rows:
            by = self._made(p)[3][:, 2] * DRIVE_ARCSEC / self.sigma
            columns += [np.where(timing == i, by, 0.0) for i in self.turn_rows]
        return np.stack(columns, axis=-1) if columns else np.zeros((len(plain), 0))

    def problem(self, doubts: Floats, prior: Floats | None = None) -> Problem:
        """Return the fit to be made."""
        return Problem(self.names, self.residuals, self.jacobian, prior, doubts)

    def jacobian(self, p: Floats) -> Floats:
        """Exact derivatives of the residuals, (n, p)."""
        rows, by = self.rows, self._made(p)[3]
        # Radians per radian is arcsec per arcsec; A and e are in arcmin, a rate error counts for the duration.
        scale = np.stack([np.full(len(rows), 60.0), np.full(len(rows), 60.0), self.duration[rows]], axis=1)
        result: Floats = (by * scale)[:, : len(p)] / self.sigma[:, None]
        return result

    def table(self, fit: Fit) -> tuple[FittedDrift, ...]:
        """All timings beside what the fitted axis, and the doubts' shares, would have made of them."""
        north, east = self.drift(fit.values)
        fitted, split = self.data + self.sigma * fit.residuals, len(self.north_rows)
        turns = split + len(self.east_rows)
        north[list(self.north_rows)], east[list(self.east_rows)] = fitted[:split], fitted[split:turns]
        north_sigma = dict(zip(self.north_rows, self.sigma, strict=False))
        east_sigma = dict(zip(self.east_rows, self.sigma[split:], strict=False))
        rotation = dict(zip(self.turn_rows, fitted[turns:], strict=True))
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
                rotation_arcmin=drift.rotation_arcmin,
                rotation_fitted_arcmin=float(rotation[i]) / 60 if i in rotation else None,
                rotation_sigma_arcmin=drift.rotation_sigma_arcmin,
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
    sight : Sight
        Of their starts and ends, as of `places_of`.
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
    turn_rows = turning(drifts)
    if len(east_rows) < 2 and not set(east_rows) & set(turn_rows):
        east_rows = []  # a single one tells the drive rate and nothing else, unless a rotation hangs on it
    if not north_rows and not east_rows and not turn_rows:
        raise InputError("there is no drift to fit", "give the north drift at two hour angles at least")
    measured = [(drifts[i].north_arcsec, drifts[i].north_sigma_arcsec) for i in north_rows]
    measured += [(drifts[i].east_arcsec, drifts[i].east_sigma_arcsec) for i in east_rows]
    measured += [
        (60 * (drifts[i].rotation_arcmin or 0.0), 60 * (drifts[i].rotation_sigma_arcmin or 0.0))
        for i in turn_rows
    ]
    default = reading_arcsec * math.sqrt(2)  # a drift is the difference of two readings
    return DriftModel(
        tuple(drifts),
        sight,
        sight.pole(pole),
        duration,
        rate_arcsec_per_s * ARCSEC * duration,
        tuple(north_rows),
        tuple(east_rows),
        tuple(turn_rows),
        np.array([value for value, _ in measured], float),
        np.array([default if sigma is None else sigma for _, sigma in measured], float),
        any(sigma is None for _, sigma in measured),
        around or Around(),
    )
