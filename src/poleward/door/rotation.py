"""The table of the Earth's rotation that astropy brings: UT1 for clocks, the pole's wandering for the sky.

The file is read directly. astropy's own way to these numbers goes through its global settings and table: it fetches a
newer one, waits for a dead line, refuses predictions older than thirty days, and cannot be set for one thread alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from functools import cache

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class RotationTable:
    """The bundled table, daily at 0 h UTC: every row that holds a value of UT1-UTC, measured or predicted.

    Attributes
    ----------
    mjd : array (D,)
    ut1_utc : array (D,)
        Seconds.
    x, y : array (D,)
        The pole on the Earth, arcsec.
    """

    mjd: Floats
    ut1_utc: Floats
    x: Floats
    y: Floats

    def at(self, mjd: Floats) -> tuple[Floats, Floats, Floats]:
        """UT1-UTC (s) and polar motion x, y (arcsec) at some dates; beyond the table its nearest row is held.

        A leap second is a jump between two days, so it is UT1-TAI that is interpolated.
        """
        smooth = np.unwrap(self.ut1_utc, period=1.0)
        day = np.clip(np.searchsorted(self.mjd, mjd, side="right") - 1, 0, len(self.mjd) - 1)
        ut1 = np.interp(mjd, self.mjd, smooth) + (self.ut1_utc - smooth)[day]
        return ut1, np.interp(mjd, self.mjd, self.x), np.interp(mjd, self.mjd, self.y)


@cache
def rotation_table() -> RotationTable:
    """Return the bundled table, read once."""
    from astropy_iers_data import IERS_A_FILE

    with open(IERS_A_FILE, "rb") as file:
        text = file.read()
    # Fixed columns of finals2000A.all, IERS readme.finals2000A: MJD 8-15, x 19-27, y 38-46, UT1-UTC 59-68.
    columns = {"names": ["mjd", "x", "y", "ut1"], "formats": ["S8", "S9", "S9", "S10"]}
    layout = np.dtype({**columns, "offsets": [7, 18, 37, 58], "itemsize": text.index(b"\n") + 1})  # type: ignore[call-overload]
    rows = np.frombuffer(text, layout)
    rows = rows[np.char.strip(rows["ut1"]) != b""]
    return RotationTable(*(rows[name].astype(float) for name in ("mjd", "ut1", "x", "y")))


def mjd_of(moment: datetime) -> float:
    """Modified Julian date (UTC) of an aware datetime, good to a second or so: for looking up daily rows."""
    return moment.timestamp() / 86400 + 40587
