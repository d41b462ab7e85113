"""Noise with a memory: white (seeing) plus exponentially correlated (mount, wind), in time linear in the rows.

The rows of a section fall into pieces; each piece has a level of its own and its own, independent run of the
correlated part (an Ornstein-Uhlenbeck process of standard deviation c and time constant tau, sampled when rows were
taken). In units of the white variance the covariance of the rows is

    V = W^-1 + r R,   R_ij = exp(-|t_i - t_j| / tau) within a piece, 0 between pieces,   r = c^2 / white^2,

with W the rows' weights. The inverse K of R is tridiagonal (G. B. Rybicki & W. H. Press 1995, Phys. Rev. Lett.
74, 1060), so with T = K / r + W, also tridiagonal,

    V^-1 = (K / r) T^-1 W,   log det V = log det T - log det (K / r) - log det W,

and everything a generalised least-squares fit needs costs a few passes over the rows; products with V^-1 between, of rows
of one weight, cost fewer by way of `forecast`. The levels are eliminated piece by piece, so many pieces cost no more than
one (`tables`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from poleward.sky.axis import Floats

Integers = NDArray[np.int64]


@dataclass(frozen=True)
class Noise:
    """How the star's place scatters.

    Attributes
    ----------
    white_arcsec : float
        Standard deviation of what is new in every row (seeing, reading).
    correlated_arcsec : float
        Standard deviation of what lasts (mount, wind).
    correlation_time_s : float
        How long it lasts: the time after which its correlation has fallen to 1/e.
    """

    white_arcsec: float
    correlated_arcsec: float
    correlation_time_s: float

    @property
    def ratio(self) -> float:
        """Variance of the correlated part over that of the white part."""
        return (self.correlated_arcsec / self.white_arcsec) ** 2

    @property
    def shape(self) -> Floats:
        """(log ratio, log time), where tables of likelihoods have it."""
        return np.log([self.ratio, self.correlation_time_s])


@dataclass(frozen=True, eq=False)
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
        return self.solve_rows(columns.T).T

    def solve_rows(self, table: Floats) -> Floats:
        """V^-1 times the rows of a table (k, n): the same, in the order in which memory is read fastest."""
        from scipy.linalg.lapack import dpttrs

        turned, _ = dpttrs(self.pivots, self.ratios, (table * self.weights).T, overwrite_b=True)
        inner: Floats = turned.T
        # W - W T^-1 W is the same, but loses as many digits as r has.
        result: Floats = inner * self.precision
        result[:, 1:] += inner[:, :-1] * self.beside
        result[:, :-1] += inner[:, 1:] * self.beside
        return result

    def uncertainty(self) -> Floats:
        """Variance of the correlated part in each row, all rows known, in units of the white variance: (n,).

        That is the diagonal of T^-1, and for a tridiagonal matrix it follows from the pivots of its factorisations
        from both ends (G. Meurant 1992, SIAM J. Matrix Anal. Appl. 13, 707).
        """
        pivots, _ = self.from_the_end()
        inverse: Floats = 1 / (self.pivots + pivots - self.precision - self.weights)
        return inverse

    def from_the_end(self) -> tuple[Floats, Floats]:
        """Factors of T from its last row on, as `pivots` and `ratios` are those from its first."""
        from scipy.linalg.lapack import dpttrf

        pivots, ratios, _ = dpttrf((self.precision + self.weights)[::-1].copy(), self.beside[::-1].copy())
        return pivots[::-1], ratios[::-1]


def covariance(seconds: Floats, starts: Integers, ratio: float, time_s: float, weights: Floats) -> Covariance:
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
    weights : array (n,)

    Returns
    -------
    Covariance
    """
    from scipy.linalg.lapack import dpttrf

    kept, lost = memory(seconds, starts, time_s)
    precision, beside = precision_of(kept, lost, ratio)
    pivots, ratios, _ = dpttrf(precision + weights, beside)
    log_det = math.log(pivots[0]) + len(seconds) * math.log(ratio) + float(np.sum(np.log(pivots[1:] * lost)))
    log_det -= float(np.sum(np.log(weights)))
    return Covariance(starts, weights, log_det, pivots, ratios, precision, beside)


def memory(seconds: Floats, starts: Integers, time_s: float) -> tuple[Floats, Floats]:
    """How much of what lasts is handed on from each row to the next, and how much of its square is lost: (n-1,) each."""
    steps = np.diff(seconds) / -time_s
    steps[starts[1:] - 1] = -np.inf  # nothing lasts from one piece to the next
    return np.exp(steps), -np.expm1(2 * steps)


def precision_of(kept: Floats, lost: Floats, ratio: float) -> tuple[Floats, Floats]:
    """K / r: its diagonal (n,) and the one beside it (n-1,)."""
    beside = kept / (lost * ratio)
    handed = kept * beside
    precision = np.full(len(kept) + 1, 1 / ratio)
    precision[1:] += handed
    precision[:-1] += handed
    return precision, -beside


