"""A fit that counts on blunders: every set of values that may be wrong is weighed, and the answers are joined.

Any value may be a blunder, and all sigmas together may have been stated too small; neither is known. Each hypothesis (these
values are wrong, the others have sigmas so many times as stated) has a least-squares answer and an evidence, and the axis
is distributed as the mixture of all answers. So a moderate misfit, which may be either, widens the interval instead of
being decided upon. Bayesian model averaging of outliers: G. E. P. Box and G. C. Tiao 1968, Biometrika 55, 119.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from poleward.sky.axis import Floats
from poleward.solving.least_squares import ONE_SIGMA, TWO_SIGMA, Fit, Problem

WRONG = 0.1
"""Chance of a value to be a blunder, before it is looked at: of routine data 1 to 10 % are gross errors (Hampel et al. 1986,
Robust Statistics, section 1.2; from memory), and who asks for a robust fit has reason to."""
FARTHEST = 1000.0
"""A blunder's size is as likely in each octave from one sigma to so many: minutes for seconds are beyond a hundred."""
SCALES = np.array([1.0, 1.5, 2.0, 3.0, 4.5])
"""How many times too small sigmas may have been stated."""
AS_STATED = 0.8
"""Chance that they are as stated; the others share the rest."""
LEAST_TO_SPARE = 2
"""With fewer values to spare a value that is left out leaves none that checks the rest."""
MOST_AT_FAULT = 12
"""Values that are considered wrong: of more, those that fit worst."""
MOST_SETS = 1000
"""Sets of wrong values that are weighed: a fraction of a second."""
ROUNDS = 8
"""Of linearising about the answer; the second moves it by less than 1e-3 sigma unless a blunder takes it degrees away."""


@dataclass(frozen=True, eq=False)
class BlunderFit:
    """What all hypotheses together say.

    Attributes
    ----------
    fit : Fit
        About the mean answer; weights are the chances of the values to be right, nothing where that is less than a half.
    covariance : array (2, 2)
        Of the first two parameters, so that one sigma to either side holds 68.3 % of the mixture.
    intervals : array (2, 2)
        In which they lie with 95 %: lows and highs.
    wider : float
        How many of those sigmas hold 95.4 %, of the parameter for which it is more.
    right : array (n,)
        Chance of each value to be right.
    scale : float
        How many times too small the sigmas seem to be stated: the mean.
    """

    fit: Fit
    covariance: Floats
    intervals: Floats
    wider: float
    right: Floats
    scale: float


def weighed(problem: Problem, start: Floats, loose: Floats) -> BlunderFit:
    """Weigh all hypotheses, the model taken as straight first at `start` (p,), the plain answer.

    `loose` (h, p) are combinations of the parameters, each in its own sigmas about zero, that hold what a hypothesis leaves
    open.
    """
    values = start
    for _ in range(ROUNDS):
        fit = problem.fit(values, np.ones(len(problem.residuals(values))))
        mixture = _mixture(problem, fit, loose)
        step, values = mixture.mean - values, mixture.mean
        if np.all(np.abs(step) < 1e-3 * np.sqrt(np.diag(mixture.total))):
            break
    right = mixture.chances @ mixture.good
    fit = problem.fit(values, np.where(right < 0.5, 0.0, right))
    half = np.array(
        [[mixture.half_width(i, share) for share in (ONE_SIGMA, 0.95, TWO_SIGMA)] for i in (0, 1)]
    )
    wide = half[:, 0] / np.sqrt(np.diag(mixture.total)[:2])
    return BlunderFit(
        fit,
        mixture.total[:2, :2] * np.outer(wide, wide),
        values[:2, None] + half[:, 1:2] * np.array([-1.0, 1.0]),
        float(np.max(half[:, 2] / half[:, 0])),
        right,
        float(mixture.chances @ mixture.scale),
    )


