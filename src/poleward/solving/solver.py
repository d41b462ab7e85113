"""Timed drifts to the axis error: the exact model, fitted by weighted least squares."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from poleward.door import quantity
from poleward.errors import InputError, Note, UsageError
from poleward.sky.axis import SIDEREAL_RATE, Floats, azimuth_altitude
from poleward.sky.doubt import air_doubt, low_pole_notes
from poleward.sky.look import TOO_LOW_DEG, Sight, altitude_notes, look
from poleward.sky.pole import PoleName, pole_name
from poleward.sky.site import Site, site_of
from poleward.sky.sun import daylight_notes
from poleward.solving.estimate import FARTHEST_DEG, SLIP, Doubt, DriftFit, believes, doubts, fit_axis
from poleward.solving.fitted import FitSummary
from poleward.solving.knobs import Turning
from poleward.solving.least_squares import least_squares, p_value
from poleward.solving.model import DriftModel, around, drift_model
from poleward.solving.slips import slips
from poleward.solving.solution import CONTRADICTION, Solution, solution_from
from poleward.timings.drifts import as_drifts
from poleward.timings.rows import Drift

if TYPE_CHECKING:
    from astropy.coordinates import EarthLocation
    from astropy.table import Table

    from poleward.door.quantity import Value

FEW = 6
"""Of up to so many timings any may be the one that slipped, if none stands out."""
AGREES = 0.05
"""A slip is named when with it set right the timings agree as 95 of 100 honest sets do."""
NOT_ROBUST = "too many timings do not fit for a few blunders: the sigmas are too small, so robust is not used and the scatter speaks"
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
    pointing_error: Value = "0.5 deg",
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
    pointing_error : str or Quantity
        Standard uncertainty of hour angles and azimuths, as read off a circle; right ascensions have none.
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
    if robust and from_scatter:
        raise UsageError(
            "robust and from-scatter do not go together: what does not fit is told by the stated sigmas",
            "give one",
        )
    how = _How(
        pole_name(pole),
        drive_rate_of(drive_rate),
        _reading(reading_error),
        _pointing(pointing_error),
        allow_low,
    )
    timings, notes = _once(drifts)
    model = how.model(timings, site)
    found = fit_axis(model, robust)
    if robust and not believes(model, found):
        notes.append(Note("not-robust", NOT_ROBUST))
        found, robust = fit_axis(model, robust=False), False
    doubt = doubts(model, found, from_scatter=from_scatter, robust=robust)
    notes += [*how.told(timings, model, site, doubt, from_scatter), *_sight_notes(model, site), *doubt.notes]
    return solution_from(
        found.widened(doubt.factor),
        site,
        _summary(model, found, doubt, how, site),
        model.table(found.fit),
        notes,
        turning,
        how.reading,
    )


@dataclass(frozen=True)
class _How:
    """How timings are taken: pole, drive rate and reading error in arcsec, pointing error in degrees."""

    pole: str
    rate: float
    reading: float
    pointing_deg: float
    allow_low: bool

    def model(self, drifts: Sequence[Drift], site: Site) -> DriftModel:
        """Look at the stars and lay out the timings."""
        pointings = [drift.pointing for drift in drifts]
        ends = np.array([[0.0, drift.duration_s] for drift in drifts]).reshape(-1, 2)
        sight = _sight(drifts, ends, site, self.allow_low)
        doubtful = around(pointings, ends, site, self.pole, self.pointing_deg)
        return drift_model(drifts, sight, self.pole, self.rate, self.reading, doubtful)

    def told(
        self, drifts: Sequence[Drift], model: DriftModel, site: Site, doubt: Doubt, from_scatter: bool
    ) -> list[Note]:
        """Say that the timings contradict each other, and which slip set right would make them agree."""
        if from_scatter or doubt.p_value is None or doubt.p_value >= SLIP:
            return []
        # Of many timings one that slipped stands out; of few it may be any.
        at_fault = doubt.suspects or (model.used if len(model.used) <= FEW else [])
        names = {i: model.name(i) for i in at_fault}
        right: list[tuple[float, str]] = []
        for words, fixed, where in slips(drifts, names, site):
            try:
                other = self.model(fixed, where)
            except InputError:
                continue  # no such star
            zero = np.zeros(len(other.names))
            fit = least_squares(other.problem(other.doubts(zero)), zero)
            chance = p_value(fit.chi_square, fit.degrees_of_freedom)
            if chance is not None and chance > AGREES:
                right.append((chance, words))
        if not right and not doubt.contradiction:
            return []
        text = "the timings contradict each other: turn nothing yet"
        if right:
            right.sort(reverse=True)
            text += f"; they would agree if you turned over {' or '.join(words for _, words in right[:3])}"
        return [Note(CONTRADICTION, text)]


def _once(drifts: Sequence[Drift]) -> tuple[list[Drift], list[Note]]:
    """Count a row that was written twice once: the same star at the same time with the same drift checks nothing."""
    kept: list[Drift] = []
    notes = []
    for i, drift in enumerate(drifts):
        plain = replace(drift, label="", pointing=replace(drift.pointing, where=""))
        same = [
            j for j, one in enumerate(kept)
            if one.used and drift.used and plain == replace(one, label="", pointing=replace(one.pointing, where=""))
        ]  # fmt: skip
        if same:
            first = kept[same[0]].label or f"timing {same[0] + 1}"
            notes.append(
                Note("repeated", f"{drift.label or f'timing {i + 1}'} repeats {first} and is counted once")
            )
        kept.append(replace(drift, used=False) if same else drift)
    return kept, notes


def _reading(error: Any) -> float:
    reading = quantity.parse(error, quantity.SMALL_ANGLE, "", "reading error")
    if reading <= 0:
        raise UsageError(f"reading error: {reading:g} arcsec, allowed is more than 0")
    return reading


def _pointing(error: Any) -> float:
    degrees = math.degrees(quantity.parse(error, quantity.ANGLE, "", "pointing error"))
    if not 0 <= degrees <= FARTHEST_DEG:
        raise UsageError(
            f"pointing error: {degrees:g} deg, allowed is 0 to {FARTHEST_DEG:g} deg",
            "0.5 deg of a circle read by eye",
        )
    return degrees


def _sight(drifts: Sequence[Drift], ends: Floats, site: Site, allow_low: bool) -> Sight:
    """Look at the starts and the ends of all timings; refuse stars that are used and stand too low."""
    blank = _blank(drifts)
    if blank and not any(drift.used for drift in drifts):
        raise InputError(
            f"no drift is filled in yet: {', '.join(blank)}", "fill in north, or east, of each timing"
        )
    if not any(drift.used for drift in drifts):
        raise InputError("there is no timing to use", "two at different hour angles give both errors")
    sight = look([drift.pointing for drift in drifts], ends, site)
    lowest = np.degrees(np.min(azimuth_altitude(sight.seen)[1], axis=1))
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
    notes += altitude_notes(model.sight, names, model.used)
    notes += daylight_notes([model.drifts[i].pointing for i in model.used], names, site)
    if model.pole.name == "apparent":
        notes += low_pole_notes(site)
    blank = _blank(model.drifts)
    if blank:
        notes.append(Note("blank", f"still blank, and not used: {', '.join(blank)}"))
    if sum(model.drifts[i].east_arcsec is not None for i in model.used) == 1:
        notes.append(Note("east-alone", "one east drift alone tells only the drive rate, so it is not used"))
    return notes


def _summary(model: DriftModel, found: DriftFit, doubt: Doubt, how: _How, site: Site) -> FitSummary:
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
        refraction_doubt=air_doubt(site.air),
        pointing_doubt_deg=how.pointing_deg if model.around.which else 0.0,
    )
