"""The plan as Python users ask for it: quantities in, a `Plan` out."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from poleward.door import quantity
from poleward.door.quantity import Kind, parse
from poleward.errors import UsageError
from poleward.planning import plan as planning
from poleward.planning.planned import Plan
from poleward.planning.timing import Blocked, Reader
from poleward.planning.wishes import Wishes
from poleward.sky.pole import PoleName
from poleward.sky.site import Site, site_of
from poleward.tonight.asked import lowest_of, moment_of

if TYPE_CHECKING:
    from astropy.coordinates import EarthLocation

    from poleward.door.quantity import Duration, Moment, Value

ACCURACY = Kind("arcmin", None, "0.5 arcmin", "", "could be arcmin or degrees")


def plan(
    site: Site | EarthLocation,
    accuracy: Value = "1 arcmin",
    *,
    reading_error: Value = "1 arcsec",
    seeing: Value | None = None,
    cadence: Duration = "2 s",
    at: Moment | None = None,
    lowest_altitude: Value = "20 deg",
    blocked: Sequence[tuple[Value, Value, Value]] = (),
    pointings: int | None = None,
    pole: PoleName = "apparent",
) -> Plan:
    """Find the pointings and minutes that tell the axis well enough in the least time.

    Parameters
    ----------
    site : Site or EarthLocation
        With a longitude the Sun is kept away from and stars are named.
    accuracy : Quantity or str
        Standard uncertainty of the axis wanted, in any direction on the sky.
    reading_error : Quantity or str
        At the eyepiece: standard uncertainty of one reading of the star's place.
    seeing : Quantity or str, optional
        With a camera, in place of `reading_error`: full width at half maximum of a star's image.
    cadence : Quantity, TimeDelta or str
        With a camera: time from frame to frame.
    at : Time, datetime or str, optional
        When the work may begin; left out: now.
    lowest_altitude : Quantity or str
        Below it nothing is timed.
    blocked : sequence of (from, to, up to)
        Sectors of the horizon where nothing is seen: two azimuths from north through east, and an altitude.
    pointings : int, optional
        Two or three; left out: the quicker.
    pole : {"apparent", "true"}

    Returns
    -------
    Plan

    Raises
    ------
    InputError, UsageError
        A value that cannot be used, or no usable pair of pointings; `WrongTypeError` for a type that is not taken.
    """
    site = site_of(site)
    reader = _reader(reading_error, seeing, cadence)
    wishes = Wishes(
        parse(accuracy, ACCURACY, "accuracy"),
        "as asked for",
        lowest_of(lowest_altitude),
        tuple(_sector(sector, f"blocked {number}") for number, sector in enumerate(blocked, 1)),
        pointings,
    )
    begin = None if site.longitude_rad is None else moment_of(at)
    return planning.plan(site, reader, wishes, at=begin, pole=pole)


def _reader(reading_error: Value, seeing: Value | None, cadence: Duration) -> Reader:
    if seeing is None:
        return Reader(parse(reading_error, quantity.SMALL_ANGLE, "reading_error"))
    width = parse(seeing, quantity.SMALL_ANGLE, "seeing")
    if width <= 0:
        raise UsageError(f"seeing: {width:g} arcsec, allowed is more than 0", "e.g. 2.5 arcsec")
    return Reader.of_seeing(width, parse(cadence, quantity.DURATION, "cadence"))


def _sector(sector: tuple[Value, Value, Value], where: str) -> Blocked:
    try:
        begin, end, up_to = sector
    except (TypeError, ValueError):
        raise UsageError(
            f"{where}: needs from, to and up to", 'e.g. ("60 deg", "150 deg", "40 deg")'
        ) from None
    names = ("from", "to", "up to")
    return Blocked(
        *(
            math.degrees(parse(value, quantity.ANGLE, where, name))
            for value, name in zip((begin, end, up_to), names, strict=True)
        )
    )
