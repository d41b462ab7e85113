"""Drift, drive and noise together: Newton steps on one likelihood.

A guider's pulses answer to the noise of the rows before them. The likelihood stays what it is (each row's density,
given all rows before it, does not depend on how the guider makes its pulses), but guide rate and noise are no longer
independent: a larger rate and a stronger, shorter memory explain the same rows. Fitting one with the other held
claims a guide rate, and with it an axis error, more certain than it is (docs/noise-model.md); so the steps are
taken in all of them at once, and the information on A and e is what is left after the noise has had its share.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from poleward.guidelog.fitting.noise import Noise, covariance, normal_equations
from poleward.guidelog.fitting.parts import Linear, Part, State, linear
from poleward.guidelog.fitting.search import BELIEF, LONGEST_SHARE, RATIO_RANGE, SHORTEST_TIME_S
from poleward.sky.axis import Floats
from poleward.sky.pole import Pole

STEP = 0.15
"""Of the finite differences in log ratio and log time: a twentieth to a half of their own uncertainty."""
LONGEST_STEP = 0.7
"""In log ratio and log time, so that a step stays where the likelihood was measured."""
LONGEST_BACKLASH_MS = 15.0
"""The likelihood is made of pieces in the backlash: a long step would leave the one it was meant for."""
LEAST_LEFT = 0.05
"""Of the information the uncertainty of the noise leaves at least this much; less means a step from too far away."""
ROUNDS = 12


@dataclass(frozen=True)
class Share:
    """One section's part of a Newton step.

    Attributes
    ----------
    value : float
        Log-likelihood.
    slope : array (k,)
        Derivatives by the parameters.
    information : array (k, k)
        Minus the second derivatives, the noise followed along.
    plain : tuple of array (k,), array (k, k)
        Slope and information with the noise held: safe from afar, where the others are not to be trusted.
    noise_step, noise_follows : array (2,), (2, k)
        How (log ratio, log time) should change by themselves, and with each parameter.
    noise : Noise
        With the white part that suits ratio and time best.
    """

    value: float
    slope: Floats
    information: Floats
    plain: tuple[Floats, Floats]
    noise_step: Floats
    noise_follows: Floats
    noise: Noise


def share(part: Part, model: Linear, restricted: bool) -> Share:
    """Lay out one section's log-likelihood about where it stands, up to second order."""
    seconds, starts = part.track.seconds[part.kept], part.starts
    data = np.column_stack([model.bends, model.columns, model.residuals])
    count = model.columns.shape[1]
    belief = part.noise.white_arcsec**2
    centre = np.log([part.noise.ratio, part.noise.time_s])
    free = 0

    def at(place: Floats) -> tuple[float, float, Floats, Floats]:
        """(log determinants, sum of squares, X'V^-1 r, X'V^-1 X) at (log ratio, log time)."""
        nonlocal free
        matrix = covariance(seconds, starts, math.exp(place[0]), math.exp(place[1]))
        normal = normal_equations(matrix, data, model.spread, belief)
        free = normal.free - 2 * restricted
        log_det = normal.log_det
        if restricted:
            log_det += float(np.linalg.slogdet(normal.matrix[:2, :2])[1])
        inner = normal.matrix
        return log_det, float(inner[-1, -1]), inner[2:-1, -1], inner[2:-1, 2:-1]

    here = at(centre)
    nudge = STEP * np.eye(2)
    up = [at(centre + nudge[i]) for i in range(2)]
    down = [at(centre - nudge[i]) for i in range(2)]
    corner = at(centre + nudge[0] + nudge[1])
    white2 = here[1] / free

    def derivatives(which: int) -> tuple[Floats, Floats]:
        """First (2,) and second (2, 2) differences of the log determinants (0) or the sum of squares (1)."""
        f0 = here[which]
        first = np.array([up[i][which] - down[i][which] for i in range(2)]) / (2 * STEP)
        second = np.diag([up[i][which] - 2 * f0 + down[i][which] for i in range(2)]) / STEP**2
        mixed = (corner[which] - up[0][which] - up[1][which] + f0) / STEP**2
        # The forward mixed difference carries half of the unmixed third-order terms: small against the rest.
        second[0, 1] = second[1, 0] = mixed
        return first, second

    det_1, det_2 = derivatives(0)
    sum_1, sum_2 = derivatives(1)
    believed = (centre - BELIEF[0]) / BELIEF[1] ** 2
    noise_slope = np.append(-0.5 * (sum_1 / white2 + det_1) - believed, 0.0)
    bend = np.empty((3, 3))
    bend[:2, :2] = 0.5 * (sum_2 / white2 + det_2) + np.diag(BELIEF[1] ** -2.0)
    bend[:2, 2] = bend[2, :2] = -sum_1 / white2
    bend[2, 2] = 2 * free
    bend = _positive(bend)
    slope = here[2] / white2
    cross = np.empty((count, 3))
    cross[:, :2] = np.stack([up[i][2] - down[i][2] for i in range(2)], axis=1) / (2 * STEP) / white2
    cross[:, 2] = -2 * slope
    follows = np.asarray(np.linalg.solve(bend, cross.T), np.float64)
    alone = here[3] / white2
    own = np.asarray(np.linalg.solve(bend, noise_slope), np.float64)
    value = -0.5 * (free * math.log(white2) + free + here[0]) - 0.5 * float(
        np.sum(believed**2 * BELIEF[1] ** 2)
    )
    white = math.sqrt(white2)
    return Share(
        value,
        slope + cross @ own,
        _less(alone, cross @ follows),
        (slope, alone),
        own[:2],
        follows[:2],
        Noise(white, white * math.exp(centre[0] / 2), math.exp(centre[1])),
    )


