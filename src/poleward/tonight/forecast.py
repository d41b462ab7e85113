"""What an axis error will do to the pictures of one target: drift, rotation, trail, longest exposure, tolerance.

Everything is carried through the exact geometry of `trail` and `axis`, with refraction.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from poleward.sky.axis import (
    ARCMIN,
    ARCSEC,
    Axis,
    Floats,
    angle_between,
    displacement,
    field_rotation,
    turned,
)
from poleward.tonight.exposure import STARTS, WIDEST_ARCMIN, Exposures, Field, Outfit, reach

STEP_S = 60.0
"""A rate is a displacement over this time: the drift of a minute differs from the momentary one by 1e-5 of it."""
DIRECTIONS = 48
"""Directions in which the tolerance is looked for before the worst is refined: 7.5 deg apart."""


def trail(
    field: Field,
    exposure_s: float,
    outfit: Outfit,
    error: tuple[float, float],
    *,
    guided: bool,
    inside: bool = False,
) -> float:
    """Trail of one exposure at the worst moment of the window and the frame's worst corner, pixels.

    Parameters
    ----------
    field : Field
    exposure_s : float
        No longer than the window.
    outfit : Outfit
        With a camera.
    error : (float, float)
        Azimuth and altitude error, arcmin.
    guided, inside : bool
        Held on the guide star; with the guide star at the frame's centre instead of where it is.
    """
    return Exposures(field, exposure_s, outfit, guided, inside).trail(*error)


def longest_exposure(field: Field, outfit: Outfit, error: tuple[float, float], *, guided: bool) -> float:
    """Longest exposure, seconds, whose trail stays within the limit; the window's length if that long does.

    A longer exposure contains a shorter one, so the trail grows with it and there is one answer. Zero where not even
    a billionth of the window stays within.
    """
    from scipy.optimize import brentq

    def beyond(exposure_s: float) -> float:
        return trail(field, exposure_s, outfit, error, guided=guided) - outfit.limit_pix

    shortest = field.length_s * 1e-9
    if beyond(field.length_s) <= 0:
        return field.length_s
    if beyond(shortest) > 0:
        return 0.0
    # A thousandth of the answer is a tenth of the 1 % that is promised.
    return float(brentq(beyond, shortest, field.length_s, xtol=1e-4, rtol=1e-3))


def tolerance(field: Field, exposure_s: float, outfit: Outfit) -> float:
    """Largest offset of the axis, arcmin on the sky, that keeps the guided trail within the limit in any direction.

    Zero when refraction alone trails longer than the limit.
    """
    from scipy.optimize import brentq

    exposures = Exposures(field, exposure_s, outfit, guided=True)
    if exposures.trail(0.0, 0.0) >= outfit.limit_pix:
        return 0.0
    vectors, slopes = exposures.linear(0.0, 0.0)
    angle = np.linspace(0, 2 * math.pi, DIRECTIONS, endpoint=False)
    directions = np.stack([np.cos(angle) / field.pole.level, np.sin(angle)], axis=-1)
    first = reach(vectors, slopes, outfit.limit_pix, directions)
    found = []
    for i in np.argsort(first)[:3]:
        way = directions[i]

        def beyond(r: float, way: Floats = way) -> float:
            return exposures.trail(r * way[0], r * way[1]) - outfit.limit_pix

        far = min(WIDEST_ARCMIN, 1.5 * float(first[i]))
        if beyond(far) <= 0:
            far = WIDEST_ARCMIN
        if beyond(far) <= 0:
            return WIDEST_ARCMIN
        r = float(brentq(beyond, 0.0, far, rtol=1e-4))
        found.append(
            float(angle_between(field.pole.axis(r * way[0], r * way[1]).elevated, field.pole.direction))
            / ARCMIN
        )
    return min(found)


@dataclass(frozen=True)
class Course:
    """What happens in the course of the window to a camera that starts with it.

    Attributes
    ----------
    seconds : array (T,)
    altitude_deg : array (T,)
    rotation_guided_arcmin, rotation_unguided_arcmin : array (T,)
        Turn of the sky in the camera, north through east.
    north_arcsec, east_arcsec : array (T,)
        Drift of a mount that only tracks.
    """

    seconds: Floats
    altitude_deg: Floats
    rotation_guided_arcmin: Floats
    rotation_unguided_arcmin: Floats
    north_arcsec: Floats
    east_arcsec: Floats


def course(field: Field, outfit: Outfit, error: tuple[float, float], seconds: Floats) -> Course:
    """Follow drift and rotation from the first of some moments of the window on."""
    return _followed(field.pole.axis(*error), field.tracks.at(seconds), outfit, seconds)


def _followed(axis: Axis, seen: Floats, outfit: Outfit, seconds: Floats) -> Course:
    """Follow a field's stars (S, T, 3): the first is the centre, the third a little north of it."""
    centre, beside = seen[0], seen[2]
    turn = outfit.rate * (seconds - seconds[0])
    rotation = field_rotation(axis, centre, beside, turn)
    first = np.broadcast_to(centre[0], centre.shape)
    moved = displacement(axis, first, centre, turn)
    return Course(
        seconds,
        np.degrees(np.arcsin(centre[:, 2])),
        rotation.guided / ARCMIN,
        rotation.unguided / ARCMIN,
        moved.north / ARCSEC,
        moved.east / ARCSEC,
    )


@dataclass(frozen=True)
class Rates:
    """Momentary rates at some moments (seconds of the window), arrays (T,): arcmin/h of rotation, arcsec/min of drift."""

    seconds: Floats
    rotation_guided: Floats
    rotation_unguided: Floats
    north: Floats
    east: Floats


def rates(field: Field, outfit: Outfit, error: tuple[float, float]) -> Rates:
    """Rates all through the window, of a camera that starts at each moment anew."""
    step = min(STEP_S, field.length_s)
    begins = np.linspace(0, field.length_s - step, STARTS)
    ends = begins[:, None] + np.array([0.0, step])
    axis, seen = field.pole.axis(*error), field.tracks.at(ends)
    pieces = [_followed(axis, seen[:, i], outfit, ends[i]) for i in range(STARTS)]
    return Rates(
        begins + step / 2,
        np.array([piece.rotation_guided_arcmin[1] for piece in pieces]) * 3600 / step,
        np.array([piece.rotation_unguided_arcmin[1] for piece in pieces]) * 3600 / step,
        np.array([piece.north_arcsec[1] for piece in pieces]) * 60 / step,
        np.array([piece.east_arcsec[1] for piece in pieces]) * 60 / step,
    )


def steady_rate(field: Field, error: tuple[float, float]) -> float:
    """Drive rate, arcsec/s, that leaves no east drift between the window's two ends.

    The rate of the hour angle about the mount's own axis as the air shows the star: King's rate where the axis is
    on the refracted pole (E. S. King 1931, A Manual of Celestial Photography; outside-checks E3).
    """
    axis = field.pole.axis(*error)
    first, last = field.tracks.at(np.array([0.0, field.length_s]))[0]
    guess = (
        15.0 * ARCSEC * field.length_s
    )  # tells how many whole turns there are, which in a night is none or one
    back = turned(last[None, :], axis.north, guess)[0]
    x = first - axis.north * (first @ axis.north)
    east = np.cross(axis.north, first)
    rest = math.atan2(float(back @ east), float(back @ x))
    return (guess - rest) / field.length_s / ARCSEC
