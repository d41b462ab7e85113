"""The Earth's rotation, from the tables that astropy brings, without a network and without waiting.

astropy's own settings fetch a newer table, wait for a dead line and refuse predictions older than thirty days;
reading its whole table takes half a second. Inside `rotation_data` the few bundled rows around the dates in
hand serve instead. Nothing is changed for good, and nothing on import.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from functools import cache

import numpy as np

from poleward.errors import Note
from poleward.sky.axis import Floats

_SPARE_DAYS = 5
"""Rows kept on each side; astropy interpolates linearly between daily rows, so one would do."""


@cache
def _bundled_rows() -> tuple[list[str], float, float]:
    """All rows of the bundled table that hold a value of UT1-UTC, and the first and last date (MJD)."""
    from astropy_iers_data import IERS_A_FILE

    # Fixed columns of finals2000A.all, IERS readme.finals2000A: MJD 8-15, x 19-27, y 38-46, UT1-UTC 59-68.
    with open(IERS_A_FILE, encoding="ascii") as file:
        rows = [line for line in file if line[58:68].strip()]
    return rows, float(rows[0][7:15]), float(rows[-1][7:15])


def _short_table(first_mjd: float, last_mjd: float) -> object:
    """Return an astropy table of the rows around these dates; outside the bundled ones the nearest row is held."""
    from astropy import units
    from astropy.utils import iers

    rows, begin, end = _bundled_rows()
    low = int(min(max(first_mjd - _SPARE_DAYS, begin), end - 1) - begin)
    high = int(max(min(last_mjd + _SPARE_DAYS, end), begin + 1) - begin)
    kept = [(row[7:15], row[18:27], row[37:46], row[58:68]) for row in rows[low : high + 1]]
    columns = [[float(cell) for cell in column] for column in zip(*kept, strict=True)]
    if first_mjd - 1 < columns[0][0]:
        columns = [[first_mjd - 2, *columns[0]], *([column[0], *column] for column in columns[1:])]
    if last_mjd + 1 > columns[0][-1]:
        columns = [[*columns[0], last_mjd + 2], *([*column, column[-1]] for column in columns[1:])]
    mjd, x, y, ut1 = columns
    zero = [0.0] * len(mjd)
    return iers.IERS(
        {
            "MJD": units.Quantity(mjd, "d"),
            "UT1_UTC": units.Quantity(ut1, "s"),
            "PM_x": units.Quantity(x, "arcsec"),
            "PM_y": units.Quantity(y, "arcsec"),
            # The pole's offset from the model stays below 0.001 arcsec.
            "dX_2000A": units.Quantity(zero, "arcsec"),
            "dY_2000A": units.Quantity(zero, "arcsec"),
        }
    )


def mjd_of(moment: datetime) -> float:
    """Modified Julian date (UTC) of an aware datetime, good to a second or so: for looking up daily rows."""
    return moment.timestamp() / 86400 + 40587


@contextmanager
def rotation_data(first: datetime, last: datetime) -> Iterator[None]:
    """Let astropy use the bundled Earth rotation around these dates, and no network, inside a ``with``.

    Parameters
    ----------
    first, last : datetime
        Aware; the span of dates that will be used.
    """
    from astropy.utils import iers

    with (
        warnings.catch_warnings(),
        iers.conf.set_temp("auto_download", False),
        iers.conf.set_temp("auto_max_age", None),
        iers.earth_orientation_table.set(_short_table(mjd_of(first), mjd_of(last))),
    ):
        # Said by `rotation_notes` in one line instead.
        warnings.filterwarnings("ignore", message=".*dubious year.*")
        warnings.filterwarnings("ignore", message=".*leap-second.*")
        # A window may run some hours past the last date that is taken; ERFA's Earth is good for longer than it says.
        warnings.filterwarnings("ignore", message='.*"epv00" yielded.*')
        yield


def rotation_notes(first: datetime, last: datetime) -> list[Note]:
    """One note when the bundled tables do not cover these dates; none otherwise.

    UT1 - UTC is kept below 0.9 s by definition, which is 13.5 arcsec of hour angle; an hour angle wrong by that
    changes the axis error by its 6.5e-5th part, 0.004 arcmin per degree.
    """
    _, begin, end = _bundled_rows()
    if mjd_of(first) < begin or mjd_of(last) > end:
        return [
            Note(
                "earth-rotation",
                f"the bundled Earth-rotation table covers {_date(begin)} to {_date(end)}; hour angles may be off by "
                "up to 13.5 arcsec, the axis error by at most 0.004 arcmin per degree of error",
            )
        ]
    expires = _leap_seconds_expire()
    if mjd_of(last) > expires:
        return [
            Note(
                "leap-seconds",
                f"the bundled leap seconds are certain until {_date(expires)}; hour angles may be off by up to "
                "15 arcsec, the axis error by at most 0.004 arcmin per degree of error",
            )
        ]
    return []


def sun_places(moments: Sequence[datetime]) -> tuple[Floats, Floats]:
    """Right ascension and dec of the Sun's centre (ICRS, from the Earth's centre), radians, arrays (T,).

    ERFA's epv00; aberration and the minute between TDB and UTC are left out: good to half an arcminute.
    """
    import erfa

    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message='.*"epv00" yielded.*')  # see `rotation_data`
        earth, _ = erfa.epv00(2400000.5, np.array([mjd_of(moment) for moment in moments]) + 69 / 86400)
    ra, dec = erfa.c2s(-earth["p"])
    return ra % (2 * np.pi), dec


@cache
def _leap_seconds_expire() -> float:
    """Return the date (MJD) after which the bundled leap seconds may be incomplete."""
    from astropy.utils import iers
    from astropy_iers_data import IERS_LEAP_SECOND_FILE

    return float(iers.LeapSeconds.from_iers_leap_seconds(IERS_LEAP_SECOND_FILE).expires.mjd)


def _date(mjd: float) -> str:
    return f"{datetime.fromtimestamp((mjd - 40587) * 86400, UTC):%Y-%m-%d}"
