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
545): plain maximum likelihood takes some slow noise for drift and is a little too sure, see docs/noise-model.md.
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
        return self.solve_rows(columns.T).T

    def solve_rows(self, table: Floats) -> Floats:
        """V^-1 times the rows of a table (k, n): the same, in the order in which memory is read fastest."""
        from scipy.linalg.lapack import dpttrs

        turned, _ = dpttrs(self.pivots, self.ratios, (table * self.weights).T, overwrite_b=1)
        inner = turned.T
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
        from scipy.linalg.lapack import dpttrf

        diagonal = self.precision + self.weights
        backward, _, _ = dpttrf(diagonal[::-1].copy(), self.beside[::-1].copy())
        inverse: Floats = 1 / (self.pivots + backward[::-1] - diagonal)
        return inverse


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
        Of V, plus that of the levels' own block.
    free : int
        Rows less levels.
    """

    matrix: Floats
    log_det: float
    free: int

    def white_variance(self) -> float:
        """Of the last column, all others fitted to it."""
        return self._left_over()[0] / (self.free - (len(self.matrix) - 1))

    def log_likelihood(self) -> float:
        """Restricted log-likelihood (REML), greatest over the size of the white noise; a constant is left out."""
        square, log_det = self._left_over()
        if not square > 0:
            return -math.inf
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


def normal_equations(
    covariance: Covariance, columns: Floats, spread: Floats | None = None, belief: float = 1.0
) -> Normal:
    """Weigh k columns by V^-1 and eliminate what each piece has for itself: a level and, if asked, a share.

    Parameters
    ----------
    covariance : Covariance
        Of the n rows.
    columns : array (n, k)
        Regressors; the data last.
    spread : array (n,), optional
        A second regressor that each piece has for itself, with a coefficient known beforehand to be 0 +/- 1.
    belief : float
        The white variance, in units of the data: the weight of that foreknowledge.

    Returns
    -------
    Normal
    """
    own, solved, centred = _weighed(covariance, columns, spread, belief)
    block, cross = own
    matrix = centred @ solved.T - np.einsum("pik,pil->kl", cross, np.linalg.solve(block, cross))
    matrix = (matrix + matrix.T) / 2
    log_det = covariance.log_det + float(np.sum(np.log(np.linalg.det(block))))
    return Normal(matrix, log_det, len(columns) - len(block))


def cleared(
    covariance: Covariance, values: Floats, spread: Floats | None = None, belief: float = 1.0
) -> Floats:
    """Take from n values what each piece has for itself (see `normal_equations`): (n,)."""
    (block, cross), _, centred = _weighed(covariance, values[:, None], spread, belief)
    own = np.linalg.solve(block, cross)[:, :, 0]
    lengths = np.diff(np.append(covariance.starts, len(values)))
    result: Floats = centred[0] - np.repeat(own[:, 0], lengths)
    if spread is not None:
        result -= np.repeat(own[:, 1], lengths) * spread
    return result


def _weighed(
    covariance: Covariance, columns: Floats, spread: Floats | None, belief: float
) -> tuple[tuple[Floats, Floats], Floats, Floats]:
    """(what each piece has for itself: block (p, q, q), cross (p, q, k)), V^-1 X and X about its means, (k, n) each.

    The levels take up any constant, and small numbers keep more digits than large ones.
    """
    starts, count = covariance.starts, len(columns)
    lengths = np.diff(np.append(starts, count))
    size = 1 if spread is None else 2
    table = np.empty((size + columns.shape[1], count))
    table[0] = 1.0
    if spread is not None:
        table[1] = spread
    table[size:] = columns.T
    means = np.add.reduceat(table[size:], starts, axis=1) / lengths
    table[size:] -= np.repeat(means, lengths, axis=1)
    solved = covariance.solve_rows(table)
    sums = [np.add.reduceat(solved * part, starts, axis=1).T for part in table[:size]]
    stacked = np.stack(sums, axis=1)
    block = stacked[:, :, :size].copy()
    if spread is not None:
        block[:, 1, 1] += belief
    return (block, stacked[:, :, size:]), solved[size:], table[size:]


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
