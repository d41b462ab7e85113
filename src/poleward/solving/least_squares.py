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

HUBER_K = 1.345
"""Residuals beyond this many sigma lose weight: 95 % efficiency for normal errors (Huber 1981, Robust Statistics)."""

ASIDE_SIGMA = 4.5
"""Beyond this many sigma a robust fit sets a value aside: 1 honest one in 150,000 is so far out. Huber's weight alone
would let a blunder pull with 1.345 sigma for ever, and its intervals then cover 59 % (docs/accuracy.md)."""


@dataclass(frozen=True, eq=False)
class Fit:
    """The least-squares answer for n values and p parameters.

    Attributes
    ----------
    values : array (p,)
    residuals : array (n,)
        (model - data) / sigma, without robust weights.
    jacobian : array (n, p)
        Of the residuals, at the answer.
    weights : array (n,)
        1 everywhere but in a robust fit.
    prior : array (k, p)
        Combinations of the parameters that were held about zero, each in its own sigmas.
    """

    values: Floats
    residuals: Floats
    jacobian: Floats
    weights: Floats
    prior: Floats

    @property
    def covariance(self) -> Floats:
        """From the sigmas alone, not scaled to the scatter: array (p, p)."""
        return self.widened(1.0)

    def widened(self, factor: float) -> Floats:
        """Covariance with every sigma of the data, not of the prior, widened by a factor."""
        slope = self.jacobian * np.sqrt(self.weights)[:, None] / factor
        return covariance_of(np.vstack([slope, self.prior]))

    @property
    def chi_square(self) -> float:
        """Sum of the squared residuals of the values that were not set aside."""
        return float(np.sum(self.residuals[self.weights > 0] ** 2))

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


def least_squares(
    names: Sequence[str],
    residuals: Callable[[Floats], Floats],
    jacobian: Callable[[Floats], Floats],
    start: Floats,
    *,
    prior: Floats | None = None,
    robust: bool = False,
) -> Fit:
    """Find the parameters that make the sum of squared residuals smallest.

    Parameters
    ----------
    names : sequence of p str
        For lmfit; identifiers.
    residuals : callable
        Array (p,) to array (n,): (model - data) / sigma.
    jacobian : callable
        Array (p,) to array (n, p): derivatives of the residuals. Must have full column rank at the answer.
    start : array (p,)
    prior : array (k, p), optional
        Combinations of the parameters that are held at 0 +/- 1.
    robust : bool
        Lower the weight of residuals beyond `HUBER_K` sigma, and set those beyond `ASIDE_SIGMA` aside.

    Returns
    -------
    Fit
    """
    held = np.zeros((0, len(start))) if prior is None else prior

    def solved(begin: Floats, weights: Floats) -> Floats:
        return _once(names, residuals, jacobian, begin, weights, held)

    weights = np.ones(len(residuals(start)))
    values = solved(start, weights)
    if robust:
        values, weights = _robustly(residuals, jacobian, solved, values, held)
    return Fit(values, residuals(values), jacobian(values), weights, held)


def _robustly(
    residuals: Callable[[Floats], Floats],
    jacobian: Callable[[Floats], Floats],
    solved: Callable[[Floats, Floats], Floats],
    values: Floats,
    prior: Floats,
) -> tuple[Floats, Floats]:
    """Set aside values beyond `ASIDE_SIGMA`, the worst first, then lower weights by Huber's rule.

    The worst is the one without which chi-square falls most, r^2 / (1 - h): for a single blunder that is the blunder
    itself, whatever its leverage, while the largest residual often is not (Cook & Weisberg 1982, section 2.2).
    """
    kept = np.ones(len(residuals(values)))
    # One value more than parameters must stay, or the rest would agree with anything.
    while np.sum(kept) + len(prior) > len(values) + 1:
        slope = jacobian(values) * kept[:, None]
        covariance = covariance_of(np.vstack([slope, prior]))
        left = np.maximum(1 - np.einsum("ij,jk,ik->i", slope, covariance, slope), 1e-6)
        apart = kept * np.abs(residuals(values)) / np.sqrt(left)
        worst = int(np.argmax(apart))
        without = np.where(np.arange(len(kept)) == worst, 0.0, kept)
        rank = np.linalg.matrix_rank(np.vstack([slope * without[:, None], prior]))
        if apart[worst] < ASIDE_SIGMA or rank < len(values):
            break
        kept = without
        values = solved(values, kept)
    weights = kept
    # The weights settle geometrically; sixty rounds leave less than 1e-6 sigma in every case of the tests.
    for _ in range(60):
        weights = kept * np.minimum(1.0, HUBER_K / np.maximum(np.abs(residuals(values)), 1e-12))
        previous, values = values, solved(values, weights)
        slope = np.vstack([jacobian(values) * kept[:, None], prior])
        spread = np.sqrt(np.diag(covariance_of(slope)))
        if np.all(np.abs(values - previous) < 1e-6 * spread):
            break
    return values, weights


def _once(
    names: Sequence[str],
    residuals: Callable[[Floats], Floats],
    jacobian: Callable[[Floats], Floats],
    start: Floats,
    weights: Floats,
    prior: Floats,
) -> Floats:
    import lmfit

    root = np.sqrt(weights)

    def unpacked(parameters: lmfit.Parameters) -> Floats:
        return np.array([parameters[name].value for name in names])

    parameters = lmfit.Parameters()
    for name, value in zip(names, start, strict=True):
        parameters.add(name, value=float(value))  # no bounds: near one, lmfit's errors are silently wrong
    result = lmfit.minimize(
        lambda p: np.concatenate([residuals(unpacked(p)) * root, prior @ unpacked(p)]),
        parameters,
        method="leastsq",
        scale_covar=False,
        Dfun=lambda p: np.vstack([jacobian(unpacked(p)) * root[:, None], prior]),
        col_deriv=0,
        # Close to what doubles can hold; the model is cheap, so there is no reason to stop earlier.
        ftol=1e-15,
        xtol=1e-14,
    )
    return unpacked(result.params)


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

    student = float(stdtrit(degrees_of_freedom, 0.5 + 0.6826894921 / 2))
    return float(np.sqrt(chi_square / degrees_of_freedom)) * student


def coverage_factor(degrees_of_freedom: int) -> float:
    """Factor from a sigma widened to the scatter to its 95.4 % interval, by Student's t; 2 for very many to spare."""
    from scipy.special import stdtrit

    wide, narrow = (float(stdtrit(degrees_of_freedom, 0.5 + p / 2)) for p in (0.9544997361, 0.6826894921))
    return wide / narrow


def group_drop(fit: Fit, rows: Sequence[int]) -> float:
    """How much chi-square would fall if some rows were left out, to first order (exact for a linear model).

    r' (I - H)^-1 r of the rows, with H their block of the hat matrix (Cook & Weisberg 1982, section 2.2).
    Rows that alone fix a parameter cannot be judged: zero.
    """
    slope = fit.jacobian[list(rows)]
    kept = np.eye(len(slope)) - slope @ covariance_of(np.vstack([fit.jacobian, fit.prior])) @ slope.T
    if np.linalg.eigvalsh(kept)[0] < 1e-6:
        return 0.0
    part = fit.residuals[list(rows)]
    return float(part @ np.linalg.solve(kept, part))
