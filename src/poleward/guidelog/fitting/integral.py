"""The axis error by an integral over what a log cannot tell: noise, guide rate and play of a drive's sections.

With a guide rate r times the true one, what is left over is [1 - (1 - g r) L] / [1 - (1 - g) L] of the new noise (L: one
row back, g: the share that a guider sends back), and that is what a lasting noise makes too. So the likelihood is a
ridge along rate and noise, its highest point says little, and its curvature there less. Here every rate, play and noise
that the rows allow has its weight, and the axis error is the mixture of what they give. Given the three, A and e are
normal (`tables`), and their mean and the likelihood's exponent are polynomials in the rate, so a grid of rates is cheap.

The noise (its shape; the white part is each section's own) is shared by the sections of a drive, with a rival: each
has its own. What the rows say decides between the two.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from poleward.guidelog.fitting.beliefs import rate_belief
from poleward.guidelog.fitting.tables import NormalTable
from poleward.sky.axis import Floats

SHARED = 0.7
"""Chance that the sections of a drive have one noise between them; else each has its own."""
RATES = 41
"""Guide rates on each of two grids: over all that has a chance, and about the likeliest noise and play."""
REACH = 4.5
"""Sigmas to either side that they reach."""
WIDE_RATE = 0.5
LEAST_RATE = 0.02
"""In units of the stated rate: how wide the grid may be where the rows say nothing, and where it begins."""


@dataclass(frozen=True, eq=False)
class Beliefs:
    """What is believed beforehand, on the grids of a drive.

    Attributes
    ----------
    noises : array (J, 2)
        Log ratio and log time.
    noise : array (J,)
        Log chance of each.
    plays : array (P,)
    play : array (P,)
    rate_sigma : float or None
        See `beliefs.rate_belief`; None: only watched, there is no rate.
    prior : array (m, m)
        Information on what sections share, about `centre`.
    centre : array (m,)
        Where it stands, as a step from the state about which the tables are laid out.
    """

    noises: Floats
    noise: Floats
    plays: Floats
    play: Floats
    rate_sigma: float | None
    prior: Floats
    centre: Floats


@dataclass(frozen=True, eq=False)
class Quadratic:
    """Log-likelihoods of shape (J, P), of x (m,) and the rate r: top + x'(a - r b) - x' M x / 2 + polynomial in r."""

    top: Floats
    block: Floats
    a: Floats
    b: Floats
    by_rate: Floats
    bend: Floats

    @classmethod
    def of(cls, table: NormalTable) -> Quadratic:
        """Lay out one section's."""
        white = table.white_variance()
        scaled = table.matrix / white[..., None, None]
        top = -0.5 * (table.free * np.log(white) + table.log_det + scaled[..., -1, -1])
        inner = scaled[..., :-2, :-2], scaled[..., :-2, -1], scaled[..., :-2, -2]
        return cls(top, *inner, scaled[..., -2, -1], scaled[..., -2, -2])

    @classmethod
    def total(cls, parts: Sequence[Quadratic]) -> Quadratic:
        """Add them up."""
        names = ("top", "block", "a", "b", "by_rate", "bend")
        return cls(*(np.sum([getattr(part, name) for part in parts], axis=0) for name in names))

    def outlook(self, beliefs: Beliefs) -> tuple[Floats, Floats, Floats]:
        """Log evidence (J, P) with x and the rate integrated out roughly, the likeliest rate there and its sigma."""
        constant, linear, square, *_ = self.integrated(beliefs)
        sigma = beliefs.rate_sigma
        if sigma is None:
            return constant, np.zeros_like(constant), np.ones_like(constant)
        # As wide as a rate may be at all; the belief proper is weighed on the grid.
        weak = WIDE_RATE**-2 if math.isfinite(sigma) else 0.0
        bend = np.maximum(-2 * square, 1e-9) + weak
        slope = linear + weak
        return constant + 0.5 * slope**2 / bend - 0.5 * np.log(bend), slope / bend, bend**-0.5

    def integrated(self, beliefs: Beliefs) -> tuple[Floats, ...]:
        """Log evidence with x integrated out as a polynomial in the rate, (J, P) each: constant, linear, square; and x:
        its mean as value and slope by the rate (J, P, m), its covariance (J, P, m, m)."""
        held = self.block + beliefs.prior
        pull = beliefs.prior @ beliefs.centre
        spread = np.linalg.inv(held)
        a = self.a + pull
        value, slope = (
            np.einsum("...ij,...j->...i", spread, a),
            -np.einsum("...ij,...j->...i", spread, self.b),
        )
        constant = self.top + 0.5 * np.einsum("...i,...i->...", a, value) - 0.5 * beliefs.centre @ pull
        constant = constant + 0.5 * (np.linalg.slogdet(beliefs.prior)[1] - np.linalg.slogdet(held)[1])
        linear = self.by_rate - np.einsum("...i,...i->...", self.b, value)
        square = -0.5 * (self.bend + np.einsum("...i,...i->...", self.b, slope))
        return constant + beliefs.noise[:, None], linear, square, value, slope, np.asarray(spread)


