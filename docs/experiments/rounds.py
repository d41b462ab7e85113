"""Do rounds that learn what the knobs do end sooner, and do the intervals of what they learn hold?

    python docs/experiments/rounds.py [SESSIONS]

Simulated mounts: angle per turn wrong by up to 40 %, one knob the other way about in a tenth of them, a base tilted by
2 deg toward anywhere, 0.1 turn of play, strokes off by 5 deg of the knob, a start 40 to 90 arcmin off, two pointings timed for
4 min with readings of 1 arcsec, both hemispheres. The truth turns by scipy's Rotation. The reason behind the doubts in
poleward.rounds.response; its table stands in docs/what-rounds-learn.md.
"""

from __future__ import annotations

import math
import sys
from dataclasses import dataclass

import numpy as np

from poleward.rounds.advice import advise, offset
from poleward.rounds.prior import Prior, prior_of
from poleward.rounds.prospects import TURN_MIN, WAY_MIN, minutes_to_limit
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


@dataclass
class Session:
    """What became of an evening.

    `rounds` until the axis is within the goal; how far off it was at most; the minutes that were expected after the
    first round, and took; and where the advice first said stop, the chance that it named and whether that was so.
    """

    mount: Evening
    rounds: int = 0
    worst: float = 0.0
    response: Response | None = None
    expected: float | None = None
    stopped: tuple[float, bool] | None = None


def session(number: int, learning: bool) -> Session:
    """Go through an evening; one that says stop too early is made to go on."""
    mount = Evening(np.random.default_rng([26, number]))
    level = math.cos(mount.latitude)
    prior = prior_of(mount.stated, [None, None], [None, None], np.eye(2), False, level)
    stated = Prior(
        prior.slopes, prior.slopes_sigma * 1e-3, np.zeros(2), prior.play_sigma * 1e-3, (False, False)
    )
    errors, covariances, steps = [], [], []
    done = Session(mount)
    for count in range(MOST_ROUNDS + 1):
        away = offset(mount.errors, level)
        done.worst = max(done.worst, away)
        found, covariance = mount.measured()
        errors.append(found)
        covariances.append(covariance)
        response = learn(prior, np.array(errors), np.array(covariances), steps)
        told = response if learning else learn(stated, np.array(errors[-1:]), np.array(covariances[-1:]), [])
        advice = advise(told, level, GOAL_ARCMIN)
        if count == 0:
            sigma = math.sqrt(covariance[0, 0] * level**2 + covariance[1, 1])
            done.expected = minutes_to_limit(response, level, GOAL_ARCMIN, sigma, MEASURING_MIN)
        if advice.stop and done.stopped is None:
            done.stopped = advice.within, away <= GOAL_ARCMIN
        if away <= GOAL_ARCMIN or count == MOST_ROUNDS:
            done.rounds, done.response = count, response
            return done
        if advice.stop:
            advice = advise(told, level, 0.0)
        mount.turn(advice.strokes)
        steps.append(Step((advice.strokes["azimuth"], advice.strokes["altitude"])))
    raise AssertionError


TIMING_MIN = 4.0
MEASURING_MIN = 2 * (TIMING_MIN + WAY_MIN)
ROUND_MIN = MEASURING_MIN + 2 * TURN_MIN


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
            minutes += WAY_MIN
            continue
        turns = -drift / per_arcmin / slopes[star, star] / mount.stated[star]
        mount.turn({"azimuth": (turns,) if star == 0 else (), "altitude": (turns,) if star == 1 else ()})
        minutes += TURN_MIN
    return minutes


def main() -> None:
    """Print the table."""
    sessions = int(sys.argv[1]) if len(sys.argv) > 1 else 300
    for learning in (True, False):
        done = [session(number, learning) for number in range(sessions)]
        rounds = np.array([each.rounds for each in done])
        print(
            "learned" if learning else "stated ", "rounds: median", np.median(rounds), "mean", rounds.mean()
        )
        never = np.flatnonzero(rounds >= MOST_ROUNDS)
        print(
            "   within 3, 5:",
            np.mean(rounds <= 3),
            np.mean(rounds <= 5),
            "never: mounts",
            never[:5],
            len(never),
        )
        print("   histogram", np.bincount(rounds), "farthest", max(each.worst for each in done))
        minutes = ROUND_MIN * rounds
        print("   minutes: median", np.median(minutes), "nine of ten within", np.quantile(minutes, 0.9))
        if learning:
            report_learned(done, minutes - MEASURING_MIN)
    hand = np.array([by_hand(number) for number in range(sessions)])
    print(
        "by hand: minutes: median",
        np.median(hand),
        "nine of ten within",
        np.quantile(hand, 0.9),
        np.mean(hand >= 600),
    )


def report_learned(done: list[Session], took: np.ndarray) -> None:
    """Print whether what the program promised was kept; `took`: minutes from the first turn on."""
    pull = np.array(
        [
            np.diag((each.response.slopes - np.diag(each.mount.per_turn)) / each.response.slopes_sigma)
            for each in done
        ]
    )
    print(
        "   pulls of the slopes: rms",
        np.sqrt(np.mean(pull**2, axis=0)),
        "within 2:",
        np.mean(abs(pull) < 2, axis=0),
    )
    expected = np.array([math.nan if each.expected is None else each.expected for each in done])
    print(
        "   minutes from the first turn on: expected, median",
        np.nanmedian(expected),
        "never",
        np.isnan(expected).sum(),
    )
    print("      took: median", np.median(took), "mean", np.mean(took))
    said = np.array([each.stopped for each in done if each.stopped is not None])
    for low, high in ((0.0, 0.5), (0.5, 0.8), (0.8, 1.0)):
        some = said[(said[:, 0] >= low) & (said[:, 0] < high)]
        print(
            f"   stop, {low:.0%} to {high:.0%} sure: {len(some)} said {some[:, 0].mean():.2f}, true {some[:, 1].mean():.2f}"
        )


if __name__ == "__main__":
    main()
