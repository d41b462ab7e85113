"""One pointing's frames to one row of a drift table: the field's motion on the sky, and how sure it is."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import numpy as np

from poleward.door.record import record_of
from poleward.frames.motion import Pace, drive_sigma, pace
from poleward.frames.onsky import OnSky
from poleward.frames.shot import Shot
from poleward.frames.track import FieldTrack
from poleward.sky.axis import ARCMIN
from poleward.sky.look import Pointing
from poleward.timings.rows import Drift

MOUNT_NORTH_SIGMA = 10 * ARCMIN
"""The picture's north is the sky's, a drift's is the mount's own: near the equator they differ by the axis's error, 10 arcmin
as one finds it. An east drift of 10 arcsec then makes 0.03 arcsec of north."""


@dataclass(frozen=True, eq=False)
class FieldDrift:
    """How the field of one pointing moved.

    Attributes
    ----------
    label : str
    start : datetime
        Middle of the first frame that was used, aware, UTC.
    duration_s : float
        From there to the middle of the last.
    frames, frames_used, stars : int
        Given and used; stars followed in most frames, 0 where the WCS of each frame told all.
    pointing : Pointing
        Of the frame's middle, at the start.
    north_arcsec, east_arcsec, rotation_arcmin : float
        Over the duration; the field's turn in the camera, north through east positive.
    north_sigma_arcsec, east_sigma_arcsec, rotation_sigma_arcmin : float
        Standard uncertainties. East holds the drive's periodic error, whose phase nobody knows.
    jitter_arcsec : float
        What shakes all stars alike from frame to frame, north.
    lasting_arcsec : float
        The part of it that lasts, north.
    reversed : bool
        The tube was on the other side of the mount; north and east are turned upright already.
    on_sky : OnSky
    track : FieldTrack
        In pixels of the picture that was looked at.
    first : Shot
        The first frame.
    side : int
        Pixels of the file along each side of one of that picture.
    """

    label: str
    start: datetime
    duration_s: float
    frames: int
    frames_used: int
    stars: int
    pointing: Pointing
    north_arcsec: float
    north_sigma_arcsec: float
    east_arcsec: float
    east_sigma_arcsec: float
    rotation_arcmin: float
    rotation_sigma_arcmin: float
    jitter_arcsec: float
    lasting_arcsec: float
    reversed: bool
    on_sky: OnSky
    track: FieldTrack
    first: Shot
    side: int = 1

    def drift(self) -> Drift:
        """Return the row of the drift table, without digits that say nothing."""
        return Drift(
            self.pointing,
            round(self.duration_s, 3),
            round(self.north_arcsec, 4),
            round(self.east_arcsec, 4),
            round(self.north_sigma_arcsec, 4),
            round(self.east_sigma_arcsec, 4),
            self.label,
            True,
            self.reversed,
            round(self.rotation_arcmin, 5),
            round(self.rotation_sigma_arcmin, 5),
        )

    def to_record(self) -> dict[str, Any]:
        """Return plain numbers."""
        names = [
            "label", "start", "duration_s", "frames", "frames_used", "stars", "north_arcsec", "north_sigma_arcsec",
            "east_arcsec", "east_sigma_arcsec", "rotation_arcmin", "rotation_sigma_arcmin", "jitter_arcsec",
            "lasting_arcsec", "reversed",
        ]  # fmt: skip
        at = {
            f"{name}_{unit}": None if angle is None else round(math.degrees(angle) / per, 9)
            for name, unit, per in (
                ("hour_angle", "h", 15), ("ra", "deg", 1), ("dec", "deg", 1), ("azimuth", "deg", 1), ("altitude", "deg", 1),
            )
            if (angle := getattr(self.pointing, name)) is not None
        }  # fmt: skip
        record = record_of(self, names)
        return {
            "label": record.pop("label"),
            **at,
            **record,
            "scale_arcsec_per_pix": self.on_sky.scale_arcsec / self.side,
            "position_angle_deg": self.on_sky.position_angle_deg,
            "mirrored": self.on_sky.hand < 0,
            "camera_from": self.on_sky.source,
        }


@dataclass(frozen=True, eq=False)
class Measured:
    """What a track says on the sky, before it is known where that was.

    Attributes
    ----------
    north, east : Pace
        Arcsec.
    turn : Pace
        Radians, north through east.
    drive_sigma : float
        Of the east rate, arcsec/s, by the drive's periodic error.
    """

    north: Pace
    east: Pace
    turn: Pace
    drive_sigma: float


def measured(track: FieldTrack, on_sky: OnSky) -> Measured:
    """Return how fast the field moves; each direction has a noise of its own, since the drive shakes east alone."""
    places = on_sky.matrix @ np.stack([track.x, track.y])
    sigmas = np.sqrt(on_sky.matrix**2 @ np.stack([track.x_sigma, track.y_sigma]) ** 2)
    north, east = (pace(track.seconds, *series) for series in zip(places, sigmas, strict=True))
    turn = pace(track.seconds, on_sky.hand * track.turn, track.turn_sigma)
    return Measured(north, east, turn, drive_sigma(track.seconds[east.used]))


def moment_of(seconds: float) -> datetime:
    """Return a POSIX time as a moment, aware, UTC."""
    return datetime.fromtimestamp(seconds, UTC)


def field_drift(
    track: FieldTrack,
    on_sky: OnSky,
    pointing: Pointing,
    label: str,
    *,
    turned: bool,
    frames: int,
    first: Shot,
    side: int,
) -> FieldDrift:
    """Return the drift of one pointing.

    Parameters
    ----------
    track : FieldTrack
    on_sky : OnSky
        For the pixels of the track.
    pointing : Pointing
    label : str
    turned : bool
        The tube was on the other side of the mount, and `on_sky` holds for the usual one.
    frames : int
        That were given.
    first : Shot
        The first frame.
    side : int
        Pixels of the file along each side of one of the track's.
    """
    found = measured(track, on_sky)
    span = float(track.seconds[-1] - track.seconds[0])
    upright = -1.0 if turned else 1.0
    north, east = upright * found.north.rate * span, upright * found.east.rate * span
    north_sigma, east_sigma = found.north.sigma * span, found.east.sigma * span
    worm = found.drive_sigma * span
    angle = math.hypot(on_sky.angle_sigma, MOUNT_NORTH_SIGMA)
    return FieldDrift(
        label,
        moment_of(track.seconds[0]),
        span,
        frames,
        len(track.seconds),
        int(np.median(track.matched)),
        pointing,
        north,
        math.hypot(north_sigma, north * on_sky.scale_sigma, east * angle),
        east,
        math.hypot(east_sigma, worm, east * on_sky.scale_sigma, north * angle),
        found.turn.rate * span / ARCMIN,
        found.turn.sigma * span / ARCMIN,
        found.north.noise.white_arcsec,
        found.north.noise.correlated_arcsec,
        turned,
        on_sky,
        track,
        first,
        side,
    )
