"""Timed drifts to the axis error: the exact model, fitted by weighted least squares."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from poleward.door import quantity
from poleward.errors import InputError, Note, UsageError
from poleward.sky.axis import SIDEREAL_RATE, azimuth_altitude
from poleward.sky.look import TOO_LOW_DEG, Sight, altitude_notes, look
from poleward.sky.pole import PoleName, pole_name
from poleward.sky.site import Site, site_of
from poleward.sky.sun import daylight_notes
from poleward.solving.estimate import Doubt, DriftFit, doubts, fit_axis
from poleward.solving.fitted import FitSummary
from poleward.solving.knobs import Turning
from poleward.solving.model import DriftModel, drift_model
from poleward.solving.solution import Solution, solution_from
from poleward.timings.drifts import Drifts, as_drifts
from poleward.timings.rows import Drift

if TYPE_CHECKING:
    from astropy.coordinates import EarthLocation
    from astropy.table import Table

    from poleward.door.quantity import Value

RATES = {"sidereal": SIDEREAL_RATE, "king": 15.03697, "solar": 15.0}
"""Drive rates, arcsec/s. King's mean rate, 1436.46 min a turn, is from memory (outside-checks E3)."""


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
    drifts: Sequence[Drift] | Table,
    site: Site | EarthLocation,
    *,
    pole: PoleName = "apparent",
    drive_rate: Value = "sidereal",
    reading_error: Value = "1 arcsec",
    robust: bool = False,
    from_scatter: bool = False,
    allow_low: bool = False,
    turning: Turning | None = None,
) -> Solution:
    """Find the axis error that explains timed drifts.

    Parameters
    ----------
    drifts : Drifts, sequence of Drift, or Table
        From `read_drifts` or `Drifts.from_rows`; of a table as `Drifts.from_table` makes them.
    site : Site or EarthLocation
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
    turning : Turning, optional
        The mount's knobs, and a star that is watched while they are turned.

    Returns
    -------
    Solution

    Raises
    ------
    InputError
        No usable timing, or a star below the horizon or too low.
    UsageError
        An option outside what is allowed, or (`WrongTypeError`) of a type that is not taken.
    """
    site, drifts = site_of(site), as_drifts(drifts)
    options = pole_name(pole), drive_rate_of(drive_rate), _reading(reading_error)
    sight = _sight(drifts, site, allow_low)
    model = drift_model(drifts, sight, *options)
    found = fit_axis(model, robust)
    doubt = doubts(model, found, from_scatter=from_scatter, robust=robust)
    notes = [*_sight_notes(model, site), *doubt.notes]
    return solution_from(
        found.widened(doubt.factor),
        site,
        _summary(model, found, doubt),
        model.table(found.fit),
        notes,
        turning,
        options[-1],
    )


def _reading(error: Any) -> float:
    reading = quantity.parse(error, quantity.SMALL_ANGLE, "", "reading error")
    if reading <= 0:
        raise UsageError(f"reading error: {reading:g} arcsec, allowed is more than 0")
    return reading


def _sight(drifts: Drifts, site: Site, allow_low: bool) -> Sight:
    """Look at the starts and the ends of all timings; refuse stars that are used and stand too low."""
    blank = _blank(drifts)
    if blank and not any(drift.used for drift in drifts):
        raise InputError(
            f"no drift is filled in yet: {', '.join(blank)}", "fill in north, or east, of each timing"
        )
    if not any(drift.used for drift in drifts):
        raise InputError("there is no timing to use", "two at different hour angles give both errors")
    ends = np.array([[0.0, drift.duration_s] for drift in drifts])
    sight = look([drift.pointing for drift in drifts], ends, site)
    lowest = np.degrees(np.min(azimuth_altitude(sight.seen)[1], axis=1))
    for drift, height in zip(drifts, lowest, strict=True):
        if drift.used and height < 0:
            raise InputError(
                f"the star is {-height:.1f} deg below the horizon",
                "check the signs of hour angle (west positive), dec and latitude, and the time",
                drift.pointing.where,
            )
        if drift.used and height < TOO_LOW_DEG and not allow_low:
            raise InputError(
                f"the star stands at {height:.1f} deg, allowed is {TOO_LOW_DEG:.0f} deg or more",
                "refraction is not well known so low; --allow-low uses it all the same",
                drift.pointing.where,
            )
    return sight


def _blank(drifts: Sequence[Drift]) -> list[str]:
    """Names of the timings whose drift is still to be filled in."""
    return [
        drift.label or drift.pointing.where or f"timing {number}"
        for number, drift in enumerate(drifts, 1)
        if drift.north_arcsec is None and drift.east_arcsec is None
    ]


def _sight_notes(model: DriftModel, site: Site) -> list[Note]:
    """Say what is doubtful about the stars and what is measured of them."""
    notes = [*model.sight.notes]
    names = [model.name(i) for i in model.used]
    notes += altitude_notes(model.sight, site, names, model.used)
    notes += daylight_notes([model.drifts[i].pointing for i in model.used], names, site)
    blank = _blank(model.drifts)
    if blank:
        notes.append(Note("blank", f"still blank, and not used: {', '.join(blank)}"))
    if sum(model.drifts[i].east_arcsec is not None for i in model.used) == 1:
        notes.append(Note("east-alone", "one east drift alone tells only the drive rate, so it is not used"))
    return notes


def _summary(model: DriftModel, found: DriftFit, doubt: Doubt) -> FitSummary:
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
    )
