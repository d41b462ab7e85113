"""The Earth's rotation and its place in space, without a network and without a word to astropy's settings.

ERFA, which is also astropy's engine, is given the numbers of the bundled table: nothing that others use is touched.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import UTC, datetime
from functools import cache
from typing import Any

import numpy as np

from poleward.door.rotation import mjd_of, rotation_table
from poleward.errors import Note
from poleward.sky.axis import Floats
from poleward.sky.site import Site


def observed_context(moments: Sequence[datetime], site: Site) -> Any:
    """ERFA's context for observed places at T moments, with the site's air; array (T,) of its `eraASTROM`.

    ERFA's functions are called below their warnings about years beyond its leap seconds: `rotation_notes` says so in
    one line, and filters of warnings belong to all threads.
    """
    import erfa

    utc = [moment.astimezone(UTC) for moment in moments]
    fields = np.array([(t.year, t.month, t.day, t.hour, t.minute) for t in utc]).reshape(-1, 5).T
    seconds = np.array([t.second + t.microsecond / 1e6 for t in utc])
    day, part, _ = erfa.ufunc.dtf2d(b"UTC", *fields, seconds)
    ut1_utc, x, y = rotation_table().at(day - 2400000.5 + part)
    assert site.longitude_rad is not None  # checked by `look`
    place, air = (site.longitude_rad, site.latitude_rad, site.elevation_m), site.air
    weather = air.pressure_hpa, air.temperature_c, air.humidity, air.wavelength_um
    wander = np.radians([x / 3600, y / 3600])
    context, _, _ = erfa.ufunc.apco13(day, part, ut1_utc, *place, *wander, *weather)
    return context


def rotation_notes(first: datetime, last: datetime) -> list[Note]:
    """One note when the bundled tables do not cover these dates; none otherwise.

    UT1 - UTC is kept below 0.9 s by definition, which is 13.5 arcsec of hour angle; an hour angle wrong by that
    changes the axis error by its 6.5e-5th part, 0.004 arcmin per degree.
    """
    begin, end = rotation_table().mjd[[0, -1]]
    if mjd_of(first) < begin or mjd_of(last) > end:
        text = (
            f"the bundled Earth-rotation table covers {_date(begin)} to {_date(end)}; hour angles may be off by "
            "up to 13.5 arcsec, the axis error by at most 0.004 arcmin per degree of error"
        )
        return [Note("earth-rotation", text)]
    expires = _leap_seconds_expire()
    if mjd_of(last) > expires:
        text = (
            f"the bundled leap seconds are certain until {_date(expires)}; hour angles may be off by up to "
            "15 arcsec, the axis error by at most 0.005 arcmin per degree of error"
        )
        return [Note("leap-seconds", text)]
    return []


def sun_places(moments: Sequence[datetime]) -> tuple[Floats, Floats]:
    """Right ascension and dec of the Sun's centre (ICRS, from the Earth's centre), radians, arrays (T,).

    ERFA's epv00; aberration and the minute between TDB and UTC are left out: good to half an arcminute.
    """
    import erfa

    earth, _, _ = erfa.ufunc.epv00(2400000.5, np.array([mjd_of(moment) for moment in moments]) + 69 / 86400)
    ra, dec = erfa.c2s(-earth["p"])
    return ra % (2 * np.pi), dec


def site_of_geocentric(x_m: float, y_m: float, z_m: float) -> Site:
    """Return the site at a place in the Earth's own frame (ITRS), metres, by ERFA's gc2gd on the ellipsoid WGS 84."""
    import erfa

    longitude, latitude, height = erfa.gc2gd(1, np.array([x_m, y_m, z_m]))
    return Site(math.degrees(latitude), math.degrees(longitude), float(height))


def pole_of_date(moment: datetime) -> Floats:
    """Direction (3,) among the stars (ICRS) to which the Earth's axis points north at a moment: toward dec +90 of date.

    ERFA's pnm06a, whose last row it is; by precession it moves 20 arcsec a year.
    """
    import erfa

    direction: Floats = erfa.ufunc.pnm06a(2400000.5, mjd_of(moment) + 69 / 86400)[2]
    return direction


@cache
def _leap_seconds_expire() -> float:
    """Return the date (MJD) after which the bundled leap seconds may be incomplete."""
    from astropy.utils import iers
    from astropy_iers_data import IERS_LEAP_SECOND_FILE

    return float(iers.LeapSeconds.from_iers_leap_seconds(IERS_LEAP_SECOND_FILE).expires.mjd)


def _date(mjd: float) -> str:
    return f"{datetime.fromtimestamp((mjd - 40587) * 86400, UTC):%Y-%m-%d}"