def _positive(matrix: Floats) -> Floats:
    """Make a symmetric matrix positive definite, where a likelihood is not yet bent downward."""
    scale = np.sqrt(np.maximum(np.abs(np.diag(matrix)), 1e-12))
    values, vectors = np.linalg.eigh(matrix / np.outer(scale, scale))
    if values[0] > 1e-3:
        return matrix
    mended: Floats = (vectors * np.maximum(np.abs(values), 0.05)) @ vectors.T * np.outer(scale, scale)
    return mended


def _less(alone: Floats, taken: Floats) -> Floats:
    """Information with the noise known less what its uncertainty takes, of which at least a little is left.

    Judged against `alone` itself (generalised eigenvalues): guide rate and drift are nearly collinear in any case.
    """
    scale = np.sqrt(np.maximum(np.diag(alone), 1e-300))
    root = np.linalg.cholesky(alone / np.outer(scale, scale) + 1e-12 * np.eye(len(scale)))
    inner = np.linalg.solve(root, np.linalg.solve(root, taken / np.outer(scale, scale)).T)
    shares, vectors = np.linalg.eigh((inner + inner.T) / 2)
    left = (vectors * np.maximum(1 - shares, LEAST_LEFT)) @ vectors.T
    result: Floats = root @ left @ root.T * np.outer(scale, scale)
    return result


def places_of(part: Part) -> list[int]:
    """Which parameters a section's columns belong to."""
    return [0, 1] if part.drive is None else [0, 1, 2 + 2 * part.drive, 3 + 2 * part.drive]


def settle(
    parts: Sequence[Part], state: State, pole: Pole, prior: Floats, *, restricted: bool = True
) -> tuple[tuple[Part, ...], State, Floats]:
    """Newton steps until A and e stand still to 3 % of their sigmas.

    Parameters
    ----------
    parts : sequence of Part
    state : State
    pole : Pole
    prior : array (2, 2)
        Information held on A and e where the data leave something open; else zero.
    restricted : bool
        Noise by REML, or by plain maximum likelihood.

    Returns
    -------
    parts, state, information
        The information is that of the data alone, without `prior`.
    """
    here = _Stand.at(parts, state, pole, restricted)
    for _ in range(ROUNDS):
        held, pull = here.information.copy(), here.slope.copy()
        held[:2, :2] += prior
        pull[:2] -= prior @ np.array([here.state.azimuth, here.state.altitude])
        step = np.asarray(np.linalg.solve(held, pull), np.float64)
        sigma = np.sqrt(np.diag(np.linalg.inv(held)))
        if np.all(np.abs(step[:2]) < 0.03 * sigma[:2]):
            break
        for shorter in (1.0, 0.5, 0.2, 0.05):
            there = here.stepped(shorter * step, shorter, pole, restricted)
            if there.value > here.value - 0.02:
                break
        else:
            break
        here = there
    return here.parts, here.state, here.information


