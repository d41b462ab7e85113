"""Noise with a memory: white (seeing) plus exponentially correlated (mount, wind), in time linear in the rows.

The rows of a section fall into pieces; each piece has a level of its own and its own, independent run of the
correlated part (an Ornstein-Uhlenbeck process of standard deviation c and time constant tau, sampled when rows were
taken). In units of the white variance the covariance of the rows is

    V = W^-1 + r R,   R_ij = exp(-|t_i - t_j| / tau) within a piece, 0 between pieces,   r = c^2 / white^2,

with W the rows' weights. The inverse K of R is tridiagonal (G. B. Rybicki & W. H. Press 1995, Phys. Rev. Lett.
74, 1060), so with T = K / r + W, also tridiagonal,

    V^-1 = (K / r) T^-1 W,   log det V = log det T - log det (K / r) - log det W,

and everything a generalised least-squares fit needs costs a few passes over the rows. The levels are eliminated
piece by piece, so many pieces cost no more than one.

The size of the noise is found by restricted maximum likelihood (REML; Patterson & Thompson 1971, Biometrika 58,
545): plain maximum likelihood takes slow noise for drift and claims too much, see docs/noise-model.md.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from poleward.axis import Floats

Integers = NDArray[np.int64]

RATIO_RANGE = (1e-4, 1e4)
"""Allowed (c / white)^2. Beyond either end one of the two parts is below 1 % of the other and cannot be seen."""
SEARCH_ROWS = 2000
"""The search for the noise starts on means of neighbouring rows, about this many of them.

A 2.8 h section at 1 s is then searched at 5 s, the exposure rhythm of a calm night, where a correlation time of
10 s can still be seen; the last steps are always taken on all rows.
"""
START_TIMES_S = (8.0, 25.0, 80.0, 250.0)
START_RATIOS = (0.03, 0.3, 3.0)
"""Where the search begins: factors of three to ten, over all that wind, gears and seeing are likely to do."""
SHORTEST_TIME_S = 0.5
LONGEST_SHARE = 0.5
"""Correlation times longer than this share of the section cannot be told from a drift."""


@dataclass(frozen=True)
class Noise:
    """How the star's place scatters.

    Attributes
    ----------
    white_arcsec : float
        Standard deviation of what is new in every row (seeing, reading).
    correlated_arcsec : float
        Standard deviation of what lasts (mount, wind).
    time_s : float
        How long it lasts: the time after which its correlation has fallen to 1/e.
    """

    white_arcsec: float
    correlated_arcsec: float
    time_s: float


@dataclass(frozen=True)
class Covariance:
    """The covariance V of rows in units of the white variance, factorised.

    Attributes
    ----------
    starts : int array (p,)
        First row of each piece; the first is 0.
    weights : array (n,)
        W: 1 for a row, k for a mean of k rows.
    log_det : float
        Of V.
    pivots, ratios : array (n,), (n-1,)
        LDL' factors of T.
    precision, beside : array (n,), (n-1,)
        K / r: its diagonal and the one beside it.
    """

    starts: Integers
    weights: Floats
    log_det: float
    pivots: Floats
    ratios: Floats
    precision: Floats
    beside: Floats

    def solve(self, columns: Floats) -> Floats:
        """V^-1 times columns of shape (n, k)."""
        from scipy.linalg.lapack import dpttrs

        inner, _ = dpttrs(self.pivots, self.ratios, columns * self.weights[:, None])
        # W - W T^-1 W is the same, but loses as many digits as r has.
        result: Floats = inner * self.precision[:, None]
        result[1:] += inner[:-1] * self.beside[:, None]
        result[:-1] += inner[1:] * self.beside[:, None]
        return result

    def inverse_diagonal(self) -> Floats:
        """Diagonal of V^-1, (n,).

        The diagonal of a tridiagonal matrix's inverse follows from the pivots of its factorisations from both
        ends (G. Meurant 1992, SIAM J. Matrix Anal. Appl. 13, 707).
        """
        from scipy.linalg.lapack import dpttrf

        diagonal = self.precision + self.weights
        backward, _, _ = dpttrf(diagonal[::-1].copy(), self.beside[::-1].copy())
        inverse = 1 / (self.pivots + backward[::-1] - diagonal)
        result: Floats = self.weights - self.weights**2 * inverse
        return result


def covariance(
    seconds: Floats, starts: Integers, ratio: float, time_s: float, weights: Floats | None = None
) -> Covariance:
    """Factorise the covariance of rows.

    Parameters
    ----------
    seconds : array (n,)
        Times of the rows, rising within each piece.
    starts : int array (p,)
        First row of each piece.
    ratio : float
        Variance of the correlated part over that of the white part.
    time_s : float
        Correlation time.
    weights : array (n,), optional
        Left out: all 1.

    Returns
    -------
    Covariance
    """
    from scipy.linalg.lapack import dpttrf

    count = len(seconds)
    if weights is None:
        weights = np.ones(count)
    kept = np.exp(-np.diff(seconds) / time_s)
    kept[starts[1:] - 1] = 0.0
    lost = -np.expm1(-2 * np.diff(seconds) / time_s)
    lost[starts[1:] - 1] = 1.0
    precision = np.ones(count)
    precision[1:] += kept**2 / lost
    precision[:-1] += kept**2 / lost
    precision, beside = precision / ratio, -kept / lost / ratio
    pivots, ratios, _ = dpttrf(precision + weights, beside)
    log_det = float(
        np.sum(np.log(pivots)) + count * math.log(ratio) + np.sum(np.log(lost)) - np.sum(np.log(weights))
    )
    return Covariance(starts, weights, log_det, pivots, ratios, precision, beside)


@dataclass(frozen=True)
class Normal:
    """Normal equations of k columns with the levels of the pieces eliminated, in units of the white variance.

    Attributes
    ----------
    matrix : array (k, k)
        X' V^-1 X less what the levels take up.
    log_det : float
        Of V, plus that of the levels' own block: what REML needs.
    log_det_rows : float
        Of V alone: what maximum likelihood needs.
    free : int
        Rows less levels.
    rows : int
    """

    matrix: Floats
    log_det: float
    log_det_rows: float
    free: int
    rows: int

    def white_variance(self, restricted: bool = True) -> float:
        """Of the last column, all others fitted to it."""
        square, _ = self._left_over()
        count = self.free - (len(self.matrix) - 1) if restricted else self.rows
        return square / count

    def log_likelihood(self, restricted: bool = True) -> float:
        """Greatest over the size of the white noise and over all coefficients; a constant is left out.

        Parameters
        ----------
        restricted : bool
            REML, which counts what the fitted coefficients used up; else plain maximum likelihood.
        """
        square, log_det = self._left_over()
        if not square > 0:
            return -math.inf
        if not restricted:
            return -0.5 * (self.rows * math.log(square / self.rows) + self.log_det_rows + self.rows)
        count = self.free - (len(self.matrix) - 1)
        return -0.5 * (count * math.log(square / count) + self.log_det + log_det + count)

    def _left_over(self) -> tuple[float, float]:
        """Sum of squares left in the last column, and log det of the others' block."""
        inner, cross = self.matrix[:-1, :-1], self.matrix[:-1, -1]
        if not len(inner):
            return float(self.matrix[-1, -1]), 0.0
        scale = np.sqrt(np.maximum(np.diag(inner), 1e-300))
        try:
            root = np.linalg.cholesky(inner / np.outer(scale, scale))
        except np.linalg.LinAlgError:
            return math.nan, 0.0
        part = np.linalg.solve(root, cross / scale)
        return float(self.matrix[-1, -1] - part @ part), 2 * float(np.sum(np.log(np.diag(root) * scale)))


