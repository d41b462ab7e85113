"""Solve as it is asked for from Python: values with units, checked and taken apart at the door."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from poleward.sky.pole import PoleName
from poleward.sky.site import Site, site_of
from poleward.solving.how import how_of
from poleward.solving.knobs import Turning
from poleward.solving.solution import Solution
from poleward.solving.solver import axis_of
from poleward.timings.drifts import as_drifts
from poleward.timings.rows import Drift

if TYPE_CHECKING:
    from astropy.coordinates import EarthLocation
    from astropy.table import Table

    from poleward.door.quantity import Value


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
        A longitude is only needed for right ascensions.
    pole : {"apparent", "true"}
        The pole that the errors are given against: as refraction shows it, or the celestial pole itself.
    drive_rate : str or Quantity
        ``sidereal``, ``king``, ``solar`` or a rate.
    reading_error : str or Quantity
        Standard uncertainty of one reading of a star's place, for drifts without a stated sigma; a drift is the
        difference of two readings.
    robust : bool
        Count on blunders among the timings: every set of them that may be wrong is weighed.
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
        No usable timing, a star below the horizon or too low, or an option that is no such quantity.
    UsageError
        An option outside what is allowed, or (`WrongTypeError`) of a type that is not taken.
    """
    seen_from, timings = site_of(site), as_drifts(drifts)
    how = how_of(pole, drive_rate, reading_error, robust, from_scatter, allow_low, pointing_error)
    return axis_of(timings, seen_from, how, turning)
