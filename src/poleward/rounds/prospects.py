"""What pays now: turning, another star, or the same star longer; and the minutes to the limit that each leaves."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from poleward.errors import InputError
from poleward.rounds.advice import SURE_ENOUGH, offset
from poleward.rounds.response import LOCKED_ARCMIN, Response
from poleward.rounds.story import Told
from poleward.rounds.turns import KNOBS
from poleward.sky.axis import Floats
from poleward.solving.solution import Solution
from poleward.timings.rows import Drift

WAY_MIN, TURN_MIN = 3.0, 2.0
"""To find and centre the next star by hand, and to turn one knob (common practice, no source)."""
KNOWN = 2.0
"""Parts of the limit from which an axis counts as known: halfway to the limit it is then 88 % sure to be within, and of one
beside the limit no timing makes it sure."""
UNSURE = 1e6
"""Arcsec, or arcmin: a value known no better says nothing of an axis."""
MOST_ROUNDS = 12
"""Rounds after which the limit counts as out of reach of such timings."""


@dataclass(frozen=True)
class Prospect:
    """One thing that can be done now.

    Attributes
    ----------
    word : str
        ``turn``, ``end``, ``elsewhere`` or ``here``.
    star : str
        That is timed; empty where none is, or nobody knows which.
    minutes : float
        Of that timing.
    sigma_arcmin : float or None
        Expected standard uncertainty of the offset after it.
    to_limit_min : float or None
        Expected minutes, with the turns and timings that follow, until the axis is within the limit.
    within : float or None
        Expected chance, after it, that the axis is within the limit as it stands.
    """

    word: str
    star: str = ""
    minutes: float = 0.0
    sigma_arcmin: float | None = None
    to_limit_min: float | None = None
    within: float | None = None


@dataclass(frozen=True)
class WaysOn:
    """Where a round stands after a timing, and what can be done now.

    Attributes
    ----------
    solution : Solution
        Of this round's timings.
    told : Told
        With this round as it stands.
    prospects : tuple of Prospect
    left_arcmin : float or None
        Expected offset after the turn that is advised; None where nothing is known of a knob.
    """

    solution: Solution
    told: Told
    prospects: tuple[Prospect, ...]
    left_arcmin: float | None

    @property
    def best(self) -> str:
        """What pays most; where all is done but not surely, another timing is the safer answer while it can tell more."""
        told = self.told
        if self.solution.contradictory:
            return "elsewhere"
        if told.next_turn.stop:
            known = _on_sky(told.response.errors_covariance, told.level) <= told.limit_arcmin / KNOWN
            return "end" if known or told.next_turn.within >= SURE_ENOUGH else "elsewhere"
        minutes = {
            each.to_limit_min: each.word for each in reversed(self.prospects) if each.to_limit_min is not None
        }
        return minutes[min(minutes)] if minutes else "turn"


def ways_on(
    told: Told,
    solution: Solution,
    timings: Sequence[Drift],
    coming: Sequence[tuple[Prospect, Drift | None]],
    planned: tuple[float, float] | None,
    solved: Callable[[Sequence[Drift]], Solution],
    tell: Callable[[Solution], Told],
) -> WaysOn:
    """Return what can be done now, and what each is expected to lead to.

    Parameters
    ----------
    told : Told
        With this round as it stands.
    solution : Solution
    timings : sequence of Drift
        What it was found from.
    coming : sequence of (Prospect, Drift or None)
        What could be timed: elsewhere a new timing, here the last one grown longer, their drifts not known yet.
    planned : tuple of float, or None
        What the rounds to come are planned to tell the axis to, root of both variances, arcmin, and the minutes of their
        timings; None: as this one does.
    solved : callable
        Solves timings as this round's were.
    tell : callable
        Tells all rounds with such a solution as the last.
    """
    response, level, limit, done = told.response, told.level, told.limit_arcmin, told.next_turn.stop
    own = _on_sky(np.array(solution.covariance_arcmin2), level), sum(each.duration_s for each in timings) / 60
    sigma, minutes = planned or own
    minutes += WAY_MIN * len(KNOBS)  # two stars tell both errors
    turning = None if done else minutes_to_limit(response, level, limit, sigma, minutes)
    found = [Prospect("end" if done else "turn", to_limit_min=turning)]
    for prospect, more in coming:
        here = prospect.word == "here"
        try:
            if more is None or solution.contradictory:
                raise InputError("nobody knows what it will be")
            # A timing as the axis makes it moves nothing, and narrows what the solver says as a real one would.
            seen = solved([*timings, _unsure(more)]).drifts[-1]
            likely = replace(
                more,
                north_arcsec=seen.north_fitted_arcsec,
                east_arcsec=seen.east_fitted_arcsec if more.east_arcsec is not None else None,
                rotation_arcmin=seen.rotation_fitted_arcmin,
            )
            then = solved([*(timings[:-1] if here else timings), likely])
            all_told = tell(then)
        except InputError:  # the star sinks too low, say
            found.append(prospect)
            continue
        left = None if done else minutes_to_limit(all_told.response, level, limit, sigma, minutes)
        total = None if left is None else left + prospect.minutes + (0.0 if here else WAY_MIN)
        within = all_told.next_turn.within
        expected = replace(prospect, sigma_arcmin=then.offset_sigma_arcmin, to_limit_min=total, within=within)
        found.append(expected)
    known = all(told.next_turn.strokes[move.knob] for move in told.moves)
    return WaysOn(solution, told, tuple(found), _left(response, level)[0] if known else None)


def _unsure(timing: Drift) -> Drift:
    """Return it so unsure that it moves nothing; the fit tells what the axis makes of each value that it has."""
    return replace(
        timing,
        north_arcsec=timing.north_arcsec or 0.0,
        north_sigma_arcsec=UNSURE,
        east_sigma_arcsec=UNSURE,
        rotation_sigma_arcmin=UNSURE,
    )


def minutes_to_limit(
    response: Response, level: float, limit_arcmin: float, round_sigma: float, round_minutes: float
) -> float | None:
    """Expected minutes from the next turn on until the axis is within the limit; None: out of reach of such timings.

    Parameters
    ----------
    response : Response
        With the axis as it stands.
    level : float
        Cosine of the pole's altitude.
    limit_arcmin : float
    round_sigma : float
        What a round's timings tell the axis to, root of both variances on the sky, arcmin.
    round_minutes : float
        How long they take.

    Notes
    -----
    What is left after a turn is what was not known of the axis and of the knobs. The next round's timings narrow both:
    the axis as two measurements of one thing, the knob as a slope seen over the angle just turned.
    """
    away = offset(response.errors[-1], level)
    left, narrow = _left(response, level)
    doubt = math.sqrt(max(left**2 - narrow**2 - 2 * LOCKED_ARCMIN**2, 0.0)) / max(away, 1e-9)
    minutes = TURN_MIN * len(KNOBS)
    for _ in range(MOST_ROUNDS):
        left = math.sqrt(narrow**2 + (doubt * away) ** 2 + 2 * LOCKED_ARCMIN**2)
        if left <= limit_arcmin:
            return minutes
        doubt = (doubt**-2 + away**2 / (narrow**2 + round_sigma**2)) ** -0.5 if doubt else 0.0
        narrow = (left**-2 + round_sigma**-2) ** -0.5
        away = left
        minutes += round_minutes + TURN_MIN * len(KNOBS)
    return None


def _left(response: Response, level: float) -> tuple[float, float]:
    """Expected offset after turning to the pole, and the part of it that is not known of the axis already, arcmin.

    A stated way of turning counts as the right one or the wrong one, whichever is likelier: where it is wrong the next
    round says so, and no mean of the two is ever seen.
    """
    errors, own = response.errors[-1], np.diag(response.slopes)
    turns = np.divide(-errors, own, out=np.zeros(2), where=np.abs(own) > 0)
    wrong = np.array([0.0 if chance is None else min(chance, 1 - chance) for chance in response.as_stated])
    slopes = response.covariance[:4, :4] - np.diag((wrong * (2 * response.slopes) ** 2).ravel())
    through = np.kron(np.eye(2), turns)
    axis = _on_sky(response.errors_covariance, level)
    knobs = _on_sky(through @ slopes @ through.T, level)
    return math.sqrt(axis**2 + knobs**2 + 2 * LOCKED_ARCMIN**2), axis


def _on_sky(covariance: Floats, level: float) -> float:
    """Root of the sum of both variances on the sky, arcmin."""
    return math.sqrt(max(float(covariance[0, 0]) * level**2 + float(covariance[1, 1]), 0.0))
