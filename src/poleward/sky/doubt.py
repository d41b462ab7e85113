"""What is never exact: the air, the lift of a low pole, and a pointing that was read off a circle."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from functools import cache

import numpy as np

from poleward.errors import Note
from poleward.sky.axis import ARCSEC, STELLAR_RATE, displacement
from poleward.sky.look import Pointing, look
from poleward.sky.site import Air, Site

AIR_STATED, AIR_ASSUMED = 0.05, 0.10
"""Standard uncertainty of refraction as a part of it, where pressure or temperature were given, and where neither was.

A tenth is 28 K or 100 hPa: a cold night, or a site 900 m up whose elevation was left out. Stated air still stands some
metres from the mount, a barometer may be set to sea level (50 hPa at 430 m), and near the ground, where the air is
layered, refraction departs from any formula.
"""
POINTING_DEG = 0.5
"""Standard uncertainty of an hour angle or azimuth read off a circle: divided to one or two degrees, and set by a clock or
a compass line that is itself off by as much (common practice, no source). A right ascension with its time has none."""
DRIVE_ARCSEC = 10.0
"""Standard uncertainty of how far the drive turned in one timing: the worm's periodic error, a motor that runs off (common
practice, no source). North drifts do not feel it. A field's rotation does, by the sine of its dec, unless the east drift of
the same timing shows what the drive did."""
LOW_POLE_DEG = 8.0
"""Below this latitude the apparent pole itself is doubtful."""
FORMULA_DEG, FORMULA_ARCSEC = (0, 1, 2, 3, 4, 5, 6, 8, 10), (1040, 628, 346, 146, 48, 19, 8.4, 1.9, 0.5)
"""How far ERFA's refraction is off a ray trace at such altitudes (docs/experiments/low_pole.py)."""


def air_doubt(air: Air) -> float:
    """Standard uncertainty of refraction as a part of it; nothing where refraction is switched off."""
    if air.pressure_hpa == 0:
        return 0.0
    assumed = Air()
    stated = air.pressure is not None or air.temperature_c != assumed.temperature_c
    return AIR_STATED if stated else AIR_ASSUMED


def thicker(site: Site) -> Site:
    """Return the site in air that refracts one standard uncertainty more; less where ERFA takes no more pressure."""
    part = air_doubt(site.air)
    factor = 1 + part if site.air.pressure_hpa * (1 + part) <= 1100 else 1 - part
    return replace(site, air=replace(site.air, pressure=f"{site.air.pressure_hpa * factor} hPa"))


def aside(pointings: Sequence[Pointing], by_deg: float) -> tuple[list[Pointing], list[int]]:
    """Return pointings whose hour angle or azimuth is larger by some degrees, and which those are."""
    moved, which = list(pointings), []
    for i, at in enumerate(pointings):
        for name in ("hour_angle", "azimuth"):
            value = getattr(at, name)
            if value is not None:
                moved[i] = replace(at, **{name: value + math.radians(by_deg)})
                which.append(i)
    return moved, which


AIR_SHOWN_DEG = (30.0, 20.0)
"""Altitudes at which the air's own drift is told: where pictures are taken, and where stars are timed lowest."""


@cache
def air_drift(site: Site, pole: str) -> tuple[tuple[float, float], ...]:
    """Fastest north drift, arcsec/min, that the air alone makes at some altitudes, with an axis exactly on the pole."""
    azimuths, seconds = np.radians(np.arange(0, 360, 5)), 60.0
    shown = []
    for altitude in AIR_SHOWN_DEG:
        stars = [Pointing(azimuth=float(a), altitude=math.radians(altitude)) for a in azimuths]
        sight = look(stars, np.tile([0.0, seconds], (len(stars), 1)), site)
        turn = np.full(len(stars), STELLAR_RATE * seconds)
        moved = displacement(sight.pole(pole).axis(0.0, 0.0), sight.seen[:, 0], sight.seen[:, 1], turn)
        shown.append((altitude, float(np.max(np.abs(moved.north))) / ARCSEC))
    return tuple(shown)


def pole_doubt_arcmin(site: Site) -> float:
    """How far the formula's lift of the pole may be off, arcmin: it counts where errors are against the apparent pole."""
    if site.air.pressure_hpa == 0:
        return 0.0
    height = abs(math.degrees(site.latitude_rad))
    return math.exp(float(np.interp(height, FORMULA_DEG, np.log(FORMULA_ARCSEC)))) / 60


def low_pole_notes(site: Site) -> list[Note]:
    """One warning where the pole itself stands so low that its refraction is not well known."""
    latitude = math.degrees(site.latitude_rad)
    if abs(latitude) >= LOW_POLE_DEG or site.air.pressure_hpa == 0:
        return []
    text = (
        f"at latitude {latitude:+.1f} deg the formula for the pole's own refraction may be off by "
        f"{pole_doubt_arcmin(site):.1g} arcmin; with --pole true the altitude error does not depend on it"
    )
    return [Note("low-pole", text)]
