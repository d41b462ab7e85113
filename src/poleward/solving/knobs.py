"""What to turn: knob turns from the mount's own data, and how a star moves in the field meanwhile."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from poleward.sky.axis import ARCMIN, ARCSEC, motion_while_turning
from poleward.sky.camera import GuideCamera
from poleward.sky.look import Pointing, look
from poleward.sky.pole import Pole
from poleward.sky.site import Site

SIDES = {"azimuth": ("east", "west"), "altitude": ("up", "down")}
"""For each knob the two ways the axis can go, the positive one first."""

CAUTIONS = (
    "Before a bolt is loosened take the weight or support the load. Of two opposing bolts loosen the one ahead of the move "
    + "first, then push with the other.",
    "Mind cables, tripod legs and wet mains leads in the dark; no laser near aircraft or eyes; never toward the Sun.",
    "The maker's manual decides.",
)
"""Shown in full the first time and with large moves; docs/safety.md says more."""
CAUTION = "Support the load; mind cables, the dark and the Sun; the maker's manual decides (more on the page safety)."
"""The same in one line."""
LARGE_TURNS, LARGE_ARCMIN = 2.0, 60.0
"""A larger move is no fine adjustment: knobs have some turns in all, and bolts an end (common practice, no source)."""
STILL = 0.3
"""A watched star that moves less than this part of the axis' own move does not show it."""


@dataclass(frozen=True)
class Knob:
    """One adjustment of the mount.

    Attributes
    ----------
    per_turn_arcmin : float
        Angle of the axis for one turn of the knob: of azimuth, or of altitude.
    clockwise : str
        Where a clockwise turn takes the axis: ``east`` or ``west``, ``up`` or ``down``.
    per_turn_sigma_arcmin : float or None
        Doubt of the angle; None where not stated.
    divisions : int or None
        Marks around the knob.
    range_turns : float or None
        Turns from one end of the bolt to the other.
    play_turns : float or None
        Turns lost after the way was changed.
    """

    per_turn_arcmin: float
    clockwise: str
    per_turn_sigma_arcmin: float | None = None
    divisions: int | None = None
    range_turns: float | None = None
    play_turns: float | None = None

    @property
    def clockwise_arcmin(self) -> float:
        """What a clockwise turn changes the error by: east and up positive."""
        return self.per_turn_arcmin * (1 if self.clockwise in ("east", "up") else -1)


def per_turn_from_thread(pitch_m: float, arm_m: float) -> float:
    """Angle for one turn of a screw that pushes at the end of an arm, arcmin: atan(pitch / arm)."""
    return math.atan2(pitch_m, arm_m) / ARCMIN


@dataclass(frozen=True)
class Turning:
    """What is known of the turning of the knobs.

    Attributes
    ----------
    knobs : mapping
        ``azimuth`` and ``altitude``, either may be missing.
    watch : Pointing or None
        Where the telescope looks meanwhile, tracking.
    camera : GuideCamera or None
        For pixels.
    reversed : bool
        The tube is on the other side of the mount than when the camera's angle was found: x and y change sign.
    """

    knobs: Mapping[str, Knob] = field(default_factory=dict)
    watch: Pointing | None = None
    camera: GuideCamera | None = None
    reversed: bool = False


@dataclass(frozen=True)
class StarMotion:
    """Motion of a star in the field while a knob turns; pixels only with a guide camera, for the tube's side of the mount."""

    hour_angle_h: float
    dec_deg: float
    north_arcsec: float
    east_arcsec: float
    x_pix: float | None = None
    y_pix: float | None = None
    reversed: bool = False


@dataclass(frozen=True)
class Move:
    """What one knob must do.

    Attributes
    ----------
    knob : str
        ``azimuth`` or ``altitude``.
    move_arcmin : float
        Change of that angle of the axis; east and up positive.
    toward : str
        ``east``, ``west``, ``up`` or ``down``.
    turns : float or None
        Of the knob, never negative; None without knob data.
    direction : str or None
        ``clockwise`` or ``counter-clockwise``.
    star : StarMotion or None
        How a star moves in the field meanwhile.
    """

    knob: str
    move_arcmin: float
    toward: str
    turns: float | None = None
    direction: str | None = None
    star: StarMotion | None = None

    @property
    def large(self) -> bool:
        """Whether it is more than a fine adjustment."""
        return (self.turns or 0.0) > LARGE_TURNS or abs(self.move_arcmin) >= LARGE_ARCMIN


def easiest_to_watch(timings: Sequence[tuple[Pointing, bool]], site: Site) -> tuple[Pointing, bool] | None:
    """Return the star to watch while knobs are turned: the last that was timed if it moves well with both, else the one
    of them that moves best. Each is a pointing, and whether the tube was on the other side of the mount.

    By one minute of azimuth a star moves by the cosine of its altitude, by one of altitude by its distance from the level
    line across the axis: nothing in the zenith, and nothing due east or west on the horizon.
    """
    if not timings:
        return None
    east, north, up = look([at for at, _ in timings], np.zeros((len(timings), 1)), site).seen[:, 0].T
    moves = np.minimum(np.hypot(east, north), np.hypot(north, up))
    best = int(np.argmax(moves))
    return timings[-1] if moves[-1] > STILL else timings[best]


def moves_of(
    azimuth: float | None, altitude: float | None, pole: Pole, site: Site, turning: Turning
) -> tuple[Move, ...]:
    """Return the moves that undo the errors, azimuth first; the two knobs do not disturb each other's angle.

    Errors are in arcmin, against `pole`; one that is not determined gets no move and counts as zero for the other.
    """
    moves = []
    # The azimuth knob is turned first, so the altitude move starts from an axis already beneath or above the pole.
    for name, error, stand in (
        ("azimuth", azimuth, (azimuth or 0.0, altitude or 0.0)),
        ("altitude", altitude, (0.0, altitude or 0.0)),
    ):
        if error is None:
            continue
        toward = SIDES[name][error > 0]
        knob = turning.knobs.get(name)
        turns = direction = star = None
        if knob is not None:
            turns = abs(error) / knob.per_turn_arcmin
            direction = "clockwise" if toward == knob.clockwise else "counter-clockwise"
        if turning.watch is not None:
            star = _motion(name, -error, stand, pole, site, turning)
        moves.append(Move(name, -error, toward, turns, direction, star))
    return tuple(moves)


def _motion(
    knob: str, move: float, stand: tuple[float, float], pole: Pole, site: Site, turning: Turning
) -> StarMotion:
    """How the watched star moves while one knob takes the axis by `move` arcmin from where it stands."""
    assert turning.watch is not None
    sight = look([turning.watch], np.zeros((1, 1)), site)
    turn = (move * ARCMIN, 0.0) if knob == "azimuth" else (0.0, move * ARCMIN)
    north, east = (
        angle / ARCSEC for angle in motion_while_turning(pole.axis(*stand), sight.seen[0, 0], *turn)
    )
    side = -1 if turning.reversed else 1
    x, y = (None, None) if turning.camera is None else turning.camera.to_pixels(side * north, side * east)
    hours, dec = math.degrees(float(sight.hour_angle[0])) / 15, math.degrees(float(sight.dec[0]))
    return StarMotion(hours, dec, north, east, x, y, turning.reversed)