def levelled(
    covariance: Covariance,
    values: Floats,
    spread: Floats | None = None,
    belief: float = 1.0,
    scale: Floats | float = 1.0,
) -> Floats:
    """Take from n values what each piece has for itself: a level and, if asked, a share.

    Parameters
    ----------
    covariance : Covariance
        Of the n rows.
    values : array (n,)
    spread : array (n,), optional
        A second regressor that each piece has for itself, with a coefficient known beforehand to be 0 +/- 1.
    belief : float
        The white variance, in units of the data: the weight of that foreknowledge.
    scale : array (n,) or float
        By which values and spread have been divided: a level is one over it.
    """
    starts = covariance.starts
    lengths = np.diff(np.append(starts, len(values)))
    # The levels take up any constant, and small numbers keep more digits than large ones.
    level = np.ones(len(values)) / scale
    centred = values - level * np.repeat(np.add.reduceat(values * scale, starts) / lengths, lengths)
    table = np.stack([level, np.zeros(len(values)) if spread is None else spread, centred])
    solved = covariance.solve_rows(table)
    block = np.stack([np.add.reduceat(solved * row, starts, axis=1).T for row in table[:2]], axis=1)
    inner = block[:, :, :2].copy()
    inner[:, 1, 1] += belief
    own = np.linalg.solve(inner, block[:, :, 2:])[:, :, 0]
    result: Floats = (
        centred - np.repeat(own[:, 0], lengths) * level - np.repeat(own[:, 1], lengths) * table[1]
    )
    return result


def standardised(covariance: Covariance, residuals: Floats, white_arcsec: float) -> Floats:
    """How far each row is from what all the others say, in sigmas of a row of full weight: (n,).

    The leave-one-out residual: V^-1 r over the diagonal of V^-1 = W - W T^-1 W is the row less its prediction by all
    other rows, and the prediction's own variance is what that diagonal's inverse has more than 1 / W. A row of
    almost no weight is judged just the same, so that it can come back.
    """
    inner = covariance.solve(residuals[:, None])[:, 0]
    weights = covariance.weights
    diagonal = weights - weights**2 * covariance.uncertainty()
    variance = 1 / diagonal - 1 / weights + 1
    result: Floats = inner / diagonal / np.sqrt(variance) / white_arcsec
    return result


def stepped(
    covariance: Covariance, residuals: Floats, white_arcsec: float, scale: Floats | float = 1.0
) -> Floats:
    """How much a step at each row, within its piece, would explain, in sigmas: (n,), zero at a piece's first row.

    Residuals have been divided by a scale (n,), and so is a step. With s a step and P the inverse covariance less what the piece's level takes up: s'P r / sqrt(s'P s). Both are sums
    from the row to the end of its piece; s'V^-1 s = s'W s - (W s)'T^-1 (W s), by the factors of T from its end.
    """
    from scipy.linalg import solve_banded

    weights, starts = covariance.weights, covariance.starts
    count = len(weights)
    one = np.ones(count) / scale
    pivots, ratios = covariance.from_the_end()
    upper = np.stack([np.append(0.0, ratios), np.ones(count)])
    inner = solve_banded((0, 1), upper, weights * one)
    # What a step still has of the rows before it: each row hands on its own and that of all before.
    lower = np.stack([np.ones(count), np.append(-(ratios**2), 0.0)])
    handed = solve_banded((1, 0), lower, np.append(0.0, ratios**2 / pivots[:-1]))
    solved = covariance.solve(np.column_stack([one, residuals])) * one[:, None]
    level, told, plain, whole = (
        _to_the_end(each, starts)
        for each in (solved[:, 0], solved[:, 1], weights * one**2, inner**2 / pivots)
    )
    first = np.repeat(level[starts], np.diff(np.append(starts, count)))
    size = plain - whole - inner**2 * handed - level**2 / first
    # The level takes all of a step at the first row, and of one next to it nearly all.
    clear = size > 1e-6 * plain
    clear[starts] = False
    result: Floats = np.where(clear, told, 0.0) / np.sqrt(np.where(clear, size, 1.0)) / white_arcsec
    return result


def _to_the_end(values: Floats, starts: Integers) -> Floats:
    """Sums of n values from each to the last of its piece."""
    sums = np.cumsum(values[::-1])[::-1]
    after = np.append(sums, 0.0)[np.append(starts[1:], len(values))]
    result: Floats = sums - np.repeat(after, np.diff(np.append(starts, len(values))))
    return result


def lasting(covariance: Covariance, residuals: Floats) -> Floats:
    """Best estimate of the correlated part in each row: residuals less their white part, (n,)."""
    inner = covariance.solve(residuals[:, None])[:, 0]
    result: Floats = residuals - inner / covariance.weights
    return result
