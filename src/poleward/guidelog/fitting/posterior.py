"""What is left of all that is possible, drive by drive: the axis errors as a mixture, and the noise of each section."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from poleward.guidelog.fitting.drive import Scan, few, reach_of
from poleward.guidelog.fitting.integral import Integral, evidence, integrate
from poleward.guidelog.fitting.lattice import beliefs_of, weigh
from poleward.guidelog.fitting.mixture import LEAST_WEIGHT, Mixture
from poleward.guidelog.fitting.noise import Noise
from poleward.guidelog.fitting.parts import Part, State
from poleward.sky.axis import Floats
from poleward.sky.pole import Pole

MOST = 400
"""Components kept where several drives meet."""


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
        whole = Scan(tuple(group), number, state, pole, prior)
        if number is not None:
            plays = replace(whole, parts=tuple(few(group))).plays(noise.shape[None], reach_of(group))
            plays = whole.plays(noise.shape[None], plays)
        beliefs = beliefs_of(plays, drive, prior, found.centre)
        times = [part.track.seconds[part.kept] for part in group]
        weighed = weigh(whole.layouts(plays).handy(), times, beliefs, noise)
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
