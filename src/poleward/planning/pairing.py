"""The search for the quickest pointings: a coarse look over the whole sky, then closer looks about the best.

The goal is the time until the axis is known well enough in every direction on the sky, slewing counted. How it is
met is judged by `timing.worst_sigma`, which is the solver's own covariance.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from poleward.planning.timing import SUN_KEEP_OUT_DEG, Bench, DriftRows, Mask, OpenSky, Reader, worst_sigma
from poleward.sky.axis import STELLAR_RATE, Floats
from poleward.sky.look import seen_from_hour_angle

SHORTEST_MIN, LONGEST_MIN = 1.0, 30.0
"""A timing's length: in less than a minute the star's slow wander does not average out; more than half an hour is not
spent on one star (common practice, no source)."""
HOUR_STEP_H, DEC_STEP_DEG = 0.75, 10.0
"""Coarse look. The goal is smooth on the scale of an hour; docs/experiments/plan_choice.py finds 0.1 % at most between."""
FARTHEST_DEC_DEG, FARTHEST_HOUR_H = 45.0, 6.0
"""Pointings nearer the pole, or below it, are asked for only where these do not do: there a wrong hour angle costs more,
many mounts are awkward, and the gain is 0.1 % of the time at most from latitude 20 deg on (docs/experiments/plan_choice.py)."""
HEIGHT = 0.002
"""Among equals the higher pair: a star on the horizon counts as this much slower than one in the zenith."""
KEPT, ROUNDS = 4, 6
"""Pairs that are looked at more closely, and how often the steps are halved: down to a minute of hour angle."""
SHARES = np.linspace(0.2, 0.8, 7)
THIRD_SHARES = (0.25, 0.33, 0.5)
"""A third timing that got less would weigh too little to show that one of the others is wrong."""
WAY_STEPS = 13
"""Places along a way that are looked at: in half a turn of the sky 15 deg apart, half the Sun's keep-out."""
BISECTIONS = 13


@dataclass(frozen=True)
class Mover:
    """How fast the telescope gets from one pointing to the next: both axes move at once, then the star is found and centred."""

    rate_deg_per_s: float = 2.0
    centring_s: float = 60.0

    def minutes(self, hour_angle: Floats, dec: Floats) -> Floats:
        """Minutes for moves of these sizes, radians."""
        far = np.degrees(np.maximum(np.abs(hour_angle), np.abs(dec)))
        result: Floats = (self.centring_s + far / self.rate_deg_per_s) / 60
        return result

    def along(self, hour_angle: Floats, dec: Floats) -> float:
        """Minutes for all moves of a series of pointings (n,)."""
        steps = [
            float(self.minutes(hour_angle[j] - hour_angle[i], dec[j] - dec[i]))
            for i, j in pairwise(range(len(dec)))
        ]
        return math.fsum(steps)


@dataclass(frozen=True)
class Task:
    """What is to be found, where and with what; `anywhere`: near the pole and below it too."""

    bench: Bench
    sky: OpenSky
    mover: Mover
    wanted_arcmin: float
    anywhere: bool = False

    def rows(
        self, hour_angle: Floats, dec: Floats, minutes: float, star: NDArray[np.intp] | None = None
    ) -> DriftRows:
        """Return the pointings, of these, that may be used for so many minutes."""
        rows = self.bench.rows(hour_angle, dec, star)
        end = seen_from_hour_angle(hour_angle + STELLAR_RATE * 60 * minutes, dec, self.bench.site)
        good = self.sky.shows(rows.seen) & self.sky.shows(end)
        if not self.anywhere:
            good &= np.abs(dec) <= math.radians(FARTHEST_DEC_DEG) * (1 + 1e-9)
            good &= np.abs(hour_angle) <= math.radians(15 * FARTHEST_HOUR_H) * (1 + 1e-9)
        return rows.taken(np.flatnonzero(good))

    def ways_clear(self, first: tuple[Floats, Floats], second: tuple[Floats, Floats]) -> Mask:
        """Whether the ways between pointings (hour angle and dec, arrays (P,)) keep away from the Sun, bool (P,).

        Two ways are looked at: straight over the sky, and as a mount goes, both axes at once until each is there.
        """
        count = len(first[0])
        if self.sky.suns is None or not count:
            return np.ones(count, bool)
        share = np.linspace(0, 1, WAY_STEPS)
        span = [b - a for a, b in zip(first, second, strict=True)]
        far = np.maximum(np.abs(span[0]), np.abs(span[1]))[:, None] * share
        moved = [
            a[:, None] + np.sign(d)[:, None] * np.minimum(far, np.abs(d)[:, None])
            for a, d in zip(first, span, strict=True)
        ]
        by_axes = seen_from_hour_angle(moved[0], moved[1], self.bench.site)
        ends = [seen_from_hour_angle(h, d, self.bench.site)[:, None] for h, d in (first, second)]
        straight = ends[0] * (1 - share[:, None]) + ends[1] * share[:, None]
        straight = straight / np.linalg.norm(straight, axis=-1, keepdims=True)
        clear = np.ones(count, bool)
        for sun in self.sky.suns:
            for way in (by_axes, straight):
                apart = np.degrees(np.arccos(np.clip(way @ sun, -1, 1)))
                clear &= np.all(apart > SUN_KEEP_OUT_DEG, axis=1)
        return clear


