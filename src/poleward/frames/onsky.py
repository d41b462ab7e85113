"""How the pixels of a picture lie on the sky, however that is known: one matrix, and how sure it is."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

import numpy as np

from poleward.sky.axis import ARCSEC, Floats, field_basis, on_tangent_plane
from poleward.sky.camera import GuideCamera
from poleward.sky.earth import pole_of_date
from poleward.sky.orient import CameraFound

STEP_PIX = 8.0
"""Steps from the middle by which a WCS is measured: far above its rounding, far below what distortion bends."""
STATED_SCALE_SIGMA = 0.01
STATED_ANGLE_SIGMA = math.radians(0.3)
"""Of a [guide_camera] in the setup: what `poleward camera` reaches with places read to a whole pixel (docs/camera.md)."""


@dataclass(frozen=True, eq=False)
class OnSky:
    """How pixels lie on the sky.

    Attributes
    ----------
    matrix : array (2, 2)
        Takes a displacement (x, y) in pixels, y growing with the rows as they are stored, to (north, east) in arcsec.
    scale_sigma : float
        Standard uncertainty of the scale, relative.
    angle_sigma : float
        Of the position angle, radians.
    source : str
        Where it is from, for people.
    upright : bool
        It holds on whichever side of the mount the tube is, as a WCS does.
    """

    matrix: Floats
    scale_sigma: float
    angle_sigma: float
    source: str
    upright: bool = False

    @property
    def hand(self) -> float:
        """+1 where a turn from x toward y is one from north through east: as the eye sees the sky, with y upward."""
        return 1.0 if np.linalg.det(self.matrix) > 0 else -1.0

    @property
    def scale_arcsec(self) -> float:
        """Arcsec per pixel."""
        return math.sqrt(abs(float(np.linalg.det(self.matrix))))

    @property
    def position_angle_deg(self) -> float:
        """Of the direction in which y grows, north through east, 0 to 360 deg."""
        return math.degrees(math.atan2(self.matrix[1, 1], self.matrix[0, 1])) % 360

    def of_blocks(self, side: int) -> OnSky:
        """Return the same for a picture of blocks of so many pixels a side."""
        return replace(self, matrix=self.matrix * side)


def by_setup(camera: GuideCamera) -> OnSky:
    """Return it from the guide camera of a setup, whose y is the row as it is stored."""
    matrix = np.column_stack([camera.to_sky(1.0, 0.0), camera.to_sky(0.0, 1.0)])
    return OnSky(matrix, STATED_SCALE_SIGMA, STATED_ANGLE_SIGMA, camera.where)


def by_run(found: CameraFound) -> OnSky:
    """Return it from stars that ran with the drive stopped."""
    camera = GuideCamera(
        found.scale_arcsec_per_pix, found.position_angle_deg, found.mirrored, found.rows, where="drive off"
    )
    known = by_setup(camera)
    relative = found.scale_sigma_arcsec_per_pix / found.scale_arcsec_per_pix
    return replace(
        known,
        scale_sigma=relative,
        angle_sigma=math.radians(found.position_angle_sigma_deg),
        source="the stars' run with the drive off",
    )


def by_wcs(wcs: Any, shape: tuple[int, int], moment: datetime) -> OnSky:
    """Return it from a WCS, at the middle of a picture; north is that of the date.

    Parameters
    ----------
    wcs : astropy.wcs.WCS
        Celestial.
    shape : tuple of int
        Height and width, pixels.
    moment : datetime
        Precession has turned north by up to 0.15 deg from that of the catalogues near the celestial equator, more near
        the pole.
    """
    x, y = middle_of(shape)
    step = STEP_PIX * np.array([[0, 0], [1, 0], [-1, 0], [0, 1], [0, -1]])
    directions = directions_at(wcs, np.array([x, y]) + step)
    first = directions[:1]
    east, north = field_basis(first, pole_of_date(moment))
    east_at, north_at = on_tangent_plane(directions, first, east, north)
    both = np.stack([north_at, east_at]) / ARCSEC
    matrix = np.column_stack([both[:, 1] - both[:, 2], both[:, 3] - both[:, 4]]) / (2 * STEP_PIX)
    return OnSky(matrix, 0.0, 0.0, "the header's WCS", True)


def middle_of(shape: tuple[int, int]) -> tuple[float, float]:
    """Return x and y of a picture's middle, pixels, the first pixel's middle at (0, 0)."""
    height, width = shape
    return (width - 1) / 2, (height - 1) / 2


def directions_at(wcs: Any, pixels: Floats) -> Floats:
    """Directions (n, 3) among the stars (ICRS) of pixels (n, 2), by astropy's WCS."""
    place = wcs.pixel_to_world(pixels[:, 0], pixels[:, 1]).icrs
    directions: Floats = place.cartesian.xyz.value.T
    return directions


def pixels_at(wcs: Any, directions: Floats) -> Floats:
    """Return the pixels (n, 2) of directions (n, 3) among the stars (ICRS)."""
    from astropy.coordinates import SkyCoord

    ra = np.arctan2(directions[:, 1], directions[:, 0])
    dec = np.arctan2(directions[:, 2], np.hypot(directions[:, 0], directions[:, 1]))
    place = SkyCoord(ra, dec, unit="rad", frame="icrs")
    return np.column_stack(wcs.world_to_pixel(place))
