"""Camera frames with a known truth: astropy for the sky, scipy's Rotation for the mount, a Moffat star for the picture.

A second route beside `poleward.simulate.frames`, which is part of the library, carries its experiments and stories, and so
must be held against something itself: nothing is shared but astropy, and `truth` says where the axis is.

Stars are strewn about a pointing; where each is seen is astropy's, how the mount carries the camera is scipy's, how the
camera lies in the mount is told in words: which way is up in the picture, and whether it is mirrored.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import astropy.units as u
import numpy as np
import truth
from astropy.coordinates import SkyCoord
from astropy.io import fits
from astropy.time import Time
from astropy.wcs.utils import fit_wcs_from_points
from scipy.spatial.transform import Rotation

SIDEREAL = 1296000 / truth.STELLAR_DAY_S


@dataclass(frozen=True)
class Scene:
    """A mount, its camera, and one field of stars."""

    place: truth.Place
    azimuth_arcmin: float = 0.0
    altitude_arcmin: float = 0.0
    hour_angle_h: float = 0.0
    dec_deg: float = 5.0
    scale: float = 2.0
    angle_deg: float = 20.0
    mirrored: bool = False
    other_side: bool = False
    shape: tuple[int, int] = (300, 400)
    stars: int = 40
    when: datetime = truth.EVENING
    jitter_arcsec: float = 0.5
    drive: float = SIDEREAL
    brightness: tuple[float, float] = (3.3, 5.0)
    seed: int = 1
    nudges: tuple[tuple[int, float], ...] = field(default=())
    """From which frame on the telescope points how much farther north, arcsec."""

    def field(self) -> tuple[SkyCoord, np.ndarray]:
        """The stars, and their fluxes; the first is where the telescope points."""
        rng = np.random.default_rng(self.seed)
        middle = truth.star_at(self.place, self.hour_angle_h, self.dec_deg, self.when)
        half = 0.65 * self.scale * max(self.shape)
        offsets = rng.uniform(-half, half, (2, self.stars))
        offsets[:, 0] = 0
        return middle.spherical_offsets_by(*(offsets * u.arcsec)), 10 ** rng.uniform(
            *self.brightness, self.stars
        )

    @truth.offline()
    def places(self, seconds: Sequence[float]) -> np.ndarray:
        """Pixels x, y (F, N, 2) of the stars, the rows counted upward, without the air's jitter."""
        stars, _ = self.field()
        times = Time([self.when + timedelta(seconds=float(s)) for s in seconds])
        seen = truth.enu(stars[None, :].transform_to(self.place.altaz(times[:, None])))
        hemisphere = np.sign(self.place.latitude_deg)
        pole = truth.pole_seen(self.place, Time(self.when))
        axis = truth.axis_direction(pole, self.azimuth_arcmin / 60, self.altitude_arcmin / 60, hemisphere)
        north_pole = axis * hemisphere
        first = seen[0, 0]
        east = np.cross(north_pole, first)
        east /= np.linalg.norm(east)
        north = np.cross(first, east)
        made = []
        for frame, second in enumerate(seconds):
            turn = Rotation.from_rotvec(north_pole * np.radians(self.drive * second / 3600))
            nudge = sum(arcsec for begin, arcsec in self.nudges if frame >= begin)
            # The telescope goes north, so what it sees goes south.
            tip = Rotation.from_rotvec(east * np.radians(nudge / 3600))
            carried = tip.apply(turn.apply(seen[frame]))
            depth = carried @ first
            made.append(np.stack([carried @ north / depth, carried @ east / depth], axis=-1))
        return self.pixels(np.degrees(np.array(made)) * 3600)

    def pixels(self, north_east: np.ndarray) -> np.ndarray:
        angle = np.radians(self.angle_deg)
        up = np.array([np.cos(angle), np.sin(angle)])
        right = np.array([np.sin(angle), -np.cos(angle)])  # north up has west at the right hand
        right = -right if self.mirrored else right
        side = -1 if self.other_side else 1
        xy = side * np.stack([north_east @ right, north_east @ up], axis=-1) / self.scale
        return xy + (np.array(self.shape[::-1]) - 1) / 2

    def pictures(self, seconds: Sequence[float]) -> tuple[list[np.ndarray], np.ndarray]:
        """Pictures, and the places x, y (F, N, 2) at which the stars are in them."""
        rng = np.random.default_rng(self.seed + 1)
        places = self.places(seconds)
        places = places + rng.normal(0, self.jitter_arcsec / self.scale, (len(seconds), 1, 2))
        _, fluxes = self.field()
        return [self.picture(one, fluxes, rng) for one in places], places

    def picture(self, places: np.ndarray, fluxes: np.ndarray, rng: np.random.Generator) -> np.ndarray:
        """Moffat stars 3 pixels wide (beta 3), Poisson noise of them and a sky of 200, read noise 5."""
        height, width = self.shape
        light = np.full(self.shape, 200.0)
        for (x, y), flux in zip(places, fluxes, strict=True):
            left, low = round(x) - 14, round(y) - 14
            columns, rows = (
                np.arange(max(left, 0), min(left + 29, width)),
                np.arange(max(low, 0), min(low + 29, height)),
            )
            if len(columns) == 0 or len(rows) == 0:
                continue
            radius = (columns - x) ** 2 + (rows[:, None] - y) ** 2
            core = 1.5**2 / (2 ** (1 / 3) - 1)
            light[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1] += (
                flux * 2 / (np.pi * core) * (1 + radius / core) ** -3
            )
        return np.clip(rng.poisson(light) + rng.normal(0, 5, self.shape), 0, 65535).astype(np.uint16)

    def save(
        self, folder: Path, seconds: Sequence[float], *, wcs: str = "", exposure: float = 1.0, **cards: Any
    ) -> Path:
        """Write frames; a `wcs` is ``own``, fitted by astropy to each frame's stars, or ``first``, that of the first."""
        folder.mkdir(parents=True, exist_ok=True)
        pictures, places = self.pictures(seconds)
        header = fits.Header()
        for number, (second, picture) in enumerate(zip(seconds, pictures, strict=True)):
            if wcs == "own" or (wcs and number == 0):
                header = self.header(places[number])
            hdu = fits.PrimaryHDU(picture)
            begin = self.when + timedelta(seconds=float(second) - exposure / 2)
            hdu.header.update(header)
            hdu.header.update({"DATE-BEG": begin.isoformat()[:-6], "XPOSURE": exposure, **cards})
            hdu.writeto(folder / f"f{number:03d}.fits", overwrite=True)
        return folder

    def header(self, places: np.ndarray) -> fits.Header:
        stars, _ = self.field()
        inside = np.all((places > 0) & (places < self.shape[::-1]), axis=1)
        fitted = fit_wcs_from_points(places[inside].T, stars[inside], proj_point=stars[0])
        return fitted.to_header()
