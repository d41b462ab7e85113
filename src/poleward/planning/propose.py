"""Minutes, expectations, words and stars put to chosen pointings."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import datetime, timedelta
from functools import cache

import numpy as np

from poleward.planning.pairing import LONGEST_MIN, SHORTEST_MIN, Found, Task, quickest
from poleward.planning.planned import NearStar, PlannedPointing, Proposal, height_label
from poleward.planning.timing import DriftRows, on_sky
from poleward.sky.axis import STELLAR_RATE, Floats, angle_between, azimuth_altitude
from poleward.sky.look import Pointing, Sight, look, seen_from_hour_angle
from poleward.sky.site import Site
from poleward.sky.stars import bright_stars, find_star

FINE_SHARES = np.linspace(0.1, 0.9, 81)
"""Ways to share the time between two timings: the time is flat about the best share, half a percent of it costs 1e-4."""
STAR_WITHIN_DEG = 20.0
"""A bright star farther off helps nobody to find a pointing; the table leaves gaps of up to 18 deg."""


def timed(task: Task, found: Found) -> tuple[Floats, bool]:
    """Minutes by the exact model, in whole seconds, and whether they reach what is wanted."""
    from scipy.optimize import brentq

    def sigma(minutes: Floats) -> float:
        return on_sky(*task.bench.covariance(found.hour_angle, found.dec, 60 * minutes))

    def scaled(ratio: Floats) -> Floats | None:
        """Return the shortest times in this ratio."""

        @cache  # brentq asks for the two ends again
        def excess(t: float) -> float:
            return math.log(sigma(math.exp(t) * ratio) / task.wanted_arcmin)

        low, high = math.log(SHORTEST_MIN / ratio.min()), math.log(LONGEST_MIN / ratio.max())
        if high < low or excess(high) > 0:
            return None
        # Sigma falls nearly as a power of the time, a straight line in logarithms; 1e-4 is a second in three hours.
        total = low if excess(low) <= 0 else float(brentq(excess, low, high, xtol=1e-4))
        minutes: Floats = math.exp(total) * ratio
        return minutes

    ratios = [found.minutes / found.minutes.sum()]
    if len(found.minutes) == 2:
        rows = task.bench.rows(found.hour_angle, found.dec)
        shares = np.stack([FINE_SHARES, 1 - FINE_SHARES], axis=-1)
        rough, _ = quickest(rows.slope[None], rows.doubt[None], shares, task.bench.reader, task.wanted_arcmin)
        ratios.insert(0, shares[int(np.argmin(rough[0]))])  # the finer one, if it reaches what is wanted
    minutes = next((minutes for ratio in ratios if (minutes := scaled(ratio)) is not None), None)
    if minutes is None:
        return np.full(len(found.minutes), LONGEST_MIN), False
    return np.ceil(60 * minutes - 1e-6) / 60, True


def proposal_of(task: Task, found: Found, at: datetime | None, wanted: float) -> Proposal:
    """Put minutes, expectations, words and stars to pointings; the western, which sink, come first.

    A place in the sky stands where it is meant to whenever its turn comes. A star, whose hour angle is given for the
    beginning of the work, has moved on by then.
    """
    found = found.ordered()
    minutes, reaches = timed(task, found)
    first = found.hour_angle
    starts = _starts(task, found, minutes)
    for _ in range(2 if np.any(found.star >= 0) else 0):
        on = np.where(found.star >= 0, STELLAR_RATE * 60 * starts, 0.0)
        found = replace(found, hour_angle=first + on)
        minutes, reaches = timed(task, found)
        starts = _starts(task, found, minutes)
    covariance, level = task.bench.covariance(found.hour_angle, found.dec, 60 * minutes)
    sigma = np.sqrt(np.diag(covariance))
    worst = on_sky(covariance, level)
    due = [None if at is None else at + timedelta(minutes=float(start)) for start in starts]
    return Proposal(
        tuple(_pointing(task, found, i, float(minutes[i]), due[i]) for i in range(len(due))),
        float(starts[-1] + minutes[-1]),
        float(sigma[0]),
        float(sigma[1]),
        float(covariance[0, 1] / sigma[0] / sigma[1]),
        worst,
        reaches and worst <= wanted * (1 + 1e-9),
    )


def _starts(task: Task, found: Found, minutes: Floats) -> Floats:
    """When each timing begins, minutes after the first (n,)."""
    moves = task.mover.minutes(np.diff(found.hour_angle), np.diff(found.dec))
    starts: Floats = np.r_[0.0, np.cumsum(minutes[:-1] + moves)]
    return starts


def _pointing(task: Task, found: Found, i: int, minutes: float, start: datetime | None) -> PlannedPointing:
    site = task.bench.site
    seen = seen_from_hour_angle(found.hour_angle[i], found.dec[i], site)
    azimuth, altitude = (math.degrees(float(angle)) for angle in azimuth_altitude(seen))
    ra = dec = star = None
    if start is not None and site.longitude_rad is not None:
        ra, dec = _catalogue_place(float(found.hour_angle[i]), float(found.dec[i]), start, site)
        number = int(found.star[i])
        star = _star_near(seen, task, start) if number < 0 else _near(number, 0.0, azimuth % 360, altitude)
    return PlannedPointing(
        height_label(azimuth % 360, altitude),
        math.degrees(float(found.hour_angle[i])) / 15,
        math.degrees(float(found.dec[i])),
        azimuth % 360,
        altitude,
        minutes,
        float(task.bench.reader.sigma(60 * minutes)),
        start,
        None if ra is None else math.degrees(ra) / 15,
        None if dec is None else math.degrees(dec),
        star,
    )


def _catalogue_place(hour_angle: float, dec: float, start: datetime, site: Site) -> tuple[float, float]:
    """Right ascension and dec (ICRS, radians) of what stands at an apparent hour angle and dec at a moment."""
    ra, icrs = 0.0, dec
    for _ in range(4):  # precession couples the two by a quarter of a degree, its square by an arcsecond
        sight = look([Pointing(ra=ra, dec=icrs, time=start)], np.zeros((1, 1)), site)
        ra = (ra + float(sight.hour_angle[0]) - hour_angle) % (2 * math.pi)
        icrs = min(max(icrs + dec - float(sight.dec[0]), -math.pi / 2), math.pi / 2)
    return ra, icrs


def star_rows(task: Task, at: datetime, minutes: float) -> DriftRows:
    """Return the bundled stars that may be used for so many minutes, where they stand at a moment."""
    sight = _stars_at(at, task.bench.site)
    # Of a double star's parts only the one that its name means.
    named = np.array([number for number, star in enumerate(bright_stars()) if find_star(star.name) is star])
    return task.rows(sight.hour_angle[named], sight.dec[named], minutes, named)


def _stars_at(moment: datetime, site: Site) -> Sight:
    places = [Pointing(ra=star.ra, dec=star.dec, time=moment) for star in bright_stars()]
    return look(places, np.zeros((len(places), 1)), site)


def _star_near(seen: Floats, task: Task, start: datetime) -> NearStar | None:
    """Return the bundled bright star nearest to a direction at a moment, if one that may be pointed at is near enough."""
    places = _stars_at(start, task.bench.site).seen[:, 0]
    apart = np.degrees(angle_between(places, np.broadcast_to(seen, places.shape)))
    apart = np.where(task.sky.shows(places), apart, np.inf)
    best = int(np.argmin(apart))
    if apart[best] > STAR_WITHIN_DEG:
        return None
    azimuth, altitude = (math.degrees(float(angle)) for angle in azimuth_altitude(places[best]))
    return _near(best, float(apart[best]), azimuth % 360, altitude)


def _near(number: int, separation_deg: float, azimuth_deg: float, altitude_deg: float) -> NearStar:
    star = bright_stars()[number]
    return NearStar(star.name, separation_deg, azimuth_deg, altitude_deg, star.magnitude, star.source)