@dataclass(frozen=True, eq=False)
class Found:
    """Pointings with their minutes and bundled stars (-1: none): arrays (n,), the total with the slews, and the same with a
    liking for height."""

    hour_angle: Floats
    dec: Floats
    minutes: Floats
    star: NDArray[np.intp]
    total: float = 0.0
    rank: float = 0.0

    def ordered(self) -> Found:
        """Return the same with the western, which sink, first."""
        order = np.argsort(-self.hour_angle)
        h, d, minutes = (x[order] for x in (self.hour_angle, self.dec, self.minutes))
        return replace(self, hour_angle=h, dec=d, minutes=minutes, star=self.star[order])


def quickest(
    slope: Floats, doubt: Floats, shares: Floats, reader: Reader, wanted: float
) -> tuple[Floats, Floats]:
    """Shortest time of timing in which P sets of n pointings reach an accuracy, arcmin in any direction on the sky.

    `slope` (P, n, 2) and `doubt` (P, n) are those of `DriftRows`; `shares` (S, n) are ways to share out the time.

    Returns
    -------
    minutes : array (P, S)
        Infinite where it cannot be reached in timings of `SHORTEST_MIN` to `LONGEST_MIN`.
    finest : array (P, S)
        Arcmin reached at the longest.
    """
    slope, doubt = slope[:, None], doubt[:, None]
    low = np.broadcast_to(SHORTEST_MIN / shares.min(axis=1), (len(slope), len(shares)))
    high = np.broadcast_to(LONGEST_MIN / shares.max(axis=1), low.shape)

    def sigma(total: Floats) -> Floats:
        return worst_sigma(slope, doubt, total[..., None] * shares, reader)

    finest = sigma(high)
    never, soon = finest > wanted, sigma(low) <= wanted
    short, long = low.copy(), np.where(soon, low, high)
    for _ in range(BISECTIONS):
        middle = np.sqrt(short * long)
        enough = sigma(middle) <= wanted
        short, long = np.where(enough, short, middle), np.where(enough, middle, long)
    return np.where(never | (high < low), np.inf, long), finest


