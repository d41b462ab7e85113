"""What is believed of the knobs before any round: from the setup, with its doubts."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from poleward.sky.axis import Floats

STATED_DOUBT = 0.25
"""Of an angle per turn stated without a doubt: a ruler on the arm and a counted thread miss by 10 to 40 %."""
UNSTATED_ARCMIN = 60.0
"""Doubt of the angle for one turn where nothing is stated: no knob makes much more than a degree or two."""
TILT_RAD = math.radians(2.0)
"""How far from level a base is that nobody looked at; with [mount.base] stated, `STATED_TILT_RAD`."""
STATED_TILT_RAD = math.radians(0.5)
"""What a bubble level tells (common practice, no source)."""
PLAY_TURNS, PLAY_DOUBT = 0.05, 0.1
"""Play where none is stated, turns; a third of the simulated mounts of docs/experiments/rounds.py have none."""
STATED_PLAY_DOUBT = 0.03
"""Doubt of a stated play: it is felt, not measured, turns."""


@dataclass(frozen=True, eq=False)
class Prior:
    """What is believed of the knobs before any round.

    Attributes
    ----------
    slopes : array (2, 2)
        Axis (azimuth, altitude) by knobs (azimuth, altitude), arcmin per turn, clockwise positive.
    slopes_sigma : array (2, 2)
    play, play_sigma : array (2,)
        Turns.
    way_known : tuple of bool
        Whether a way of turning was stated, so that it can be the wrong one.
    """

    slopes: Floats
    slopes_sigma: Floats
    play: Floats
    play_sigma: Floats
    way_known: tuple[bool, bool]


def prior_of(
    per_turn: Sequence[float | None],
    per_turn_sigma: Sequence[float | None],
    play: Sequence[float | None],
    talk: Floats,
    tilt_stated: bool,
    pole_level: float,
) -> Prior:
    """Return what the setup makes believe.

    Parameters
    ----------
    per_turn, per_turn_sigma : sequence of two float or None
        Of the azimuth and the altitude knob, arcmin per turn, clockwise positive (east, up); None where not stated.
    play : sequence of two float or None
        Turns.
    talk : array (2, 2)
        `base.cross_talk` of the stated base, or the unit matrix.
    tilt_stated : bool
    pole_level : float
        Cosine of the pole's altitude.
    """
    known = [each is not None for each in per_turn]
    size = np.array([each or 0.0 for each in per_turn])
    doubt = np.array(
        [
            UNSTATED_ARCMIN if each is None else sigma or STATED_DOUBT * abs(each)
            for each, sigma in zip(per_turn, per_turn_sigma, strict=True)
        ]
    )
    # A tilt t mixes the knobs: altitude by azimuth as t, azimuth by altitude as t / cos^2 (see base.cross_talk).
    tilt = STATED_TILT_RAD if tilt_stated else TILT_RAD
    mixing = np.array([[0.0, tilt / pole_level**2], [tilt, 0.0]])
    sigma = np.hypot(talk * doubt, mixing * np.hypot(size, doubt))
    return Prior(
        talk * size,
        sigma,
        np.array([PLAY_TURNS if each is None else each for each in play]),
        np.array([PLAY_DOUBT if each is None else STATED_PLAY_DOUBT for each in play]),
        (known[0], known[1]),
    )
