"""One picture of the sky, as everything after its reading takes it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Pixels = NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class Frame:
    """One picture of the sky, its colours added up.

    Attributes
    ----------
    source : str
        Name of the file, as it may be printed.
    image : array (height, width) of float32
        NaN where there is no value. The first row is the first that is stored; by the FITS standard's way of drawing y counts UP with the rows.
    middle_s : float
        Middle of the exposure, UTC, seconds since 1970-01-01T00:00:00Z as POSIX counts them.
    saturation : float or None
        Level from which a pixel is taken as full; None where it is not known.
    """

    source: str
    image: Pixels
    middle_s: float
    saturation: float | None = None
