"""astropy's own route to observed places, set to the bundled Earth rotation: the truth's route, not the answer's."""

from __future__ import annotations

import threading
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime

from poleward.door.rotation import mjd_of, rotation_table

_SPARE_DAYS = 2
_ALONE = threading.Lock()
"""astropy's table and settings are everybody's: one simulation at a time."""


@contextmanager
def rotation_data(first: datetime, last: datetime) -> Iterator[None]:
    """Let astropy use the bundled Earth rotation around these dates, and no network, inside a ``with``.

    Parameters
    ----------
    first, last : datetime
        Aware; the span of dates that will be used.
    """
    from astropy import units
    from astropy.utils import iers

    table = rotation_table()
    near = (table.mjd > mjd_of(first) - _SPARE_DAYS) & (table.mjd < mjd_of(last) + _SPARE_DAYS)
    zero = table.mjd[near] * 0.0
    # The pole's offset from the model, dX and dY, stays below 0.001 arcsec.
    columns = {
        "MJD": (table.mjd[near], "d"),
        "UT1_UTC": (table.ut1_utc[near], "s"),
        "PM_x": (table.x[near], "arcsec"),
        "PM_y": (table.y[near], "arcsec"),
        "dX_2000A": (zero, "arcsec"),
        "dY_2000A": (zero, "arcsec"),
    }
    short = iers.IERS({name: units.Quantity(values, unit) for name, (values, unit) in columns.items()})
    with (
        _ALONE,
        warnings.catch_warnings(),
        iers.conf.set_temp("auto_download", False),
        iers.conf.set_temp("auto_max_age", None),
        iers.earth_orientation_table.set(short),
    ):
        warnings.filterwarnings("ignore", message=".*dubious year.*")
        warnings.filterwarnings("ignore", message=".*leap-second.*")
        yield
