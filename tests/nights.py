"""Whole sets of timings made with `truth`: several stars at one place, for any axis, with one call of astropy.

Shared by the tests of recovery and of coverage and by docs/experiments.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from typing import Any

import astropy.units as u
import numpy as np
import truth
from astropy.coordinates import HADec, SkyCoord
from astropy.time import Time
from astropy.utils import iers

from poleward import Air, Drifts, Site, solve

SIDEREAL = 1296000 / truth.STELLAR_DAY_S


def site_of(place: truth.Place) -> Site:
    return Site(
        place.latitude_deg * u.deg,
        place.longitude_deg * u.deg,
        place.elevation_m * u.m,
        Air(
            place.pressure_hpa * u.hPa,
            place.temperature_c * u.deg_C,
            place.humidity,
            place.wavelength_um * u.um,
        ),
    )


@dataclass(frozen=True)
class Night:
    """Stars timed one after the other at one place.

    Attributes
    ----------
    hour_angle_h, dec_deg : array (N,)
        Asked for at the start of each timing, apparent, of date.
    stars : SkyCoord (N,)
        The ICRS places that stand there.
    times : list of N datetime
    seen : array (N, 2, 3)
        Where they are seen at the start and at the end, east, north, up.
    pole, bent_pole : array (3,)
        The elevated pole, truly and as seen.
    polar_motion_arcsec : float
        Angle between the pole and the mean pole, to which latitudes refer.
    """

    place: truth.Place
    hour_angle_h: np.ndarray
    dec_deg: np.ndarray
    duration_s: np.ndarray
    stars: SkyCoord
    times: list
    seen: np.ndarray
    pole: np.ndarray
    bent_pole: np.ndarray
    polar_motion_arcsec: float

    @property
    def hemisphere(self) -> float:
        return float(np.sign(self.place.latitude_deg))

    @property
    def lowest_deg(self) -> np.ndarray:
        return np.degrees(np.arcsin(self.seen[..., 2])).min(axis=1)

    def only(self, keep: np.ndarray) -> Night:
        return replace(
            self,
            hour_angle_h=self.hour_angle_h[keep],
            dec_deg=self.dec_deg[keep],
            duration_s=self.duration_s[keep],
            stars=self.stars[keep],
            times=[time for time, kept in zip(self.times, keep, strict=True) if kept],
            seen=self.seen[keep],
        )

    def drifts(
        self, azimuth_deg: float, altitude_deg: float, *, pole: str = "apparent", rate: float = SIDEREAL
    ) -> np.ndarray:
        """North and east, arcsec, (N, 2), for an axis that stands east of and above a pole."""
        against = self.bent_pole if pole == "apparent" else self.pole
        axis = truth.axis_direction(against, azimuth_deg, altitude_deg, self.hemisphere) * self.hemisphere
        made = [
            truth.camera_drift(seen, duration, axis, rate)
            for seen, duration in zip(self.seen, self.duration_s, strict=True)
        ]
        return np.array(made)

    def rows(
        self, drifts: np.ndarray, kind: str = "ra", *, sigma: float | None = None, east: bool = False
    ) -> list[dict[str, Any]]:
        """Rows of a drift table by ``ra``, ``hour_angle`` or ``azimuth``."""
        rows = []
        for i in range(len(self.times)):
            if kind == "ra":
                at = {"ra": f"{float(self.stars[i].ra.deg)!r} deg", "dec": float(self.stars[i].dec.deg)}
            elif kind == "hour_angle":
                at = {"hour_angle": float(self.hour_angle_h[i]), "dec": float(self.dec_deg[i])}
            else:
                x, y, z = self.seen[i, 0]
                at = {
                    "azimuth": float(np.degrees(np.arctan2(x, y))),
                    "altitude": float(np.degrees(np.arcsin(z))),
                }
            row = {**at, "time": self.times[i], "duration": float(self.duration_s[i])}
            row["north"] = float(drifts[i, 0])
            if east:
                row["east"] = float(drifts[i, 1])
            if sigma is not None:
                row["north_sigma"] = sigma
                if east:
                    row["east_sigma"] = sigma
            rows.append(row)
        return rows

    def table(self, drifts: np.ndarray, kind: str = "ra", **how: Any) -> Drifts:
        return Drifts.from_rows(self.rows(drifts, kind, **how))


def night(
    place: truth.Place,
    pointings: Sequence[tuple[float, float]],
    duration_s: float,
    *,
    apart_s: float = 1200.0,
    evening: Any = truth.EVENING,
) -> Night:
    """Look at (hour angle in hours, dec in degrees) one after the other, `apart_s` from start to start."""
    hour_angle, dec = np.array(pointings, float).T
    times = [evening + timedelta(seconds=apart_s * i) for i in range(len(pointings))]
    with truth.offline():
        begin = Time(times)
        spots = HADec(hour_angle * u.hourangle, dec * u.deg, obstime=begin, location=place.location)
        stars = SkyCoord(spots).transform_to("icrs")
        both = Time([[time, time + timedelta(seconds=duration_s)] for time in times])
        spread = SkyCoord(
            np.repeat(stars.ra.deg, 2).reshape(-1, 2) * u.deg,
            np.repeat(stars.dec.deg, 2).reshape(-1, 2) * u.deg,
        )
        seen = truth.enu(spread.transform_to(place.altaz(both)))
        pole = truth.pole_seen(place, begin[0], bent=False)
        bent_pole = truth.pole_seen(place, begin[0])
        x, y = iers.earth_orientation_table.get().pm_xy(begin[0])
    return Night(
        place,
        hour_angle,
        dec,
        np.full(len(times), duration_s),
        stars,
        times,
        seen,
        pole,
        bent_pole,
        float(np.hypot(x.to_value("arcsec"), y.to_value("arcsec"))),
    )


POINTINGS = {
    2: [(-4, 10), (-0.3, 3)],
    3: [(-4, 10), (-0.3, 3), (3.5, 20)],
    4: [(-4, 10), (-0.3, 3), (0.5, 5), (3.5, 20)],
    5: [(-4, 10), (-2, 0), (-0.3, 3), (0.5, 5), (3.5, 20)],
    8: [(-5, 30), (-4, 10), (-2, 0), (-0.3, 3), (0.5, 5), (2, 40), (3.5, 20), (4.5, 25)],
}
"""What a night's work may look like: stars above 27 deg on both sides of the meridian, at latitude 47."""

