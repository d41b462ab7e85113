"""How timings are taken, and the stars they are of: every option of a solve, checked once."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from poleward.door import quantity
from poleward.errors import InputError, UsageError
from poleward.sky.axis import SIDEREAL_RATE, azimuth_altitude
from poleward.sky.look import TOO_LOW_DEG, Sight, look
from poleward.sky.pole import pole_name
from poleward.sky.site import Site
from poleward.solving.around import around, places_of
from poleward.solving.model import DriftModel, drift_model
from poleward.solving.rivals import FARTHEST_DEG
from poleward.timings.rows import Drift

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
    hint = "sidereal, king, solar, or as 15.0369 arcsec/s"
    try:
        value = quantity.parse(rate, quantity.DRIVE_RATE)
    except InputError as error:
        raise UsageError(f"drive rate: {error.message}", hint) from None
    if abs(value / RATES["sidereal"] - 1) > 0.01:
        raise UsageError(f"drive rate: {value:g} arcsec/s, allowed is 15.041 arcsec/s within 1 %", hint)
    return value


@dataclass(frozen=True)
class How:
    """How timings are taken: pole, drive rate and reading error in arcsec, pointing error in degrees."""

    pole: str
    rate: float
    reading: float
    pointing_deg: float
    allow_low: bool
    robust: bool = False
    from_scatter: bool = False

    def model(self, drifts: Sequence[Drift], site: Site) -> DriftModel:
        """Look at the stars and lay out the timings."""
        sight = sight_of(drifts, site, self.allow_low)
        doubtful = around(drifts, site, self.pole, self.pointing_deg)
        return drift_model(drifts, sight, self.pole, self.rate, self.reading, doubtful)


def how_of(
    pole: Any,
    drive_rate: Any,
    reading_error: Any,
    robust: bool,
    from_scatter: bool,
    allow_low: bool,
    pointing_error: Any,
) -> How:
    """Check each option.

    Raises
    ------
    UsageError
        Outside what is allowed, or two that do not go together.
    """
    if robust and from_scatter:
        raise UsageError(
            "robust and from-scatter do not go together: robust finds by itself how far the sigmas are to be widened",
            "give one",
        )
    reading, pointing_deg = _reading(reading_error), pointing_error_deg(pointing_error)
    return How(
        pole_name(pole), drive_rate_of(drive_rate), reading, pointing_deg, allow_low, robust, from_scatter
    )


def _reading(error: Any) -> float:
    reading = quantity.parse(error, quantity.SMALL_ANGLE, "", "reading error")
    if reading <= 0:
        raise UsageError(f"reading error: {reading:g} arcsec, allowed is more than 0")
    return reading


def pointing_error_deg(error: Any) -> float:
    """Check the standard uncertainty of hour angles and azimuths; degrees."""
    degrees = math.degrees(quantity.parse(error, quantity.ANGLE, "", "pointing error"))
    if not 0 <= degrees <= FARTHEST_DEG:
        raise UsageError(
            f"pointing error: {degrees:g} deg, allowed is 0 to {FARTHEST_DEG:g} deg",
            "0.5 deg of a circle read by eye",
        )
    return degrees


def sight_of(drifts: Sequence[Drift], site: Site, allow_low: bool) -> Sight:
    """Look at the starts and the ends of all timings; refuse stars that are used and stand too low."""
    blank = blank_of(drifts)
    if blank and not any(drift.used for drift in drifts):
        raise InputError(
            f"no drift is filled in yet: {', '.join(blank)}", "fill in north, or east, of each timing"
        )
    if not any(drift.used for drift in drifts):
        raise InputError("there is no timing to use", "two at different hour angles give both errors")
    sight = look(*places_of(drifts), site)
    lowest = np.degrees(np.min(azimuth_altitude(sight.seen[: len(drifts)])[1], axis=1))
    for drift, height in zip(drifts, lowest, strict=True):
        if drift.used and height < 0:
            raise InputError(
                f"the star is {-height:.1f} deg below the horizon",
                "check the signs of hour angle (west positive), dec, latitude and longitude (east positive), the time and "
                "its zone",
                drift.pointing.where,
            )
        if drift.used and height < TOO_LOW_DEG and not allow_low:
            raise InputError(
                f"the star stands at {height:.1f} deg, allowed is {TOO_LOW_DEG:.0f} deg or more",
                f"{'with ra: check time, zone and longitude (east positive); ' if drift.pointing.ra is not None else ''}"
                "refraction is not well known so low; --allow-low uses it all the same",
                drift.pointing.where,
            )
    return sight


def blank_of(drifts: Sequence[Drift]) -> list[str]:
    """Names of the timings whose drift is still to be filled in."""
    return [
        drift.label or drift.pointing.where or f"timing {number}"
        for number, drift in enumerate(drifts, 1)
        if drift.blank
    ]
