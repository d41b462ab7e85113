"""How large the noise is: the search for its three numbers by restricted maximum likelihood."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from poleward.guidelog.fitting.noise import Covariance, Integers, Noise, Normal, covariance, normal_equations
from poleward.sky.axis import Floats

RATIO_RANGE = (1e-4, 1e4)
"""Allowed (c / white)^2. Beyond either end one of the two parts is below 1 % of the other and cannot be seen."""
SEARCH_ROWS = 2000
"""The search starts on means of neighbouring rows, about this many of them.

A 2.8 h section at 1 s is then searched at 5 s, the exposure rhythm of a calm night, where a correlation time of
10 s can still be seen; the last steps are always taken on all rows.
"""
START_TIMES_S = (8.0, 25.0, 80.0, 250.0)
START_RATIOS = (0.03, 0.3, 3.0)
"""Where the search begins: factors of three to ten, over all that wind, gears and seeing are likely to do."""
SHORTEST_TIME_S = 0.5
LONGEST_SHARE = 0.5
"""Correlation times longer than this share of the section cannot be told from a drift."""
BELIEF = (np.log([0.4, 35.0]), np.array([2.5, 1.5]))
"""What is believed beforehand of log ratio and log time: middle and standard deviation.

Wide: ratios from 0.003 to 60 and times from 8 s to 160 s are within one or two of them. A section of a thousand rows
overrules it; a short one is kept from the corners where the correlated part vanishes or its time runs away, in
which sigmas are many times too small or have no meaning.
"""


@dataclass(frozen=True)
class NoiseRows:
    """What a fit of one section works on.

    Attributes
    ----------
    seconds : array (n,)
        Times.
    starts : int array (p,)
        First row of each piece; a piece has a level of its own.
    columns : array (n, k)
        Regressors; the data last.
    spread : array (n,) or None
        See `noise.normal_equations`.
    belief : float
        White variance, arcsec^2, roughly: the weight of what is known beforehand of the share of `spread`.
    weights : array (n,) or None
        None: all 1.
    """

    seconds: Floats
    starts: Integers
    columns: Floats
    spread: Floats | None = None
    belief: float = 1.0
    weights: Floats | None = None

    def normal(self, ratio: float, time_s: float) -> Normal:
        """Normal equations for a noise whose correlated part has this relative variance and time."""
        return self.weighed(covariance(self.seconds, self.starts, ratio, time_s, self.weights))

    def weighed(self, matrix: Covariance) -> Normal:
        """Normal equations for a covariance at hand."""
        return normal_equations(matrix, self.columns, self.spread, self.belief)

    def binned(self, count: int) -> NoiseRows:
        """Means of neighbouring rows that do not reach across pieces, about `count` of them."""
        rows = len(self.seconds)
        lengths = np.diff(np.append(self.starts, rows))
        size = max(1, math.ceil(rows / count))
        within = np.arange(rows) - np.repeat(self.starts, lengths)
        edges = np.flatnonzero(within % size == 0)
        counts = np.diff(np.append(edges, rows)).astype(float)
        spread = np.zeros(rows) if self.spread is None else self.spread
        means = np.add.reduceat(np.column_stack([self.seconds, spread, self.columns]), edges, axis=0)
        means /= counts[:, None]
        return replace(
            self,
            seconds=means[:, 0],
            starts=np.searchsorted(edges, self.starts),
            columns=means[:, 2:],
            spread=None if self.spread is None else means[:, 1],
            weights=counts,
        )


def find_noise(rows: NoiseRows, *, begin: Noise | None = None) -> Noise:
    """Find the noise that makes the data likeliest, by REML.

    Parameters
    ----------
    rows : NoiseRows
    begin : Noise, optional
        Start from here only, when it is known roughly; else from a grid of points, so that the corner without a
        correlated part is not run into by chance.

    Returns
    -------
    Noise
    """
    longest = max(LONGEST_SHARE * float(rows.seconds[-1] - rows.seconds[0]), 4 * SHORTEST_TIME_S)
    low = np.log([RATIO_RANGE[0], SHORTEST_TIME_S])
    high = np.log([RATIO_RANGE[1], longest])
    limits = (low, high)
    if begin is None:
        rough = rows.binned(SEARCH_ROWS)
        points = [np.log([r, min(t, longest)]) for t in START_TIMES_S for r in START_RATIOS]
        best = sorted(points, key=lambda p: _badness(p, rough))[:3]
        ends = [_downhill(point, limits, 1.0, rough) for point in best]
        place = min(ends, key=lambda end: end[1])[0]
    else:
        place = np.log([max(begin.ratio, RATIO_RANGE[0]), begin.correlation_time_s])
    place, _ = _downhill(place, limits, 0.3, rows)
    ratio, time = math.exp(place[0]), math.exp(place[1])
    white = math.sqrt(rows.normal(ratio, time).white_variance())
    return Noise(white, white * math.sqrt(ratio), time)


def _badness(place: Floats, rows: NoiseRows) -> float:
    """Minus the log-likelihood at (log ratio, log time)."""
    value = rows.normal(math.exp(place[0]), math.exp(place[1])).log_likelihood()
    believed = 0.5 * float(np.sum(((place - BELIEF[0]) / BELIEF[1]) ** 2))
    return 1e300 if math.isnan(value) else believed - value


def _downhill(
    place: Floats, limits: tuple[Floats, Floats], step: float, rows: NoiseRows
) -> tuple[Floats, float]:
    """Nelder and Mead's way down; it stops when the log-likelihood is flat to 0.01, far within its own scatter."""
    from scipy.optimize import minimize

    low, high = limits
    corner = np.clip(place, low, high)
    simplex = corner + step * np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]])
    simplex = np.where(simplex > high, simplex - 2 * step, simplex)
    found = minimize(
        _badness,
        corner,
        args=(rows,),
        method="Nelder-Mead",
        bounds=list(zip(low, high, strict=True)),
        options={"initial_simplex": np.clip(simplex, low, high), "xatol": 0.03, "fatol": 0.01, "maxfev": 80},
    )
    return np.asarray(found.x, float), float(found.fun)
