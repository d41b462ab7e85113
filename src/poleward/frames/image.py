"""One picture of the sky, as everything after its reading takes it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from astropy.wcs import WCS

Pixels = NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class Frame:
    """One picture of the sky, its colours added up.

    Attributes
    ----------
    source : str
        Name of the file, as it may be printed.
    image : array (height, width) of float32
        The first row is the first that is stored; by the FITS standard's way of drawing y counts UP with the rows.
    middle_s : float
        Middle of the exposure, UTC, seconds since 1970-01-01T00:00:00Z as POSIX counts them.
    exposure_s : float
    saturation : float or None
        Level from which a pixel is taken as full; None where it is not known.
    wcs : astropy.wcs.WCS or None
        Celestial, two axes, where the header has one.
    """

    source: str
    image: Pixels
    middle_s: float
    exposure_s: float
    saturation: float | None = None
    wcs: WCS | Any | None = None

    @property
    def shape(self) -> tuple[int, int]:
        """Height and width, pixels."""
        height, width = self.image.shape
        return height, width
