"""When a target is photographed: its own window, or the coming night while it stands high; and what is wrong with it.

Dusk, dawn and the passages of an altitude are solved for on curves that do not depend on the moment of asking, so that
a question put a minute later gets the same answer.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from functools import lru_cache

import numpy as np

from poleward.door.clock import zone_of
from poleward.errors import Note
from poleward.sky.axis import Floats, azimuth_altitude
from poleward.sky.look import TOO_LOW_DEG, Pointing, look
from poleward.sky.site import Air, Site
from poleward.sky.sun import DARK_DEG, DAYLIGHT_DEG, sun_seen
from poleward.tonight.targets import LONGEST_WINDOW_S, Target

STEP_S = 600.0
"""Steps between which altitudes are interpolated by a cubic spline: good to 0.001 deg above 5 deg, a quarter of a second."""
DAY_S = 86400.0
Altitudes = Callable[[datetime, Floats], Floats]
Stretch = tuple[float, float]


@dataclass(frozen=True)
class Window:
    """When one target is photographed; no start where there is no window at all.

    `problem` says why no verdict can be given, empty when all is well; below the horizon nothing about the pictures can be
    said either.
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


def day_text(moment: datetime, now: datetime, site: Site) -> str:
    """Date by the site's clock, and how far it is where that is more than a day: ``Wed 2026-11-25, 3 days ago``."""
    local = moment.astimezone(zone_of(site.timezone)) if site.timezone else moment
    days = (moment - now).total_seconds() / DAY_S
    if abs(days) <= 1:
        return f"{local:%a %Y-%m-%d}"
    return f"{local:%a %Y-%m-%d}, " + (f"in {days:.0f} days" if days > 0 else f"{-days:.0f} days ago")


class Course:
    """An altitude, degrees, over some seconds from a moment on, and when it stands above a level."""

    def __init__(self, altitudes: Altitudes, start: datetime, length_s: float) -> None:
        from scipy.interpolate import CubicSpline

        self.seconds = np.linspace(0.0, length_s, max(13, math.ceil(length_s / STEP_S) + 1))
        self.start, self.degrees = start, altitudes(start, self.seconds)
        self._spline = CubicSpline(self.seconds, self.degrees)

    def above(self, level_deg: float) -> list[Stretch]:
        """Stretches, in seconds, in which it stands above a level."""
        return self._stretches(level_deg, 1.0)

    def below(self, level_deg: float) -> list[Stretch]:
        """Stretches in which it stands below."""
        return self._stretches(level_deg, -1.0)

    def _stretches(self, level_deg: float, sign: float) -> list[Stretch]:
        roots = self._spline.solve(level_deg, extrapolate=False)
        edges = np.unique([0.0, *roots[np.isfinite(roots)], self.seconds[-1]])
        good = sign * (self._spline((edges[1:] + edges[:-1]) / 2) - level_deg) > 0
        found: list[Stretch] = []
        for begin, end in zip(edges[:-1][good].tolist(), edges[1:][good].tolist(), strict=True):
            joined = bool(found) and found[-1][1] == begin
            found[-1:] = [(found[-1][0], end)] if joined else [*found[-1:], (begin, end)]
        return found

    def at(self, seconds: float) -> datetime:
        """Return the moment some seconds from the start."""
        return self.start + timedelta(seconds=seconds)


def _target_altitudes(target: Target, site: Site) -> Altitudes:
    """Altitude of a target as seen."""

    def altitudes(start: datetime, seconds: Floats) -> Floats:
        sight = look([Pointing(ra=target.ra, dec=target.dec, time=start)], seconds[None, :], site)
        return np.degrees(azimuth_altitude(sight.seen[0])[1])

    return altitudes


def _sun_altitudes(site: Site) -> Altitudes:
    """Altitude of the Sun's centre without refraction, as sunset and twilight are defined by."""
    airless = replace(site, air=Air("0 hPa"))

    def altitudes(start: datetime, seconds: Floats) -> Floats:
        moments = [start + timedelta(seconds=float(second)) for second in seconds]
        return np.degrees(azimuth_altitude(sun_seen(moments, airless))[1])

    return altitudes


