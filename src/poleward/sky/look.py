"""Where stars are seen: refraction included, as unit vectors in the local frame east, north, up.

With `earth` the only part that knows ERFA's observed places. Three kinds of pointing come in: hour
angle and declination (apparent, of date, not refracted), right ascension and declination (ICRS) with a time, and
azimuth and altitude as seen. All leave as the same thing, a `Sight`: where the star is seen at the asked moments,
and where the pole is, truly and as seen.

ERFA's refraction (two-term, refco) agrees with a ray trace to 0.1 arcsec down to 15 deg, 0.6 arcsec at 10 deg,
is 20 arcsec wrong at 5 deg and held constant below 3 deg (outside-checks section C): hence `LOW_DEG`, `TOO_LOW_DEG`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

import numpy as np

from poleward.errors import InputError, Note
from poleward.sky.axis import STELLAR_RATE, Floats, azimuth_altitude, unit_vector
from poleward.sky.pole import POLES, Pole
from poleward.sky.site import Air, Site

LOW_DEG = 15.0
"""Below this altitude a measurement is used with a warning."""
TOO_LOW_DEG = 10.0
"""Below this altitude it is refused unless asked for."""


@dataclass(frozen=True)
class Pointing:
    """Where a telescope pointed at one moment; exactly one of the three pairs is given, in radians.

    Attributes
    ----------
    hour_angle, dec : float or None
        Apparent, of date, hour angle west positive; not refracted.
    ra : float or None
        ICRS, with `dec` (ICRS too) and `time`.
    azimuth, altitude : float or None
        As seen, azimuth from north through east.
    time : datetime or None
        Aware, UTC.
    where : str
        Where the user wrote it, for messages.
    """

    hour_angle: float | None = None
    dec: float | None = None
    ra: float | None = None
    azimuth: float | None = None
    altitude: float | None = None
    time: datetime | None = None
    where: str = field(default="", compare=False)


@dataclass(frozen=True, eq=False)
class Sight:
    """Where N stars are seen at T moments each.

    Attributes
    ----------
    seen : array (N, T, 3)
        Unit vectors east, north, up, refraction included.
    apparent_pole, true_pole : Pole
        As seen, and the celestial pole itself.
    hour_angle, dec, altitude : array (N,)
        At the first moment, radians: hour angle and dec apparent, of date, not refracted; altitude as seen.
    notes : tuple of Note
        What the bundled tables do not cover.
    """

    seen: Floats
    apparent_pole: Pole
    true_pole: Pole
    hour_angle: Floats
    dec: Floats
    altitude: Floats
    notes: tuple[Note, ...] = ()

    def pole(self, name: str) -> Pole:
        """Return the pole of this name, ``apparent`` or ``true``."""
        return self.apparent_pole if name == "apparent" else self.true_pole


def poles_at(site: Site) -> tuple[Pole, Pole]:
    """Return the apparent and the true pole of a site, polar motion apart, which has no meaning without a date."""
    seen = seen_from_hour_angle(np.zeros(1), np.array([site.hemisphere * math.pi / 2]), site)[0]
    true = unit_vector(0.0 if site.hemisphere > 0 else math.pi, abs(site.latitude_rad))
    return _poles(np.stack([seen, true]), site)


def _poles(directions: Floats, site: Site) -> tuple[Pole, Pole]:
    apparent, true = (
        Pole(direction, name, site.hemisphere) for direction, name in zip(directions, POLES, strict=True)
    )
    return apparent, true


def _local_astrom(site: Site) -> Any:
    """ERFA's context for observed places at a site: apparent places with hour angle for right ascension.

    The place handed in is topocentric already, so the diurnal aberration is switched off; polar motion has no
    meaning without a date and is left out: the pole is then exactly at the site's latitude.
    """
    import erfa

    a, b = refraction_constants(site.air)
    astrom = erfa.apio(0.0, 0.0, 0.0, site.latitude_rad, site.elevation_m, 0.0, 0.0, a, b)
    astrom["diurab"] = 0.0
    return astrom


def refraction_constants(air: Air) -> tuple[float, float]:
    """A and B of R = A tan z + B tan^3 z, z as seen, radians (ERFA refco; none without pressure)."""
    import erfa

    if air.pressure_hpa == 0:
        return 0.0, 0.0
    a, b = erfa.refco(air.pressure_hpa, air.temperature_c, air.humidity, air.wavelength_um)
    return float(a), float(b)


def seen_from_hour_angle(hour_angle: Floats, dec: Floats, site: Site) -> Floats:
    """Where places given as apparent hour angle and declination are seen: S + (3,) for radians of shape S.

    Hour angle west positive; not refracted. Of the site latitude and air count, the longitude does not.
    """
    import erfa

    azimuth, zenith_distance, *_ = erfa.atioq(-np.asarray(hour_angle), np.asarray(dec), _local_astrom(site))
    return unit_vector(azimuth, math.pi / 2 - zenith_distance)


def hour_angle_from_seen(azimuth: Floats, altitude: Floats, site: Site) -> tuple[Floats, Floats]:
    """Apparent hour angle and declination, refraction taken off, of places as seen; radians.

    ERFA's way back differs from its way there by 0.02 arcsec at 15 deg, so one correction step is added.
    """
    import erfa

    astrom = _local_astrom(site)
    zenith_distance = math.pi / 2 - np.asarray(altitude)
    ri, di = erfa.atoiq("A", np.asarray(azimuth), zenith_distance, astrom)
    back_azimuth, back_distance, *_ = erfa.atioq(ri, di, astrom)
    ri, di = erfa.atoiq(
        "A", 2 * np.asarray(azimuth) - back_azimuth, 2 * zenith_distance - back_distance, astrom
    )
    return (-ri + math.pi) % (2 * math.pi) - math.pi, di


def _from_catalogue(ra: Floats, dec: Floats, times: Sequence[datetime], site: Site) -> tuple[Floats, Floats]:
    """Seen directions (n, 3) of ICRS places at aware times, and the poles (seen, true) at the first, (2, 3)."""
    import erfa

    from poleward.sky.earth import observed_context

    order = {time: i for i, time in enumerate(dict.fromkeys(times))}  # stars of one field share their moments
    context = observed_context(list(order), site)
    at = context[[order[time] for time in times]]
    azimuth, zenith_distance, *_ = erfa.ufunc.atioq(*erfa.ufunc.atciqz(ra, dec, at), at)
    seen = unit_vector(azimuth, math.pi / 2 - zenith_distance)
    # The pole that the stars turn about is the celestial intermediate pole: dec +-90 of the intermediate frame.
    bent, straight = context[order[times[0]]], context[order[times[0]]].copy()
    straight["refa"] = straight["refb"] = 0.0
    ends = [erfa.ufunc.atioq(0.0, site.hemisphere * math.pi / 2, one) for one in (bent, straight)]
    return seen, np.stack([unit_vector(az, math.pi / 2 - zd) for az, zd, *_ in ends])


def look(pointings: Sequence[Pointing], offsets_s: Floats, site: Site) -> Sight:
    """Where stars are seen some seconds after their pointings were read.

    Parameters
    ----------
    pointings : sequence of N Pointing
        At the first moment; kinds may be mixed.
    offsets_s : array (N, T)
        Seconds after that moment; the first column is normally zero.
    site : Site
        Latitude and air; the longitude only for right ascensions.

    Returns
    -------
    Sight

    Raises
    ------
    InputError
        A right ascension without a time or without the site's longitude.
    """
    offsets = np.asarray(offsets_s, float)
    count, moments = offsets.shape
    seen = np.empty((count, moments, 3))
    hour_angle, dec = np.empty(count), np.empty(count)
    apparent, true = poles_at(site)
    notes: list[Note] = []

    by_ra = [i for i, pointing in enumerate(pointings) if pointing.ra is not None]
    for i, pointing in enumerate(pointings):
        if pointing.azimuth is not None and pointing.altitude is not None:
            h, d = hour_angle_from_seen(np.array(pointing.azimuth), np.array(pointing.altitude), site)
            hour_angle[i], dec[i] = float(h), float(d)
        elif pointing.hour_angle is not None and pointing.dec is not None:
            hour_angle[i], dec[i] = pointing.hour_angle, pointing.dec
    others = [i for i, pointing in enumerate(pointings) if pointing.ra is None]
    if others:
        turned = hour_angle[others, None] + STELLAR_RATE * offsets[others]
        seen[others] = seen_from_hour_angle(turned, np.broadcast_to(dec[others, None], turned.shape), site)
    if by_ra:
        first, last, times = _times(pointings, by_ra, offsets, site)
        from poleward.sky.earth import rotation_notes

        ra = np.repeat([pointings[i].ra for i in by_ra], moments).astype(float)
        declination = np.repeat([pointings[i].dec for i in by_ra], moments).astype(float)
        places, poles = _from_catalogue(ra, declination, times, site)
        seen[by_ra] = places.reshape(len(by_ra), moments, 3)
        apparent, true = _poles(poles, site)
        azimuth, altitude = azimuth_altitude(seen[by_ra, 0])
        hour_angle[by_ra], dec[by_ra] = hour_angle_from_seen(azimuth, altitude, site)
        notes = rotation_notes(first, last)
    return Sight(seen, apparent, true, hour_angle, dec, azimuth_altitude(seen[:, 0])[1], tuple(notes))


def altitude_of(pointing: Pointing, site: Site) -> float:
    """Altitude as seen of one pointing at its own moment, radians."""
    return float(look([pointing], np.zeros((1, 1)), site).altitude[0])


def _times(
    pointings: Sequence[Pointing], rows: Sequence[int], offsets: Floats, site: Site
) -> tuple[datetime, datetime, list[datetime]]:
    """Earliest, latest and all moments of the pointings given by right ascension."""
    times: list[datetime] = []
    for i in rows:
        pointing = pointings[i]
        if pointing.time is None:
            raise InputError(
                "a right ascension needs the time at which it was pointed at",
                "give time, or hour_angle instead of ra",
                pointing.where,
            )
        if site.longitude_rad is None:
            hint = "give --longitude or [site] longitude (east positive), or hour_angle instead of ra"
            raise InputError("a right ascension needs the site's longitude", hint, pointing.where)
        times.extend(pointing.time + timedelta(seconds=float(s)) for s in offsets[i])
    return min(times), max(times), times


def altitude_notes(sight: Sight, names: Sequence[str], rows: Sequence[int]) -> list[Note]:
    """Warnings about stars, some rows of a sight with their names, so low that refraction is not well known."""
    lowest = np.degrees(np.min(azimuth_altitude(sight.seen[list(rows)])[1], axis=1))
    return [
        Note(
            "low-altitude",
            f"{name} stands at {height:.0f} deg: refraction below {LOW_DEG:.0f} deg is uncertain",
        )
        for name, height in zip(names, lowest, strict=True)
        if height < LOW_DEG
    ]
