"""One pointing's frames to one row of a drift table: the field's motion on the sky, and how sure it is."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import numpy as np

from poleward.door.record import record_of
from poleward.frames.motion import Pace, drive_sigma, pace, paces
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
    north_arcsec, east_arcsec : float
        Over the duration.
    rotation_arcmin : float or None
        The field's turn in the camera over the duration, north through east positive; None of fewer than three stars.
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
    hour_angle_h : float or None
        At the start, apparent, of date; None where the site would have to be known and is not.
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
    rotation_arcmin: float | None
    rotation_sigma_arcmin: float | None
    jitter_arcsec: float
    lasting_arcsec: float
    reversed: bool
    on_sky: OnSky
    track: FieldTrack
    first: Shot
    side: int = 1
    hour_angle_h: float | None = None

    def drift(self) -> Drift:
        """Return the row of the drift table, without digits that say nothing."""
        turn, turn_sigma = (
            None if each is None else round(each, 5)
            for each in (self.rotation_arcmin, self.rotation_sigma_arcmin)
        )
        return Drift(
            self.pointing,
            round(self.duration_s, 3),
            round(self.north_arcsec, 4),
            round(self.east_arcsec, 4),
            round(self.north_sigma_arcsec, 4),
            round(self.east_sigma_arcsec, 4),
            label=self.label,
            reversed=self.reversed,
            rotation_arcmin=turn,
            rotation_sigma_arcmin=turn_sigma,
        )

    def to_record(self) -> dict[str, Any]:
        """Return plain numbers."""
        names = [
            "label", "start", "duration_s", "frames", "frames_used", "stars", "north_arcsec", "north_sigma_arcsec",
            "east_arcsec", "east_sigma_arcsec", "rotation_arcmin", "rotation_sigma_arcmin", "jitter_arcsec",
            "lasting_arcsec", "reversed",
        ]  # fmt: skip
        hour_angle = self.hour_angle_h
        at: dict[str, float] = {} if hour_angle is None else {"hour_angle_h": round(hour_angle, 9)}
        at |= {
            f"{name}_deg": round(math.degrees(angle), 9)
            for name in ("ra", "dec", "azimuth", "altitude")
            if (angle := getattr(self.pointing, name)) is not None
        }
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
class Placed:
    """A track that is put on the sky.

    Attributes
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

    track: FieldTrack
    on_sky: OnSky
    pointing: Pointing
    label: str
    turned: bool
    frames: int
    first: Shot
    side: int

    @property
    def alike(self) -> tuple[bool, str]:
        """What pointings have in common whose noise is likely to be of one shape: by stars or by WCS, and the exposure."""
        return self.track.ways is None, f"{self.first.exposure_s or 0.0:.2g}"


def moment_of(seconds: float) -> datetime:
    """Return a POSIX time as a moment, aware, UTC."""
    return datetime.fromtimestamp(seconds, UTC)


def field_drifts(several: Sequence[Placed]) -> list[FieldDrift]:
    """Return the drifts of a run's pointings; each direction has a noise of its own, since the drive shakes east alone."""
    found: dict[int, FieldDrift] = {}
    for kind in {one.alike for one in several}:
        numbers = [number for number, one in enumerate(several) if one.alike == kind]
        alike = [several[number] for number in numbers]
        places = [one.on_sky.matrix @ np.stack([one.track.x, one.track.y]) for one in alike]
        sigmas = [
            np.sqrt(one.on_sky.matrix**2 @ np.stack([one.track.x_sigma, one.track.y_sigma]) ** 2)
            for one in alike
        ]
        paced = (
            paces(
                [
                    (one.track.seconds, place[way], sigma[way])
                    for one, place, sigma in zip(alike, places, sigmas, strict=True)
                ]
            )
            for way in (0, 1)
        )
        for number, one, north, east in zip(numbers, alike, *paced, strict=True):
            found[number] = _field_drift(one, north, east)
    return [found[number] for number in range(len(several))]


def _field_drift(one: Placed, north: Pace, east: Pace) -> FieldDrift:
    track, on_sky = one.track, one.on_sky
    span = float(track.seconds[-1] - track.seconds[0])
    upright = -span if one.turned else span
    to_north, to_east = upright * north.rate, upright * east.rate
    worm = span * drive_sigma(track.seconds[east.used])
    angle = math.hypot(on_sky.angle_sigma, MOUNT_NORTH_SIGMA)
    if track.ways is None:
        turned = pace(track.seconds, track.turn, track.turn_sigma)
        turn: tuple[float, float] | None = turned.rate, turned.sigma
    else:
        turn = track.ways.turn_rate(track.seconds)
    return FieldDrift(
        one.label,
        moment_of(track.seconds[0]),
        span,
        one.frames,
        len(track.seconds),
        int(np.median(track.matched)),
        one.pointing,
        to_north,
        math.hypot(north.sigma * span, to_north * on_sky.scale_sigma, to_east * angle),
        to_east,
        math.hypot(east.sigma * span, worm, to_east * on_sky.scale_sigma, to_north * angle),
        None if turn is None else on_sky.hand * turn[0] * span / ARCMIN,
        None if turn is None else turn[1] * span / ARCMIN,
        north.noise.white_arcsec,
        north.noise.correlated_arcsec,
        one.turned,
        on_sky,
        track,
        one.first,
        one.side,
    )
