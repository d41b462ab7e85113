"""Where the Sun stands: enough to know day from night and to keep a telescope away from it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

import numpy as np

from poleward.errors import Note, listed
from poleward.sky.axis import Floats, azimuth_altitude
from poleward.sky.earth import sun_places
from poleward.sky.look import Pointing, look
from poleward.sky.site import Site

DAYLIGHT_DEG = -0.833
"""Sun's centre at sunrise and sunset: 34 arcmin of refraction and 16 of radius (Explanatory Supplement 2013, ch. 12;
value from memory)."""
DARK_DEG = -12.0
"""End of nautical twilight: guide stars and most targets show (common practice, no source)."""


def sun_seen(moments: Sequence[datetime], site: Site) -> Floats:
    """Where the Sun's centre is seen at T aware moments: unit vectors east, north, up, (T, 3).

    Aberration is left out and its refraction below 3 deg held constant: good to a minute of arc above the horizon, which is
    far more than its uses need.

    Raises
    ------
    InputError
        The site has no longitude.
    """
    ra, dec = sun_places(moments)
    pointings = [
        Pointing(ra=float(r), dec=float(d), time=moment)
        for r, d, moment in zip(ra, dec, moments, strict=True)
    ]
    seen: Floats = look(pointings, np.zeros((len(pointings), 1)), site).seen[:, 0]
    return seen


def daylight_notes(pointings: Sequence[Pointing], names: Sequence[str], site: Site) -> list[Note]:
    """One note on the timings made by day, as far as clock and longitude are known: mostly a wrong date or zone.

    `names` are what to call the stars of the pointings.
    """
    dated = [(one.time, name) for one, name in zip(pointings, names, strict=True) if one.time is not None]
    if site.longitude_rad is None or not dated:
        return []
    heights = np.degrees(azimuth_altitude(sun_seen([moment for moment, _ in dated], site))[1])
    lit = [
        f"{name} ({height:.0f} deg)" for (_, name), height in zip(dated, heights, strict=True) if height > 0
    ]
    if not lit:
        return []
    text = f"timed with the Sun up: {listed(lit)}; if that was at night, check date, time zone and longitude"
    return [Note("daylight", text)]
