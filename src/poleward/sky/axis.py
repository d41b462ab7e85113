"""What a mount whose axis is tilted does with a star: pure geometry on arrays, exact at any size of error.

Everything is a unit vector in the local frame east, north, up. `pole` is where the elevated pole is seen;
the axis is described by its azimuth error A (an angle of azimuth, east positive in both hemispheres) and its
altitude error e (above the pole positive). Angles are radians throughout this file.

A mount that only tracks turns its camera about the axis at the drive rate. Turning the later sight of the star
back by the same angle gives the place it has in the camera; its components on the tangent plane at the first
place are the drift. Nothing is expanded in powers of the error, so errors of degrees, stars beside the pole and
timings of hours are as exact as a timing of a minute.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

STELLAR_RATE = 7.292115146706979e-5
"""Turn of the Earth against the stars, rad/s: 15.041067 arcsec/s (IAU 2000, era00; outside-checks section F)."""
ARCMIN = math.radians(1 / 60)
ARCSEC = math.radians(1 / 3600)
SIDEREAL_RATE = STELLAR_RATE / ARCSEC
"""The same in arcsec/s."""
COMPASS = (
    "north", "north-north-east", "north-east", "east-north-east", "east", "east-south-east", "south-east",
    "south-south-east", "south", "south-south-west", "south-west", "west-south-west", "west", "west-north-west",
    "north-west", "north-north-west",
)  # fmt: skip
"""Sixteen points, from north through east."""

ON_AXIS = 1e-12
"""Nearer to the axis than this (2e-7 arcsec) a star has no north and east; its drift is then taken as zero."""


def unit_vector(azimuth: Floats | float, altitude: Floats | float) -> Floats:
    """Unit vectors east, north, up, S + (3,), from azimuth (north through east) and altitude, radians, of shape S."""
    level = np.cos(altitude)
    east = level * np.sin(azimuth)
    vectors: Floats = np.empty((*np.shape(east), 3))
    vectors[..., 0], vectors[..., 1], vectors[..., 2] = east, level * np.cos(azimuth), np.sin(altitude)
    return vectors


def azimuth_altitude(direction: Floats) -> tuple[Floats, Floats]:
    """Azimuth (north through east, -pi..pi) and altitude of unit vectors of shape S + (3,)."""
    east, north, up = direction[..., 0], direction[..., 1], direction[..., 2]
    return np.arctan2(east, north), np.arctan2(up, np.hypot(east, north))


def cross(a: Floats, b: Floats) -> Floats:
    """Cross product along the last axis; written out, since numpy's costs five times as much on few rows."""
    ax, ay, az = a[..., 0], a[..., 1], a[..., 2]
    bx, by, bz = b[..., 0], b[..., 1], b[..., 2]
    first = ay * bz - az * by
    product: Floats = np.empty((*first.shape, 3))
    product[..., 0] = first
    product[..., 1] = az * bx - ax * bz
    product[..., 2] = ax * by - ay * bx
    return product


def dot(a: Floats, b: Floats) -> Floats:
    """Dot product along the last axis, which is kept."""
    product: Floats = np.vecdot(a, b)[..., None]
    return product


def angle_between(a: Floats, b: Floats) -> Floats:
    """Angle between unit vectors of shape S + (3,), accurate at all sizes.

    The form 2 atan2(|a - b|, |a + b|) is W. Kahan's; acos of the dot product loses half the digits near zero.
    """
    angle: Floats = 2 * np.arctan2(np.linalg.norm(a - b, axis=-1), np.linalg.norm(a + b, axis=-1))
    return angle


@dataclass(frozen=True, eq=False)
class Axis:
    """A mount's axis and how its direction changes with the two errors.

    Attributes
    ----------
    elevated : array (3,)
        The end of the axis above the horizon.
    north : array (3,)
        The mount's own north pole: `elevated` in the north, its opposite in the south.
    d_north : array (2, 3)
        Derivatives of `north` by A and by e.
    hemisphere : float
        +1 in the north, -1 in the south.
    """

    elevated: Floats
    north: Floats
    d_north: Floats
    hemisphere: float


def tilted_axis(azimuth_error: float, altitude_error: float, pole: Floats, hemisphere: float) -> Axis:
    """Return the axis that stands A east of and e above a pole, radians.

    A is an angle of azimuth: on the sky it is A cos(altitude of the axis). `pole` (3,) is the direction of the elevated pole,
    seen or true, as the errors are meant; `hemisphere` +1 in the north, -1 in the south, where east means a falling azimuth.
    """
    pole_azimuth, pole_altitude = azimuth_altitude(pole)
    azimuth = float(pole_azimuth) + hemisphere * azimuth_error
    altitude = float(pole_altitude) + altitude_error
    elevated = unit_vector(azimuth, altitude)
    level, high = np.cos(altitude), np.sin(altitude)
    toward_east = np.array([np.cos(azimuth), -np.sin(azimuth), 0.0]) * level * hemisphere
    upward = np.array([-high * np.sin(azimuth), -high * np.cos(azimuth), level])
    return Axis(elevated, hemisphere * elevated, hemisphere * np.stack([toward_east, upward]), hemisphere)


