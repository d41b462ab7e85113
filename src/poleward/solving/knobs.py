"""What to turn: knob turns from the mount's own data, and how a star moves in the field meanwhile."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from poleward.sky.axis import ARCMIN, motion_while_turning
from poleward.sky.camera import GuideCamera
from poleward.sky.look import Pointing, look
from poleward.sky.site import Site
from poleward.solving.solution import Move, Solution, StarMotion

SIDES = {"azimuth": ("east", "west"), "altitude": ("up", "down")}
"""For each knob the two ways the axis can go, the positive one first."""

CAUTIONS = (
    "Before a bolt is loosened: take the weight or support the load, and loosen the opposing bolt first.",
    "Mind cables, tripod legs and wet mains leads in the dark; no laser near aircraft or eyes; never toward the Sun.",
    "The maker's manual decides.",
)
"""Shown with the turns; docs/safety.md has them in full."""


@dataclass(frozen=True)
class Knob:
    """One adjustment of the mount.

    Attributes
    ----------
    per_turn_arcmin : float
        Angle of the axis for one turn of the knob: of azimuth, or of altitude.
    clockwise : str
        Where a clockwise turn takes the axis: ``east`` or ``west``, ``up`` or ``down``.
    """

    per_turn_arcmin: float
    clockwise: str


def per_turn_from_thread(pitch_m: float, arm_m: float) -> float:
    """Angle for one turn of a screw that pushes at the end of an arm, arcmin: atan(pitch / arm)."""
    return math.atan2(pitch_m, arm_m) / ARCMIN


def with_turns(solution: Solution, knobs: dict[str, Knob]) -> Solution:
    """Add turns and direction to the moves whose knob is known.

    Parameters
    ----------
    solution : Solution
    knobs : dict
        ``azimuth`` and ``altitude``, either may be missing.
    """
    moves = []
    for move in solution.moves:
        knob = knobs.get(move.knob)
        if knob is None:
            moves.append(move)
            continue
        turns = abs(move.move_arcmin) / knob.per_turn_arcmin
        way = "clockwise" if move.toward == knob.clockwise else "counter-clockwise"
        moves.append(replace(move, turns=turns, direction=way))
    return replace(solution, moves=tuple(moves))


def with_star(solution: Solution, site: Site, pointing: Pointing, camera: GuideCamera | None) -> Solution:
    """Add to each move how a star moves in the field while that knob alone is turned.

    Parameters
    ----------
    solution : Solution
        Its pole and errors say where the axis is now; an error that is not determined counts as zero.
    site : Site
    pointing : Pointing
        Where the telescope looks, tracking.
    camera : GuideCamera or None
        For pixels.
    """
    sight = look([pointing], np.zeros((1, 1)), site)
    pole = sight.pole(solution.pole.name)
    azimuth, altitude = solution.azimuth_error_arcmin or 0.0, solution.altitude_error_arcmin or 0.0
    moves = []
    # The azimuth knob is turned first, so the altitude move starts from an axis already beneath or above the pole.
    for move in _azimuth_first(solution.moves):
        axis = pole.axis(azimuth, altitude)
        by = move.move_arcmin * ARCMIN
        turn = (by, 0.0) if move.knob == "azimuth" else (0.0, by)
        north, east = (
            math.degrees(angle) * 3600 for angle in motion_while_turning(axis, sight.seen[0, 0], *turn)
        )
        x, y = (None, None) if camera is None else camera.to_pixels(north, east)
        star = StarMotion(
            math.degrees(float(sight.hour_angle[0])) / 15,
            math.degrees(float(sight.dec[0])),
            north,
            east,
            x,
            y,
        )
        moves.append(replace(move, star=star))
        if move.knob == "azimuth":
            azimuth += move.move_arcmin
    return replace(solution, moves=tuple(moves))


def _azimuth_first(moves: Sequence[Move]) -> list[Move]:
    return sorted(moves, key=lambda move: move.knob != "azimuth")
