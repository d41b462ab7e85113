"""Stars in one picture: where their centres are, and how well each is known; by photutils.

Segments of a lightly smoothed picture, and windowed centroids of them: at the bound of the photon noise for stars 2 to 4
pixels wide, in less time than photutils' own star finders take, whose centres are 1.7 to 3.5 times the bound off
(docs/experiments/frames.py). A single hot pixel is mended before it can look like a star; rows and columns that stand
off as a whole are left out, and so is what is longer, sharper or wider than the other stars: trails, hot pixels
in pairs, ghosts.
"""

from __future__ import annotations

import math
import warnings
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from poleward.errors import InputError
from poleward.frames.clean import SPARSE, cleaned, hot_pixels, strewn_share
from poleward.sky.axis import Floats

if TYPE_CHECKING:
    from poleward.frames.image import Pixels
    from poleward.guidelog.reading.section import Bools

SMOOTH = 1.3
"""Standard deviation, pixels, of the smoothing before detection: of a star 3 pixels wide. Stars of 2 and of 6 pixels
lose a tenth of their signal to noise by it."""
THRESHOLD = 5.0
"""In sigmas of the smoothed background: a picture of 20 million pixels then holds no false star of noise alone."""
LEAST_PIXELS = 5
MOST_STARS = 80
"""The brightest so many are measured: more make the shift no better, since the air shakes all alike."""
MOST_LOOKED_AT = 400
PEAK = 0.35
"""Of a star's light in its segment the brightest pixel has a quarter if it is 1.5 pixels wide; of hot pixels in pairs 0.4 to
1."""
MOST_FILLED = 0.3
"""Share of pixels that may stand out: 3,000 stars in a picture of 1280 x 960 fill a fifth."""
LONGEST = 1.6
SHARPEST = 0.5
WIDEST = 3.0
"""A star's length over its breadth, and its width, against the median of all: trailed stars are all alike, a satellite is
not."""
SATURATED_NOISE = 0.1
"""How far, in widths, a saturated star's centre may be off: kept only where there are no others."""
LEAST_STARS = 3
"""Two stars fit two others anywhere; three hardly."""


@dataclass(frozen=True, eq=False)
class Stars:
    """The stars of one picture, brightest first; pixels are counted from the centre of the first one, (0, 0).

    Attributes
    ----------
    x, y : array (n,)
        Centres, pixels along a row and across the rows.
    flux : array (n,)
        Counts above the background.
    background_noise : array (n,)
        One sigma of each coordinate, pixels, by the noise of the background.
    photon_noise : array (n,)
        The same by the star's own photons, if a count is an electron. How many it is no standard keyword tells: it is
        found from many frames (`follow`).
    shape : tuple of int
        Height and width of the picture.
    """

    x: Floats
    y: Floats
    flux: Floats
    background_noise: Floats
    photon_noise: Floats
    shape: tuple[int, int]

    @property
    def noise(self) -> Floats:
        """One sigma of each coordinate, pixels, if a count is an electron."""
        return np.hypot(self.background_noise, self.photon_noise)

    def __len__(self) -> int:
        """Return their number."""
        return len(self.x)


def find_stars(image: Pixels, saturation: float | None = None, source: str = "picture") -> Stars:
    """Find the stars of a picture and measure their centres.

    Parameters
    ----------
    image : array (height, width)
        Counts. What is not finite is left out.
    saturation : float, optional
        Level from which a pixel is full. Left out: the picture's highest value, if four pixels or more share it.
    source : str
        For messages.

    Returns
    -------
    Stars
        One at least.

    Raises
    ------
    InputError
        No stars, or so much stands out that it cannot be stars.
    """
    picture, sigma, bad = cleaned(image, source)
    segments = _segments(picture, sigma, source)
    full = _full_level(image) if saturation is None else saturation
    found = None if segments is None else _looks_like_stars(picture, image, segments, bad, full)
    if found is None:
        raise _no_stars(image, source)
    catalogue, full_stars = found
    # Twice the half-light radius: the window photutils weighs with, so it costs nothing more.
    radius = np.atleast_1d(np.asarray(catalogue.flux_radius(0.5).value, float))
    x, y = (np.atleast_1d(np.asarray(c, float)) for c in (catalogue.x_centroid_win, catalogue.y_centroid_win))
    flux = np.atleast_1d(np.asarray(catalogue.kron_flux, float))
    height, width = image.shape
    good = (
        np.isfinite(x + y + radius + flux)
        & (flux > 0)
        & (x > 0)
        & (y > 0)
        & (x < width - 1)
        & (y < height - 1)
    )
    if not np.any(good):
        raise _no_stars(image, source)
    middle = float(np.median(2 * radius[good]))
    good &= (2 * radius > SHARPEST * middle) & (2 * radius < WIDEST * middle)
    x, y, flux, full_stars = x[good], y[good], flux[good], full_stars[good]
    # A Gaussian's bounds (I. R. King 1983, PASP 95, 163, eqs. 24-25): sqrt(8 pi) s^2 sigma / F and s / sqrt(F).
    spread = middle / math.sqrt(8 * math.log(2))
    behind = math.sqrt(8 * math.pi) * spread**2 * sigma / flux
    behind = np.where(full_stars, np.hypot(behind, SATURATED_NOISE * middle), behind)
    return Stars(x, y, flux, behind, spread / np.sqrt(flux), (height, width))


