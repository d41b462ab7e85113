"""Nights with a known truth: guide logs for docs, demo, tests and benchmarks.

The star's motion is made by a route of its own: astropy's AltAz for where the star is seen, on a fine grid of
moments, and scipy's Rotation for the mount. Nothing of `axis`, `sky` or the fit is used.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import numpy as np

from poleward.guidelog.reading.section import Section
from poleward.simulate.guider import Guider, Oddity, Scatter, guided, lasting_noise
from poleward.simulate.rotation import rotation_data
from poleward.sky.axis import Floats
from poleward.sky.look import Pointing
from poleward.sky.site import Site

__all__ = ["Guider", "Oddity", "Scatter", "Stretch", "night"]

GRID_S = 60.0
"""Between the moments at which astropy is asked; a cubic spline through them is good to 1e-4 arcsec."""
STELLAR_DAY_S = 86164.098903691
"""Of UT1 (IAU 2000; outside-checks F)."""


@dataclass(frozen=True)
class Stretch:
    """One section to be: where the telescope points and for how long.

    Attributes
    ----------
    begin_s : float
        Seconds after the night's start.
    duration_s, cadence_s : float
        Length, and seconds between rows.
    hour_angle_h, dec_deg : float
        Apparent, of date, at its beginning.
    guider : Guider or None
        None: the star is only watched.
    unsteady : float
        Relative scatter of the cadence.
    by_ra : bool
        The pointing is told by right ascension and time, else by hour angle.
    rate_stated : bool
        The log tells the guide rate.
    """

    begin_s: float
    duration_s: float
    hour_angle_h: float
    dec_deg: float
    cadence_s: float = 3.0
    guider: Guider | None = None
    unsteady: float = 0.1
    by_ra: bool = False
    rate_stated: bool = True


def night(
    site: Site,
    azimuth_error_arcmin: float,
    altitude_error_arcmin: float,
    stretches: Sequence[Stretch],
    start: datetime,
    scatter: Scatter | None = None,
    rng: np.random.Generator | None = None,
) -> tuple[Section, ...]:
    """Make a night's sections for a mount whose axis error is known.

    Parameters
    ----------
    site : Site
        With a longitude.
    azimuth_error_arcmin, altitude_error_arcmin : float
        Of the axis against the apparent pole; east and up positive.
    stretches : sequence of Stretch
    start : datetime
        Aware; of the night.
    scatter : Scatter, optional
    rng : numpy.random.Generator, optional
        Left out: one with a fixed number, so that the night is always the same.

    Returns
    -------
    tuple of Section
    """
    rng = np.random.default_rng(1) if rng is None else rng
    scatter = Scatter() if scatter is None else scatter
    last = start + timedelta(seconds=max(s.begin_s + s.duration_s for s in stretches))
    sections = []
    with rotation_data(start, last):
        axis = axis_direction(site, azimuth_error_arcmin, altitude_error_arcmin, start)
        for number, stretch in enumerate(stretches, 1):
            begin = start + timedelta(seconds=stretch.begin_s)
            pointing, grid, north, east = _track(site, axis, stretch, begin)
            seconds = _times(stretch, rng)
            paths = _spline(grid, north, seconds), _spline(grid, east, seconds)
            sections.append(_logged(number, begin, pointing, seconds, paths, stretch, scatter, rng))
    return tuple(sections)


def earth_location(site: Site) -> Any:
    from astropy import units
    from astropy.coordinates import EarthLocation

    if site.longitude_rad is None:
        raise ValueError("a simulated night needs the site's longitude")
    return EarthLocation.from_geodetic(
        units.Quantity(site.longitude_rad, "rad"),
        units.Quantity(site.latitude_rad, "rad"),
        units.Quantity(site.elevation_m, "m"),
    )


def altaz_frame(site: Site, times: Any) -> Any:
    from astropy import units
    from astropy.coordinates import AltAz

    return AltAz(
        obstime=times,
        location=earth_location(site),
        pressure=units.Quantity(site.air.pressure_hpa, "hPa"),
        temperature=units.Quantity(site.air.temperature_c, "deg_C"),
        relative_humidity=site.air.humidity,
        obswl=units.Quantity(site.air.wavelength_um, "um"),
    )


def east_north_up(frame: Any) -> Floats:
    """Turn astropy's left-handed AltAz (x north, y east, z up) into east, north, up."""
    x, y, z = frame.cartesian.xyz.value
    return np.stack([y, x, z], axis=-1)


def axis_direction(site: Site, azimuth_arcmin: float, altitude_arcmin: float, when: datetime) -> Floats:
    """Return the axis, elevated end: the apparent pole turned about the plumb line, then lifted."""
    from astropy import units
    from astropy.coordinates import CIRS
    from astropy.time import Time
    from scipy.spatial.transform import Rotation

    moment = Time(when)
    end = CIRS(
        units.Quantity(0.0, "deg"),
        units.Quantity(90.0 * site.hemisphere, "deg"),
        obstime=moment,
        location=earth_location(site),
    )
    pole = east_north_up(end.transform_to(altaz_frame(site, moment)))
    plumb = np.array([0.0, 0.0, 1.0])
    swing = Rotation.from_rotvec(-site.hemisphere * math.radians(azimuth_arcmin / 60) * plumb)
    swung = swing.apply(pole)
    level = np.cross(swung, plumb)
    lift = Rotation.from_rotvec(math.radians(altitude_arcmin / 60) * level / np.linalg.norm(level))
    lifted: Floats = lift.apply(swung)
    return lifted


