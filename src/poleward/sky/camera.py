"""The two cameras: how pixels lie on the sky."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from poleward.door import quantity
from poleward.errors import InputError
from poleward.sky.axis import ARCSEC

if TYPE_CHECKING:
    from poleward.door.quantity import Value

LARGEST_SCALE = 1000.0
"""Arcsec per pixel: a lens that sees the whole sky has 300; more is a wrong unit."""
LARGEST_PIXEL_M = 2e-4
"""Pixels are 1 to 25 um wide, binned by up to eight (common practice, no source); more is a wrong unit."""


@dataclass(frozen=True)
class GuideCamera:
    """Where drifts are measured in pixels.

    Parameters
    ----------
    scale : Quantity, str or float
        Angle on the sky of one pixel; a bare number is in arcsec per pixel.
    position_angle : Quantity, str or float
        Of the direction that is up in the picture (in which y grows, unless `rows` are counted down), north through
        east; a bare number is in degrees.
    mirrored : bool
        False: with y turned to the north, x grows toward the west, as the naked eye sees the sky.
        True: x grows toward the east.
    rows : str
        ``up`` or ``down``, the way y is counted on the screen. Both other values are told with y upward, so with rows
        counted downward a y from the screen changes sign.
    where : str
        For messages.

    Attributes
    ----------
    scale_arcsec, position_angle_rad : float
        The same in plain numbers.

    Raises
    ------
    InputError
        A value that cannot be used.
    """

    scale: Value = field(compare=False)
    position_angle: Value = field(compare=False)
    mirrored: bool = False
    rows: str = "up"
    where: str = field(default="guide camera", repr=False, compare=False)
    scale_arcsec: float = field(init=False, repr=False)
    position_angle_rad: float = field(init=False, repr=False)

    def __post_init__(self) -> None:
        """Strip the units and check the ranges."""
        scale = quantity.parse(self.scale, quantity.SCALE, self.where, "scale")
        angle = quantity.parse(self.position_angle, quantity.ANGLE, self.where, "position_angle")
        if not 0 < scale <= LARGEST_SCALE:
            raise InputError(
                f"scale is {scale:g} arcsec/pix, allowed is more than 0 and up to {LARGEST_SCALE:g} arcsec/pix",
                "check its unit, or focal length and pixel size",
                self.where,
            )
        if not isinstance(self.mirrored, bool):
            raise InputError(
                f"mirrored is {self.mirrored!r}, allowed is true or false", "without quotes", self.where
            )
        if self.rows not in ("up", "down"):
            raise InputError(
                f"rows is {self.rows!r}, allowed is 'up' or 'down'", "as y is counted", self.where
            )
        object.__setattr__(self, "scale_arcsec", scale)
        object.__setattr__(self, "position_angle_rad", angle)

    def to_sky(self, x_pix: float, y_pix: float) -> tuple[float, float]:
        """Return north and east components of a displacement in pixels.

        Parameters
        ----------
        x_pix, y_pix : float or array
            Displacement in the picture, pixels, y as `rows` counts it.

        Returns
        -------
        (float, float) or arrays
            North and east, arcsec.
        """
        hand = -1.0 if self.mirrored else 1.0
        up = y_pix if self.rows == "up" else -y_pix
        sine, cosine = math.sin(self.position_angle_rad), math.cos(self.position_angle_rad)
        north = self.scale_arcsec * (up * cosine + hand * x_pix * sine)
        east = self.scale_arcsec * (up * sine - hand * x_pix * cosine)
        return north, east

    def to_pixels(self, north_arcsec: float, east_arcsec: float) -> tuple[float, float]:
        """Return the displacement in pixels of one on the sky; the inverse of `to_sky`.

        Parameters
        ----------
        north_arcsec, east_arcsec : float or array
            Displacement on the sky, arcsec.

        Returns
        -------
        (float, float) or arrays
            Displacement in x and y, pixels.
        """
        hand = -1.0 if self.mirrored else 1.0
        sine, cosine = math.sin(self.position_angle_rad), math.cos(self.position_angle_rad)
        up = (north_arcsec * cosine + east_arcsec * sine) / self.scale_arcsec
        x = hand * (north_arcsec * sine - east_arcsec * cosine) / self.scale_arcsec
        return x, up if self.rows == "up" else -up

    def sigma_to_sky(self, x_sigma_pix: float, y_sigma_pix: float) -> tuple[float, float]:
        """Return uncertainties north and east of those in pixels; the correlation between the two is left out.

        Parameters
        ----------
        x_sigma_pix, y_sigma_pix : float
            Standard uncertainties, pixels.

        Returns
        -------
        (float, float)
            Standard uncertainties north and east, arcsec.
        """
        sine, cosine = math.sin(self.position_angle_rad), math.cos(self.position_angle_rad)
        north = self.scale_arcsec * math.hypot(y_sigma_pix * cosine, x_sigma_pix * sine)
        east = self.scale_arcsec * math.hypot(y_sigma_pix * sine, x_sigma_pix * cosine)
        return north, east


@dataclass(frozen=True)
class Camera:
    """The imaging camera.

    Parameters
    ----------
    focal_length, pixel_size : Quantity or str
        A length always needs its unit.
    width, height : int or str
        Of the frame, pixels.
    where : str
        For messages.

    Attributes
    ----------
    focal_length_m, pixel_size_m : float
    width_pix, height_pix : int

    Raises
    ------
    InputError
        A value that cannot be used.
    """

    focal_length: Value = field(compare=False)
    pixel_size: Value = field(compare=False)
    width: int | str = field(compare=False)
    height: int | str = field(compare=False)
    where: str = field(default="camera", repr=False, compare=False)
    focal_length_m: float = field(init=False, repr=False)
    pixel_size_m: float = field(init=False, repr=False)
    width_pix: int = field(init=False, repr=False)
    height_pix: int = field(init=False, repr=False)

    def __post_init__(self) -> None:
        """Strip the units and check the ranges."""
        for name in ("focal_length", "pixel_size"):
            kind = quantity.PIXEL_SIZE if name == "pixel_size" else quantity.LENGTH
            value = quantity.parse(getattr(self, name), kind, self.where, name)
            if value <= 0:
                raise InputError(f"{name} is {value:g} m, allowed is more than 0", "", self.where)
            if name == "pixel_size" and value > LARGEST_PIXEL_M:
                raise InputError(
                    f"pixel_size is {value * 1e6:g} um, allowed is up to {LARGEST_PIXEL_M * 1e6:g} um",
                    "of one pixel, or of some that are binned, e.g. 3.76 um",
                    self.where,
                )
            object.__setattr__(self, f"{name}_m", value)
        for name in ("width", "height"):
            value = getattr(self, name)
            whole = re.fullmatch("[0-9]{1,6}", str(value))
            if not whole or int(whole[0]) == 0:
                raise InputError(
                    f"{name} is {value!r}, allowed is a whole number of pixels", "e.g. 4000", self.where
                )
            object.__setattr__(self, f"{name}_pix", int(whole[0]))

    @property
    def scale_arcsec(self) -> float:
        """Arcseconds per pixel at the centre."""
        return self.pixel_size_m / self.focal_length_m / ARCSEC
