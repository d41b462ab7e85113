"""A base that is not level: what its knobs do to the axis, by exact rotation. Angles are radians."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from poleward.sky.axis import Floats, azimuth_altitude, cross, turned, unit_vector

STEP = 1e-4
"""Knob angle for the slopes by central differences, radians (0.3 arcmin): both rounding and curvature stay below 1e-8."""


@dataclass(frozen=True)
class Base:
    """How far a base is from level.

    Attributes
    ----------
    tilt_rad : float
        Angle between the base and the horizontal.
    toward_rad : float
        Azimuth of its lowest side, north through east.
    """

    tilt_rad: float = 0.0
    toward_rad: float = 0.0

    @property
    def upright(self) -> Floats:
        """Unit vector (3,) that the azimuth knob turns about: it leans to the lowest side."""
        return unit_vector(self.toward_rad, np.pi / 2 - self.tilt_rad)


def after_knobs(
    elevated: Floats, base: Base, by_azimuth: float, by_altitude: float, hemisphere: float
) -> Floats:
    """Return where the axis points, (3,), after the altitude knob and then the azimuth knob have moved it from `elevated`, (3,).

    The knobs turn the mount about its own upright (east positive in both hemispheres) and its own level axis (up positive),
    radians. The order does not matter: the azimuth knob carries the level axis along. Rodrigues' formula, twice; a
    right-handed turn about an upright axis lowers the azimuth (north through east).
    """
    level = cross(elevated, base.upright)
    raised = turned(elevated, level / np.linalg.norm(level), by_altitude)
    return turned(raised, base.upright, -hemisphere * by_azimuth)


def cross_talk(elevated: Floats, base: Base, hemisphere: float) -> Floats:
    """Return the slopes of (azimuth, altitude) of the axis by (azimuth knob, altitude knob), shape (2, 2).

    Rows: azimuth (east positive, an angle of azimuth) and altitude; columns: knobs. The unit matrix if the base is level.
    `elevated` (3,) is where the axis stands.
    """
    columns = []
    for way in np.eye(2):
        ends = [
            after_knobs(elevated, base, float(s * way[0]), float(s * way[1]), hemisphere)
            for s in (STEP, -STEP)
        ]
        (azimuth_1, altitude_1), (azimuth_0, altitude_0) = (azimuth_altitude(end) for end in ends)
        east = hemisphere * np.angle(np.exp(1j * (azimuth_1 - azimuth_0)))
        columns.append([float(east), float(altitude_1 - altitude_0)])
    slopes: Floats = np.array(columns).T / (2 * STEP)
    return slopes