@dataclass(frozen=True, eq=False)
class _Mixture:
    """H hypotheses: chances (H,), which values are right (H, n), scale (H,), answers (H, p) and covariances (H, p, p)."""

    chances: Floats
    good: Floats
    scale: Floats
    answers: Floats
    covariances: Floats

    @property
    def mean(self) -> Floats:
        return np.asarray(self.chances @ self.answers, np.float64)

    @property
    def total(self) -> Floats:
        """Covariance (p, p) of the whole."""
        off = self.answers - self.mean
        inside = np.einsum("h,hij->ij", self.chances, self.covariances)
        return np.asarray(inside + np.einsum("h,hi,hj->ij", self.chances, off, off), np.float64)

    def half_width(self, i: int, share: float) -> float:
        """To either side of the mean so much holds a share of parameter i, by bisection."""
        from scipy.special import ndtr

        off, sigma = self.answers[:, i] - self.mean[i], np.sqrt(self.covariances[:, i, i])
        low, high = 0.0, float(np.max(np.abs(off) + 10 * sigma))
        for _ in range(60):
            middle = (low + high) / 2
            held = self.chances @ (ndtr((middle - off) / sigma) - ndtr((-middle - off) / sigma))
            low, high = (low, middle) if held > share else (middle, high)
        return high


def _mixture(problem: Problem, fit: Fit, loose: Floats) -> _Mixture:
    """Answers and chances of all hypotheses, the model taken as straight about a fit."""
    free = fit.jacobian.shape[1]
    slope, plain = np.hstack([fit.jacobian, fit.doubts]), problem.residuals(fit.values)
    held = np.vstack([fit.prior, loose])
    known = np.zeros((slope.shape[1],) * 2)
    known[:free, :free] = held.T @ held
    known[free:, free:] = np.eye(slope.shape[1] - free)
    pull = np.zeros(slope.shape[1])
    pull[:free] = held.T @ held @ fit.values
    good = _sets(fit)
    total, scale = len(good) * len(SCALES), np.tile(SCALES, len(good))
    good = np.repeat(good, len(SCALES), axis=0)
    weight = good / scale[:, None] ** 2
    whole = np.einsum("hn,ni,nj->hij", weight, slope, slope) + known
    answers = -np.linalg.solve(whole, (weight * plain @ slope + pull)[..., None])[..., 0]
    residuals = plain + answers @ slope.T
    chi_square = np.sum(weight * residuals**2, axis=1) + np.sum(answers[:, free:] ** 2, axis=1)
    chi_square += np.sum(((fit.values + answers[:, :free]) @ held.T) ** 2, axis=1)
    wild = -np.log(2 * (1 + np.log(FARTHEST)) * np.maximum(np.abs(residuals), 1.0))
    evidence = -chi_square / 2 - np.linalg.slogdet(whole)[1] / 2
    evidence += np.sum(
        np.where(good, np.log(1 - WRONG) - np.log(2 * np.pi * scale[:, None] ** 2) / 2, 0.0), axis=1
    )
    evidence += np.sum(np.where(good, 0.0, np.log(WRONG) + wild), axis=1)
    evidence += np.where(scale == 1, np.log(AS_STATED), np.log((1 - AS_STATED) / (len(SCALES) - 1)))
    chances = np.exp(evidence - evidence.max())
    assert chances.shape == (total,)
    covariances = np.linalg.inv(whole)[:, :free, :free]
    return _Mixture(chances / chances.sum(), good, scale, fit.values + answers[:, :free], covariances)


def _sets(fit: Fit) -> Floats:
    """Which values are right in each hypothesis, ones and zeros (H, n): up to a third of them wrong, two left to check."""
    count, spare = len(fit.residuals), fit.degrees_of_freedom
    suspects = np.argsort(-np.abs(fit.residuals))[:MOST_AT_FAULT]
    sets: list[tuple[int, ...]] = [()]
    for size in range(1, min(spare - 1, max(1, count // 3)) + 1):
        more = list(combinations(suspects.tolist(), size))
        if len(sets) + len(more) > MOST_SETS:
            break
        sets += more
    good = np.ones((len(sets), count))
    for row, wrong in enumerate(sets):
        good[row, list(wrong)] = 0.0
    return good
