"""What to turn next, and when to stop."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from poleward.rounds.response import Response
from poleward.rounds.turns import KNOBS, Strokes, approach
from poleward.sky.axis import Floats

LEAST_OVERRUN = 0.2
"""Turns to go past the goal before coming back: twice the play of a worn screw, and easy to see on a knob."""
WITHIN = 1.4
"""Chi-square of two errors below which they are within their uncertainty: half of the axes on the pole show more.
Of 300 simulated evenings 94 % end in 5 rounds with 2.3, 97 % with 1.4, 98 % with 1.0 (docs/experiments/rounds.py)."""
LEAST_SIGMAS = 0.5
"""A knob is left alone below half its error's uncertainty: what turning gains is then less than what it may spoil."""


@dataclass(frozen=True)
class NextTurn:
    """What to do after a round.

    Attributes
    ----------
    strokes : dict of Strokes
        For each knob, turns, clockwise positive; none where it need not be turned, or nothing is known of it.
    aims_arcmin : dict of float
        Change of each error that is wanted; east and up positive.
    stop : bool
    reason : str
    """

    strokes: dict[str, Strokes]
    aims_arcmin: dict[str, float]
    stop: bool
    reason: str


def offset(errors: Floats, level: float) -> float:
    """Angle on the sky of errors (azimuth, altitude), arcmin; `level` is the cosine of the pole's altitude."""
    return math.hypot(float(errors[0]) * level, float(errors[1]))


def advise(response: Response, level: float, limit_arcmin: float) -> NextTurn:
    """Return the turns that take the axis to the pole, or the reason to stop.

    Parameters
    ----------
    response : Response
        With the axis as it stands.
    level : float
        Cosine of the pole's altitude.
    limit_arcmin : float
        Offset on the sky that is good enough.
    """
    errors = response.errors[-1]
    on_sky = np.array([level, 1.0])
    sigma = np.sqrt(np.diag(response.errors_covariance)) * on_sky
    away = offset(errors, level)
    nothing: dict[str, Strokes] = dict.fromkeys(KNOBS, ())
    if away <= limit_arcmin:
        return NextTurn(
            nothing,
            dict.fromkeys(KNOBS, 0.0),
            True,
            f"the axis is within the limit of {limit_arcmin:g} arcmin",
        )
    chance = float(errors @ np.linalg.solve(response.errors_covariance, errors))
    if chance < WITHIN:
        reason = "what is left is within its uncertainty: measure longer, or leave it"
        return NextTurn(nothing, dict.fromkeys(KNOBS, 0.0), True, reason)
    aims = np.where(np.abs(errors * on_sky) < LEAST_SIGMAS * sigma, 0.0, -errors)
    strokes = dict(nothing)
    known = [i for i in range(2) if abs(response.slopes[i, i]) > response.slopes_sigma[i, i]]
    nets = np.zeros(2)
    nets[known] = np.linalg.solve(response.slopes[np.ix_(known, known)], aims[known])
    for index in known:
        own = float(response.slopes[index, index])
        play = float(response.play[index])
        overrun = max(LEAST_OVERRUN, 2 * play)
        way = math.copysign(1.0, own)
        rest = play * ((1.0 if way > 0 else 0.0) - float(response.place[index]))
        strokes[KNOBS[index]] = approach(float(nets[index]), way, rest, overrun) if aims[index] else ()
    return NextTurn(
        strokes,
        dict(zip(KNOBS, map(float, aims), strict=True)),
        False,
        f"the axis is {away:.1f} arcmin off, the limit is {limit_arcmin:g} arcmin",
    )