def _track(
    site: Site, axis: Floats, stretch: Stretch, begin: datetime
) -> tuple[Pointing, Floats, Floats, Floats]:
    """Pointing, and how a mount that only tracks sees the star move: grid of seconds, north, east, arcsec."""
    from astropy import units
    from astropy.coordinates import HADec, SkyCoord
    from astropy.time import Time
    from scipy.spatial.transform import Rotation

    grid = np.linspace(0.0, stretch.duration_s, max(8, math.ceil(stretch.duration_s / GRID_S) + 1))
    first = Time(begin)
    spot = HADec(
        units.Quantity(stretch.hour_angle_h, "hourangle"),
        units.Quantity(stretch.dec_deg, "deg"),
        obstime=first,
        location=earth_location(site),
        pressure=units.Quantity(0.0, "hPa"),
    )
    star = SkyCoord(spot).transform_to("icrs")
    seen = east_north_up(SkyCoord(star).transform_to(altaz_frame(site, first + units.Quantity(grid, "s"))))
    pole = axis * site.hemisphere
    turns = Rotation.from_rotvec(-np.outer(2 * math.pi * grid / STELLAR_DAY_S, pole))
    carried = turns.inv().apply(seen)
    # Camera axes: the mount's frame (z its pole, y east), lifted until x points at the first place.
    east = np.cross(pole, seen[0])
    east /= np.linalg.norm(east)
    mount = np.stack([np.cross(east, pole), east, pole])
    polar = math.acos(float(np.clip(seen[0] @ pole, -1, 1)))
    x, y, z = Rotation.from_euler("y", math.pi / 2 - polar).apply(carried @ mount.T).T
    north, east_path = np.degrees(z / x) * 3600, np.degrees(y / x) * 3600
    if stretch.by_ra:
        pointing = Pointing(ra=float(star.ra.rad), dec=float(star.dec.rad), time=begin)
    else:
        pointing = Pointing(
            hour_angle=math.radians(15 * stretch.hour_angle_h),
            dec=math.radians(stretch.dec_deg),
            time=begin,
        )
    return pointing, grid, north, east_path


def _spline(grid: Floats, values: Floats, seconds: Floats) -> Floats:
    from scipy.interpolate import CubicSpline

    result: Floats = CubicSpline(grid, values)(seconds)
    return result


def _times(stretch: Stretch, rng: np.random.Generator) -> Floats:
    """Row times: the cadence with some scatter, in milliseconds as logs write them."""
    count = int(stretch.duration_s / stretch.cadence_s)
    steps = stretch.cadence_s * np.clip(1 + stretch.unsteady * rng.normal(size=count), 0.5, 3.0)
    seconds = np.cumsum(steps)
    seconds = np.round(seconds[seconds < stretch.duration_s], 3)
    return seconds


def _logged(
    number: int,
    begin: datetime,
    pointing: Pointing,
    seconds: Floats,
    paths: tuple[Floats, Floats],
    stretch: Stretch,
    scatter: Scatter,
    rng: np.random.Generator,
) -> Section:
    """What the guider writes: places, pulses, moves."""
    count, guider = len(seconds), stretch.guider
    moved = np.zeros(count, bool)
    if guider is not None and guider.move_every_s > 0:
        turn = np.floor(seconds / guider.move_every_s)
        moved[1:] = np.diff(turn) > 0
    places, pulses = [], []
    # A worm wheel's error, to make the east axis as bad as it is: 8 arcsec over 8 minutes.
    worm = 8 * np.sin(2 * math.pi * seconds / 480 + rng.uniform(0, 2 * math.pi))
    for free, slack in ((paths[0], True), (paths[1] + worm, False)):
        noise = scatter.white_arcsec * rng.normal(size=count) + lasting_noise(seconds, scatter, rng)
        wild = rng.random(count) < scatter.glitch_share
        noise *= np.where(seconds % 600 < 120, scatter.bout_factor, 1.0)
        glitch = np.zeros(count)
        glitch[wild] = scatter.glitch_arcsec * rng.normal(size=int(np.sum(wild)))
        if guider is None:
            places.append(free + noise + glitch + rng.normal(scale=2.0))
            continue
        place, pulse = guided(free, noise, glitch, moved, guider, guider.backlash_ms if slack else 0.0, rng)
        places.append(place)
        pulses.append(pulse)
    return Section(
        file="simulated",
        label=f"section {number}",
        where=f"simulated:{number}",
        start=begin,
        pointing=pointing,
        seconds=seconds,
        north_arcsec=places[0],
        east_arcsec=places[1],
        north_pulse_ms=pulses[0] if pulses else None,
        east_pulse_ms=pulses[1] if pulses else None,
        good=np.ones(count, bool),
        moved=moved if guider is None or guider.moves_noted else np.zeros(count, bool),
        north_guide_rate_arcsec_per_s=guider.stated_rate if guider and stretch.rate_stated else None,
        east_guide_rate_arcsec_per_s=guider.stated_rate if guider and stretch.rate_stated else None,
    )
