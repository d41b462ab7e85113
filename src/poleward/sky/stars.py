"""A few bright stars by which a telescope can be pointed, from a bundled table that names its source."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from importlib.resources import files

J2000_UNIX = 946727935.816
"""J2000.0 (2000-01-01 12h TT) as Unix time: 64.184 s of TT - UTC at that date. Good to a second until today."""
SECONDS_PER_YEAR = 365.25 * 86400
MAS = math.radians(1 / 3.6e6)


@dataclass(frozen=True)
class Star:
    """A star's place, ICRS at J2000.0, radians; proper motion in radians a year, in ra times cos dec."""

    name: str
    ra: float
    dec: float
    ra_motion: float
    dec_motion: float
    source: str

    def place(self, moment: datetime) -> tuple[float, float]:
        """Right ascension and dec, radians, with the proper motion until a moment (linear, arcsec in a century)."""
        years = (moment.timestamp() - J2000_UNIX) / SECONDS_PER_YEAR
        return self.ra + years * self.ra_motion / math.cos(self.dec), self.dec + years * self.dec_motion


@cache
def bright_stars() -> tuple[Star, ...]:
    """Return the bundled stars: Hipparcos (ESA 1997, SP-1200); Sigma Octantis from Gaia DR3."""
    text = (files("poleward") / "data" / "stars.json").read_text(encoding="utf-8")
    return tuple(
        Star(
            row["name"],
            math.radians(15 * row["ra_h"]),
            math.radians(row["dec_deg"]),
            row["pmra_cosdec"] * MAS,
            row["pmdec"] * MAS,
            row["source"],
        )
        for row in json.loads(text)["stars"]
    )
