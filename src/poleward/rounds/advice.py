"""What to turn next, and when to stop."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from poleward.rounds.response import Response
from poleward.rounds.turns import KNOBS, Strokes, approach
from poleward.sky.axis import Floats
from poleward.tonight.axis_record import AxisError
from poleward.tonight.chance import places

LEAST_OVERRUN = 0.2
"""Turns to go past the goal before coming back: twice the play of a worn screw, and easy to see on a knob."""
WITHIN = 1.4
"""Chi-square of two errors below which they are within their uncertainty: half of the axes on the pole show more.
Of 300 simulated evenings 94 % end in 5 rounds with 2.3, 97 % with 1.4, 98 % with 1.0 (docs/experiments/rounds.py)."""
SMALL_TURNS = 0.25
"""Turns of a knob whose way is not clear: enough to see it (some 10 arcmin), little to undo."""
SURE_ENOUGH = 0.95
"""Chance of being within the limit below which measuring on is worth a word."""
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
    within : float
        Chance that the axis is within the limit as it stands.
    small : tuple of str
        Knobs whose turn is a small one, to see which way they go.
    """

    strokes: dict[str, Strokes]
    aims_arcmin: dict[str, float]
    stop: bool
    reason: str
    within: float
    small: tuple[str, ...] = ()


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
    sure = chance_within(response, level, limit_arcmin)
    if away <= limit_arcmin:
        return NextTurn(
            nothing,
            dict.fromkeys(KNOBS, 0.0),
            True,
            f"the axis is within the limit of {limit_arcmin:g} arcmin ({percent(sure)} sure)"
            + ("" if sure >= SURE_ENOUGH else "; measuring once more would make it surer"),
            sure,
        )
    chi_square = float(errors @ np.linalg.solve(response.errors_covariance, errors))
    if chi_square < WITHIN:
        reason = f"what is left is within its uncertainty: measure longer, or leave it (within the limit: {percent(sure)})"
        return NextTurn(nothing, dict.fromkeys(KNOBS, 0.0), True, reason, sure)
    aims = np.where(np.abs(errors * on_sky) < LEAST_SIGMAS * sigma, 0.0, -errors)
    strokes = dict(nothing)
    known = [i for i in range(2) if abs(response.slopes[i, i]) > response.slopes_sigma[i, i]]
    nets = np.zeros(2)
    nets[known] = np.linalg.solve(response.slopes[np.ix_(known, known)], aims[known])
    small = [i for i in known if response.unclear[i] and abs(nets[i]) > SMALL_TURNS]
    nets[small] = np.copysign(SMALL_TURNS, nets[small])
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
        sure,
        tuple(KNOBS[index] for index in small if aims[index]),
    )


def chance_within(response: Response, level: float, limit_arcmin: float) -> float:
    """Chance that the axis truly is within the limit, from where it stands and how sure that is."""
    covariance = response.errors_covariance.tolist()
    spread = places(AxisError(0.0, 0.0, (tuple(covariance[0]), tuple(covariance[1])), "apparent pole"))
    away = np.hypot(*((response.errors[-1] + spread) * (level, 1.0)).T)
    return float(np.mean(away <= limit_arcmin))


def percent(chance: float) -> str:
    """Return a chance in percent, as far as it can be told: never all or nothing."""
    return (
        "more than 99 %" if chance > 0.99 else "less than 1 %" if chance < 0.01 else f"{100 * chance:.0f} %"
    )