@dataclass(frozen=True, eq=False)
class _Given:
    """What a group of sections says at each play and rate, its noise integrated out: normal in x.

    Attributes
    ----------
    constant, vector, information : array (P, R), (P, R, m), (P, R, m, m)
        Log-likelihood constant + x'vector - x'information x / 2.
    """

    constant: Floats
    vector: Floats
    information: Floats

    @classmethod
    def total(cls, parts: Iterable[_Given]) -> _Given:
        """Add them up."""
        found = None
        for part in parts:
            found = (
                part
                if found is None
                else _Given(
                    found.constant + part.constant,
                    found.vector + part.vector,
                    found.information + part.information,
                )
            )
        assert found is not None
        return found

    @classmethod
    def of(cls, part: Quadratic, rates: Floats, beliefs: Beliefs) -> _Given:
        constant, linear, square, value, slope, spread = part.integrated(beliefs)
        height = constant[..., None] + linear[..., None] * rates + square[..., None] * rates**2
        top = np.max(height, axis=0)
        share = np.exp(height - top)
        total = np.sum(share, axis=0)
        share /= total
        # At a given rate the noises differ in the mean by far less than a sigma, so one normal distribution will do.
        point = value[:, :, None] + slope[:, :, None] * rates[:, None]
        mean = np.einsum("jpr,jprm->prm", share, point)
        off = point - mean
        width = np.einsum("jpr,jpmn->prmn", share, spread)
        width += np.einsum("jpr,jprm,jprn->prmn", share, off, off, optimize=True)
        held = np.linalg.inv(width)
        vector = np.einsum("...ij,...j->...i", held, mean)
        pull = beliefs.prior @ beliefs.centre
        free = (
            top
            + np.log(total)
            - 0.5 * np.einsum("...i,...i->...", mean, vector)
            + 0.5 * beliefs.centre @ pull
        )
        free = free + 0.5 * (np.linalg.slogdet(held)[1] - np.linalg.slogdet(beliefs.prior)[1])
        return cls(free, vector - pull, held - beliefs.prior)


@dataclass(frozen=True, eq=False)
class Integral:
    """What a drive's sections say of x, a step from the state: K components, everything else integrated out.

    Attributes
    ----------
    height : array (K,)
        Log weight, before x is integrated out.
    vector, information : array (K, m), (K, m, m)
        Without the prior on x.
    rate, play_ms : array (K,)
    shares : array (S, J)
        How likely each section's noise is each of the grid.
    apart : array (J,)
        The same for all of them, if each section had an axis error of its own: what they are compared by.
    """

    height: Floats
    vector: Floats
    information: Floats
    rate: Floats
    play_ms: Floats
    shares: Floats
    apart: Floats


def evidence(height: Floats, vector: Floats, information: Floats, prior: Floats, centre: Floats) -> Floats:
    """Log weights (...,) of components in x, held by a prior, with x integrated out."""
    held, pulled = information + prior, vector + prior @ centre
    left = np.linalg.solve(held, pulled[..., None])[..., 0]
    value = height + 0.5 * np.einsum("...i,...i->...", pulled, left) - 0.5 * np.linalg.slogdet(held)[1]
    return np.asarray(value + 0.5 * np.linalg.slogdet(prior)[1] - 0.5 * centre @ prior @ centre)


