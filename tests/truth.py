"""Drifts made without poleward: astropy.coordinates for the sky, scipy's Rotation for the mount.

Stars are ICRS places, astropy's AltAz (refraction, polar motion, aberration) says where they are seen, and a mount
that turns about a tilted axis carries a camera whose picture is a gnomonic projection made with astropy's
SkyOffsetFrame-free vector algebra.
"""

from __future__ import annotations

import warnings
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import astropy.units as u
import numpy as np
from astropy.coordinates import CIRS, AltAz, EarthLocation, HADec, SkyCoord
from astropy.time import Time
from astropy.utils import iers
from scipy.linalg import polar
from scipy.spatial.transform import Rotation

STELLAR_DAY_S = 86164.098903691  # UT1 seconds, IAU 2000 (outside-checks F)
EVENING = datetime(2024, 3, 10, 20, tzinfo=UTC)  # inside the measured part of the bundled table


@dataclass(frozen=True)
class Place:
    latitude_deg: float
    longitude_deg: float = 8.4
    elevation_m: float = 560.0
    pressure_hpa: float = 950.0
    temperature_c: float = 4.0
    humidity: float = 0.7
    wavelength_um: float = 0.55

    @property
    def location(self) -> EarthLocation:
        return EarthLocation.from_geodetic(
            self.longitude_deg * u.deg, self.latitude_deg * u.deg, self.elevation_m * u.m
        )

    def altaz(self, times: Time, *, bent: bool = True) -> AltAz:
        return AltAz(
            obstime=times,
            location=self.location,
            pressure=(self.pressure_hpa if bent else 0) * u.hPa,
            temperature=self.temperature_c * u.deg_C,
            relative_humidity=self.humidity,
            obswl=self.wavelength_um * u.um,
        )


def enu(frame) -> np.ndarray:
    """astropy's AltAz is left-handed (x north, y east, z up); east-north-up wants x and y swapped."""
    x, y, z = frame.cartesian.xyz.value
    return np.stack([y, x, z], axis=-1)


@contextmanager
def offline():
    """No network whatever today's date, in a ``with`` or as a decorator; whoever asks astropy for truth needs it."""
    with (
        iers.conf.set_temp("auto_download", False),
        iers.conf.set_temp("auto_max_age", None),
        warnings.catch_warnings(),
    ):
        # Said once in a process, by the first Time, when the clock is past the bundled file's last word.
        warnings.filterwarnings("ignore", message=".*leap-second.*")
        yield


@offline()
def pole_seen(place: Place, time: Time, *, bent: bool = True) -> np.ndarray:
    end = CIRS(0 * u.deg, np.sign(place.latitude_deg) * 90 * u.deg, obstime=time, location=place.location)
    return enu(end.transform_to(place.altaz(time, bent=bent)))


def axis_direction(
    pole: np.ndarray, azimuth_deg: float, altitude_deg: float, hemisphere: float
) -> np.ndarray:
    """Turn the pole about the plumb line and then lift it; east positive."""
    plumb = np.array([0.0, 0.0, 1.0])
    swung = Rotation.from_rotvec(-hemisphere * np.radians(azimuth_deg) * plumb).apply(pole)
    level = np.cross(swung, plumb)
    return Rotation.from_rotvec(np.radians(altitude_deg) * level / np.linalg.norm(level)).apply(swung)


@offline()
def star_at(place: Place, hour_angle_h: float, dec_deg: float, when: datetime) -> SkyCoord:
    """The ICRS place that stands at an apparent hour angle and dec at a moment."""
    time = Time(when)
    spot = HADec(hour_angle_h * u.hourangle, dec_deg * u.deg, obstime=time, location=place.location)
    return SkyCoord(spot).transform_to("icrs")


