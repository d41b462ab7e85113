"""What a plan says: the pointings in numbers and words, the expected uncertainties, and the record."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from poleward.door.clock import iso
from poleward.errors import Note
from poleward.planning.timing import OpenSky, Reader
from poleward.sky.axis import COMPASS
from poleward.sky.pole import Pole


@dataclass(frozen=True)
class NearStar:
    """A bright star near a pointing, at the time it is due."""

    name: str
    separation_deg: float
    azimuth_deg: float
    altitude_deg: float
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
    sigma_arcsec : float
        Expected standard uncertainty of the north drift in that time.
    start : datetime or None
    star : NearStar or None
    """

    label: str
    hour_angle_h: float
    dec_deg: float
    azimuth_deg: float
    altitude_deg: float
    minutes: float
    sigma_arcsec: float
    start: datetime | None = None
    star: NearStar | None = None

    @property
    def words(self) -> str:
        """One line in words."""
        hours = abs(self.hour_angle_h)
        side = "west" if self.hour_angle_h > 0 else "east"
        from_meridian = "on the meridian" if hours < 0.1 else f"{_hours(hours)} {side} of the meridian"
        return f"{self.label}: {from_meridian}, {_above(self.dec_deg)}"


def _hours(hours: float) -> str:
    whole, minutes = divmod(round(hours * 60), 60)
    return f"{whole}h{minutes:02d}m" if whole else f"{minutes} min"


def _above(dec_deg: float) -> str:
    if abs(dec_deg) < 3:
        return "on the celestial equator"
    return f"{abs(dec_deg):.0f} deg {'north' if dec_deg > 0 else 'south'} of the celestial equator"


def height_label(azimuth_deg: float, altitude_deg: float) -> str:
    """Return e.g. ``low in the east``."""
    height = (
        "low"
        if altitude_deg < 30
        else "halfway up"
        if altitude_deg < 60
        else "high"
        if altitude_deg < 80
        else ""
    )
    if not height:
        return "near the zenith"
    return f"{height} in the {COMPASS[round(azimuth_deg / 22.5) % 16]}"


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
        return {
            "pointings": [
                {
                    "label": one.label,
                    "hour_angle_h": one.hour_angle_h,
                    "dec_deg": one.dec_deg,
                    "azimuth_deg": one.azimuth_deg,
                    "altitude_deg": one.altitude_deg,
                    "minutes": one.minutes,
                    "start": None if one.start is None else iso(one.start),
                    "north_sigma_arcsec": one.sigma_arcsec,
                    "star": None
                    if one.star is None
                    else {
                        "name": one.star.name,
                        "separation_deg": one.star.separation_deg,
                        "azimuth_deg": one.star.azimuth_deg,
                        "altitude_deg": one.star.altitude_deg,
                        "source": one.star.source,
                    },
                }
                for one in self.pointings
            ],
            "total_minutes": self.total_minutes,
            "expected": {
                "azimuth_sigma_arcmin": self.azimuth_sigma_arcmin,
                "altitude_sigma_arcmin": self.altitude_sigma_arcmin,
                "correlation": self.correlation,
                "sigma_arcmin": self.sigma_arcmin,
            },
            "reaches": self.reaches,
        }


@dataclass(frozen=True)
class Plan:
    """The proposal and, beside it, the common textbook choice.

    Attributes
    ----------
    proposal : Proposal
    textbook : Proposal or None
        Meridian near the celestial equator, then low in the east or west; None where it is not possible.
    wanted_arcmin : float
        Standard uncertainty in any direction on the sky that was asked for.
    wanted_why : str
        Where that comes from.
    reader : Reader
    sky : OpenSky
    time : datetime or None
    pole : Pole
        As seen.
    warnings : tuple of Note
    """

    proposal: Proposal
    textbook: Proposal | None
    wanted_arcmin: float
    wanted_why: str
    reader: Reader
    sky: OpenSky
    time: datetime | None
    pole: Pole
    warnings: tuple[Note, ...]

    def to_record(self) -> dict[str, Any]:
        """Return the record: plain numbers with their units in the names, ready for JSON."""
        return {
            "record": "plan",
            "version": 1,
            "time": None if self.time is None else iso(self.time),
            **self.proposal.to_record(),
            "wanted_sigma_arcmin": self.wanted_arcmin,
            "textbook": None if self.textbook is None else self.textbook.to_record(),
            "warnings": [{"code": note.code, "text": note.text} for note in self.warnings],
        }
