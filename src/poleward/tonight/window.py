"""When a target is photographed: its own window, or the coming night while it stands high; and what is wrong with it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from poleward.door.clock import zone_of
from poleward.errors import Note
from poleward.sky.axis import Floats, azimuth_altitude
from poleward.sky.look import TOO_LOW_DEG, Pointing, look
from poleward.sky.site import Site
from poleward.sky.sun import DARK_DEG, DAYLIGHT_DEG, sun_seen
from poleward.tonight.targets import LONGEST_WINDOW_S, Target

STEP_S = 300.0
"""Steps in which rising, setting and darkness are looked for: five minutes move the sky by 1.25 deg."""


@dataclass(frozen=True)
class Window:
    """When one target is photographed.

    Attributes
    ----------
    start : datetime or None
        None where there is no window at all.
    length_s : float
    problem : str
        Why no verdict can be given; empty when all is well.
    below_horizon : bool
        Then nothing about the pictures can be said either.
    notes : tuple of Note
    """

    start: datetime | None
    length_s: float
    problem: str = ""
    below_horizon: bool = False
    notes: tuple[Note, ...] = ()


def clock_time(moment: datetime, site: Site) -> str:
    """Hour and minute with the zone, for messages: the site's own zone where it has one."""
    if not site.timezone:
        return f"{moment:%H:%M} UTC"
    local = moment.astimezone(zone_of(site.timezone))
    return f"{local:%H:%M} {local.tzname()}"


def _altitudes(target: Target, start: datetime, seconds: Floats, site: Site) -> Floats:
    """Altitude as seen at some seconds after a moment, degrees, shape (T,)."""
    sight = look([Pointing(ra=target.ra, dec=target.dec, time=start)], seconds[None, :], site)
    return np.degrees(azimuth_altitude(sight.seen[0])[1])


def _sun_altitudes(start: datetime, seconds: Floats, site: Site) -> Floats:
    moments = [start + timedelta(seconds=float(s)) for s in seconds]
    return np.degrees(azimuth_altitude(sun_seen(moments, site))[1])


def _steps(length_s: float) -> Floats:
    return np.linspace(0.0, length_s, max(2, math.ceil(length_s / STEP_S) + 1))


def window_of(target: Target, site: Site, at: datetime, lowest_altitude_deg: float) -> Window:
    """Return when a target is photographed.

    Parameters
    ----------
    target : Target
    site : Site
        With its longitude.
    at : datetime
        Where the target names no window, the first night after this moment is taken.
    lowest_altitude_deg : float
        Below it a target with no window of its own is left alone; in a window of its own it gets a note.
    """
    if target.start is None or target.end is None:
        return _coming_night(target, site, at, lowest_altitude_deg)
    length = (target.end - target.start).total_seconds()
    steps = _steps(length)
    altitude = _altitudes(target, target.start, steps, site)
    if altitude.max() < 0:
        problem = f"it never rises in this window: at most {altitude.max():.0f} deg"
        return Window(target.start, length, problem, True)
    if altitude.min() < 0:
        first = bool(altitude[0] < 0)
        turn = int(np.argmax(altitude >= 0)) if first else int(np.argmax(altitude < 0))
        moment = target.start + timedelta(seconds=float(steps[turn]))
        word = "rises" if first else "sets"
        return Window(target.start, length, f"it {word} at {clock_time(moment, site)}", True)
    sun = _sun_altitudes(target.start, steps, site)
    problem = ""
    if sun.max() > DAYLIGHT_DEG:
        up = steps[sun > DAYLIGHT_DEG]
        begin, end = (target.start + timedelta(seconds=float(s)) for s in (up[0], up[-1]))
        span = (
            f"at {clock_time(begin, site)}"
            if len(up) == 1
            else f"from {clock_time(begin, site)} to {clock_time(end, site)}"
        )
        problem = f"daylight: the Sun is up {span}"
    return Window(
        target.start, length, problem, False, _notes(target.name, altitude, sun, lowest_altitude_deg)
    )


def _notes(name: str, altitude: Floats, sun: Floats, lowest_altitude_deg: float) -> tuple[Note, ...]:
    notes = []
    if altitude.min() < max(lowest_altitude_deg, TOO_LOW_DEG):
        what = (
            ", where refraction is not well known"
            if altitude.min() < TOO_LOW_DEG
            else f", below the lowest altitude of {lowest_altitude_deg:g} deg"
        )
        notes.append(Note("low-altitude", f"{name} goes down to {altitude.min():.0f} deg{what}"))
    if DARK_DEG < sun.max() <= DAYLIGHT_DEG:
        notes.append(Note("twilight", f"{name}: twilight, the Sun is only {-sun.max():.0f} deg down"))
    return tuple(notes)


def _coming_night(target: Target, site: Site, at: datetime, lowest_altitude_deg: float) -> Window:
    """Return the longest unbroken part of the first night after `at` in which the target stands high enough."""
    steps = np.arange(0.0, 36 * 3600 + 1, STEP_S)
    dark = _sun_altitudes(at, steps, site) < DARK_DEG
    if not dark[: int(86400 / STEP_S)].any():
        return Window(None, 0.0, f"the coming night does not get dark (Sun never {-DARK_DEG:g} deg down)")
    begin = int(np.argmax(dark))
    end = begin + (int(np.argmin(dark[begin:])) if not dark[begin:].all() else len(dark) - begin)
    end = min(end, begin + int(LONGEST_WINDOW_S / STEP_S) + 1)  # near the poles a night lasts for weeks
    night = steps[begin:end]
    altitude = _altitudes(target, at, night, site)
    high = altitude >= lowest_altitude_deg
    best, run = (0, 0), 0
    for i, good in enumerate(high):
        run = run + 1 if good else 0
        if run > best[1]:
            best = (i - run + 1, run)
    if best[1] < 2:
        when = at + timedelta(seconds=float(night[int(np.argmax(altitude))]))
        return Window(
            None,
            0.0,
            f"it never stands above {lowest_altitude_deg:g} deg in the coming night: at most "
            f"{altitude.max():.0f} deg, at {clock_time(when, site)}",
        )
    length = float((best[1] - 1) * STEP_S)
    return Window(at + timedelta(seconds=float(night[best[0]])), length)