SIGMA_ARCSEC = 1.5
"""Of a five-minute drift: two readings of an arcsecond each."""
AXIS_DEG = (0.3, -0.2)
"""Azimuth and altitude error that the simulated sets are made for."""


def five_minutes(count: int) -> Night:
    return night(truth.Place(47.0), POINTINGS[count], 300.0)


def noisy_sets(
    watched: Night,
    sets: int,
    seed: int,
    *,
    east: bool = False,
    stated: float = SIGMA_ARCSEC,
    blunder: float = 0.0,
) -> Iterator[tuple[Drifts, int]]:
    """Sets of timings with normal errors; one timing of each set, whose number is given back, off by `blunder`."""
    exact = watched.drifts(*AXIS_DEG)
    base = watched.table(exact, "hour_angle", sigma=stated, east=east)
    named = [replace(drift, label=f"star {i + 1}") for i, drift in enumerate(base)]
    generator = np.random.default_rng(seed)
    for _ in range(sets):
        moved = exact + SIGMA_ARCSEC * generator.normal(size=exact.shape)
        bad = int(generator.integers(len(named)))
        moved[bad, 0] += blunder * generator.choice([-1.0, 1.0])
        yield (
            Drifts(
                replace(drift, north_arcsec=float(n), east_arcsec=float(e) if east else None)
                for drift, (n, e) in zip(named, moved, strict=True)
            ),
            bad,
        )


LOW = [(-4.9, 12), (-0.3, 3), (4.6, 15), (2.0, 40)]
"""Two of them at 17 and 22 deg of altitude, at latitude 47."""


def doubted(
    pointings: Sequence[tuple[float, float]],
    *,
    sigma: float,
    air: float = 0.05,
    pointing_deg: float = 0.5,
    axis_deg: tuple[float, float] = AXIS_DEG,
) -> tuple[Drifts, np.ndarray]:
    """Timings as they are stated, and what each thing that may be off does to their north drifts at one sigma.

    The second is (2n + 1, n), arcsec: each reading, the air, each hour angle. Drifts are linear in them: 5 % of the air
    leaves 0.2 % of that out.
    """
    place = truth.Place(47.0)
    stated = night(place, pointings, 300.0)
    thick = night(replace(place, pressure_hpa=place.pressure_hpa * 1.05), pointings, 300.0)
    exact = stated.drifts(*axis_deg)[:, 0]
    by_air = (thick.drifts(*axis_deg)[:, 0] - exact) / 0.05
    aside = night(place, [(h + 0.5 / 15, d) for h, d in pointings], 300.0)
    by_degree = (aside.drifts(*axis_deg)[:, 0] - exact) / 0.5
    base = stated.table(stated.drifts(*axis_deg), "hour_angle", sigma=sigma)
    readings = sigma * np.eye(len(exact))
    return base, np.concatenate([readings, [air * by_air], np.diag(pointing_deg * by_degree)])


