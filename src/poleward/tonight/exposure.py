"""A target's field during its window, and its exposures carried through a tilted axis.

The stars of the field are seen where the air shows them, all through the window. The camera's position angle is
not asked for, so the frame's worst corner is taken at every angle: a ring of stars at half the frame's diagonal.
Held on its guide star the field turns about that star, so a corner's arm is the half diagonal plus the guide
star's distance from the centre.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from poleward.errors import Note
from poleward.sky.axis import ARCMIN, ARCSEC, Floats
from poleward.sky.camera import Camera
from poleward.sky.look import Pointing, look
from poleward.sky.pole import Pole
from poleward.sky.site import Site
from poleward.tonight.targets import Target
from poleward.tonight.trail import Tracks, guided_path, longest, spans, unguided_path
from poleward.tonight.window import Window

GRID_S = 300.0
"""Steps in which astropy is asked; see `Tracks` for what interpolating costs."""
RING = 24
"""Corners tried: every 15 deg, so the worst angle is missed by 7.5 deg at most, 0.9 % of a straight trail's turn."""
BEGIN_S = 600.0
"""Time from one moment at which an exposure may begin to the next: the worst is missed by 5 minutes, 0.02 % of a rate."""
MOMENTS = 5
"""Moments within an exposure between which the greatest distance is taken; a smooth path needs its ends and middle."""
COARSE = ((0, 2), (0, 4), (2, 4))
"""The pairs of moments that matter where a trail is followed to first order only."""
WIDEST_ARCMIN = 600.0
"""An offset beyond this is given as this: no mount is set up ten degrees off."""
BESIDE = ARCMIN
"""How far from the centre the stars stand that show the rotation; small, so that the air's shear is that at the centre."""
CROSS = 4
"""Of these stars: north, south, east and west of the centre."""


@dataclass(frozen=True)
class Outfit:
    """What the pictures are taken with and what is asked of them.

    Attributes
    ----------
    camera : Camera or None
        The imaging camera; without it there is drift and rotation, but no trail.
    limit_pix : float
        Longest trail that counts as a round star.
    rate_arcsec_per_s : float
        Drive rate.
    guided : bool
        Whether the verdict is on the guided trail or on the unguided one.
    """

    camera: Camera | None
    limit_pix: float
    rate_arcsec_per_s: float
    guided: bool = True

    @property
    def kind(self) -> str:
        """``guided`` or ``unguided``: what the verdict is on."""
        return "guided" if self.guided else "unguided"

    @property
    def rate(self) -> float:
        """Drive rate, rad/s."""
        return self.rate_arcsec_per_s * ARCSEC

    @property
    def pixels(self) -> float:
        """Pixels in the tangent of one radian."""
        assert self.camera is not None
        return self.camera.focal_length_m / self.camera.pixel_size_m

    @property
    def corner(self) -> float:
        """Angle from the frame's centre to a corner, radians; nothing without a camera."""
        if self.camera is None:
            return 0.0
        return math.atan(math.hypot(self.camera.width_pix, self.camera.height_pix) / 2 / self.pixels)


@dataclass(frozen=True)
class Field:
    """A target's field during its window, and the pole that axis errors refer to.

    The stars of the tracks: the centre, the guide star, four a little north, south, east and west of the centre, then the ring
    of corners.
    """

    tracks: Tracks
    length_s: float
    pole: Pole
    notes: tuple[Note, ...]


def _offset_place(ra: float, dec: float, north: Floats, east: Floats) -> tuple[Floats, Floats]:
    """Right ascension and dec of places whose tangent-plane coordinates about a centre are given, radians."""
    depth = math.cos(dec) - north * math.sin(dec)
    return (ra + np.arctan2(east, depth)) % (2 * math.pi), np.arctan2(
        math.sin(dec) + north * math.cos(dec), np.hypot(east, depth)
    )


def field_of(target: Target, window: Window, outfit: Outfit, site: Site, pole: str) -> Field:
    """Look at a target's field all through its window, which must have a start."""
    assert window.start is not None
    # The corner opposite the guide star comes first.
    away = math.atan2(-target.guide_east, -target.guide_north)
    angle = away + np.linspace(0, 2 * math.pi, RING, endpoint=False)
    reach = math.tan(outfit.corner)
    guide = math.hypot(target.guide_north, target.guide_east)
    stretch = math.tan(guide) / guide if guide else 1.0
    near = math.tan(BESIDE)
    north = np.array([0.0, target.guide_north * stretch, near, -near, 0.0, 0.0, *(reach * np.cos(angle))])
    east = np.array([0.0, target.guide_east * stretch, 0.0, 0.0, near, -near, *(reach * np.sin(angle))])
    ra, dec = _offset_place(target.ra, target.dec, north, east)
    # Thirteen points at least, so that the spline of a short window rests on something.
    seconds = np.linspace(0, window.length_s, max(13, math.ceil(window.length_s / GRID_S) + 1))
    pointings = [Pointing(ra=float(r), dec=float(d), time=window.start) for r, d in zip(ra, dec, strict=True)]
    sight = look(pointings, np.tile(seconds, (len(pointings), 1)), site)
    tracks = Tracks(seconds, sight.seen, site.hemisphere * sight.true_pole.direction)
    return Field(tracks, window.length_s, sight.pole(pole), sight.notes)