def coming_night(site: Site, at: datetime) -> tuple[datetime, datetime] | None:
    """Return dusk and dawn of the first darkness that ends after a moment; None: it does not begin within a day.

    Between them the Sun is at least 12 deg down. Two days at most: near the poles it stays so for weeks. The site has a
    longitude.
    """
    assert site.longitude_rad is not None
    # Counted from mean noon at this place, so that the curve is the same whatever the minute.
    shift = DAY_S * (site.longitude_rad / (2 * math.pi) - 0.5)
    noon = datetime.fromtimestamp(round(math.floor((at.timestamp() + shift) / DAY_S) * DAY_S - shift), UTC)
    now = (at - noon).total_seconds()
    for dusk, dawn in _darkness(site, noon):
        if now < dawn and dusk < now + DAY_S:
            return noon + timedelta(seconds=math.ceil(dusk)), noon + timedelta(seconds=math.floor(dawn))
    return None


@lru_cache(maxsize=8)
def _darkness(site: Site, noon: datetime) -> tuple[Stretch, ...]:
    """Stretches of darkness in two days, in seconds; the same for all targets of a night."""
    return tuple(Course(_sun_altitudes(site), noon, 2 * DAY_S).below(DARK_DEG))


def window_of(target: Target, site: Site, at: datetime, lowest_altitude_deg: float) -> Window:
    """Return when a target is photographed, at a site with its longitude.

    Where the target names no window, it is the first night after the moment `at`, while it stands above the lowest altitude;
    in a window of its own a lower one gets a note.
    """
    if target.start is None or target.end is None:
        return _high_in_the_night(target, site, at, lowest_altitude_deg)
    start, length = target.start, (target.end - target.start).total_seconds()
    course = Course(_target_altitudes(target, site), start, length)
    high = course.above(0.0)
    if not high:
        problem = f"it never rises in this window: at most {course.degrees.max():.0f} deg"
        return Window(start, length, problem, True)
    if high != [(0.0, length)]:
        word, turn = ("rises", high[0][0]) if high[0][0] > 0 else ("sets", high[0][1])
        return Window(start, length, f"it {word} at {clock_time(course.at(turn), site)}", True)
    sun = Course(_sun_altitudes(site), start, length)
    days = sun.above(DAYLIGHT_DEG)
    problem = ""
    if days:
        begin, end = (clock_time(sun.at(s), site) for s in (days[0][0], days[-1][1]))
        problem = f"daylight: the Sun is up from {begin} to {end}"
    notes = _notes(target.name, course.degrees.min(), sun.degrees.max(), lowest_altitude_deg)
    return Window(start, length, problem, False, notes)


def _notes(name: str, lowest: float, sun: float, lowest_altitude_deg: float) -> tuple[Note, ...]:
    notes = []
    if lowest < max(lowest_altitude_deg, TOO_LOW_DEG):
        what = f", below the lowest altitude of {lowest_altitude_deg:g} deg"
        if lowest < TOO_LOW_DEG:
            what = ", where refraction is not well known"
        places = 0 if round(lowest) < lowest_altitude_deg else 1
        notes.append(Note("low-altitude", f"{name} goes down to {lowest:.{places}f} deg{what}"))
    if DARK_DEG < sun <= DAYLIGHT_DEG:
        notes.append(Note("twilight", f"{name}: twilight, the Sun is only {-sun:.0f} deg down"))
    return tuple(notes)


def _high_in_the_night(target: Target, site: Site, at: datetime, lowest_altitude_deg: float) -> Window:
    """Return the longest unbroken part of the coming night in which the target stands high enough."""
    night = coming_night(site, at)
    if night is None:
        return Window(None, 0.0, f"the coming night does not get dark (Sun never {-DARK_DEG:g} deg down)")
    course = Course(_target_altitudes(target, site), night[0], (night[1] - night[0]).total_seconds())
    now = max(0.0, (at - night[0]).total_seconds())
    last = now + LONGEST_WINDOW_S
    high = [(max(b, now), min(e, last)) for b, e in course.above(lowest_altitude_deg) if e > now and b < last]
    if not high:
        left = np.where(course.seconds >= now - STEP_S, course.degrees, -90.0)
        best = int(np.argmax(left))
        return Window(
            None,
            0.0,
            f"it never stands above {lowest_altitude_deg:g} deg in the coming night: at most "
            f"{left[best]:.0f} deg, at {clock_time(course.at(course.seconds[best]), site)}",
        )
    begin, end = max(high, key=lambda one: one[1] - one[0])
    begin, end = math.ceil(begin), math.floor(end)
    return Window(course.at(begin), float(max(end - begin, 1)))
