"""What the data determine: azimuth and altitude error, one of them, or neither; and which pointing would help.

Judged on the sky, where one arcminute of either error drifts a star equally fast: by the information in the data, and
by how well the geometry sees each direction, for errors that no sigma knows of.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from poleward.sky.axis import COMPASS, STELLAR_RATE, Floats, azimuth_altitude, displacement
from poleward.sky.look import Pointing, look
from poleward.sky.pole import Pole
from poleward.sky.site import Site

LEAST_LEVER = 0.05
"""How well the best placed measurement must see a direction of the axis error for it to count as determined.

The lever is the drift that an error makes against the fastest it can make anywhere: the sine of an hour angle, say.
Two stars either side of the meridian, the altitude error between them, have this lever when 23 minutes of hour angle
apart. A telescope whose hour angles are wrong by a degree then misleads by a quarter to a half of the axis error itself
(docs/experiments/conditioning.py), however small the sigmas are.
"""

BLIND_ARCMIN = 60.0
"""How far off, on the sky and at one sigma, an axis may be of which nothing is known.

A mount set up by compass and latitude scale (common practice, no source).
"""

CLEAR_FRACTION = 0.25
"""With one direction fixed, an error counts as determined when this much of `BLIND_ARCMIN` is left of it at most.

That is a star within 14.5 deg (58 minutes) of the meridian for azimuth, or of the six-hour circle for altitude.
"""

SINGULAR = 1e-6
"""A direction this much weaker than the other is not known at all: its square is what rounding leaves of doubles, times 10^4."""

Determined = Literal["both", "azimuth", "altitude", "neither"]
FIELDS: tuple[Determined, ...] = ("neither", "azimuth", "altitude", "both")


@dataclass(frozen=True, eq=False)
class Determination:
    """What data with a given Jacobian fix.

    Attributes
    ----------
    determined : str
        ``both``, ``azimuth``, ``altitude`` or ``neither``.
    directions : int
        How many independent directions of the axis error are fixed: 0, 1 or 2.
    best, worst : array (2,)
        Unit vectors (azimuth error on the sky, altitude error): the best and the worst fixed direction.
    """

    determined: Determined
    directions: int
    best: Floats
    worst: Floats


def judge(information: Floats, lever: Floats, pole: Pole) -> Determination:
    """Judge what data determine.

    `information` (2, 2) is the inverse covariance of the azimuth and altitude error, per arcmin^2, nuisances cleared away;
    `lever` (m, 2), for every measurement, the drift that each error on the sky makes against the fastest drift possible.
    """
    on_sky = information / np.outer(pole.on_sky, pole.on_sky)
    strengths, directions = np.linalg.eigh(on_sky)
    worst, best = directions.T
    weak, strong = np.sqrt(np.maximum(strengths, 0.0))
    seen = float(np.max(np.abs(lever @ worst), initial=0.0))
    count = 0 if strong * BLIND_ARCMIN < 1 else 2 if seen > LEAST_LEVER and weak > SINGULAR * strong else 1
    if count == 2:
        sigma = np.sqrt(np.diag(np.linalg.inv(on_sky)))
        clear = sigma < BLIND_ARCMIN
    else:
        along = 1 / (BLIND_ARCMIN**-2 + (strong**2 if count else 0.0))
        left = BLIND_ARCMIN**2 * worst**2 + along * best**2
        clear = np.sqrt(left) < CLEAR_FRACTION * BLIND_ARCMIN
    return Determination(FIELDS[int(clear[0]) + 2 * int(clear[1])], count, best, worst)


@dataclass(frozen=True, eq=False)
class AxisEstimate:
    """The errors of an axis as fitted, determined or not: of one fit, or of several joined.

    Attributes
    ----------
    azimuth, altitude : float
        A and e, arcmin.
    information : array (2, 2)
        On both, arcmin^-2, from the data alone; everything else cleared away, sigmas widened where they had to be.
    determination : Determination
    lever : array (m, 2)
        See `judge`.
    pole : Pole
        That the errors refer to.
    intervals : array (2, 2), or None
        In which A and e lie with 95 %: lows and highs, arcmin. None: to both sides alike.
    """

    azimuth: float
    altitude: float
    information: Floats
    determination: Determination
    lever: Floats
    pole: Pole
    intervals: Floats | None = None

    @property
    def point(self) -> Floats:
        """(A, e), arcmin."""
        return np.array([self.azimuth, self.altitude])

    @property
    def covariance(self) -> Floats:
        """Of both errors, arcmin^2; where a direction is open, held by `BLIND_ARCMIN`."""
        both = self.determination.determined == "both"
        held = self.information if both else self.information + blind(self.pole)
        return np.asarray(np.linalg.inv(held), np.float64)


def blind(pole: Pole) -> Floats:
    """Information (2, 2) on A and e, arcmin^-2, that holds what the data leave open; see `BLIND_ARCMIN`."""
    return np.diag((pole.on_sky / BLIND_ARCMIN) ** 2)


@dataclass(frozen=True)
class Advice:
    """A pointing that would help, degrees and hours."""

    hour_angle_h: float
    dec_deg: float
    azimuth_deg: float
    altitude_deg: float

    @property
    def text(self) -> str:
        """One sentence, in words and numbers."""
        where = COMPASS[2 * (round(self.azimuth_deg / 45) % 8)]
        return (
            f"time a star in the {where}, near hour angle {self.hour_angle_h:+.1f} h, dec {self.dec_deg:+.0f} deg "
            f"(azimuth {self.azimuth_deg:.0f} deg, altitude {self.altitude_deg:.0f} deg)"
        )


def pointing_to_add(worst: Floats, site: Site) -> Advice:
    """Find the pointing whose north drift shows best what is least known: `worst` (2,), (azimuth error on the sky, altitude error).

    It stands above 30 deg, where refraction is safe, if the site has such a sky there.
    """
    dec_deg, hour_h = np.meshgrid(np.arange(-45.0, 46, 5), np.arange(-6.0, 6.25, 0.5))
    pointings = [
        Pointing(hour_angle=math.radians(15 * h), dec=math.radians(d))
        for h, d in zip(hour_h.ravel(), dec_deg.ravel(), strict=True)
    ]
    seconds = 600.0
    sight = look(pointings, np.tile([0.0, seconds], (len(pointings), 1)), site)
    pole = sight.apparent_pole
    turn = np.full(len(pointings), STELLAR_RATE * seconds)
    north_by = displacement(pole.axis(0.0, 0.0), sight.seen[:, 0], sight.seen[:, 1], turn).north_by[:, :2]
    shown = np.abs(north_by / pole.on_sky @ worst)
    azimuth, altitude = (np.degrees(angle) for angle in azimuth_altitude(sight.seen[:, 0]))
    # Full marks from 30 deg up, falling to none at 15; among equals the higher star, whose air is calmer, but not
    # the zenith, where many mounts are awkward. Beyond 45 deg of dec a wrong hour angle costs more; none is tried.
    score = shown / shown.max() * np.clip((altitude - 15) / 15, 0.0, 1.0) + np.minimum(altitude, 75) / 9000
    best = int(np.argmax(score))
    place = hour_h.ravel()[best], dec_deg.ravel()[best], azimuth[best] % 360, altitude[best]
    return Advice(*map(float, place))
