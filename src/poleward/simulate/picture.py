"""How a simulated camera lies on the sky, what is wrong with its pictures, and the drawing of stars."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from poleward.simulate.guider import Scatter
from poleward.sky.axis import Floats

WING = 5.0
"""Stars are drawn so many widths out: a Moffat star has a twenty-thousandth of its height there."""
FINE = 3
"""Points each way at which a pixel's light is taken: for stars 2 pixels wide its sum is then good to 1e-3."""
MOFFAT = 3.0
"""Exponent: between 2.5 and 4.8 for the air's stars (I. Trujillo et al. 2001, MNRAS 328, 977; M)."""


@dataclass(frozen=True)
class View:
    """How the camera lies on the sky.

    Attributes
    ----------
    width, height : int
        Pixels.
    scale_arcsec : float
        Of a pixel.
    angle_deg : float
        Position angle of the direction in which rows are counted, north through east, with the tube on its first side.
    mirrored : bool
        With rows counted upward.
    other_side : bool
        The tube is on the other side of the mount: the picture stands on its head.
    """

    width: int = 320
    height: int = 240
    scale_arcsec: float = 2.0
    angle_deg: float = 20.0
    mirrored: bool = False
    other_side: bool = False

    def pixels(self, north: Floats, east: Floats) -> Floats:
        """Places x, y (..., 2) of what is north and east of the camera's axis, arcsec."""
        from scipy.spatial.transform import Rotation

        # North up has west at the right hand; the angle turns up from north toward east.
        flat = np.stack([-east, north, np.zeros_like(north)], axis=-1).reshape(-1, 3)
        seen = Rotation.from_euler("z", -self.angle_deg + 180 * self.other_side, degrees=True).apply(flat)
        if self.mirrored:
            seen[:, 0] *= -1
        middle = np.array([self.width - 1, self.height - 1]) / 2
        result: Floats = middle + seen[:, :2].reshape(*np.shape(north), 2) / self.scale_arcsec
        return result


@dataclass(frozen=True)
class Faults:
    """What the air, the drive and the camera do to the pictures.

    Attributes
    ----------
    scatter : Scatter
        How all stars shake together, arcsec: its white and its lasting part.
    worm_arcsec, worm_s : float
        Height of the drive's wave in right ascension, and how long one takes.
    fwhm_pix : float
        Of the stars; `defocus` by which share it grows over the run.
    sky, read_noise : float
        Electrons in a pixel.
    hot : int
        Hot pixels.
    bad_rows : int
    cloud : (float, float, float)
        From which to which share of the run, and how much light it lets through.
    satellite : float
        At which share of the run a trail crosses the picture; negative: none.
    full : float
        Electrons at which a pixel is saturated.
    """

    scatter: Scatter = field(default_factory=lambda: Scatter(0.8, 0.4, 30.0))
    worm_arcsec: float = 8.0
    worm_s: float = 480.0
    fwhm_pix: float = 3.0
    defocus: float = 0.1
    sky: float = 200.0
    read_noise: float = 5.0
    hot: int = 100
    bad_rows: int = 1
    cloud: tuple[float, float, float] = (0.6, 0.7, 0.1)
    satellite: float = 0.3
    full: float = 60000.0


def add_star(light: Floats, place: Floats, flux: float, fwhm: float) -> None:
    """Add a Moffat star, its light taken at FINE x FINE points of each pixel."""
    reach = math.ceil(WING * fwhm)
    spans = []
    for centre, length in zip(place, light.shape[::-1], strict=True):
        low, high = max(round(centre) - reach, 0), min(round(centre) + reach + 1, length)
        if low >= high:
            return
        spans.append((low, high))
    core = (fwhm / 2) ** 2 / (2 ** (1 / MOFFAT) - 1)
    within = (np.arange(FINE) + 0.5) / FINE - 0.5
    x, y = (
        ((np.arange(low, high)[:, None] + within).ravel() - centre) ** 2
        for (low, high), centre in zip(spans, place, strict=True)
    )
    fine = (MOFFAT - 1) / (math.pi * core) * (1 + (x + y[:, None]) / core) ** -MOFFAT
    (left, right), (low, high) = spans
    coarse = fine.reshape(high - low, FINE, right - left, FINE).mean(axis=(1, 3))
    light[low:high, left:right] += flux * coarse


def add_trail(light: Floats, rng: np.random.Generator) -> None:
    """Add a satellite: a straight line from the left to the right edge, three pixels wide."""
    height, width = light.shape
    ends = rng.uniform(0, height, 2)
    line = ends[0] + (ends[1] - ends[0]) * np.arange(width) / width
    light += 1500 * np.exp(-0.5 * ((np.arange(height)[:, None] - line) / 1.3) ** 2)
