"""The pixels of a frame: colours added up, a raster of colours undone."""

from __future__ import annotations

from typing import Any

import numpy as np

from poleward.errors import InputError
from poleward.frames.image import Frame, Pixels
from poleward.frames.shot import Shot, picture


def read_frame(shot: Shot) -> Frame:
    """Read the pixels of a frame.

    Parameters
    ----------
    shot : Shot
        What its header said.

    Raises
    ------
    InputError
        The file ends early, or has changed since its header was read.
    """
    with picture(shot.path) as (hdu, _):
        full = shot.saturation if shot.saturation is not None else _largest(hdu.header)
        try:
            data = hdu.data
        except Exception as error:  # noqa: BLE001 - astropy and its decompressors raise whatever they meet
            early = isinstance(error, OSError | ValueError | TypeError | IndexError)
            reason = "it ends early" if early else f"it cannot be read ({type(error).__name__})"
            raise InputError(f"the pixels of this frame: {reason}", "", shot.source) from None
    if data is None or data.shape[-2:] != (shot.height, shot.width):
        raise InputError("this file has changed while it was read", "", shot.source)
    image = _one_colour(data, full)
    if shot.mosaic:
        image = _blocks(image, full)
    return Frame(shot.source, image, shot.middle.timestamp(), full)


def _largest(cards: Any) -> float | None:
    """Return the largest number that 8 or 16 bits can hold, scaled; of longer numbers nobody knows."""
    bits = cards.get("BITPIX")
    if bits not in (8, 16):
        return None
    scale, zero = cards.get("BSCALE", 1.0), cards.get("BZERO", 0.0)
    if not (isinstance(scale, (int, float)) and isinstance(zero, (int, float))):
        return None  # such a frame is refused where its pixels are read
    return float((255 if bits == 8 else 32767) * scale + zero)


def _one_colour(data: Any, full: float | None) -> Pixels:
    """Return the mean of the colours; a pixel that is full in one of them is full."""
    if data.ndim == 2:
        return np.asarray(data, np.float32)
    if data.shape[0] == 1:
        return np.asarray(data[0], np.float32)
    image: Pixels = np.mean(data, axis=0, dtype=np.float32)
    if full is not None:
        image[np.max(data, axis=0) >= full] = full
    return image


def _blocks(image: Pixels, full: float | None) -> Pixels:
    """Return the means of 2 x 2 pixels, each with one of every colour but two of green; an odd last row is left."""
    height, width = (side - side % 2 for side in image.shape)
    corners = [image[row:height:2, column:width:2] for row in (0, 1) for column in (0, 1)]
    means: Pixels = np.mean(corners, axis=0, dtype=np.float32)
    if full is not None:
        means[np.max(corners, axis=0) >= full] = full
    return means
