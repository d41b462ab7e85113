"""Weighted least squares, by lmfit, with a Jacobian and with uncertainties that mean what they say.

lmfit's defaults would cost digits (finite differences) and honesty (a covariance scaled to the scatter is zero
for two measurements of two unknowns); see the tests against NIST's certified values. The covariance is taken
from a QR factorisation of the column-scaled Jacobian, which keeps twice the digits of the normal equations.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from poleward.sky.axis import Floats

ONE_SIGMA, TWO_SIGMA = 0.6826894921, 0.9544997361
"""Shares of a normal distribution within one standard deviation, and within two."""
MOST_EVALUATIONS = 300
"""A fit that is not done by then has nowhere to go: three times the most that any of 1,500 simulated ones took, timings of
stars beside the pole among them (98; one in a hundred took 50)."""


@dataclass(frozen=True, eq=False)
class Fit:
    """The least-squares answer for n values and p parameters.

    Attributes
    ----------
    values : array (p,)
    residuals : array (n,)
        (model - data) / sigma, without robust weights, after the doubts have had their share.
    jacobian : array (n, p)
        Of the residuals by the parameters, at the answer.
    weights : array (n,)
        1 everywhere but in a robust fit.
    prior : array (h, p)
        Combinations of the parameters that were held about zero, each in its own sigmas.
    doubts : array (n, k)
        What doubts of one standard uncertainty each would do to the residuals.
    shares : array (k,)
        How much of each doubt the data ask for, in its standard uncertainties.
    """

    values: Floats
    residuals: Floats
    jacobian: Floats
    weights: Floats
    prior: Floats
    doubts: Floats
    shares: Floats

    @property
    def slope(self) -> Floats:
        """Of the weighted residuals by the parameters and the doubts' coefficients: array (n, p + k)."""
        weighed: Floats = np.hstack([self.jacobian, self.doubts]) * np.sqrt(self.weights)[:, None]
        return weighed

    @property
    def held(self) -> Floats:
        """Rows (h + k, p + k) that hold parameters, and every doubt, about zero."""
        rows = np.zeros((len(self.prior) + len(self.shares), self.prior.shape[1] + len(self.shares)))
        rows[: len(self.prior), : self.prior.shape[1]] = self.prior
        rows[len(self.prior) :, self.prior.shape[1] :] = np.eye(len(self.shares))
        return rows

    @property
    def covariance(self) -> Floats:
        """From sigmas and doubts, not scaled to the scatter: array (p, p)."""
        return self.widened(1.0)

    def widened(self, factor: float) -> Floats:
        """Covariance with every sigma of the data, not of prior and doubts, widened by a factor."""
        count = len(self.values)
        return covariance_of(np.vstack([self.slope / factor, self.held]))[:count, :count]

    def information(self, factor: float = 1.0) -> Floats:
        """Information (2, 2) on the first two parameters, all else cleared away; the prior on them does not count."""
        slope, free = self.slope / factor, len(self.values)
        return cleared(slope.T @ slope + np.diag(np.arange(slope.shape[1]) >= free).astype(float))

    @property
    def chi_square(self) -> float:
        """Sum of the squared residuals of the values that were not set aside, and of what the doubts took."""
        return float(np.sum(self.residuals[self.weights > 0] ** 2) + np.sum(self.shares**2))

    @property
    def degrees_of_freedom(self) -> int:
        """Values that were not set aside, less the parameters that were not held."""
        return int(np.sum(self.weights > 0)) + len(self.prior) - len(self.values)


def covariance_of(jacobian: Floats) -> Floats:
    """Inverse of J'J for a Jacobian (n, p) of full column rank, through QR of its scaled columns."""
    scale = np.linalg.norm(jacobian, axis=0)
    triangle = np.linalg.qr(jacobian / scale, mode="r")
    inverse = np.linalg.solve(triangle, np.eye(len(scale))) / scale[:, None]
    covariance: Floats = inverse @ inverse.T
    return covariance


def followed(whole: Floats) -> Floats:
    """How all other parameters follow the first two: array (p - 2, 2) of what one unit of each takes with it.

    Parameters
    ----------
    whole : array (p, p)
        Information on all of them.
    """
    return np.asarray(np.linalg.solve(whole[2:, 2:], whole[2:, :2]), np.float64)


def cleared(whole: Floats) -> Floats:
    """Information (2, 2) on the first two parameters after all others have had their share (Schur complement)."""
    left: Floats = whole[:2, :2] - whole[:2, 2:] @ followed(whole)
    return (left + left.T) / 2