def _no_stars(image: Pixels, source: str) -> InputError:
    if (share := strewn_share(image)) > 0:
        return hot_pixels(share, source)
    return InputError(
        "no stars stand out of the background",
        "cloud, a cap, hot pixels, or too short an exposure; it is left out",
        source,
    )


def _segments(picture: Pixels, sigma: float, source: str) -> Any:
    from photutils.segmentation import detect_sources
    from scipy.ndimage import gaussian_filter

    smooth = gaussian_filter(picture, SMOOTH, truncate=2.5)
    some = smooth[::SPARSE, ::SPARSE]
    # White noise keeps 1 / (2 sqrt(pi) SMOOTH) of its size; fixed patterns keep more.
    least = sigma / (2 * math.sqrt(math.pi) * SMOOTH)
    threshold = THRESHOLD * max(1.4826 * float(np.median(np.abs(some))), least)
    filled = float(np.mean(smooth > threshold))
    if filled > MOST_FILLED:
        raise InputError(
            f"{100 * filled:.0f} % of its pixels stand out of the background: no stars that could be told apart",
            "hot pixels, or clouds that are lit; it is left out",
            source,
        )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        segments = detect_sources(smooth, threshold, n_pixels=LEAST_PIXELS)
    return segments


def _full_level(image: Pixels) -> float:
    top = float(np.nanmax(image))
    return top if int(np.count_nonzero(image == top)) >= 4 else math.inf


def _brightest(picture: Pixels, segments: Any) -> Any:
    """Places in the list of segments of those that are no hot pixels, brightest first."""
    label, counts = segments.data.ravel(), picture.ravel()
    inside = np.flatnonzero(label)
    inside = inside[np.argsort(label[inside], kind="stable")]
    starts = np.flatnonzero(np.diff(label[inside], prepend=0))
    flux, peak = (part.reduceat(counts[inside], starts) for part in (np.add, np.maximum))
    order = np.argsort(-flux)
    return order[(peak < PEAK * flux)[order]][:MOST_LOOKED_AT]


def _looks_like_stars(
    picture: Pixels, image: Pixels, segments: Any, bad: tuple[Bools, Bools], full: float
) -> tuple[Any, Bools] | None:
    """Return photutils' catalogue of what is shaped like the other stars, brightest first, and which are saturated."""
    from photutils.segmentation import SourceCatalog

    order = _brightest(picture, segments)
    if len(order) == 0:
        return None
    catalogue = SourceCatalog(picture, segments)[order]
    left, right, low, high = (
        np.atleast_1d(getattr(catalogue, f"bbox_{end}")) for end in ("xmin", "xmax", "ymin", "ymax")
    )
    height, width = picture.shape
    # A segment that a bad line or the edge cuts has no centre.
    rows, columns = (np.concatenate([[0], np.cumsum(lines)]) for lines in bad)
    whole = (rows[np.minimum(high + 3, height)] == rows[np.maximum(low - 2, 0)]) & (
        columns[np.minimum(right + 3, width)] == columns[np.maximum(left - 2, 0)]
    )
    whole &= (left > 1) & (low > 1) & (right < width - 2) & (high < height - 2)
    fwhm, long = (
        np.atleast_1d(np.asarray(getattr(catalogue, name).value, float)) for name in ("fwhm", "elongation")
    )
    good = whole & np.isfinite(fwhm) & np.isfinite(long) & (fwhm > 1.0)
    if not np.any(good):
        return None
    good &= (long < LONGEST * np.median(long[good])) & (fwhm > SHARPEST * np.median(fwhm[good]))
    boxes = zip(low, high, left, right, strict=True)
    saturated = np.array([bool(np.max(image[a : b + 1, c : d + 1]) >= full) for a, b, c, d in boxes])
    if np.count_nonzero(good & ~saturated) >= LEAST_STARS:
        good &= ~saturated
    chosen = np.flatnonzero(good)[:MOST_STARS]
    if len(chosen) == 0:
        return None
    return catalogue[chosen], saturated[chosen]
