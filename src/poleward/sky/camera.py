"""The two cameras: how pixels lie on the sky."""

from __future__ import annotations

import math
from dataclasses import dataclass

from poleward.sky.axis import ARCSEC


@dataclass(frozen=True)
class GuideCamera:
    """Where drifts are measured in pixels.

    Attributes
    ----------
    scale_arcsec : float
        Arcseconds per pixel.
    position_angle_rad : float
        Position angle of the direction in which y grows, north through east.
    mirrored : bool
        False: with y turned to the north, x grows toward the west, as the naked eye sees the sky.
        True: x grows toward the east.
    """

    scale_arcsec: float
    position_angle_rad: float
    mirrored: bool

    def to_sky(self, x_pix: float, y_pix: float) -> tuple[float, float]:
        """North and east components, arcsec, of a displacement in pixels."""
        hand = -1.0 if self.mirrored else 1.0
        sine, cosine = math.sin(self.position_angle_rad), math.cos(self.position_angle_rad)
        north = self.scale_arcsec * (y_pix * cosine + hand * x_pix * sine)
        east = self.scale_arcsec * (y_pix * sine - hand * x_pix * cosine)
        return north, east

    def to_pixels(self, north_arcsec: float, east_arcsec: float) -> tuple[float, float]:
        """Return x and y, pixels, of a displacement on the sky; the inverse of `to_sky`."""
        hand = -1.0 if self.mirrored else 1.0
        sine, cosine = math.sin(self.position_angle_rad), math.cos(self.position_angle_rad)
        y = (north_arcsec * cosine + east_arcsec * sine) / self.scale_arcsec
        x = hand * (north_arcsec * sine - east_arcsec * cosine) / self.scale_arcsec
        return x, y

    def sigma_to_sky(self, x_sigma_pix: float, y_sigma_pix: float) -> tuple[float, float]:
        """Standard uncertainties north and east, arcsec; the correlation between the two is left out."""
        sine, cosine = math.sin(self.position_angle_rad), math.cos(self.position_angle_rad)
        north = self.scale_arcsec * math.hypot(y_sigma_pix * cosine, x_sigma_pix * sine)
        east = self.scale_arcsec * math.hypot(y_sigma_pix * sine, x_sigma_pix * cosine)
        return north, east


@dataclass(frozen=True)
class Camera:
    """The imaging camera: focal length and pixel size in metres, frame in pixels."""

    focal_length_m: float
    pixel_size_m: float
    width_pix: int
    height_pix: int

    @property
    def scale_arcsec(self) -> float:
        """Arcseconds per pixel at the centre."""
        return self.pixel_size_m / self.focal_length_m / ARCSEC