@dataclass(frozen=True, eq=False)
class Problem:
    """A least-squares problem.

    Attributes
    ----------
    names : sequence of p str
        For lmfit; identifiers.
    residuals : callable
        Array (p,) to array (n,): (model - data) / sigma.
    jacobian : callable
        Array (p,) to array (n, p): derivatives of the residuals. Must have full column rank at the answer.
    prior : array (h, p), optional
        Combinations of the parameters that are held at 0 +/- 1.
    doubts : array (n, k), optional
        Columns that may be added to the residuals, each with a coefficient known beforehand to be 0 +/- 1.
    """

    names: Sequence[str]
    residuals: Callable[[Floats], Floats]
    jacobian: Callable[[Floats], Floats]
    prior: Floats | None = None
    doubts: Floats | None = None

    def fit(self, values: Floats, weights: Floats) -> Fit:
        """Put together the answer at some values of the parameters."""
        plain, slope = self.residuals(values), self.jacobian(values)
        prior = np.zeros((0, len(values))) if self.prior is None else self.prior
        doubts = np.zeros((len(plain), 0)) if self.doubts is None else self.doubts
        shares = _response(doubts, weights) @ plain
        return Fit(values, plain + doubts @ shares, slope, weights, prior, doubts, shares)

    def solved(self, start: Floats, weights: Floats) -> Floats:
        """Find the best parameters for given weights, by lmfit.

        The doubts' coefficients are linear, so the best ones for any parameters are put in at once (variable
        projection: G. H. Golub and V. Pereyra 1973, SIAM J. Numer. Anal. 10, 413), and lmfit sees the parameters only.
        """
        import lmfit

        blank = self.fit(start, weights)
        root, response = np.sqrt(weights)[:, None], _response(blank.doubts, weights)
        # From residuals or their derivatives to what is squared: weighted residuals, then the doubts' coefficients.
        spread = np.vstack([root * (np.eye(len(weights)) + blank.doubts @ response), response])

        def unpacked(parameters: lmfit.Parameters) -> Floats:
            return np.array([parameters[name].value for name in self.names])

        parameters = lmfit.Parameters()
        for name, value in zip(self.names, start, strict=True):
            parameters.add(name, value=float(value))  # no bounds: near one, lmfit's errors are silently wrong
        result = lmfit.minimize(
            lambda p: np.concatenate([spread @ self.residuals(unpacked(p)), blank.prior @ unpacked(p)]),
            parameters,
            method="leastsq",
            scale_covar=False,
            max_nfev=MOST_EVALUATIONS,
            Dfun=lambda p: np.vstack([spread @ self.jacobian(unpacked(p)), blank.prior]),
            col_deriv=0,
            # Close to what doubles can hold; the model is cheap, so there is no reason to stop earlier.
            ftol=1e-15,
            xtol=1e-14,
        )
        return unpacked(result.params)


def _response(doubts: Floats, weights: Floats) -> Floats:
    """How the doubts' coefficients answer residuals without them: array (k, n)."""
    weighed = doubts.T * weights
    return -np.asarray(np.linalg.solve(weighed @ doubts + np.eye(doubts.shape[1]), weighed), np.float64)


def least_squares(problem: Problem, start: Floats) -> Fit:
    """Find the parameters that make the sum of squared residuals smallest, from a start (p,)."""
    weights = np.ones(len(problem.residuals(start)))
    values = problem.solved(start, weights)
    return problem.fit(values, weights)


def p_value(chi_square: float, degrees_of_freedom: int) -> float | None:
    """Chance of a chi-square at least this large; None without a degree of freedom."""
    from scipy.special import gammaincc

    if degrees_of_freedom < 1:
        return None
    return float(gammaincc(degrees_of_freedom / 2, chi_square / 2))


def scatter_factor(chi_square: float, degrees_of_freedom: int) -> float:
    """Factor by which sigmas are widened to the scatter, so that 68.3 % intervals keep their meaning.

    sqrt(chi-square / degrees of freedom) times Student's t, which is 1.84, 1.32, 1.11 for 1, 2, 5 degrees of
    freedom (JCGM 100:2008, table G.2, p = 68.27 %).
    """
    from scipy.special import stdtrit

    student = float(stdtrit(degrees_of_freedom, 0.5 + ONE_SIGMA / 2))
    return float(np.sqrt(chi_square / degrees_of_freedom)) * student


def coverage_factor(degrees_of_freedom: float, share: float = TWO_SIGMA) -> float:
    """Factor from a sigma widened to the scatter to the interval that holds a share, by Student's t; 2 with very many to spare."""
    from scipy.special import stdtrit

    wide, narrow = (float(stdtrit(degrees_of_freedom, 0.5 + p / 2)) for p in (share, ONE_SIGMA))
    return wide / narrow


def group_drop(fit: Fit, rows: Sequence[int]) -> float:
    """How much chi-square would fall if some rows were left out, to first order (exact for a linear model).

    r' (I - H)^-1 r of the rows, with H their block of the hat matrix (Cook & Weisberg 1982, section 2.2).
    Rows that alone fix a parameter cannot be judged: zero.
    """
    hat = fit.slope @ covariance_of(np.vstack([fit.slope, fit.held])) @ fit.slope.T
    kept = np.eye(len(rows)) - hat[np.ix_(rows, rows)]
    if np.linalg.eigvalsh(kept)[0] < 1e-6:
        return 0.0
    part = fit.residuals[list(rows)]
    return float(part @ np.linalg.solve(kept, part))
