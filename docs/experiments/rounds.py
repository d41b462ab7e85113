"""Do rounds that learn what the knobs do end sooner, and do the intervals of what they learn hold?

    python docs/experiments/rounds.py [SESSIONS]

Simulated mounts: angle per turn wrong by up to 40 %, one knob the other way about in a tenth of them, a base tilted by
2 deg toward anywhere, 0.1 turn of play, strokes off by 5 deg of the knob, a start 40 to 90 arcmin off, two pointings timed for
4 min with readings of 1 arcsec, both hemispheres. The truth turns by scipy's Rotation. The reason behind the doubts in
poleward.rounds.response; its table stands in docs/rounds.md.
"""

from __future__ import annotations

import math
import sys

import numpy as np

from poleward.rounds.advice import advise, offset
from poleward.rounds.prior import Prior, prior_of
from poleward.rounds.response import Response, Step, learn
from poleward.rounds.turns import KNOBS
from poleward.simulate.mount import ARCMIN, Mount

GOAL_ARCMIN = 2.0
MOST_ROUNDS = 12


class Evening:
    """A mount whose knobs are not what is stated, and what is measured of it."""

    def __init__(self, rng: np.random.Generator) -> None:
        self.rng = rng
        self.hemisphere = rng.choice([-1, 1])
        self.latitude = math.radians(rng.uniform(25, 60))
        self.stated = np.array([rng.uniform(20, 60), rng.uniform(15, 40)])
        self.per_turn = self.stated * rng.uniform(0.6, 1.4, 2)
        if rng.random() < 0.1:
            self.per_turn[rng.integers(2)] *= -1
        place = [float(one) for one in rng.random(2)]
        toward = math.degrees(rng.uniform(0, 2 * math.pi))
        size, angle = rng.uniform(40, 90), rng.uniform(0, 2 * math.pi)
        a = (0 if self.hemisphere > 0 else math.pi) + self.hemisphere * size * math.cos(angle) / math.cos(
            self.latitude
        ) * ARCMIN
        e = self.latitude + size * math.sin(angle) * ARCMIN
        axis = np.array([math.cos(e) * math.sin(a), math.cos(e) * math.cos(a), math.sin(e)])
        self.mount = Mount(axis, self.hemisphere, self.per_turn, 2.0, toward, 0.1, place)

    @property
    def errors(self) -> np.ndarray:
        east, north, up = self.mount.axis
        return np.array([math.atan2(east, self.hemisphere * north), math.asin(up) - self.latitude]) / ARCMIN

    def turn(self, strokes: dict[str, tuple[float, ...]]) -> None:
        self.mount.turn({name: [one + self.rng.normal(0, 0.014) for one in strokes[name]] for name in KNOBS})

    def measured(self) -> tuple[np.ndarray, np.ndarray]:
        """Drifts at the meridian and 5 h east or west of it, in 4 min, read to 1 arcsec at both ends."""
        per_arcmin = 0.2625 * 4
        sigma = math.sqrt(2) / per_arcmin
        slopes = np.array(
            [[math.cos(self.latitude), 0.0], [math.cos(self.latitude) * math.cos(1.3), math.sin(1.3)]]
        )
        covariance = sigma**2 * np.linalg.inv(slopes.T @ slopes)
        return self.rng.multivariate_normal(self.errors, covariance), covariance


def session(number: int, learning: bool) -> tuple[int, Evening, Response, float]:
    """Return the rounds until the axis is within the goal, the mount, what was learned, and how far off it went."""
    mount = Evening(np.random.default_rng([26, number]))
    level = math.cos(mount.latitude)
    prior = prior_of(mount.stated, [None, None], [None, None], np.eye(2), False, level)
    stated = Prior(
        prior.slopes, prior.slopes_sigma * 1e-3, np.zeros(2), prior.play_sigma * 1e-3, (False, False)
    )
    errors, covariances, steps = [], [], []
    worst = 0.0
    for count in range(MOST_ROUNDS + 1):
        away = offset(mount.errors, level)
        worst = max(worst, away)
        found, covariance = mount.measured()
        errors.append(found)
        covariances.append(covariance)
        response = learn(prior, np.array(errors), np.array(covariances), steps)
        if away <= GOAL_ARCMIN or count == MOST_ROUNDS:
            return count, mount, response, worst
        told = response if learning else learn(stated, np.array(errors[-1:]), np.array(covariances[-1:]), [])
        advice = advise(told, level, GOAL_ARCMIN)
        if advice.stop:
            advice = advise(told, level, 0.0)
        mount.turn(advice.strokes)
        steps.append(Step((advice.strokes["azimuth"], advice.strokes["altitude"])))
    raise AssertionError


TIMING_MIN, SLEW_MIN, TURN_MIN = 4, 3, 2
"""A timing, the way to the next star and centring it, and the turning of a knob, minutes."""


def by_hand(number: int) -> float:
    """Return the minutes of nulling two stars in turn: azimuth on the meridian, altitude in the east, and again.

    The person turns by what the drift means at that star alone and by the stated angle per turn, until no drift of
    more than two readings' noise is seen, then goes to the other star; as before, the clock stops within the goal.
    """
    mount = Evening(np.random.default_rng([26, number]))
    level = math.cos(mount.latitude)
    slopes = np.array([[level, 0.0], [level * math.cos(1.3), math.sin(1.3)]])
    per_arcmin, noise = 0.2625 * TIMING_MIN, math.sqrt(2)
    minutes, star = 0.0, 0
    while offset(mount.errors, level) > GOAL_ARCMIN and minutes < 600:
        drift = per_arcmin * float(slopes[star] @ mount.errors) + mount.rng.normal(0, noise)
        minutes += TIMING_MIN
        if abs(drift) < 2 * noise:
            star = 1 - star
            minutes += SLEW_MIN
            continue
        turns = -drift / per_arcmin / slopes[star, star] / mount.stated[star]
        mount.turn({"azimuth": (turns,) if star == 0 else (), "altitude": (turns,) if star == 1 else ()})
        minutes += TURN_MIN
    return minutes


def main() -> None:
    """Print the table."""
    sessions = int(sys.argv[1]) if len(sys.argv) > 1 else 300
    for learning in (True, False):
        rounds, pulls, worst = [], [], []
        for number in range(sessions):
            count, mount, response, far = session(number, learning)
            rounds.append(count)
            worst.append(far)
            if learning:
                truth = np.diag(mount.per_turn)
                pulls.append(np.diag((response.slopes - truth) / response.slopes_sigma))
        rounds_ = np.array(rounds)
        print(
            "learned" if learning else "stated ", "rounds: median", np.median(rounds_), "mean", rounds_.mean()
        )
        print(
            "   within 3, 5:",
            np.mean(rounds_ <= 3),
            np.mean(rounds_ <= 5),
            "never",
            np.sum(rounds_ >= MOST_ROUNDS),
        )
        print("   histogram", np.bincount(rounds_), "farthest", max(worst))
        if learning:
            pull = np.array(pulls)
            print(
                "   pulls of the slopes: rms",
                np.sqrt(np.mean(pull**2, axis=0)),
                "within 2:",
                np.mean(abs(pull) < 2, axis=0),
            )
    hand = np.array([by_hand(number) for number in range(sessions)])
    print("by hand: minutes: median", np.median(hand), "nine of ten within", np.quantile(hand, 0.9))


if __name__ == "__main__":
    main()
