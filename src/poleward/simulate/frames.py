"""Camera frames of known truth: a tilted mount under astropy's sky, and a camera with most of a camera's faults.

Where each star is seen is astropy's, how the mount carries the camera is scipy's Rotation, the light is counted as a
sensor counts it. Nothing of `frames`, `axis` or the fit is used.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from poleward.simulate.guider import lasting_noise
from poleward.simulate.night import STELLAR_DAY_S, altaz_frame, axis_direction, earth_location, east_north_up
from poleward.simulate.picture import Faults, View, add_star, add_trail
from poleward.simulate.rotation import rotation_data
from poleward.sky.axis import Floats
from poleward.sky.site import Site

GRID_S = 30.0
"""Between the moments at which astropy is asked; a cubic spline through them is good to 1e-5 arcsec."""


@dataclass(frozen=True)
class FrameScene:
    """One pointing of a mount whose axis error is known.

    Attributes
    ----------
    site : Site
        With a longitude.
    azimuth_error_arcmin, altitude_error_arcmin : float
        Of the axis against the apparent pole; east and up positive.
    begin : datetime
        Aware; the first exposure's middle.
    hour_angle_h, dec_deg : float
        Of the picture's middle then; apparent, of date.
    stars : int
        Strewn over a field one and a half times as wide and high as the picture.
    view : View
    faults : Faults
    drive : float
        Rate of the drive, in sidereal ones; 0: it is stopped, and the stars run west.
    """

    site: Site
    azimuth_error_arcmin: float
    altitude_error_arcmin: float
    begin: datetime
    hour_angle_h: float
    dec_deg: float
    stars: int = 60
    view: View = field(default_factory=View)
    faults: Faults = field(default_factory=Faults)
    drive: float = 1.0


def paths(scene: FrameScene, seconds: Floats, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """North and east (F, N + 1), arcsec, of a scene's stars from the camera's axis; the first is the field's middle.

    Parameters
    ----------
    scene : FrameScene
    seconds : array (F,)
        After its begin.
    rng : numpy.random.Generator
        Strews the stars.
    """
    from astropy import units
    from astropy.coordinates import HADec, SkyCoord
    from astropy.time import Time
    from scipy.interpolate import CubicSpline
    from scipy.spatial.transform import Rotation

    site, view = scene.site, scene.view
    half = 0.75 * view.scale_arcsec * np.array([[view.width], [view.height]])
    offsets = rng.uniform(-half, half, (2, scene.stars))
    spun = Rotation.from_euler("z", view.angle_deg, degrees=True).apply(
        np.column_stack([offsets.T, np.zeros(scene.stars)])
    )
    grid = np.linspace(0.0, max(float(seconds[-1]), 1.0), max(6, math.ceil(float(seconds[-1]) / GRID_S) + 1))
    with rotation_data(scene.begin, scene.begin + timedelta(seconds=float(grid[-1]))):
        first = Time(scene.begin)
        spot = HADec(
            units.Quantity(scene.hour_angle_h, "hourangle"),
            units.Quantity(scene.dec_deg, "deg"),
            obstime=first,
            location=earth_location(site),
            pressure=units.Quantity(0.0, "hPa"),
        )
        middle = SkyCoord(SkyCoord(spot).transform_to("icrs"))
        stars = middle.spherical_offsets_by(
            units.Quantity(np.append(0, spun[:, 0]), "arcsec"),
            units.Quantity(np.append(0, spun[:, 1]), "arcsec"),
        )
        sky = altaz_frame(site, (first + units.Quantity(grid, "s"))[:, None])
        seen = east_north_up(stars[None, :].transform_to(sky))
        pole = site.hemisphere * axis_direction(
            site, scene.azimuth_error_arcmin, scene.altitude_error_arcmin, scene.begin
        )
    # The camera's axis stays on the middle's first place, carried by the mount: north and east are the mount's own.
    ahead = seen[0, 0]
    east = np.cross(pole, ahead)
    east /= np.linalg.norm(east)
    north = np.cross(ahead, east)
    turns = Rotation.from_rotvec(np.outer(scene.drive * 2 * math.pi * grid / STELLAR_DAY_S, pole))
    carried = np.stack([turn.apply(each) for turn, each in zip(turns, seen, strict=True)])
    depth = carried @ ahead
    flat = [np.degrees(carried @ side / depth) * 3600 for side in (north, east)]
    paths_north, paths_east = (CubicSpline(grid, each)(seconds) for each in flat)
    return paths_north, paths_east


def star_places(scene: FrameScene, seconds: Floats, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Places x, y (F, N, 2) of a scene's stars in its pictures, shaken as the air and the drive do it, and their light (N,).

    Parameters
    ----------
    scene : FrameScene
    seconds : array (F,)
        Middles of the exposures after its begin; rising.
    rng : numpy.random.Generator

    Returns
    -------
    places : array (F, N, 2)
        Pixels, the middle of the first one at (0, 0).
    flux : array (N,)
        Electrons.
    """
    faults = scene.faults
    north, east = paths(scene, seconds, rng)
    shaken = [
        faults.scatter.white_arcsec * rng.normal(size=len(seconds))
        + lasting_noise(seconds, faults.scatter, rng)
        for _ in range(2)
    ]
    worm = faults.worm_arcsec * np.sin(2 * math.pi * seconds / faults.worm_s + rng.uniform(0, 2 * math.pi))
    places = scene.view.pixels(north + shaken[0][:, None], east + (shaken[1] + worm)[:, None])[:, 1:]
    return places, 10 ** rng.uniform(3.3, 5.0, scene.stars)


