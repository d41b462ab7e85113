"""Minutes, expectations, words and stars put to chosen pointings."""

from __future__ import annotations

import math
from datetime import datetime, timedelta

import numpy as np

from poleward.planning.pairing import LONGEST_MIN, SHORTEST_MIN, Found, Task, quickest
from poleward.planning.planned import NearStar, PlannedPointing, Proposal, height_label
from poleward.planning.timing import on_sky
from poleward.sky.axis import Floats, angle_between, azimuth_altitude
from poleward.sky.look import Pointing, look, seen_from_hour_angle
from poleward.sky.stars import bright_stars

FINE_SHARES = np.linspace(0.1, 0.9, 81)
"""Ways to share the time between two timings: the time is flat about the best share, half a percent of it costs 1e-4."""
STAR_WITHIN_DEG = 40.0
"""A bright star farther off helps nobody to find a pointing; eighteen stars leave gaps of that size."""


def timed(task: Task, found: Found) -> tuple[Floats, bool]:
    """Minutes by the exact model, in whole seconds, and whether they reach what is wanted."""
    from scipy.optimize import brentq

    def sigma(minutes: Floats) -> float:
        return on_sky(*task.bench.covariance(found.hour_angle, found.dec, 60 * minutes))

    def scaled(ratio: Floats) -> Floats | None:
        """Return the shortest times in this ratio."""
        low, high = SHORTEST_MIN / ratio.min(), LONGEST_MIN / ratio.max()
        if high < low or sigma(high * ratio) > task.wanted_arcmin:
            return None
        if sigma(low * ratio) <= task.wanted_arcmin:
            shortest: Floats = low * ratio
            return shortest
        # Sigma falls nearly as a power of the time, a straight line in logarithms; 1e-4 is a second in three hours.
        total = brentq(
            lambda t: math.log(sigma(math.exp(t) * ratio) / task.wanted_arcmin),
            math.log(low),
            math.log(high),
            xtol=1e-4,
        )
        minutes: Floats = math.exp(float(total)) * ratio
        return minutes

    ratios = [found.minutes / found.minutes.sum()]
    if len(found.minutes) == 2:
        rows = task.bench.rows(found.hour_angle, found.dec)
        shares = np.stack([FINE_SHARES, 1 - FINE_SHARES], axis=-1)
        rough, _ = quickest(rows.slope[None], rows.doubt[None], shares, task.bench.reader, task.wanted_arcmin)
        ratios.append(shares[int(np.argmin(rough[0]))])
    reached = [minutes for minutes in map(scaled, ratios) if minutes is not None]
    if not reached:
        return np.full(len(found.minutes), LONGEST_MIN), False
    minutes = min(reached, key=lambda one: float(one.sum()))
    return np.ceil(60 * minutes - 1e-6) / 60, True


def proposal_of(task: Task, found: Found, at: datetime | None, wanted: float) -> Proposal:
    """Put minutes, expectations, words and stars to pointings; the western, which sink, come first."""
    order = np.argsort(-found.hour_angle)
    found = Found(found.hour_angle[order], found.dec[order], found.minutes[order], found.total, found.rank)
    minutes, reaches = timed(task, found)
    covariance, level = task.bench.covariance(found.hour_angle, found.dec, 60 * minutes)
    sigma = np.sqrt(np.diag(covariance))
    seen = seen_from_hour_angle(found.hour_angle, found.dec, task.bench.site)
    azimuth, altitude = (np.degrees(angle) for angle in azimuth_altitude(seen))
    pointings, gone = [], 0.0
    for i in range(len(minutes)):
        if i:
            gone += task.mover.along(found.hour_angle[i - 1 : i + 1], found.dec[i - 1 : i + 1])
        start = None if at is None else at + timedelta(minutes=gone)
        pointings.append(
            PlannedPointing(
                height_label(float(azimuth[i]) % 360, float(altitude[i])),
                math.degrees(float(found.hour_angle[i])) / 15,
                math.degrees(float(found.dec[i])),
                float(azimuth[i]) % 360,
                float(altitude[i]),
                float(minutes[i]),
                float(task.bench.reader.sigma(60 * minutes[i])),
                start,
                _star_near(seen[i], task, start),
            )
        )
        gone += float(minutes[i])
    worst = on_sky(covariance, level)
    return Proposal(
        tuple(pointings),
        gone,
        float(sigma[0]),
        float(sigma[1]),
        float(covariance[0, 1] / sigma[0] / sigma[1]),
        worst,
        reaches and worst <= wanted * (1 + 1e-9),
    )


def _star_near(seen: Floats, task: Task, start: datetime | None) -> NearStar | None:
    """Return the bundled bright star nearest to a direction at a moment, if one that may be pointed at is near enough."""
    site = task.bench.site
    if start is None or site.longitude_rad is None:
        return None
    stars = bright_stars()
    pointings = []
    for star in stars:
        ra, dec = star.place(start)
        pointings.append(Pointing(ra=ra, dec=dec, time=start))
    places = look(pointings, np.zeros((len(stars), 1)), site).seen[:, 0]
    apart = np.degrees(angle_between(places, np.broadcast_to(seen, places.shape)))
    apart = np.where(task.sky.shows(places), apart, np.inf)
    best = int(np.argmin(apart))
    if apart[best] > STAR_WITHIN_DEG:
        return None
    azimuth, altitude = (math.degrees(float(angle)) for angle in azimuth_altitude(places[best]))
    return NearStar(stars[best].name, float(apart[best]), azimuth % 360, altitude, stars[best].source)
