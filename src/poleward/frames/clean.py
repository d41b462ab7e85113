"""A picture without its background, its bad lines and its single hot pixels, before stars are looked for."""

from __future__ import annotations

import warnings

import numpy as np

from poleward.errors import InputError
from poleward.frames.image import Pixels
from poleward.guidelog.reading.section import Bools

SMALLEST = 32
"""Pixels along a side: less holds no field of stars."""
BOX = 96
"""Side, pixels, of the boxes in which the background is taken: twenty times a star, a tenth of a picture."""
SPARSE = 3
"""The background is taken from every third pixel each way: a ninth of the time, and 1,000 pixels are left in a box."""
HOT = 8.0
HOT_NEIGHBOUR = 0.2
"""A pixel so many sigmas up, none of whose four neighbours has a fifth of that, is no star: stars 1.5 pixels wide or more
leave 0.3 there."""
MOST_HOT = 0.03
"""Share of pixels that may stand out alone: ten times what a warm camera has (common practice, no source)."""
DARKEST = (1.0, 10.0)
"""Percentiles that no hot pixel reaches: about one sigma apart, the upper 1.3 sigmas below the middle of noise alone."""
UNEVEN = 0.2
"""Hot pixels have neighbours that are hot as often as chance makes it, within this share; lit clouds two times as often and
more, stripes and rasters of colours never or always (tried on simulated pictures with 30 to 90 % of hot pixels)."""
ROUNDING = 0.3
"""Noise, in steps of the counts, that rounding makes: 1 / sqrt(12)."""
LINE_OFF = 1.0
"""A row or column is bad if its median is off by so many sigmas: the stripes of common sensors are 0.3 at most (common
practice, no source)."""


def cleaned(image: Pixels, source: str) -> tuple[Pixels, float, tuple[Bools, Bools]]:
    """Take away the background, bad lines and single hot pixels.

    Parameters
    ----------
    image : array (height, width)
    source : str
        For messages.

    Returns
    -------
    picture : array (height, width)
        About zero where there is nothing.
    sigma : float
        Noise of a pixel of the background.
    bad : tuple of bool array (height,) and (width,)
        Rows and columns that are off as a whole.

    Raises
    ------
    InputError
        There is no picture of stars in it.
    """
    height, width = image.shape
    if min(height, width) < SMALLEST:
        raise InputError(
            f"its picture has {width} x {height} pixels, needed are {SMALLEST} a side", "", source
        )
    dark = ~np.isfinite(image)
    if np.any(dark):
        if np.mean(dark) > 0.5:
            raise InputError("more than half of its pixels have no value", "", source)
        image = np.where(dark, np.median(image[~dark]), image).astype(np.float32)
    mesh, box, sigma = _sky(image)
    off = LINE_OFF * sigma
    if not sigma > 0:
        # Half of the pixels agree: few bits and a dark sky, or nothing at all.
        steps = np.diff(np.unique(image[::SPARSE, ::SPARSE]))
        if len(steps) == 0:
            raise InputError("all of its pixels have the same value", "a cap, or overexposed", source)
        sigma, off = ROUNDING * float(np.min(steps)), 1.5 * float(np.min(steps))
    rows, columns = (_between(*sizes) for sizes in zip(image.shape, mesh.shape, box, strict=True))
    picture = np.asarray(image - rows @ mesh @ columns.T, np.float32)
    bad = [np.abs(np.median(lines, axis=1)) > off for lines in (picture[:, ::4], picture[::4].T)]
    picture[bad[0]] = 0
    picture[:, bad[1]] = 0
    hot = _mend_hot(picture, sigma)
    if hot > MOST_HOT * picture.size:
        raise hot_pixels(hot / picture.size, source)
    return picture, sigma, (bad[0], bad[1])


def hot_pixels(share: float, source: str) -> InputError:
    """Return the error for a picture in which so large a share of pixels stands out alone."""
    return InputError(
        f"{100 * share:.0f} % of its pixels stand out alone: hot pixels, no stars",
        "cool the camera or subtract a dark frame; it is left out",
        source,
    )


def strewn_share(image: Pixels) -> float:
    """Share of pixels far above the dark ones, if they are strewn at random; 0 where they lie together or in patterns.

    So many hot pixels that they touch and raise the background itself: none stands out alone then.
    """
    low, upper = (float(level) for level in np.nanpercentile(image, DARKEST))
    out = image > upper + (HOT + 1.3) * (upper - low)
    share = float(np.mean(out))
    if share <= MOST_HOT:
        return 0.0
    pairs = np.array([np.mean(out[:, 1:] & out[:, :-1]), np.mean(out[1:] & out[:-1])])
    return share if bool(np.all(np.abs(pairs / share**2 - 1) < UNEVEN)) else 0.0


def _sky(image: Pixels) -> tuple[Pixels, tuple[int, int], float]:
    """Return the background in boxes, the boxes' height and width, and one pixel's noise."""
    from photutils.background import Background2D, MADStdBackgroundRMS, MedianBackground

    few = image[::SPARSE, ::SPARSE]
    height, width = (min(BOX // SPARSE, side) for side in few.shape)
    with warnings.catch_warnings():
        # A picture half of one value makes it warn and divide by nothing.
        warnings.simplefilter("ignore")
        sky = Background2D(
            few,
            (height, width),
            bkg_estimator=MedianBackground(),
            bkgrms_estimator=MADStdBackgroundRMS(),
            exclude_percentile=90,
        )
        mesh, sigma = sky.background_mesh, float(np.median(sky.background_rms_mesh))
    return mesh.astype(np.float32), (height * SPARSE, width * SPARSE), sigma


def _between(count: int, boxes: int, side: int) -> Pixels:
    """Weights (count, boxes) that draw straight lines between the middles of boxes."""
    at = np.clip((np.arange(count) + 0.5) / side - 0.5, 0, boxes - 1)
    return np.asarray(np.maximum(0, 1 - np.abs(at[:, None] - np.arange(boxes))), np.float32)


def _mend_hot(picture: Pixels, sigma: float) -> int:
    """Put the mean of its neighbours in place of each pixel that stands out alone, high or low; say how many."""
    height, width = picture.shape
    at = np.flatnonzero(np.abs(picture) > HOT * sigma)
    row, column = np.divmod(at, width)
    inside = (row > 0) & (row < height - 1) & (column > 0) & (column < width - 1)
    at = at[inside]
    flat = picture.reshape(-1)
    beside = np.stack([flat[at - 1], flat[at + 1], flat[at - width], flat[at + width]])
    value = flat[at]
    alone = np.max(beside * np.sign(value), axis=0) < HOT_NEIGHBOUR * np.abs(value)
    flat[at[alone]] = np.mean(beside[:, alone], axis=0)
    return int(np.count_nonzero(alone))