class Exposures:
    """One length of exposure at all moments of a window, ready to be carried through any axis; the outfit has a camera.

    `inside`: with the guide star at the frame's centre.
    """

    def __init__(
        self, field: Field, exposure_s: float, outfit: Outfit, guided: bool, inside: bool = False
    ) -> None:
        self.begins = evenly(max(field.length_s - exposure_s, 0.0))
        within = np.linspace(0, exposure_s, MOMENTS)
        stars = np.r_[0, 0 if inside else 1, 2 + CROSS : len(field.tracks.seen)]
        self.field, self.outfit, self.guided, self.exposure_s = field, outfit, guided, exposure_s
        self.seen = field.tracks.at(self.begins[:, None] + within)[stars]
        self.turn = outfit.rate * within

    def vectors(
        self, azimuth_arcmin: float, altitude_arcmin: float, pairs: Sequence[tuple[int, int]] | None = None
    ) -> Floats:
        """How far apart, in pixels, each corner stands at each two moments, or at some: array (K, V, 2), K begins."""
        axis = self.field.pole.axis(azimuth_arcmin, altitude_arcmin)
        path = guided_path(axis, self.seen) if self.guided else unguided_path(axis, self.seen, self.turn)
        return spans(path, pairs).swapaxes(0, 1).reshape(len(self.begins), -1, 2) * self.outfit.pixels

    def trails(self, azimuth_arcmin: float, altitude_arcmin: float) -> Floats:
        """Trail at the worst corner of an exposure that begins at each of the moments, pixels (K,)."""
        return longest(self.vectors(azimuth_arcmin, altitude_arcmin))

    def trail(self, azimuth_arcmin: float, altitude_arcmin: float) -> float:
        """Trail at the worst corner and moment, pixels."""
        return float(self.trails(azimuth_arcmin, altitude_arcmin).max())

    def linear(self, azimuth_arcmin: float, altitude_arcmin: float) -> tuple[Floats, Floats]:
        """Vectors (K, V, 2) at an axis error and their derivatives (K, V, 2, 2) by (azimuth, altitude) arcmin."""
        slopes = [
            (
                self.vectors(azimuth_arcmin + a, altitude_arcmin + e, COARSE)
                - self.vectors(azimuth_arcmin - a, altitude_arcmin - e, COARSE)
            )
            / 2
            for a, e in ((1.0, 0.0), (0.0, 1.0))
        ]
        return self.vectors(azimuth_arcmin, altitude_arcmin, COARSE), np.stack(slopes, axis=-1)


def evenly(length_s: float) -> Floats:
    """Moments from the first to the last of some seconds; one where there is no room for two."""
    return np.linspace(0, length_s, max(13, math.ceil(length_s / BEGIN_S) + 1)) if length_s else np.zeros(1)


def reach(vectors: Floats, slopes: Floats, limit: float, directions: Floats) -> Floats:
    """How far one may go in each of D directions (D, 2) before a vector grows beyond the limit, (D,): none if it already is,
    infinite where nothing grows.

    Vectors (..., 2) and their slopes (..., 2, 2) by the two coordinates of the directions are those of `Exposures.linear`.
    """
    vectors, slopes = vectors.reshape(-1, 2), slopes.reshape(-1, 2, 2)
    spare = limit**2 - np.sum(vectors**2, axis=-1)
    if np.any(spare < 0):
        return np.zeros(len(directions))
    way = np.einsum("vij,dj->dvi", slopes, directions)
    half = np.sum(way * vectors, axis=-1)
    square = np.sum(way**2, axis=-1)
    with np.errstate(divide="ignore", invalid="ignore"):
        # The positive root of |v + r w| = limit, in the form that loses no digits when w is small.
        root = spare / (half + np.sqrt(half**2 + square * spare))
    result: Floats = np.min(np.where(np.isfinite(root), root, np.inf), axis=-1)
    return result