def normal_equations(covariance: Covariance, columns: Floats) -> Normal:
    """Weigh k columns by V^-1 and eliminate a level per piece.

    Parameters
    ----------
    covariance : Covariance
        Of the n rows.
    columns : array (n, k)
        Regressors; the data last.

    Returns
    -------
    Normal
    """
    starts = covariance.starts
    # The levels take up any constant, and small numbers keep more digits than large ones.
    lengths = np.diff(np.append(starts, len(columns)))
    columns = columns - np.repeat(
        np.add.reduceat(columns, starts, axis=0) / lengths[:, None], lengths, axis=0
    )
    solved = covariance.solve(np.column_stack([np.ones(len(columns)), columns]))
    level = np.add.reduceat(solved, starts, axis=0)
    weight, cross = level[:, 0], level[:, 1:]
    matrix = columns.T @ solved[:, 1:] - cross.T @ (cross / weight[:, None])
    matrix = (matrix + matrix.T) / 2
    log_det = covariance.log_det + float(np.sum(np.log(weight)))
    return Normal(matrix, log_det, covariance.log_det, len(columns) - len(starts), len(columns))


def levels(covariance: Covariance, values: Floats) -> Floats:
    """Generalised mean of each piece of n values, repeated for its rows: (n,)."""
    solved = covariance.solve(np.column_stack([np.ones(len(values)), values]))
    sums = np.add.reduceat(solved, covariance.starts, axis=0)
    lengths = np.diff(np.append(covariance.starts, len(values)))
    repeated: Floats = np.repeat(sums[:, 1] / sums[:, 0], lengths)
    return repeated


