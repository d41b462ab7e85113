"""What the knobs really do: a 2 x 2 response with play, learned from what was turned and where the axis went."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.linalg import block_diag
from scipy.stats import chi2, qmc, truncnorm

from poleward.rounds.prior import Prior
from poleward.rounds.turns import Strokes
from poleward.sky.axis import Floats

WRONG_WAY = 0.1
"""Chance that a stated way of turning is wrong: common slips of memory in the dark (no source)."""
SURE = 0.95
"""Chance from which the way a knob turns counts as known."""
UNMOVED = 0.02
"""Change of that chance by rounds that say nothing of a knob."""
NOTED_TURNS = 0.014
"""Standard uncertainty of a stroke that was noted: 5 deg of the knob, read by hand in the dark."""
ADVISED_SHARE = 0.1
"""Added to that where nothing was noted and the advised turns are taken: a tenth of what was advised."""
LOCKED_ARCMIN = 0.2
"""What locking the bolts moves the axis by, each way (no source; the experiment shows what other values do)."""
STANDING_ARCMIN = 0.1
"""What a mount that nobody touched creeps by from round to round (no source)."""
UNEXPLAINED = 1e-5
"""Chance below which steps are a slip of the pen or a kick, and not their noise: once in a thousand evenings."""
LOST_ARCMIN = 1000.0
"""Doubt of a step that is set aside: it then says nothing."""
DRAWS = 2048
"""Pairs of plays: with 1024 the sigmas of docs/experiments/rounds.py are the same to 2 %."""


@dataclass(frozen=True, eq=False)
class Step:
    """What was turned after a round, and how far that is known.

    Attributes
    ----------
    strokes : tuple of two Strokes
        Of the azimuth and the altitude knob; empty where it was not turned.
    noted : bool
        Whether somebody noted them, or the advised ones are taken.
    lost : bool
        The mount was set up anew in between: the axis may be anywhere.
    """

    strokes: tuple[Strokes, Strokes]
    noted: bool = True
    lost: bool = False


@dataclass(frozen=True, eq=False)
class Response:
    """What the knobs do and where the axis stands, as far as all rounds tell.

    Attributes
    ----------
    slopes : array (2, 2)
        Axis (azimuth, altitude) by knobs (azimuth, altitude), arcmin per turn, clockwise positive.
    play : array (2,)
        Turns.
    covariance : array (6, 6)
        Of the slopes (row by row) and the plays.
    place : array (2,)
        Where each screw stands in its gap, 0 to 1.
    errors : array (N, 2)
        (Azimuth, altitude) error in each round, arcmin, from all rounds together.
    errors_covariance : array (2, 2)
        Of the last, arcmin^2.
    as_stated : tuple of float or None
        Chance that each knob turns the way that was stated; None where nothing was.
    unexplained : tuple of int
        Steps after which the axis was not where the turns can have taken it; they teach nothing.
    """

    slopes: Floats
    play: Floats
    covariance: Floats
    place: Floats
    errors: Floats
    errors_covariance: Floats
    as_stated: tuple[float | None, float | None] = (None, None)
    unexplained: tuple[int, ...] = ()

    @property
    def slopes_sigma(self) -> Floats:
        """Standard uncertainties of the slopes, arcmin per turn, shape (2, 2)."""
        sigma: Floats = np.sqrt(np.diag(self.covariance)[:4]).reshape(2, 2)
        return sigma

    @property
    def unclear(self) -> tuple[bool, bool]:
        """Whether what was seen leaves open which way each knob turns; of a knob not turned yet the stated way counts."""
        own = np.abs(np.diag(self.slopes)) < 2 * np.diag(self.slopes_sigma)
        return tuple(  # type: ignore[return-value]
            bool(small) if chance is None else 1 - SURE < chance < 1 - WRONG_WAY - UNMOVED
            for chance, small in zip(self.as_stated, own, strict=True)
        )

    @property
    def play_sigma(self) -> Floats:
        """Standard uncertainties of the plays, turns, shape (2,)."""
        sigma: Floats = np.sqrt(np.diag(self.covariance)[4:])
        return sigma


def learn(prior: Prior, errors: Floats, covariances: Floats, steps: Sequence[Step]) -> Response:
    """Update what is believed of the knobs with what they did.

    Parameters
    ----------
    prior : Prior
    errors : array (N, 2)
        Axis errors (azimuth, altitude) as each round measured them, arcmin.
    covariances : array (N, 2, 2)
        Of each, arcmin^2.
    steps : sequence of Step
        N - 1 of them: what was turned after each round but the last.

    Returns
    -------
    Response

    Notes
    -----
    Given the play and where each screw stands in it, the axis moves as slopes times turns: least squares, with the
    prior as further observations and the axis in every round eliminated. Play has kinks that least squares cannot
    see round, so it is averaged over `DRAWS` pairs of gaps, each with the weight of its evidence; so is the way each
    knob turns. Steps that nothing explains are set aside, the one that helps most first.
    """
    aside: tuple[int, ...] = ()
    walked = _walked(prior, errors, covariances, steps, aside)
    while (
        len(aside) < len(steps)
        and chi2.sf(walked.misfit, max(2 * (len(steps) - len(aside)), 1)) < UNEXPLAINED
    ):
        others = [(*aside, number) for number in range(len(steps)) if number not in aside]
        tried = [_walked(prior, errors, covariances, steps, each) for each in others]
        best = min(range(len(tried)), key=lambda index: tried[index].misfit)
        aside, walked = others[best], tried[best]
    return replace(walked.response, unexplained=tuple(sorted(aside)))


@dataclass(frozen=True, eq=False)
class Walked:
    """A response and the least chi-square that any draw of plays leaves."""

    response: Response
    misfit: float


def _walked(
    prior: Prior, errors: Floats, covariances: Floats, steps: Sequence[Step], aside: Sequence[int]
) -> Walked:
    """Fit twice: how well a stroke is known on the sky depends on the slopes themselves."""
    play, place = _draws(prior)
    turns, ends = _turns(steps, play, place)
    slopes = prior.slopes
    for _ in range(2):
        noise = _step_noise(steps, slopes, aside)
        walked = _averaged(prior, errors, block_diag(*covariances), noise, turns, (play, ends))
        slopes = walked.response.slopes
    return walked


def _draws(prior: Prior) -> tuple[Floats, Floats]:
    """Plays and places in them, shape (DRAWS, 2) each, spread evenly over the prior by a Sobol sequence."""
    even = qmc.Sobol(4, seed=1).random(DRAWS)
    least = -prior.play / prior.play_sigma
    play = np.asarray(truncnorm.ppf(even[:, :2], least, np.inf, prior.play, prior.play_sigma))
    return play, even[:, 2:]


def _turns(steps: Sequence[Step], play: Floats, place: Floats) -> tuple[Floats, Floats]:
    """Turns that moved the mount, shape (DRAWS, steps, 2), and where each screw then stands in its gap, 0 to 1."""
    at = place * play
    moved = np.zeros((len(play), len(steps), 2))
    for number, step in enumerate(steps):
        for knob in range(2):
            for stroke in step.strokes[knob]:
                free = np.clip(at[:, knob] + stroke, 0.0, play[:, knob])
                moved[:, number, knob] += at[:, knob] + stroke - free
                at[:, knob] = free
    return moved, at / np.maximum(play, 1e-9)


def _averaged(
    prior: Prior, errors: Floats, solves: Floats, noise: Floats, turns: Floats, gaps: tuple[Floats, Floats]
) -> Walked:
    """Average over draws and ways; `gaps` are plays and places at the end."""
    ahead = np.kron(np.diff(np.eye(len(errors)), axis=0), np.eye(2))
    moved = ahead @ errors.ravel()
    weight = np.linalg.inv(ahead @ solves @ ahead.T + noise)
    # Rows: each step's azimuth and altitude; columns: the slopes row by row.
    model = np.zeros((len(turns), len(moved), 4))
    model[:, 0::2, :2], model[:, 1::2, 2:] = turns, turns
    doubt = prior.slopes_sigma.ravel() ** -2
    weighed = np.einsum("dmi,mn->din", model, weight)
    covariance = np.linalg.inv(np.einsum("din,dnj->dij", weighed, model) + np.diag(doubt))
    spread = 0.5 * np.linalg.slogdet(covariance)[1]
    ways = list(itertools.product(*[(1.0, -1.0) if known else (1.0,) for known in prior.way_known]))
    slopes, evidence, misfit = [], [], []
    for way in ways:
        middle = (prior.slopes * way).ravel()
        found = np.einsum("dij,dj->di", covariance, weighed @ moved + doubt * middle)
        left = moved - np.einsum("dmi,di->dm", model, found)
        chi_square = np.einsum("dm,mn,dn->d", left, weight, left) + np.sum(
            doubt * (found - middle) ** 2, axis=1
        )
        chance = sum(math.log(WRONG_WAY if each < 0 else 1 - WRONG_WAY) for each in way)
        slopes.append(found)
        evidence.append(chance + spread - 0.5 * chi_square)
        misfit.append(float(chi_square.min()))
    shares = np.exp(np.array(evidence) - np.max(evidence))
    shares /= shares.sum()
    chances = shares.sum(axis=1)
    best = int(np.argmax(chances))
    share = shares[best] / chances[best]
    as_stated = tuple(
        float(sum(chance for way, chance in zip(ways, chances, strict=True) if way[knob] > 0))
        if known
        else None
        for knob, known in enumerate(prior.way_known)
    )
    mean, total = _mixed(share, np.hstack([slopes[best], gaps[0]]), covariance)
    for way, chance in zip(ways, chances, strict=True):
        if way != ways[best]:  # another way that is not ruled out widens its own slope
            other = np.where(np.array(way) != np.array(ways[best]), 2 * mean[:4].reshape(2, 2), 0.0).ravel()
            total[:4, :4] += np.diag(chance * other**2)
    # What the steps say beyond the solves moves the axis in every round.
    gain = solves @ ahead.T @ weight
    shift = (np.einsum("dmi,di->dm", model, slopes[best]) - moved) @ gain.T
    through = np.einsum("am,dmi->dai", gain[-2:], model)
    own = np.einsum("dai,dij,dbj->dab", through, covariance, through)
    last = _mixed(share, shift[:, -2:], own)[1] + (solves - gain @ ahead @ solves)[-2:, -2:]
    response = Response(
        mean[:4].reshape(2, 2),
        mean[4:],
        total,
        share @ gaps[1],
        (errors.ravel() + share @ shift).reshape(-1, 2),
        last,
        as_stated,  # type: ignore[arg-type]
    )
    return Walked(response, misfit[best])


def _mixed(share: Floats, values: Floats, own: Floats) -> tuple[Floats, Floats]:
    """Mean and covariance of draws with their weights; `own` is the covariance of the first values within a draw."""
    mean: Floats = share @ values
    away = values - mean
    total: Floats = np.einsum("d,di,dj->ij", share, away, away)
    size = own.shape[-1]
    total[:size, :size] += np.einsum("d,dij->ij", share, own)
    return mean, total


def _step_noise(steps: Sequence[Step], slopes: Floats, aside: Sequence[int]) -> Floats:
    """Covariance of what steps may miss by: strokes are turned by hand, and locking the bolts moves the axis."""
    noise = np.zeros((2 * len(steps), 2 * len(steps)))
    for number, step in enumerate(steps):
        doubt = 0 if step.noted else ADVISED_SHARE
        turns = [
            sum(NOTED_TURNS**2 + (doubt * stroke) ** 2 for stroke in strokes) for strokes in step.strokes
        ]
        locked = LOCKED_ARCMIN if any(step.strokes) else STANDING_ARCMIN
        lost = LOST_ARCMIN if step.lost or number in aside else 0.0
        here = slice(2 * number, 2 * number + 2)
        noise[here, here] = slopes @ np.diag(turns) @ slopes.T + (locked**2 + lost**2) * np.eye(2)
    return noise
