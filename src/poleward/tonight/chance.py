"""How sure a verdict is: places where the axis may stand, and from what hour to what hour a target passes with them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from poleward.sky.axis import Floats
from poleward.solving.least_squares import ONE_SIGMA
from poleward.tonight.axis_record import AxisError
from poleward.tonight.exposure import Exposures
from poleward.tonight.window import Stretch

SURE = 0.95
"""Chance at which a verdict is given; the usual 95 %. Between 5 and 95 % it is too uncertain to say."""
DRAWS = 512
"""Places of the axis, spread evenly over its uncertainty: a chance is then good to about 1 %."""


def places(axis: AxisError) -> Floats:
    """Places of equal weight where the axis may stand, from its value, (DRAWS, 2) arcmin; nothing where it is known.

    A sunflower over the two-dimensional normal distribution, or over Student's t where the sigmas come from the
    scatter of few timings: radii by the quantiles of r^2, turned by the golden angle. With n values to spare r^2 / 2
    is distributed as F(2, n), whose tail is (1 + r^2 / n)^(-n / 2); a sigma in the record is the scatter times t's
    own 68.3 % point, which is taken off again.
    """
    if axis.covariance is None:
        return np.zeros((1, 2))
    number = np.arange(DRAWS)
    tail = 1 - (number + 0.5) / DRAWS
    free = axis.to_spare
    if math.isinf(free):
        radius = np.sqrt(-2 * np.log(tail))
    else:
        from scipy.special import stdtrit

        radius = np.sqrt(free * (tail ** (-2 / free) - 1)) / float(stdtrit(free, 0.5 + ONE_SIGMA / 2))
    angle = number * math.pi * (3 - math.sqrt(5))
    strengths, directions = np.linalg.eigh(np.asarray(axis.covariance))
    spread = directions * np.sqrt(np.maximum(strengths, 0.0))
    drawn: Floats = (radius[:, None] * np.stack([np.cos(angle), np.sin(angle)], axis=-1)) @ spread.T
    # Where an interval is longer on one side, so is the distribution.
    return drawn * np.where(drawn < 0, [low for low, _ in axis.sides], [high for _, high in axis.sides])


@dataclass(frozen=True, eq=False)
class Trails:
    """Trails of exposures that begin at K moments, seconds of the window, for an axis that is known, or with its doubt.

    Attributes
    ----------
    pixels : array (K,)
        With the axis at its value, followed exactly.
    drawn : array (D, K)
        With the axis at each of its possible places, followed to first order from the value; D is 1 where it counts
        as known.
    """

    begins: Floats
    exposure_s: float
    limit_pix: float
    pixels: Floats
    drawn: Floats

    @property
    def chance(self) -> float:
        """Chance that all exposures of the window stay within the limit."""
        return float(np.mean(self.drawn.max(axis=1) <= self.limit_pix))

    @cached_property
    def likely(self) -> Floats:
        """Trail that 95 % of the possible axes stay below, (K,) pixels."""
        result: Floats = np.quantile(self.drawn, SURE, axis=0)
        return result

    def passes(self) -> tuple[Stretch, ...]:
        """From when to when, in seconds of the window, the target is within the limit at 95 %: all exposures between."""
        good = self.likely <= self.limit_pix
        found = []
        edges = np.flatnonzero(np.diff(np.r_[False, good, False].astype(int)))
        for first, after in edges.reshape(-1, 2).tolist():
            first, last = self._surely(first, after - 1)
            begin, end = self._edge(first, first - 1), self._edge(last, last + 1) + self.exposure_s
            found.append((begin, end))
        return tuple(found)

    def _surely(self, first: int, last: int) -> tuple[int, int]:
        """Shorten a stretch until all its exposures pass together, not only each alone."""
        good = self.drawn <= self.limit_pix
        while first < last and good[:, first : last + 1].all(axis=1).mean() < SURE:
            alone = good[:, [first, last]].mean(axis=0)
            first, last = (first + 1, last) if alone[0] < alone[1] else (first, last - 1)
        return first, last

    def _edge(self, inside: int, outside: int) -> float:
        """Moment between two begins at which the limit is passed, on a straight line."""
        begin = float(self.begins[inside])
        if not 0 <= outside < len(self.begins) or self.likely[outside] <= self.limit_pix:
            return begin
        share = (self.limit_pix - self.likely[inside]) / (self.likely[outside] - self.likely[inside])
        return begin + float(share) * (float(self.begins[outside]) - begin)


def trails_of(exposures: Exposures, axis: AxisError) -> Trails:
    """Follow exposures, no longer than the window, through an axis of which both errors are determined, and its doubt."""
    assert axis.values is not None
    exact = exposures.trails(*axis.values)
    drawn = exact[None, :]
    if axis.covariance is not None:
        vectors, slopes = exposures.linear(*axis.values)
        moved = vectors[..., None] + slopes @ places(axis).T
        drawn = np.sqrt(np.max(np.sum(moved**2, axis=2), axis=1)).T
    return Trails(exposures.begins, exposures.exposure_s, exposures.outfit.limit_pix, exact, drawn)
