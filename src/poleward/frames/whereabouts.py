"""Where the mount stands, by the FITS standard's keywords, and how that goes with what the user has said."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from poleward.errors import InputError, Note
from poleward.frames.keywords import Header
from poleward.sky.earth import site_of_geocentric
from poleward.sky.site import Site

FAR_KM = 5.0
"""Between the stated place and the headers': it moves no axis by a hundredth, and a slip in a digit is more."""
EARTH_KM = 6371.0


def site_of_header(header: Header) -> Site | None:
    """Return the site by OBSGEO-B, -L, -H or -X, -Y, -Z; None where they are not there, or cannot be a place.

    FITS Standard 4.0, table 22 and section 8.4.1 (M): geodetic latitude and longitude, degrees, and height, metres; or
    ITRS coordinates, metres.
    """
    by_angle, by_axes = (
        [header.value(f"OBSGEO-{letter}") for letter in letters] for letters in ("BLH", "XYZ")
    )
    try:
        if by_angle[0] is not None and by_angle[1] is not None:
            latitude, longitude, height = (float(value or 0.0) for value in by_angle)
            # Zeros are what programs write that were never told.
            return Site(latitude, longitude, height) if latitude or longitude else None
        if None not in by_axes:
            return site_of_geocentric(*map(float, by_axes))
    except (InputError, ValueError, TypeError):  # a place that is none; the frame is as good without
        return None
    return None


def settled(stated: Site | None, by_headers: Sequence[Site | None]) -> tuple[Site | None, list[Note]]:
    """Return the site that counts, and what is to be said of the headers'."""
    told = next((site for site in by_headers if site is not None), None)
    if told is None or told.longitude_rad is None:
        return stated, []
    latitude, longitude = math.degrees(told.latitude_rad), math.degrees(told.longitude_rad)
    place = f"latitude {latitude:+.4f} deg, longitude {longitude:+.4f} deg"
    if stated is None:
        options = (
            f"--latitude {latitude:.4f}deg --longitude {longitude:.4f}deg --elevation {told.elevation_m:.0f}m"
        )
        text = f"the site is the headers' (OBSGEO keywords): {place}. Tell solve: {options}"
        return told, [Note("site-by-header", text)]
    known = stated.longitude_rad if stated.longitude_rad is not None else told.longitude_rad
    places = np.array([[told.latitude_rad, told.longitude_rad], [stated.latitude_rad, known]])
    x, y, z = (
        np.cos(places[:, 0]) * np.cos(places[:, 1]),
        np.cos(places[:, 0]) * np.sin(places[:, 1]),
        np.sin(places[:, 0]),
    )
    apart = EARTH_KM * math.sqrt(np.ptp(x) ** 2 + np.ptp(y) ** 2 + np.ptp(z) ** 2)
    if apart <= FAR_KM:
        return stated, []
    text = f"the headers (OBSGEO keywords) say {place}, {apart:.0f} km from the stated site, which counts: is it right?"
    return stated, [Note("site-differs", text)]