@offline()
def drift(
    place: Place,
    star: SkyCoord,
    when: datetime,
    duration_s: float,
    axis: np.ndarray,
    rate_arcsec_per_s: float = 1296000 / STELLAR_DAY_S,
) -> tuple[float, float]:
    """North and east displacement, arcsec, in a camera carried about the axis at a rate."""
    times = Time([when, when + timedelta(seconds=duration_s)])
    seen = enu(star.transform_to(place.altaz(times)))
    return camera_drift(seen, duration_s, axis * np.sign(place.latitude_deg), rate_arcsec_per_s)


@offline()
def field_turn(
    place: Place,
    star: SkyCoord,
    when: datetime,
    duration_s: float,
    axis: np.ndarray,
    *,
    radius_deg: float = 0.05,
    rate_arcsec_per_s: float = 1296000 / STELLAR_DAY_S,
) -> float:
    """How far a ring of stars has turned about the frame's centre in a camera carried about the axis, arcmin.

    North through east positive. The matrix that carries twelve stars where they went, and of it the rotation alone: what
    is left in its polar decomposition (scipy's) is the shear by the air.
    """
    ring = star.directional_offset_by(np.arange(0, 360, 30) * u.deg, radius_deg * u.deg)
    times = Time([when, when + timedelta(seconds=duration_s)])
    seen = enu(star.transform_to(place.altaz(times)))
    stars = enu(ring[:, None].transform_to(place.altaz(times[None, :])))
    pole = axis * np.sign(place.latitude_deg)
    before, after = (
        in_camera(stars[:, i], seen[0], duration_s * i, pole, rate_arcsec_per_s) for i in range(2)
    )
    before, after = (
        np.stack([at.real, at.imag]) - [[at.real.mean()], [at.imag.mean()]] for at in (before, after)
    )
    rotation, _ = polar(after @ np.linalg.pinv(before))
    return float(np.degrees(np.arctan2(rotation[1, 0], rotation[0, 0]))) * 60


def in_camera(
    places: np.ndarray, centre: np.ndarray, seconds: float, north_pole: np.ndarray, rate_arcsec_per_s: float
) -> np.ndarray:
    """Where stars seen some seconds later stand on the plane of a camera pointed at `centre`: north + 1j east, radians."""
    turn = Rotation.from_rotvec(-north_pole * np.radians(rate_arcsec_per_s * seconds / 3600))
    y = np.cross(north_pole, centre)
    y /= np.linalg.norm(y)
    camera = np.stack([centre, y, np.cross(centre, y)])
    x, east, north = camera @ turn.inv().apply(places).T
    return north / x + 1j * east / x


def camera_drift(
    seen: np.ndarray,
    duration_s: float,
    north_pole: np.ndarray,
    rate_arcsec_per_s: float = 1296000 / STELLAR_DAY_S,
) -> tuple[float, float]:
    """The same for a star seen at two places (2, 3) and the north end of the axis."""
    # The camera turns westward: left-handed about the north pole. A camera-fixed direction c is seen at T(c).
    turn = Rotation.from_rotvec(-north_pole * np.radians(rate_arcsec_per_s * duration_s / 3600))
    later = turn.inv().apply(seen[1])
    polar = np.degrees(np.arccos(np.clip(seen[0] @ north_pole, -1, 1)))
    assert polar > 1e-6
    # Camera axes from two further rotations: the mount frame with z along its pole, the star in its x-z plane.
    z = north_pole
    y = np.cross(z, seen[0])
    y /= np.linalg.norm(y)
    x = np.cross(y, z)
    mount = np.stack([x, y, z])
    tilt = Rotation.from_euler("y", 90 - polar, degrees=True)  # lift the star onto the x axis
    xi = tilt.apply(mount @ later)
    assert np.allclose(tilt.apply(mount @ seen[0]), [1, 0, 0], atol=1e-9)
    return float(np.degrees(xi[2] / xi[0]) * 3600), float(np.degrees(xi[1] / xi[0]) * 3600)


@offline()
def hour_angle_dec(place: Place, star: SkyCoord, when: datetime) -> tuple[float, float]:
    spot = star.transform_to(HADec(obstime=Time(when), location=place.location))
    return float(spot.ha.wrap_at(180 * u.deg).deg / 15), float(spot.dec.deg)