def pictures(scene: FrameScene, seconds: Floats, rng: np.random.Generator) -> Iterator[NDArray[np.uint16]]:
    """Expose a scene's pictures, one after the other; shape (height, width).

    Parameters
    ----------
    scene : FrameScene
    seconds : array (F,)
        Middles of the exposures after its begin; rising.
    rng : numpy.random.Generator
    """
    faults, view = scene.faults, scene.view
    places, flux = star_places(scene, seconds, rng)
    hot = rng.integers(0, view.height * view.width, faults.hot)
    glow = rng.exponential(3000.0, faults.hot)
    bad = rng.integers(0, view.height, faults.bad_rows)
    share = np.linspace(0, 1, len(seconds))
    crossed = int(np.argmin(np.abs(share - faults.satellite))) if faults.satellite >= 0 else -1
    for number, at in enumerate(places):
        clouded = faults.cloud[0] <= share[number] <= faults.cloud[1]
        clear = faults.cloud[2] if clouded else 1.0
        # A cloud takes light from the stars and gives some of the town's to the sky.
        light = np.full((view.height, view.width), faults.sky * (1.3 if clouded else 1.0))
        width = faults.fwhm_pix * (1 + faults.defocus * share[number])
        for place, each in zip(at, flux * clear, strict=True):
            add_star(light, place, each, width)
        if number == crossed:
            add_trail(light, rng)
        counts = rng.poisson(light) + rng.normal(0, faults.read_noise, light.shape)
        counts.reshape(-1)[hot] += glow
        counts[bad] += 2000.0
        yield np.clip(np.round(counts), 0, faults.full).astype(np.uint16)


def save_frames(
    folder: Path,
    scene: FrameScene,
    seconds: Floats,
    rng: np.random.Generator,
    exposure_s: float = 1.0,
    cards: dict[str, Any] | None = None,
) -> list[Path]:
    """Write a scene's pictures as FITS files, with the standard's keywords of time and no others.

    Parameters
    ----------
    folder : Path
        Made if it is not there.
    scene : FrameScene
    seconds : array (F,)
        Middles of the exposures.
    rng : numpy.random.Generator
    exposure_s : float
    cards : dict, optional
        More header cards.

    Returns
    -------
    list of Path
    """
    from astropy.io import fits

    folder.mkdir(parents=True, exist_ok=True)
    files = []
    for number, (second, picture) in enumerate(zip(seconds, pictures(scene, seconds, rng), strict=True), 1):
        begin = scene.begin + timedelta(seconds=float(second) - exposure_s / 2)
        hdu = fits.PrimaryHDU(picture)
        hdu.header["DATE-BEG"] = begin.replace(tzinfo=None).isoformat(timespec="milliseconds")
        hdu.header["XPOSURE"] = (exposure_s, "s")
        hdu.header.update(cards or {})
        files.append(folder / f"{number:03d}.fits")
        hdu.writeto(files[-1], overwrite=True)
    return files
