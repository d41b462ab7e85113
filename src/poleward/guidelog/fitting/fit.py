"""One model over all rows of all sections: exact drift curves, levels, guide rate, play, noise with a memory.

    star's place north = level of its piece + D(t; A, e) - rate z(t) / 1000 + noise

D is the exact displacement from `axis` for the directions of `sky`, on a grid of moments and by cubic spline
between them; z the telescope's own path in ms of pulse, behind a play (`correct`). The curves are nearly linear in A
and e, so they are laid out about a state; rate, play and noise are integrated over (`integral`), drive by drive.

The east axis is not used: a worm wheel's periodic error of 8 arcsec is a hundred times what A and e do there.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from poleward.guidelog.fitting.correct import jumps, robust_sigma
from poleward.guidelog.fitting.drive import Scan, few, find_drive, first_guess, reach_of
from poleward.guidelog.fitting.integral import Integral, Quadratic, evidence, integrate
from poleward.guidelog.fitting.lattice import beliefs_of, layout_of, weigh
from poleward.guidelog.fitting.mixture import LEAST_WEIGHT, Mixture
from poleward.guidelog.fitting.noise import Noise, cleared, covariance, lasting, standardised
from poleward.guidelog.fitting.parts import Drive, Part, State, linear
from poleward.guidelog.fitting.tables import table_of
from poleward.sky.axis import Floats
from poleward.sky.pole import Pole

OUTLIER_SIGMAS = 4.5
"""Rows further than this from what all other rows say lose their weight; of good rows 7 in a million do."""
GUST_SIGMAS = 5.0
"""Stretches whose lasting part is this far out lose their weight: wind, a cable, a hand on the tripod."""
ROUNDS = 2
"""How often rows are judged: once from afar, once with an answer that is almost the last one."""
NO_WEIGHT = 1e-6
"""Of rows set aside, while they are judged: no influence on others, and far from the rounding of doubles."""
MOVE_ARCSEC = 5.0
"""How far a star is moved on purpose, roughly: what a jump is worth that is not there."""
MOST = 400
"""Components kept where several drives meet."""


def sieve(part: Part, state: State, pole: Pole) -> Part:
    """Judge all rows anew: which have weight, and where new levels begin at jumps.

    A row is judged by what is left of it after everything else is known, never by its place as logged: a guider answers
    to a glitch, and rows thrown out for being far off then would be those that show how far the telescope moves.
    """
    whole = replace(part, kept=np.ones(len(part.kept), bool))
    model = linear(whole, state, pole)
    kept = np.flatnonzero(part.kept)
    piece = part.piece.copy()
    for first in jumps(model.residuals[kept], piece[kept]):
        piece[kept[first] :] += 1
    whole = replace(whole, piece=piece)
    noise = part.noise
    weights = np.where(part.kept, 1.0, NO_WEIGHT)
    matrix = covariance(part.track.seconds, whole.starts, noise.ratio, noise.correlation_time_s, weights)
    left = cleared(matrix, model.residuals, model.spread, noise.white_arcsec**2)
    wild = np.abs(standardised(matrix, left, noise.white_arcsec)) > OUTLIER_SIGMAS
    slow = lasting(matrix, left)
    gust = np.abs(slow) > GUST_SIGMAS * max(robust_sigma(slow), 0.1 * noise.white_arcsec)
    return replace(whole, kept=~(wild | gust), gusts=gust & ~wild)


def joined(part: Part) -> Part:
    """Return a section in which noted moves begin no new level: the pulses of the log made them."""
    track = replace(part.track, piece=part.track.stretch)
    return replace(part, track=track, piece=track.stretch)


def start(
    parts: Sequence[Part], number: int | None, state: State, pole: Pole, prior: Floats
) -> tuple[list[Part], Drive | None]:
    """Look for a drive and the noise of its sections first, and find out whether noted moves were made by its pulses.

    Where the guider goes to the star's new place itself, the track with pulses undone does not jump there; and nothing
    tells the guide rate better than such a move.
    """
    rivals = [list(parts)]
    if number is not None and any(len(np.unique(part.piece)) > 1 + part.track.stretch[-1] for part in parts):
        rivals.append([joined(part) for part in parts])
    found = []
    for mine in rivals:
        some = few(mine)
        drive, noise, log = find_drive(Scan(tuple(some), number, state, pole, prior))
        levels = sum(len(part.starts) - 1 for part in some)
        found.append((log - levels * math.log(MOVE_ARCSEC), mine, drive, noise))
    _, chosen, drive, noise = max(found, key=lambda rival: rival[0])
    return [replace(part, noise=scaled(noise, part.noise)) for part in chosen], drive


def scaled(noise: Noise, like: Noise) -> Noise:
    """Return a noise as large as another."""
    size = like.white_arcsec / noise.white_arcsec
    return Noise(size * noise.white_arcsec, size * noise.correlated_arcsec, noise.correlation_time_s)


def approach(parts: Sequence[Part], state: State, pole: Pole, prior: Floats) -> State:
    """Gauss-Newton steps in A and e alone: the way from afar, where noise and drive cannot be judged yet."""
    for _ in range(8):
        at = np.array([state.azimuth, state.altitude])
        matrix, vector = prior.copy(), -prior @ at
        for part in parts:
            drive = None if part.drive is None else state.drives[part.drive]
            plays = np.array([0.0 if drive is None else drive.backlash_ms])
            noises = part.noise.shape[None]
            found = Quadratic.of(table_of(layout_of(part, state, pole, plays), noises))
            rate = 0.0 if drive is None else drive.rate
            matrix += found.block[0, 0]
            vector += found.a[0, 0] - rate * found.b[0, 0]
        step = np.linalg.solve(matrix, vector)
        state = replace(state, azimuth=float(at[0] + step[0]), altitude=float(at[1] + step[1]))
        if np.all(np.abs(step) < 0.1 / np.sqrt(np.diag(matrix))):
            break
    return state


@dataclass(frozen=True, eq=False)
class Posterior:
    """What is left of all that is possible: K components, laid out about a state.

    Attributes
    ----------
    parts : tuple of Part
        With their noise.
    apart : tuple of Noise
        Of each, if every section's drift were its own.
    state : State
    height, vector, information : array (K,), (K, 2), (K, 2, 2)
        Log weight, and what the data say of a step in (A, e) from the state.
    drives : array (K, D, 2)
        Guide rate and play of each drive.
    """

    parts: tuple[Part, ...]
    apart: tuple[Noise, ...]
    state: State
    height: Floats
    vector: Floats
    information: Floats
    drives: Floats

    @property
    def centre(self) -> Floats:
        """A step to no axis error, where the prior has it: (2,)."""
        return -np.array([self.state.azimuth, self.state.altitude])

    def mixture(self, prior: Floats, held: float = 1.0) -> Mixture:
        """Return the axis errors: weighed with a prior about zero (2, 2), and held by this share of it."""
        log = evidence(self.height, self.vector, self.information, prior, self.centre)
        weight = np.exp(log - np.max(log))
        weight /= weight.sum()
        heavy = weight > LEAST_WEIGHT
        spread = np.asarray(np.linalg.inv(self.information[heavy] + held * prior))
        pulled = self.vector[heavy] + held * prior @ self.centre
        mean = np.einsum("kij,kj->ki", spread, pulled) - self.centre
        weight = weight[heavy] / weight[heavy].sum()
        return Mixture(weight, mean, spread, self.drives[heavy])

    def times(self, number: int | None, found: Integral, prior: Floats) -> Posterior:
        """Join with what another drive's sections say."""
        i, k = (grid.ravel() for grid in np.indices((len(self.height), len(found.height))))
        height, vector = self.height[i] + found.height[k], self.vector[i] + found.vector[k]
        information, drives = self.information[i] + found.information[k], self.drives[i]
        if number is not None:
            drives = drives.copy()
            drives[:, number] = np.column_stack([found.rate, found.play_ms])[k]
        log = evidence(height, vector, information, prior, self.centre)
        heavy = np.argsort(-log)[:MOST]
        heavy = heavy[log[heavy] > log[heavy[0]] + math.log(LEAST_WEIGHT) - 3]
        return replace(
            self,
            height=height[heavy],
            vector=vector[heavy],
            information=information[heavy],
            drives=drives[heavy],
        )


