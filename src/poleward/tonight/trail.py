"""How a field of stars moves in the camera of a tilted mount: exact paths, guided and unguided.

Pure geometry on arrays beside `axis`. A camera that only tracks is turned about the axis at the drive rate. A
guided one is moved about the same two mechanical axes, hour angle and declination, until the guide star stands
where it stood: everything else then turns about the guide star. Refraction comes in through where the stars are
seen, so that what it does between one edge of the field and the other is part of the answer.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from poleward.sky.axis import (
    STELLAR_RATE,
    Axis,
    Floats,
    field_basis,
    on_tangent_plane,
    turned,
)


@dataclass(frozen=True, eq=False)
class Tracks:
    """Where S stars are seen at any moment between the first and the last of T moments, of which `seen` (S, T, 3) tells.

    The directions are carried along with the sky, about the celestial north pole (3,), and the small rest, which is
    refraction, is interpolated by a cubic spline: at steps of five minutes good to 0.01 arcsec down to 8 deg
    (tests/test_forecast.py).
    """

    seconds: Floats
    seen: Floats
    north: Floats

    @cached_property
    def _still(self) -> Callable[[Floats], Floats]:
        from scipy.interpolate import CubicSpline

        carried = turned(self.seen, self.north, STELLAR_RATE * self.seconds)
        spline: Callable[[Floats], Floats] = CubicSpline(self.seconds, carried, axis=1)
        return spline

    def at(self, seconds: Floats) -> Floats:
        """Unit vectors (S, *shape, 3) at moments of any shape."""
        still = self._still(seconds)
        back = turned(still, self.north, -STELLAR_RATE * np.asarray(seconds))
        unit: Floats = back / np.linalg.norm(back, axis=-1, keepdims=True)
        return unit


def unguided_path(axis: Axis, seen: Floats, turn: Floats) -> Floats:
    """Path in the camera of a mount that only tracks: north and east on the tangent plane at the centre's first place, radians
    (pixels times pixel size over focal length), (S, K, M, 2).

    `seen` (S, K, M, 3) are S stars, the first the frame's centre, at M moments of each of K exposures; `turn`, (M,) or (K, M),
    the angle that the drive has turned since each began, radians.
    """
    place = turned(seen, axis.north, np.broadcast_to(turn, seen.shape[1:3]))
    first = seen[0, :, :1]
    east, north = field_basis(first, axis.north)
    east_at, north_at = on_tangent_plane(place, first, east, north)
    return np.stack([north_at, east_at], axis=-1)


def guided_path(axis: Axis, seen: Floats) -> Floats:
    """Path in the camera of a mount that is held on its guide star: as `unguided_path`, the second star being the guide star.

    In the frame of the mount (x toward the centre's first hour circle, y east, z its north pole) a camera set to
    declination d shows a direction m at c = (m_x cos d + m_z sin d, m_y, m_z cos d - m_x sin d). For the guide
    star's c to stay, m_z = c_x sin d + c_z cos d gives d, and the turn in hour angle follows. Nothing is small.
    """
    first = seen[0, :, :1]
    z = axis.north
    y, _ = field_basis(first, z)
    x = np.cross(y, z)
    mount = np.stack([np.sum(seen * x, axis=-1), np.sum(seen * y, axis=-1), seen @ z], axis=-1)
    first_dec = np.arctan2(mount[0, :, :1, 2], np.hypot(mount[0, :, :1, 0], mount[0, :, :1, 1]))
    held = _in_camera(mount[1, :, :1], first_dec)
    reach, lean = np.hypot(held[..., 0], held[..., 2]), np.arctan2(held[..., 2], held[..., 0])
    rise = np.arcsin(np.clip(mount[1, ..., 2] / reach, -1.0, 1.0))
    near, far = rise - lean, np.pi - rise - lean  # the same height on either side of the pole
    dec = np.where(np.abs(near - first_dec) <= np.abs(far - first_dec), near, far)
    wanted = np.arctan2(held[..., 1], held[..., 0] * np.cos(dec) - held[..., 2] * np.sin(dec))
    swing = wanted - np.arctan2(mount[1, ..., 1], mount[1, ..., 0])
    sine, cosine = np.sin(swing), np.cos(swing)
    swung = np.stack(
        [
            mount[..., 0] * cosine - mount[..., 1] * sine,
            mount[..., 0] * sine + mount[..., 1] * cosine,
            mount[..., 2],
        ],
        axis=-1,
    )
    camera = _in_camera(swung, dec)
    path: Floats = np.stack([camera[..., 2], camera[..., 1]], axis=-1) / camera[..., :1]
    return path


def _in_camera(mount: Floats, dec: Floats) -> Floats:
    sine, cosine = np.sin(dec), np.cos(dec)
    x, y, z = mount[..., 0], mount[..., 1], mount[..., 2]
    return np.stack([x * cosine + z * sine, y, z * cosine - x * sine], axis=-1)


def spans(path: Floats, pairs: Sequence[tuple[int, int]] | None = None) -> Floats:
    """Vectors (S, K, P, 2) between P pairs of moments of each path (S, K, M, 2); left out: all pairs."""
    if pairs is None:
        pairs = [(i, j) for j in range(path.shape[2]) for i in range(j)]
    first, second = np.array(pairs).T
    vectors: Floats = path[:, :, second] - path[:, :, first]
    return vectors


def longest(vectors: Floats) -> Floats:
    """Length of the longest of V vectors, (..., V, 2) to (...): the trail is the greatest distance within a path."""
    length: Floats = np.sqrt(np.max(np.sum(vectors**2, axis=-1), axis=-1))
    return length


def turn_and_shear(before: Floats, after: Floats) -> tuple[Floats, Floats]:
    """Mean turn over all directions of a small patch of sky in the camera, and how much it differs with direction.

    Both are radians of shape (...), the turn north through east; by the shear, never negative, it is larger in one direction and
    smaller in the one across. `before` and `after`, (2, ..., 2), are north and east in the camera of two lines across the
    patch, not parallel.

    With the gradient G of what moved, a direction u turns by u' . G u, u' across it: of a 2 x 2 matrix the
    antisymmetric part turns all directions alike, the symmetric part without its trace shears.
    """
    base = np.stack([before[0], before[1]], axis=-1)
    moved = np.stack([after[0] - before[0], after[1] - before[1]], axis=-1)
    gradient = moved @ np.linalg.inv(base)
    nn, ne, en, ee = (gradient[..., i, j] for i in (0, 1) for j in (0, 1))
    return (en - ne) / 2, np.hypot((en + ne) / 2, (ee - nn) / 2)