def best_pairs(task: Task, first: DriftRows, second: DriftRows, count: int) -> tuple[list[Found], float]:
    """Quickest pairs of one pointing from each list, best first, and the finest sigma that any pair reaches."""
    i, j = (index.ravel() for index in np.indices((len(first.dec), len(second.dec))))
    if first is second:
        i, j = i[i < j], j[i < j]
    clear = task.ways_clear((first.hour_angle[i], first.dec[i]), (second.hour_angle[j], second.dec[j]))
    i, j = i[clear], j[clear]
    if not len(i):
        return [], math.inf
    slope = np.stack([first.slope[i], second.slope[j]], axis=1)
    doubt = np.stack([first.doubt[i], second.doubt[j]], axis=1)
    shares = np.stack([SHARES, 1 - SHARES], axis=-1)
    minutes, finest = quickest(slope, doubt, shares, task.bench.reader, task.wanted_arcmin)
    share = np.argmin(minutes, axis=1)
    move = task.mover.minutes(first.hour_angle[i] - second.hour_angle[j], first.dec[i] - second.dec[j])
    timing = minutes[np.arange(len(i)), share]
    total = timing + move
    low = np.minimum(first.seen[i, 2], second.seen[j, 2])
    rank = total * (1 + HEIGHT * (1 - low))
    found = []
    for k in np.argsort(rank, kind="stable")[:count]:
        if not math.isfinite(total[k]):
            break
        found.append(
            Found(
                np.array([first.hour_angle[i[k]], second.hour_angle[j[k]]]),
                np.array([first.dec[i[k]], second.dec[j[k]]]),
                timing[k] * shares[share[k]],
                np.array([first.star[i[k]], second.star[j[k]]]),
                float(total[k]),
                float(rank[k]),
            )
        )
    return found, float(finest.min())


def whole_sky(task: Task, minutes: float) -> DriftRows:
    """Return the coarse look's pointings that may be used."""
    hours = np.arange(-12, 12, HOUR_STEP_H) + HOUR_STEP_H / 2
    decs = np.arange(-80, 81, DEC_STEP_DEG)
    h, d = (grid.ravel() for grid in np.meshgrid(np.radians(15 * hours), np.radians(decs), indexing="ij"))
    return task.rows(h, d, minutes)


def _around(task: Task, hour_angle: float, dec: float, scale: float, minutes: float) -> DriftRows:
    """Pointings about one, in steps of the coarse look times a scale."""
    step = np.arange(-2, 3) * scale
    h, d = np.meshgrid(
        hour_angle + np.radians(15 * HOUR_STEP_H) * step,
        dec + math.radians(DEC_STEP_DEG) * step,
        indexing="ij",
    )
    return task.rows(h.ravel(), np.clip(d.ravel(), -1.5, 1.5), minutes)


def closer(task: Task, start: Found, minutes: float) -> Found:
    """Improve a pair by ever closer looks about it."""
    best, scale = start, 0.5
    for _ in range(ROUNDS):
        near = [
            _around(task, float(h), float(d), scale, minutes)
            for h, d in zip(best.hour_angle, best.dec, strict=True)
        ]
        found, _ = best_pairs(task, near[0], near[1], 1)
        if found and found[0].rank < best.rank:
            best = found[0]
        scale /= 2
    return best


def with_third(task: Task, pair: Found, sky: DriftRows) -> Found | None:
    """Add the pointing that makes three as quick as possible; None when none does it."""
    two = task.bench.rows(pair.hour_angle, pair.dec)
    count = len(sky.dec)
    apart = np.all(
        np.hypot(sky.hour_angle[:, None] - pair.hour_angle, sky.dec[:, None] - pair.dec) > math.radians(15),
        axis=1,
    )
    slope = np.concatenate([np.broadcast_to(two.slope, (count, 2, 2)), sky.slope[:, None]], axis=1)
    doubt = np.concatenate([np.broadcast_to(two.doubt, (count, 2)), sky.doubt[:, None]], axis=1)
    ratio = pair.minutes / pair.minutes.sum()
    shares = np.array([[*(ratio * (1 - y)), y] for y in THIRD_SHARES])
    minutes, _ = quickest(slope, doubt, shares, task.bench.reader, task.wanted_arcmin)
    candidates = []
    for k in np.flatnonzero(apart & np.isfinite(minutes.min(axis=1))):
        share = int(np.argmin(minutes[k]))
        found = Found(
            np.append(pair.hour_angle, sky.hour_angle[k]),
            np.append(pair.dec, sky.dec[k]),
            minutes[k, share] * shares[share],
            np.append(pair.star, sky.star[k]),
        ).ordered()
        h, d = found.hour_angle, found.dec
        if task.ways_clear((h[:-1], d[:-1]), (h[1:], d[1:])).all():
            total = float(found.minutes.sum()) + task.mover.along(h, d)
            candidates.append(replace(found, total=total, rank=total))
    return min(candidates, key=lambda one: one.total, default=None)
