"""What is believed of the axis error after all: a mixture of normal distributions, and its moments and quantiles."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from poleward.sky.axis import Floats

LEAST_WEIGHT = 1e-5
"""Lighter components are dropped: together they hold too little for any figure that is printed."""


@dataclass(frozen=True, eq=False)
class Mixture:
    """K normal distributions of (A, e), arcmin, each with its weight and the drives that it stands for.

    Attributes
    ----------
    weight : array (K,)
        Sum 1.
    mean : array (K, 2)
    covariance : array (K, 2, 2)
    drives : array (K, D, 2)
        Guide rate (in units of the stated one) and play (ms) of D drives.
    """

    weight: Floats
    mean: Floats
    covariance: Floats
    drives: Floats

    def moments(self) -> tuple[Floats, Floats]:
        """Mean (2,) and covariance (2, 2) of the whole."""
        mean: Floats = self.weight @ self.mean
        off = self.mean - mean
        spread = np.einsum("k,kij->ij", self.weight, self.covariance)
        return mean, spread + np.einsum("k,ki,kj->ij", self.weight, off, off)

    def quantile(self, axis: int, share: float) -> float:
        """Value of A (0) or e (1) below which it lies with this probability."""
        return quantile(self.weight, self.mean[:, axis], np.sqrt(self.covariance[:, axis, axis]), share)

    def drive_moments(self) -> tuple[Floats, Floats]:
        """Means and standard deviations (D, 2) of guide rates and plays."""
        mean = np.einsum("k,kdi->di", self.weight, self.drives)
        return mean, np.sqrt(np.einsum("k,kdi->di", self.weight, (self.drives - mean) ** 2))

    def by_rate(self) -> Floats:
        """How A and e go with each guide rate, (D, 2): arcmin for one standard deviation of it."""
        off, rates = self.mean - self.weight @ self.mean, self.drives[:, :, 0]
        rates = rates - self.weight @ rates
        sigma = np.sqrt(self.weight @ rates**2)
        along: Floats = np.einsum("k,kd,ki->di", self.weight, rates, off)
        return along / np.maximum(sigma, 1e-12)[:, None]

    def blurred(self, covariance: Floats) -> Mixture:
        """Return it with a further error of this covariance (2, 2)."""
        return replace(self, covariance=self.covariance + covariance)

    def scaled(self, factor: float) -> Mixture:
        """Return it widened about its mean."""
        mean, _ = self.moments()
        return Mixture(
            self.weight, mean + factor * (self.mean - mean), factor**2 * self.covariance, self.drives
        )

    def or_scaled(self, drive: int) -> Mixture:
        """Return it beside what it is if not the stated rate of a drive was wrong but the scale of all places."""
        rate = self.drives[:, drive, 0]
        return Mixture(
            np.tile(self.weight / 2, 2),
            np.concatenate([self.mean, self.mean / rate[:, None]]),
            np.concatenate([self.covariance, self.covariance / rate[:, None, None] ** 2]),
            np.tile(self.drives, (2, 1, 1)),
        )


def quantile(weight: Floats, mean: Floats, sigma: Floats, share: float) -> float:
    """Value below which a mixture of K normal distributions of one number lies with this probability."""
    from scipy.optimize import brentq
    from scipy.special import ndtr

    low, high = float(np.min(mean - 9 * sigma)), float(np.max(mean + 9 * sigma))
    if not high > low:
        return low
    return float(brentq(lambda x: float(weight @ ndtr((x - mean) / sigma)) - share, low, high, xtol=1e-9))