def put_off(drifts: Drifts, by_arcsec: np.ndarray) -> Drifts:
    """Timings whose north drifts are off by so much."""
    return Drifts(
        replace(drift, north_arcsec=drift.north_arcsec + float(off))
        for drift, off in zip(drifts, by_arcsec, strict=True)
    )


def doubtful_sets(
    pointings: Sequence[tuple[float, float]], sets: int, seed: int, **how: Any
) -> Iterator[Drifts]:
    """Sets of timings under air, and at hour angles, that are not as stated (see `doubted`)."""
    stated, columns = doubted(pointings, **how)
    generator = np.random.default_rng(seed)
    for _ in range(sets):
        yield put_off(stated, generator.normal(size=len(columns)) @ columns)


def answers_covariance(stated: Drifts, columns: np.ndarray, site: Site, **how: Any) -> np.ndarray:
    """Covariance (2, 2) of the answer, arcmin^2, when each thing is off by one sigma, one after the other, both ways."""
    by = []
    for column in columns:
        there, back = (solve(put_off(stated, sign * column), site, **how) for sign in (1, -1))
        by.append(
            (
                (there.azimuth_error_arcmin - back.azimuth_error_arcmin) / 2,
                (there.altitude_error_arcmin - back.altitude_error_arcmin) / 2,
            )
        )
    return np.transpose(by) @ np.array(by)


def cramer_rao_arcmin(watched: Night, *, east: bool = False) -> np.ndarray:
    """Smallest standard deviations that any unbiased estimate of A and e can have, from astropy's drifts alone.

    Numerical differences of the truth over 0.6', far below the scale on which drifts bend, and far above rounding. With
    east drifts the rate of the drive is unknown too.
    """
    step = 0.005
    a, e = AXIS_DEG
    columns = [
        watched.drifts(a + step, e) - watched.drifts(a - step, e),
        watched.drifts(a, e + step) - watched.drifts(a, e - step),
    ]
    scaled = [column / (120 * step) for column in columns]
    if east:
        scaled.append(
            (watched.drifts(a, e, rate=SIDEREAL + 0.01) - watched.drifts(a, e, rate=SIDEREAL - 0.01)) / 0.02
        )
        slope = np.stack([np.concatenate([column[:, 0], column[:, 1]]) for column in scaled], axis=1)
    else:
        slope = np.stack([column[:, 0] for column in scaled], axis=1)
    return np.sqrt(np.diag(np.linalg.inv(slope.T @ slope / SIGMA_ARCSEC**2)))[:2]


@dataclass(frozen=True)
class Tally:
    """Errors of solutions over their sigmas, and the errors themselves, arcmin; (sets, 2) for A and e."""

    pulls: np.ndarray
    errors: np.ndarray

    def cover(self, sigmas: float) -> np.ndarray:
        """Share of intervals of so many sigmas that hold the truth, for A and e."""
        return np.mean(np.abs(self.pulls) < sigmas, axis=0)

    @property
    def rms(self) -> np.ndarray:
        return np.sqrt(np.mean(self.errors**2, axis=0))


def tally(solutions: Sequence[Any], axis_deg: tuple[float, float] = AXIS_DEG) -> Tally:
    got = np.array([[s.azimuth_error_arcmin, s.altitude_error_arcmin] for s in solutions])
    sigma = np.array([[s.azimuth_sigma_arcmin, s.altitude_sigma_arcmin] for s in solutions])
    errors = got - 60 * np.array(axis_deg)
    return Tally(errors / sigma, errors)


def blamed(solution: Any) -> list[int]:
    """Numbers of the timings that a solution names as not fitting."""
    texts = [note.text for note in solution.warnings if note.code == "blunder"]
    return [int(number) - 1 for text in texts for number in re.findall(r"star (\d+)", text)]