def posterior(parts: Sequence[Part], state: State, pole: Pole, prior: Floats) -> Posterior:
    """Integrate over noise, rate and play of every drive, and over the noise of sections that were only watched."""
    now, apart = list(parts), [part.noise for part in parts]
    found = Posterior(
        (), (), state, np.zeros(1), np.zeros((1, 2)), np.zeros((1, 2, 2)), np.zeros((1, len(state.drives), 2))
    )
    for number in (None, *range(len(state.drives))):
        mine = [i for i, part in enumerate(now) if part.drive == number]
        if not mine:
            continue
        group, drive = [now[i] for i in mine], None if number is None else state.drives[number]
        noise, plays = group[0].noise, np.zeros(1)
        if number is not None:
            plays = Scan(tuple(group), number, state, pole, prior).plays(noise.shape[None], reach_of(group))
        layouts = [layout_of(part, state, pole, plays) for part in group]
        weighed = weigh(layouts, beliefs_of(plays, drive, prior, found.centre), noise)
        integral = integrate(weighed.tables, weighed.beliefs)
        together = weighed.noises(integral.shares)
        alone = weighed.noises(np.tile(integral.apart, (len(mine), 1)))
        for i, each, other in zip(mine, together, alone, strict=True):
            now[i], apart[i] = replace(now[i], noise=each), other
        found = found.times(number, integral, prior)
    return replace(found, parts=tuple(now), apart=tuple(apart))


def moved_to(found: Posterior, prior: Floats) -> State:
    """Return the state at the mean of what is possible."""
    mixture = found.mixture(prior)
    mean, (drives, _) = mixture.moments()[0], mixture.drive_moments()
    told = tuple(
        replace(drive, rate=float(rate), backlash_ms=float(play))
        for drive, (rate, play) in zip(found.state.drives, drives, strict=True)
    )
    return State(float(mean[0]), float(mean[1]), told)


def fit(parts: Sequence[Part], drives: Sequence[Drive], pole: Pole, prior: Floats) -> Posterior:
    """Fit everything.

    Parameters
    ----------
    parts : sequence of Part
    drives : sequence of Drive
    pole : Pole
    prior : array (2, 2)
        Information on A and e beforehand, about zero.
    """
    state = State(0.0, 0.0, tuple(drives))
    now = [first_guess(part) for part in parts]
    told = list(drives)
    for number in (None, *range(len(drives))):
        mine = [i for i, part in enumerate(now) if part.drive == number]
        if mine:
            group, drive = start([now[i] for i in mine], number, state, pole, prior)
            if number is not None and drive is not None:
                told[number] = drive
            for i, part in zip(mine, group, strict=True):
                now[i] = part
    state = approach(now, replace(state, drives=tuple(told)), pole, prior)
    found: Posterior | None = None
    for _ in range(ROUNDS):
        judged = [sieve(part, state, pole) for part in now]
        same = all(
            np.array_equal(old.kept, new.kept) and np.array_equal(old.piece, new.piece)
            for old, new in zip(now, judged, strict=True)
        )
        if found is not None and same:
            break
        found = posterior(judged, state, pole, prior)
        now, state = list(found.parts), moved_to(found, prior)
    assert found is not None
    return found