def turned(vectors: Floats, about: Floats, angle: Floats | float) -> Floats:
    """Turn vectors of shape S + (3,) about a unit vector, right-handed (Rodrigues' formula)."""
    angle = np.asarray(angle, float)[..., None]
    along = dot(vectors, about)
    across = cross(about, vectors)
    result: Floats = vectors * np.cos(angle) + across * np.sin(angle) + about * along * (1 - np.cos(angle))
    return result


def field_basis(first: Floats, north: Floats) -> tuple[Floats, Floats]:
    """East and north in the field of a mount, as unit vectors (N, 3) on the tangent plane at stars `first` (N, 3).

    `north` (3,) is the mount's north pole; east is toward increasing right ascension.
    """
    across = cross(north, first)
    east = across / np.maximum(np.linalg.norm(across, axis=-1, keepdims=True), ON_AXIS)
    return east, cross(first, east)


def on_tangent_plane(places: Floats, first: Floats, east: Floats, north: Floats) -> tuple[Floats, Floats]:
    """Gnomonic coordinates (east, north) of places about `first`: what a flat camera measures, radians."""
    depth = np.sum(places * first, axis=-1)
    return np.sum(places * east, axis=-1) / depth, np.sum(places * north, axis=-1) / depth


def carried(axis: Axis, later: Floats, turn: Floats) -> tuple[Floats, Floats]:
    """Where in the camera of a mount that only tracks a star stands that is seen at `later`, as a direction at the start.

    For `later` of shape S + (3,) and the angle that the drive has turned since the start, radians, of shape S: the place,
    S + (3,), and its derivatives by A, by e and by that angle, (3,) + S + (3,).
    """
    pole = axis.north
    sine, cosine = np.sin(turn)[..., None], np.cos(turn)[..., None]
    along, spun = dot(later, pole), cross(pole, later)
    place = later * cosine + spun * sine + pole * along * (1 - cosine)
    by = np.empty((3, *place.shape))
    d_pole = axis.d_north.reshape(2, *[1] * (later.ndim - 1), 3)
    by[:2] = cross(d_pole, later) * sine + (d_pole * along + pole * dot(d_pole, later)) * (1 - cosine)
    by[2] = spun * cosine - later * sine + pole * along * sine
    return place, by


@dataclass(frozen=True, eq=False)
class Displacement:
    """How stars moved in the field, and how that changes with A, e and the turn of the drive.

    Attributes
    ----------
    north, east : array (N,)
        Radians on the tangent plane.
    north_by, east_by : array (N, 3)
        Derivatives by A, by e and by the angle the drive turned.
    """

    north: Floats
    east: Floats
    north_by: Floats
    east_by: Floats


def displacement(axis: Axis, first: Floats, later: Floats, turn: Floats) -> Displacement:
    """How stars seen at `first` and then at `later`, (N, 3), have moved in the field of a mount that only tracks.

    Refraction is in where they are seen; `turn` (N,) is the drive rate times the elapsed time, radians. Derivatives are exact.
    """
    width = np.maximum(np.linalg.norm(cross(axis.north, first), axis=-1, keepdims=True), ON_AXIS)
    east, north = field_basis(first, axis.north)
    place, d_place = carried(axis, later, turn)
    depth = dot(place, first)
    east_at, north_at = dot(place, east) / depth, dot(place, north) / depth
    # North and east in the field turn with the axis, not with the drive.
    d_across = cross(axis.d_north[:, None], first)
    d_east = np.zeros_like(d_place)
    d_east[:2] = (d_across - east * dot(east, d_across)) / width
    d_depth = dot(d_place, first)
    east_by = (dot(d_place, east) + dot(place, d_east) - east_at * d_depth) / depth
    north_by = (dot(d_place, north) + dot(place, cross(first, d_east)) - north_at * d_depth) / depth
    return Displacement(north_at[:, 0], east_at[:, 0], north_by[..., 0].T, east_by[..., 0].T)


def motion_while_turning(
    axis: Axis, star: Floats, azimuth_move: float, altitude_move: float
) -> tuple[float, float]:
    """How a star moves in the field while the base of the mount is turned: (north, east), radians.

    The tracking goes on, so only the knob's turn counts. The two moves, radians, east and up positive, are about the vertical
    and about the level line across the axis as it stands before, and each leaves the other's angle alone. `star` (3,) is
    where it is seen.
    """
    plumb = np.array([0.0, 0.0, 1.0])
    azimuth = azimuth_altitude(axis.elevated)[0]
    level = np.array([np.cos(azimuth), -np.sin(azimuth), 0.0])
    # Turning the mount by some angle is, for the camera, turning the sky by the opposite one.
    seen = turned(star[None, :], plumb, axis.hemisphere * azimuth_move)
    seen = turned(seen, level, -altitude_move)
    east, north = field_basis(star[None, :], axis.north)
    east_at, north_at = on_tangent_plane(seen, star[None, :], east, north)
    return float(north_at[0]), float(east_at[0])