def integrate(tables: Sequence[NormalTable], beliefs: Beliefs) -> Integral:
    """Integrate over the noise of a drive's S sections, rate and play laid out on a grid."""
    each = [Quadratic.of(table) for table in tables]
    whole = Quadratic.total(each)
    rates, steps = _rates(whole, beliefs)
    rivals = [_Given.of(whole, rates, beliefs)]
    chances = [1.0]
    if len(each) > 1:
        rivals.append(_Given.total(_Given.of(part, rates, beliefs) for part in each))
        chances = [SHARED, 1 - SHARED]
    weight = beliefs.play[:, None] + np.log(steps)
    if beliefs.rate_sigma is not None:
        weight = weight + rate_belief(rates, beliefs.rate_sigma)
    height = np.stack(
        [rival.constant + weight + math.log(c) for rival, c in zip(rivals, chances, strict=True)]
    )
    vector, information = (
        np.stack([getattr(rival, of) for rival in rivals]) for of in ("vector", "information")
    )
    log = evidence(height, vector, information, beliefs.prior, beliefs.centre)
    chance = np.exp(log - np.max(log))
    chance /= np.sum(chance)
    play, rate = np.unravel_index(int(np.argmax(np.sum(chance, axis=0))), log.shape[1:])
    at = int(play), float(rates[rate])
    own = np.array([noise_shares([part], *at, beliefs) for part in each])
    mine = float(np.sum(chance[1:]))
    shares = (1 - mine) * noise_shares([whole], *at, beliefs) + mine * own
    size = len(beliefs.prior)
    axis = _axis_only(height.ravel(), vector.reshape(-1, size), information.reshape(-1, size, size), beliefs)
    return Integral(
        *axis,
        np.broadcast_to(rates, height.shape).ravel(),
        np.broadcast_to(beliefs.plays[:, None], height.shape).ravel(),
        shares,
        noise_shares(each, *at, beliefs),
    )


def _axis_only(
    height: Floats, vector: Floats, information: Floats, beliefs: Beliefs
) -> tuple[Floats, Floats, Floats]:
    """Integrate out all but A and e: heights (K,), vectors (K, 2) and information (K, 2, 2)."""
    if len(beliefs.prior) == 2:
        return height, vector, information
    held = information[:, 2:, 2:] + beliefs.prior[2:, 2:]
    along = np.linalg.solve(held, np.concatenate([information[:, 2:, :2], vector[:, 2:, None]], axis=2))
    across = information[:, :2, 2:] @ along
    height = height + 0.5 * np.einsum("ki,ki->k", vector[:, 2:], along[:, :, 2])
    height = height + 0.5 * (np.linalg.slogdet(beliefs.prior[2:, 2:])[1] - np.linalg.slogdet(held)[1])
    return height, vector[:, :2] - across[:, :, 2], information[:, :2, :2] - across[:, :, :2]


def noise_shares(parts: Sequence[Quadratic], play: int, rate: float, beliefs: Beliefs) -> Floats:
    """How likely each noise is (J,) at one play and rate, shared by groups that have an axis error of their own each."""
    log = beliefs.noise * (1 - len(parts))
    for part in parts:
        constant, linear, square, *_ = part.integrated(beliefs)
        log = log + (constant + linear * rate + square * rate**2)[:, play]
    share: Floats = np.exp(log - np.max(log))
    total: Floats = share / np.sum(share)
    return total


def _rates(whole: Quadratic, beliefs: Beliefs) -> tuple[Floats, Floats]:
    """Guide rates (R,) worth looking at, and the step that each stands for."""
    if beliefs.rate_sigma is None:
        return np.zeros(1), np.ones(1)
    log, rate, sigma = whole.outlook(beliefs)
    chance = np.exp(log + beliefs.play - np.max(log + beliefs.play))
    chance /= chance.sum()
    middle = float(np.sum(chance * rate))
    width = math.sqrt(float(np.sum(chance * ((rate - middle) ** 2 + sigma**2))))
    best = np.unravel_index(int(np.argmax(chance)), chance.shape)
    ends = ((middle, width), (float(rate[best]), float(sigma[best])))
    found = np.concatenate([np.linspace(at - REACH * wide, at + REACH * wide, RATES) for at, wide in ends])
    found = np.unique(found[found > LEAST_RATE])
    if len(found) < 2:
        found = np.array([LEAST_RATE, 2 * LEAST_RATE])
    return found, np.gradient(found)