@dataclass(frozen=True)
class _Stand:
    """A point on the likelihood: where, how high, slope and information."""

    parts: tuple[Part, ...]
    state: State
    shares: tuple[Share, ...]
    value: float
    slope: Floats
    information: Floats

    @classmethod
    def at(cls, parts: Sequence[Part], state: State, pole: Pole, restricted: bool) -> _Stand:
        shares = tuple(share(part, linear(part, state, pole), restricted) for part in parts)
        parts = tuple(replace(part, noise=piece.noise) for part, piece in zip(parts, shares, strict=True))
        information, slope = _gather(parts, shares, state)
        value = sum(piece.value for piece in shares)
        value -= 0.5 * sum(((1 - drive.rate) / drive.sigma) ** 2 for drive in state.drives)
        return cls(parts, state, shares, value, slope, information)

    def stepped(self, step: Floats, length: float, pole: Pole, restricted: bool) -> _Stand:
        parts = [
            noise_stepped(part, length * piece.noise_step + piece.noise_follows @ step[places_of(part)])
            for part, piece in zip(self.parts, self.shares, strict=True)
        ]
        return _Stand.at(parts, stepped(self.state, step), pole, restricted)


def approach(parts: Sequence[Part], state: State, pole: Pole, prior: Floats) -> State:
    """Gauss-Newton steps in A and e alone: the way from afar, where noise and drive cannot be judged yet."""
    for _ in range(8):
        matrix, vector = prior.copy(), -prior @ np.array([state.azimuth, state.altitude])
        for part in parts:
            model, noise = linear(part, state, pole, by_backlash=False), part.noise
            rows = covariance(part.track.seconds[part.kept], part.starts, noise.ratio, noise.time_s)
            data = np.column_stack([model.columns[:, :2], model.residuals])
            variance = noise.white_arcsec**2
            inner = normal_equations(rows, data, model.spread, variance).matrix / variance
            matrix += inner[:-1, :-1]
            vector += inner[:-1, -1]
        step = np.linalg.solve(matrix, vector)
        state = replace(
            state, azimuth=state.azimuth + float(step[0]), altitude=state.altitude + float(step[1])
        )
        if np.all(np.abs(step) < 0.1 / np.sqrt(np.diag(matrix))):
            break
    return state


def _gather(parts: Sequence[Part], shares: Sequence[Share], state: State) -> tuple[Floats, Floats]:
    """Add up the sections, and what is known beforehand of the guide rates: (information, slope)."""
    count = 2 + 2 * len(state.drives)
    matrix, vector = np.zeros((count, count)), np.zeros(count)
    for part, piece in zip(parts, shares, strict=True):
        at = places_of(part)
        matrix[np.ix_(at, at)] += piece.information
        vector[at] += piece.slope
    add_beliefs(matrix, vector, state, 2)
    return matrix, vector


def add_beliefs(matrix: Floats, vector: Floats, state: State, first: int) -> None:
    """Add in place what is known of the drives beforehand; their parameters begin at row `first`."""
    for number, drive in enumerate(state.drives):
        rate = first + 2 * number
        if math.isfinite(drive.sigma):
            matrix[rate, rate] += drive.sigma**-2
            vector[rate] += (1 - drive.rate) * drive.sigma**-2
        # Where the play is never used its size cannot be told; this keeps the matrix regular and nothing more.
        matrix[rate + 1, rate + 1] += 1e-6


def stepped(state: State, step: Floats) -> State:
    """Return the state after a step in all parameters, which is shortened in the backlashes."""
    drives = []
    for number, drive in enumerate(state.drives):
        rate, backlash = step[2 + 2 * number], step[3 + 2 * number]
        backlash = float(np.clip(backlash, -LONGEST_BACKLASH_MS, LONGEST_BACKLASH_MS))
        backlash = max(0.0, drive.backlash_ms + backlash)
        drives.append(replace(drive, rate=drive.rate + float(rate), backlash_ms=backlash))
    return State(state.azimuth + float(step[0]), state.altitude + float(step[1]), tuple(drives))


def noise_stepped(part: Part, step: Floats) -> Part:
    """Return a section whose noise has made a step in log ratio and log time."""
    seconds = part.track.seconds
    longest = LONGEST_SHARE * float(seconds[-1] - seconds[0])
    step = np.clip(step, -LONGEST_STEP, LONGEST_STEP)
    ratio = float(np.clip(part.noise.ratio * math.exp(step[0]), *RATIO_RANGE))
    time = float(np.clip(part.noise.time_s * math.exp(step[1]), SHORTEST_TIME_S, max(longest, 1.0)))
    white = part.noise.white_arcsec
    return replace(part, noise=Noise(white, white * math.sqrt(ratio), time))