def binned(
    seconds: Floats, starts: Integers, columns: Floats, rows: int
) -> tuple[Floats, Integers, Floats, Floats]:
    """Means of neighbouring rows that do not reach across pieces: times, starts, columns, weights."""
    lengths = np.diff(np.append(starts, len(seconds)))
    size = max(1, math.ceil(len(seconds) / rows))
    within = np.arange(len(seconds)) - np.repeat(starts, lengths)
    edges = np.flatnonzero(within % size == 0)
    counts = np.diff(np.append(edges, len(seconds))).astype(float)
    means = np.add.reduceat(np.column_stack([seconds, columns]), edges, axis=0) / counts[:, None]
    return means[:, 0], np.searchsorted(edges, starts), means[:, 1:], counts


def find_noise(
    seconds: Floats, starts: Integers, columns: Floats, *, restricted: bool = True, begin: Noise | None = None
) -> Noise:
    """Find the noise that makes the data likeliest.

    Parameters
    ----------
    seconds, starts : array (n,), int array (p,)
        Times, and first row of each piece.
    columns : array (n, k)
        Regressors, the data last; each piece has a level besides.
    restricted : bool
        REML, or plain maximum likelihood.
    begin : Noise, optional
        Start from here only, when it is known roughly; else from a grid of points, so that the corner without a
        correlated part is not run into by chance.

    Returns
    -------
    Noise
    """
    longest = max(LONGEST_SHARE * float(seconds[-1] - seconds[0]), 4 * SHORTEST_TIME_S)
    limits = [tuple(math.log(v) for v in RATIO_RANGE), (math.log(SHORTEST_TIME_S), math.log(longest))]
    place: Floats
    if begin is None:
        rough = binned(seconds, starts, columns, SEARCH_ROWS)
        points = [
            np.array([math.log(ratio), math.log(min(time, longest))])
            for time in START_TIMES_S
            for ratio in START_RATIOS
        ]
        best = sorted(points, key=lambda p: _badness(p, *rough, restricted))[:3]
        ends = [_downhill(point, limits, 1.0, rough, restricted) for point in best]
        place = min(ends, key=lambda end: end[1])[0]
    else:
        ratio = (begin.correlated_arcsec / begin.white_arcsec) ** 2
        place = np.array([math.log(max(ratio, RATIO_RANGE[0])), math.log(begin.time_s)])
    full = (seconds, starts, columns, np.ones(len(seconds)))
    place, _ = _downhill(place, limits, 0.3, full, restricted)
    ratio, time = math.exp(place[0]), math.exp(place[1])
    white = math.sqrt(
        normal_equations(covariance(seconds, starts, ratio, time), columns).white_variance(restricted)
    )
    return Noise(white, white * math.sqrt(ratio), time)


def _badness(
    place: Floats, seconds: Floats, starts: Integers, columns: Floats, weights: Floats, restricted: bool
) -> float:
    """Minus the log-likelihood at (log ratio, log time)."""
    matrix = covariance(seconds, starts, math.exp(place[0]), math.exp(place[1]), weights)
    value = normal_equations(matrix, columns).log_likelihood(restricted)
    return 1e300 if math.isnan(value) else -value


def _downhill(
    place: Floats,
    limits: Sequence[tuple[float, ...]],
    step: float,
    data: tuple[Floats, Integers, Floats, Floats],
    restricted: bool,
) -> tuple[Floats, float]:
    """Nelder and Mead's way down; it stops when the log-likelihood is flat to 0.01, far within its own scatter."""
    from scipy.optimize import minimize

    low, high = np.array(limits).T
    corner = np.clip(place, low, high)
    simplex = corner + step * np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]])
    simplex = np.where(simplex > high, simplex - 2 * step, simplex)
    found = minimize(
        _badness,
        corner,
        args=(*data, restricted),
        method="Nelder-Mead",
        bounds=list(zip(low, high, strict=True)),
        options={"initial_simplex": np.clip(simplex, low, high), "xatol": 0.03, "fatol": 0.01, "maxfev": 80},
    )
    return np.asarray(found.x, float), float(found.fun)


def standardised(covariance: Covariance, residuals: Floats, white_arcsec: float) -> Floats:
    """What each row says beyond all the others, in its own sigmas: V^-1 r / sqrt(diag V^-1), (n,).

    Exactly the residual from the prediction by all other rows over its standard deviation (leave-one-out).
    """
    inner = covariance.solve(residuals[:, None])[:, 0]
    result: Floats = inner / np.sqrt(covariance.inverse_diagonal()) / white_arcsec
    return result


def lasting(covariance: Covariance, residuals: Floats) -> Floats:
    """Best estimate of the correlated part in each row: residuals less their white part, (n,)."""
    inner = covariance.solve(residuals[:, None])[:, 0]
    result: Floats = residuals - inner / covariance.weights
    return result


def lag_one(values: Floats) -> float:
    """Lag-1 autocorrelation of n values as NIST certifies it: sum (y_i - m)(y_i+1 - m) / sum (y_i - m)^2."""
    off = values - np.mean(values)
    whole = float(off @ off)
    return float(off[:-1] @ off[1:]) / whole if whole > 0 else 0.0
