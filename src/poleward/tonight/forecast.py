"""What an axis error will do to the pictures of one target: drift, rotation, trail, longest exposure, tolerance.

Everything is carried through the exact geometry of `trail` and `axis`, with refraction.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from poleward.sky.axis import ARCMIN, ARCSEC, Floats, angle_between, turned
from poleward.tonight.exposure import CROSS, WIDEST_ARCMIN, Exposures, Field, Outfit, evenly, reach
from poleward.tonight.trail import guided_path, turn_and_shear, unguided_path

STEP_S = 60.0
"""A rate is a displacement over this time: the drift of a minute differs from the momentary one by 1e-5 of it."""
DIRECTIONS = 48
"""Directions in which the tolerance is looked for before the worst is refined: 7.5 deg apart."""


def longest_exposure(field: Field, outfit: Outfit, error: tuple[float, float], *, guided: bool) -> float:
    """Longest exposure, seconds, whose trail stays within the limit; the window's length if that long does.

    A longer exposure contains a shorter one, so the trail grows with it and there is one answer. Zero where not even
    a billionth of the window stays within.
    """
    from scipy.optimize import brentq

    def beyond(exposure_s: float) -> float:
        return Exposures(field, exposure_s, outfit, guided).trail(*error) - outfit.limit_pix

    shortest = field.length_s * 1e-9
    if beyond(field.length_s) <= 0:
        return field.length_s
    if beyond(shortest) > 0:
        return 0.0
    # A thousandth of the answer is a tenth of the 1 % that is promised.
    return float(brentq(beyond, shortest, field.length_s, xtol=1e-4, rtol=1e-3))


def tolerance(exposures: Exposures) -> float:
    """Largest offset of the axis, arcmin on the sky, that keeps the trail within the limit in any direction.

    Zero when on the reference pole it is longer than the limit: by refraction alone, or by the drive's rate.
    """
    from scipy.optimize import brentq

    field, outfit = exposures.field, exposures.outfit
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
        axis = field.pole.axis(r * way[0], r * way[1])
        found.append(float(angle_between(axis.elevated, field.pole.direction)) / ARCMIN)
    return min(found)


@dataclass(frozen=True, eq=False)
class Rates:
    """Momentary rates at some moments (seconds of the window), arrays (T,).

    Rotation, arcmin/h, is the mean turn over all directions of the sky in the camera, north through east; shear, arcmin/h and
    never negative, what the air adds to it in the worst direction and takes from it in the other; north and east, arcsec/min,
    the drift of a mount that only tracks.
    """

    seconds: Floats
    rotation_guided: Floats
    rotation_unguided: Floats
    shear: Floats
    north: Floats
    east: Floats


def rates(field: Field, outfit: Outfit, error: tuple[float, float]) -> Rates:
    """Rates all through the window, of a camera that starts at each moment anew."""
    step = min(STEP_S, field.length_s)
    begins = evenly(field.length_s - step)
    seen = field.tracks.at(begins[:, None] + np.array([0.0, step]))
    axis = field.pole.axis(*error)
    stars = [0, 0, *range(2, 2 + CROSS)]  # held on the centre
    paths = (
        guided_path(axis, seen[stars]),
        unguided_path(axis, seen[stars], outfit.rate * np.array([0.0, step])),
    )
    across = [path[[2, 4]] - path[[3, 5]] for path in paths]
    hourly = 3600 / step / ARCMIN
    (guided, shear), (unguided, _) = (turn_and_shear(lines[:, :, 0], lines[:, :, 1]) for lines in across)
    north, east = (paths[1][0, :, 1] * 60 / step / ARCSEC).T
    return Rates(begins + step / 2, guided * hourly, unguided * hourly, shear * hourly, north, east)


def steady_rate(field: Field, error: tuple[float, float]) -> float:
    """Drive rate, arcsec/s, that leaves no east drift between the window's two ends.

    The rate of the hour angle about the mount's own axis as the air shows the star: King's rate where the axis is
    on the refracted pole (E. S. King 1931, A Manual of Celestial Photography; outside-checks E3).
    """
    axis = field.pole.axis(*error)
    first, last = field.tracks.at(np.array([0.0, field.length_s]))[0]
    # It tells how many whole turns there are, which in a night is none or one.
    guess = 15.0 * ARCSEC * field.length_s
    back = turned(last[None, :], axis.north, guess)[0]
    x = first - axis.north * (first @ axis.north)
    east = np.cross(axis.north, first)
    rest = math.atan2(float(back @ east), float(back @ x))
    return (guess - rest) / field.length_s / ARCSEC
