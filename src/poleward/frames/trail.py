"""Trails of stars in one long exposure with the drive stopped: how long they are, which way they lie, and where they begin."""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from typing import Any

import numpy as np

from poleward.errors import InputError
from poleward.frames.clean import cleaned
from poleward.frames.image import Frame
from poleward.frames.stars import SMOOTH, THRESHOLD, Stars
from poleward.sky.axis import Floats

SLENDER = 4.0
"""Length over breadth of a trail that can be measured."""
MOST = 30
"""The brightest so many are measured."""
LEAST = 3
HALF_BREADTH = 6.0
"""Pixels on either side of a trail that are added up for its profile along."""
NEAR = 6.0
"""Pixels from the end of a trail within which its star must have stood before."""


@dataclass(frozen=True, eq=False)
class StarTrails:
    """Trails of one picture.

    Attributes
    ----------
    ends : array (n, 2, 2)
        Both ends of each, x and y, in pixels; first those on one side of all.
    """

    ends: Floats

    @property
    def way(self) -> Floats:
        """From first ends to last (2,), the median of all."""
        way: Floats = np.median(self.ends[:, 1] - self.ends[:, 0], axis=0)
        return way

    @property
    def scatter(self) -> float:
        """One sigma of that in each coordinate, pixels."""
        off = self.ends[:, 1] - self.ends[:, 0] - self.way
        return 1.4826 * float(np.median(np.abs(off))) / float(np.sqrt(len(off)))

    def began_at(self, stars: Stars) -> Floats:
        """Return the way (2,) from where the stars stood before; the picture tells it only up to half a turn.

        Raises
        ------
        InputError
            The stars stood at neither end.
        """
        from scipy.spatial import cKDTree

        known = cKDTree(np.column_stack([stars.x, stars.y]))
        near = [int(np.count_nonzero(known.query(self.ends[:, side])[0] < NEAR)) for side in (0, 1)]
        if max(near) < LEAST or min(near) > 0.5 * max(near):
            raise InputError(
                "trails alone do not tell which of their ends is west",
                "give two frames or more with the drive stopped, or take the trails right after the nudge's last frame",
                "--drive-off",
            )
        return self.way if near[0] > near[1] else -self.way


def trails_of(frame: Frame) -> StarTrails:
    """Measure the trails of a picture.

    A trail's profile along itself is a step at either end, blurred as a star is: the ends are where it has risen to half.

    Raises
    ------
    InputError
        There are too few.
    """
    from photutils.segmentation import SourceCatalog, detect_sources
    from scipy.ndimage import gaussian_filter

    picture, _, _ = cleaned(frame.image, frame.source)
    smooth = gaussian_filter(picture, SMOOTH)
    level = THRESHOLD * 1.4826 * float(np.median(np.abs(smooth[::3, ::3])))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        segments = detect_sources(smooth, level, n_pixels=20)
        found = [] if segments is None else list(SourceCatalog(smooth, segments))
    found.sort(key=lambda one: -float(one.segment_flux))
    ends = [one for source in found[:MOST] if (one := _ends(smooth, source)) is not None]
    if len(ends) < LEAST:
        raise InputError(
            f"{len(ends)} trails of stars, needed are {LEAST}",
            "one exposure of many seconds with the drive stopped, or several short ones",
            frame.source,
        )
    return _alike(np.array(ends), frame.source)


def _ends(picture: Any, source: Any) -> Floats | None:
    """Both ends (2, 2) of one trail; None where it is none, or leaves the picture."""
    if not float(source.elongation.value) > SLENDER:
        return None
    angle = float(source.orientation.to_value("rad"))
    along = np.array([np.cos(angle), np.sin(angle)])
    middle = np.array([float(source.x_centroid), float(source.y_centroid)])
    reach = int(2.5 * float(source.semimajor_axis.value)) + 8
    steps = np.arange(-reach, reach + 1.0)
    across = np.arange(-HALF_BREADTH, HALF_BREADTH + 0.5)
    x = middle[0] + steps[:, None] * along[0] - across * along[1]
    y = middle[1] + steps[:, None] * along[1] + across * along[0]
    if x.min() < 0 or y.min() < 0 or x.max() > picture.shape[1] - 1 or y.max() > picture.shape[0] - 1:
        return None
    from scipy.ndimage import map_coordinates

    profile = np.sum(map_coordinates(picture, [y, x], order=1), axis=1)
    half = 0.5 * float(np.median(profile[np.abs(steps) < float(source.semimajor_axis.value)]))
    above = np.flatnonzero(profile > half)
    if len(above) == 0 or above[0] == 0 or above[-1] == len(steps) - 1:
        return None
    low, high = int(above[0]), int(above[-1])
    first = steps[low] - (profile[low] - half) / (profile[low] - profile[low - 1])
    last = steps[high] + (profile[high] - half) / (profile[high] - profile[high + 1])
    return np.array([middle + first * along, middle + last * along])


def _alike(ends: Floats, name: str) -> StarTrails:
    """Turn all the same way, and leave out what is not as long and does not lie as the most."""
    way = ends[:, 1] - ends[:, 0]
    usual = way[
        int(np.argmax(np.sum(np.abs(way @ way.T) / np.sum(way**2, axis=1, keepdims=True) > 0.95, axis=1)))
    ]
    ends = np.where((way @ usual < 0)[:, None, None], ends[:, ::-1], ends)
    off = np.hypot(*(ends[:, 1] - ends[:, 0] - usual).T)
    good = off < 0.1 * np.hypot(*usual)
    if np.count_nonzero(good) < LEAST:
        raise InputError("its trails are not alike", "the drive stopped, and nothing else moved", name)
    return StarTrails(ends[good])
