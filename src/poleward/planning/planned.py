"""What a plan says: the pointings in numbers and words, the expected uncertainties, and the record."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from poleward.door.record import record_of
from poleward.door.show import Shown
from poleward.errors import Note
from poleward.planning.timing import OpenSky, Reader
from poleward.sky.axis import COMPASS
from poleward.sky.pole import Pole
from poleward.sky.site import Site


@dataclass(frozen=True)
class NearStar:
    """A bright star near a pointing, at the time it is due; no separation: it is the star to time."""

    name: str
    separation_deg: float
    azimuth_deg: float
    altitude_deg: float
    magnitude: float
    source: str


@dataclass(frozen=True)
class PlannedPointing:
    """Where to point and for how long.

    Attributes
    ----------
    label : str
        Compass point and height, short.
    hour_angle_h, dec_deg : float
        At the start; apparent, of date; hour angle west positive.
    azimuth_deg, altitude_deg : float
        As seen, at the start; azimuth from north through east.
    minutes : float
    north_sigma_arcsec : float
        Expected standard uncertainty of the north drift in that time.
    start : datetime or None
    ra_h, icrs_dec_deg : float or None
        What to type into a hand control: ICRS, which is J2000 to 0.02 arcsec; None without time and longitude.
    star : NearStar or None
    """

    label: str
    hour_angle_h: float
    dec_deg: float
    azimuth_deg: float
    altitude_deg: float
    minutes: float
    north_sigma_arcsec: float
    start: datetime | None = None
    ra_h: float | None = None
    icrs_dec_deg: float | None = None
    star: NearStar | None = None

    @property
    def words(self) -> str:
        """One line in words."""
        hours = abs(self.hour_angle_h)
        side = "west" if self.hour_angle_h > 0 else "east"
        from_meridian = "on the meridian" if hours < 0.1 else f"{_hours(hours)} {side} of the meridian"
        star = ""
        if self.star is not None and not self.star.separation_deg:
            star = f"{self.star.name} (magnitude {self.star.magnitude:.1f}), "
        return f"{star}{self.label}: {from_meridian}, {_above(self.dec_deg)}"


def _hours(hours: float) -> str:
    whole, minutes = divmod(round(hours * 60), 60)
    return f"{whole}h{minutes:02d}m" if whole else f"{minutes} min"


def _above(dec_deg: float) -> str:
    if abs(dec_deg) < 3:
        return "on the celestial equator"
    return f"{abs(dec_deg):.0f} deg {'north' if dec_deg > 0 else 'south'} of the celestial equator"


def height_label(azimuth_deg: float, altitude_deg: float) -> str:
    """Return e.g. ``low in the east``."""
    point = COMPASS[round(azimuth_deg / 22.5) % 16]
    for below_deg, height in ((30, "low"), (60, "halfway up"), (80, "high")):
        if altitude_deg < below_deg:
            return f"{height} in the {point}"
    return "near the zenith"


@dataclass(frozen=True)
class Proposal:
    """Some pointings, what they cost and what they promise.

    Attributes
    ----------
    pointings : tuple of PlannedPointing
        In the order in which to take them.
    total_minutes : float
        Timings and the slews between them.
    azimuth_sigma_arcmin, altitude_sigma_arcmin, correlation : float
        Expected, of the solver's answer, doubt about the air included.
    sigma_arcmin : float
        Largest standard uncertainty in any direction on the sky.
    reaches : bool
        Whether that is what was wanted.
    """

    pointings: tuple[PlannedPointing, ...]
    total_minutes: float
    azimuth_sigma_arcmin: float
    altitude_sigma_arcmin: float
    correlation: float
    sigma_arcmin: float
    reaches: bool

    def to_record(self) -> dict[str, Any]:
        """Return plain numbers with their units in the names."""
        expected = ("azimuth_sigma_arcmin", "altitude_sigma_arcmin", "correlation", "sigma_arcmin")
        return {
            **record_of(self, ("pointings", "total_minutes")),
            "expected": record_of(self, expected),
            "reaches": self.reaches,
        }


@dataclass(frozen=True, repr=False)
class Plan(Shown):
    """The proposal and, beside it, the common choice.

    Attributes
    ----------
    proposal : Proposal
    common_choice : Proposal or None
        Meridian near the celestial equator, then low in the east or west; None where it is not possible.
    wanted_arcmin : float
        Standard uncertainty in any direction on the sky that was asked for.
    wanted_why : str
        Where that comes from.
    reader : Reader
    sky : OpenSky
    time : datetime or None
        When the work begins.
    star_minutes : float or None
        How much longer than the best places in the sky the stars that exist take; None where places are proposed.
    pole : Pole
        As seen.
    site : Site
    warnings : tuple of Note
    """

    proposal: Proposal
    common_choice: Proposal | None
    wanted_arcmin: float
    wanted_why: str
    reader: Reader
    sky: OpenSky
    time: datetime | None
    star_minutes: float | None
    pole: Pole
    site: Site
    warnings: tuple[Note, ...]

    def __repr__(self) -> str:
        """Return where to point and for how long on one line."""
        best = self.proposal
        places = ", ".join(f"{one.label} {one.minutes:.1f} min" for one in best.pointings)
        return f"<Plan: {places}; {best.total_minutes:.1f} min for {best.sigma_arcmin:.2g} arcmin>"

    def to_record(self) -> dict[str, Any]:
        """Return the record: plain numbers with their units in the names, ready for JSON."""
        return {
            "record": "plan",
            "version": 1,
            **record_of(self, ("time",)),
            **self.proposal.to_record(),
            "wanted_sigma_arcmin": self.wanted_arcmin,
            **record_of(self, ("star_minutes", "common_choice", "warnings")),
        }
