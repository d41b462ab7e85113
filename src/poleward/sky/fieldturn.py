"""How the field turns about its centre in the camera of a mount that only tracks: the mean over all directions."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from poleward.sky.axis import Axis, Floats, azimuth_altitude, carried, cross, unit_vector
from poleward.sky.look import Pointing

BESIDE = 3e-4
"""How far from the centre the four places stand between which the turn is taken, radians (1 arcmin): what is left out
goes with its square, and rounding leaves 1e-7 arcsec of turn."""
PLACES = 4


def places_beside(at: Pointing) -> list[Pointing]:
    """Return four places a little beside a pointing, of its own kind: the ends of two lines across it."""
    along, up = next(
        pair
        for pair in (("ra", "dec"), ("azimuth", "altitude"), ("hour_angle", "dec"))
        if getattr(at, pair[0]) is not None
    )
    longitude, latitude = getattr(at, along), getattr(at, up)
    centre = unit_vector(longitude, latitude)
    across = np.array([np.cos(longitude), -np.sin(longitude), 0.0])
    ways = np.stack([across, -across, cross(across, centre), -cross(across, centre)])
    places: list[Pointing] = []
    for a, b in zip(*azimuth_altitude(centre + BESIDE * ways), strict=True):
        moved: dict[str, Any] = {along: float(a), up: float(b)}
        places.append(replace(at, **moved))
    return places


def field_turn(axis: Axis, centre: Floats, beside: Floats, turn: Floats) -> tuple[Floats, Floats]:
    """How far the field has turned in the camera, (N,), north through east positive, radians, and the exact derivatives (N, 3) of
    that by A, by e and by the angle the drive turned.

    `centre` (N, 3) is where the frame's centre is seen at the start, `beside` (N, 4, 2, 3) where the places of `places_beside`
    are at the start and at the end, refraction included; `turn` (N,) the drive rate times the elapsed time, radians.

    A small patch of sky moves in the camera by a 2 x 2 matrix M; its rotation is that of M's polar decomposition,
    atan2(M21 - M12, M11 + M22): shear, which the air makes, turns one direction as much forward as another back and
    has no share. At the start the camera may be read in any upright frame, for all of it turns alike.
    """
    first = beside[:, :, 0]
    northward = first[:, 0] - first[:, 1]
    northward = northward - centre * np.sum(northward * centre, axis=-1, keepdims=True)
    northward = northward / np.linalg.norm(northward, axis=-1, keepdims=True)
    # (N, 2, 3), the second to the east of the first
    frame = np.stack([northward, cross(northward, centre)], axis=1)

    def flat(places: Floats) -> Floats:
        return np.asarray(places @ frame.transpose(0, 2, 1) / np.sum(places * centre[:, None], -1)[..., None])

    def lines(at: Floats) -> Floats:
        return np.stack([at[:, 0] - at[:, 1], at[:, 2] - at[:, 3]], axis=-1)

    place, slopes = carried(axis, beside[:, :, 1], np.repeat(turn[:, None], PLACES, axis=1))
    depth = np.sum(place * centre[:, None], axis=-1)[..., None]
    back, at = np.linalg.inv(lines(flat(first))), flat(place)
    moved = lines(at) @ back
    sine, cosine = moved[:, 1, 0] - moved[:, 0, 1], moved[:, 0, 0] + moved[:, 1, 1]
    columns = []
    for slope in slopes:
        d_at = slope @ frame.transpose(0, 2, 1) - at * np.sum(slope * centre[:, None], axis=-1)[..., None]
        d_moved = lines(d_at / depth) @ back
        d_sine, d_cosine = d_moved[:, 1, 0] - d_moved[:, 0, 1], d_moved[:, 0, 0] + d_moved[:, 1, 1]
        columns.append((cosine * d_sine - sine * d_cosine) / (sine**2 + cosine**2))
    return np.arctan2(sine, cosine), np.stack(columns, axis=-1)
