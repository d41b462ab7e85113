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

from poleward.guidelog.fitting.noise import Noise, Normal, covariance, normal_equations
from poleward.guidelog.fitting.parts import Linear, Part, State, linear
from poleward.guidelog.fitting.search import BELIEF, LONGEST_SHARE, RATIO_RANGE, SHORTEST_TIME_S, NoiseRows
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


def taken_up(normal: Normal) -> tuple[float, int]:
    """What two columns that span A and e take of the likelihood by REML: log det of their block, and how many."""
    return float(np.linalg.slogdet(normal.matrix[:2, :2])[1]), 2


@dataclass(frozen=True)
class _Height:
    """What a section's likelihood is made of at one (log ratio, log time), in units of the white variance.

    Attributes
    ----------
    log_det, square : float
        Log determinants, and sum of squares.
    slope, information : array (k,), (k, k)
        X' V^-1 r and X' V^-1 X.
    free : int
        Rows less all that is fitted along.
    """

    log_det: float
    square: float
    slope: Floats
    information: Floats
    free: int

    @classmethod
    def at(cls, rows: NoiseRows, place: Floats) -> _Height:
        normal = rows.normal(math.exp(place[0]), math.exp(place[1]))
        (log_det, count), inner = taken_up(normal), normal.matrix
        square, slope, information = float(inner[-1, -1]), inner[2:-1, -1], inner[2:-1, 2:-1]
        return cls(normal.log_det + log_det, square, slope, information, normal.free - count)

    @property
    def row(self) -> Floats:
        """(log det, square, slope): what is differenced."""
        return np.concatenate([[self.log_det, self.square], self.slope])


def share(part: Part, model: Linear) -> Share:
    """Lay out one section's log-likelihood about where it stands, up to second order."""
    seconds, belief = part.track.seconds[part.kept], part.noise.white_arcsec**2
    data = np.column_stack([model.bends, model.columns, model.residuals])
    rows = NoiseRows(seconds, part.starts, data, model.spread, belief)
    centre = np.log([part.noise.ratio, part.noise.correlation_time_s])
    here = _Height.at(rows, centre)
    white2, free = here.square / here.free, here.free
    first, second = _differences(rows, centre, here.row)
    believed = (centre - BELIEF[0]) / BELIEF[1]
    # By log ratio, log time and log white; the last is at its best, so its slope is zero.
    noise_slope = np.append(-0.5 * (first[:, 1] / white2 + first[:, 0]) - believed / BELIEF[1], 0.0)
    bend = np.empty((3, 3))
    bend[:2, :2] = 0.5 * (second[..., 1] / white2 + second[..., 0]) + np.diag(BELIEF[1] ** -2.0)
    bend[:2, 2] = bend[2, :2] = -first[:, 1] / white2
    bend[2, 2] = 2 * free
    bend = _positive(bend)
    slope, alone = here.slope / white2, here.information / white2
    cross = np.column_stack([first[:, 2:].T / white2, -2 * slope])
    follows = np.asarray(np.linalg.solve(bend, cross.T), np.float64)
    own = np.asarray(np.linalg.solve(bend, noise_slope), np.float64)
    white = math.sqrt(white2)
    return Share(
        value=-0.5 * (free * math.log(white2) + free + here.log_det + float(believed @ believed)),
        slope=slope + cross @ own,
        information=_less(alone, cross @ follows),
        plain=(slope, alone),
        noise_step=own[:2],
        noise_follows=follows[:2],
        noise=Noise(white, white * math.exp(centre[0] / 2), math.exp(centre[1])),
    )


def _differences(rows: NoiseRows, centre: Floats, here: Floats) -> tuple[Floats, Floats]:
    """First (2, 2 + k) and second (2, 2, 2 + k) derivatives of a section's `_Height.row` by log ratio and log time."""
    nudge = STEP * np.eye(2)
    up, down = (np.stack([_Height.at(rows, centre + sign * off).row for off in nudge]) for sign in (1, -1))
    corner = _Height.at(rows, centre + STEP).row
    second = np.empty((2, 2, len(here)))
    second[[0, 1], [0, 1]] = (up - 2 * here + down) / STEP**2
    # The forward mixed difference carries half of the unmixed third-order terms: small against the rest.
    second[0, 1] = second[1, 0] = (corner - up[0] - up[1] + here) / STEP**2
    return (up - down) / (2 * STEP), second


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
    parts: Sequence[Part], state: State, pole: Pole, prior: Floats
) -> tuple[tuple[Part, ...], State, Floats]:
    """Newton steps until A and e stand still to 3 % of their sigmas.

    Parameters
    ----------
    parts : sequence of Part
    state : State
    pole : Pole
    prior : array (2, 2)
        Information held on A and e where the data leave something open; else zero.

    Returns
    -------
    parts, state, information
        The information is that of the data alone, without `prior`.
    """
    here = _Stand.at(parts, state, pole)
    for _ in range(ROUNDS):
        held, pull = here.information.copy(), here.slope.copy()
        held[:2, :2] += prior
        pull[:2] -= prior @ np.array([here.state.azimuth, here.state.altitude])
        step = np.asarray(np.linalg.solve(held, pull), np.float64)
        sigma = np.sqrt(np.diag(np.linalg.inv(held)))
        if np.all(np.abs(step[:2]) < 0.03 * sigma[:2]):
            break
        for shorter in (1.0, 0.5, 0.2, 0.05):
            there = here.stepped(shorter * step, shorter, pole)
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
    def at(cls, parts: Sequence[Part], state: State, pole: Pole) -> _Stand:
        shares = tuple(share(part, linear(part, state, pole)) for part in parts)
        parts = tuple(replace(part, noise=piece.noise) for part, piece in zip(parts, shares, strict=True))
        information, slope = _gather(parts, shares, state)
        value = sum(piece.value for piece in shares)
        value -= 0.5 * sum(((1 - drive.rate) / drive.sigma) ** 2 for drive in state.drives)
        return cls(parts, state, shares, value, slope, information)

    def stepped(self, step: Floats, length: float, pole: Pole) -> _Stand:
        parts = [
            noise_stepped(part, length * piece.noise_step + piece.noise_follows @ step[places_of(part)])
            for part, piece in zip(self.parts, self.shares, strict=True)
        ]
        return _Stand.at(parts, stepped(self.state, step), pole)


def approach(parts: Sequence[Part], state: State, pole: Pole, prior: Floats) -> State:
    """Gauss-Newton steps in A and e alone: the way from afar, where noise and drive cannot be judged yet."""
    for _ in range(8):
        matrix, vector = prior.copy(), -prior @ np.array([state.azimuth, state.altitude])
        for part in parts:
            model, noise = linear(part, state, pole, by_backlash=False), part.noise
            rows = covariance(
                part.track.seconds[part.kept], part.starts, noise.ratio, noise.correlation_time_s
            )
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
    time = float(
        np.clip(part.noise.correlation_time_s * math.exp(step[1]), SHORTEST_TIME_S, max(longest, 1.0))
    )
    white = part.noise.white_arcsec
    return replace(part, noise=Noise(white, white * math.sqrt(ratio), time))
