"""What a user's own script looks like: run by the tests, and checked by mypy --strict."""

from __future__ import annotations

from typing import Literal, assert_type

from astropy import units as u
from astropy.coordinates import EarthLocation, SkyCoord
from astropy.table import Table
from astropy.time import Time
from astropy.units import Quantity
from matplotlib.figure import Figure

import poleward

site = poleward.Site.from_location(EarthLocation.from_geodetic(9.1 * u.deg, 46.9 * u.deg, 1240 * u.m))
drifts = poleward.Drifts.from_rows(
    [
        {"hour_angle": "-0h18m", "dec": 2 * u.deg, "duration": 5 * u.min, "north": -6.2 * u.arcsec},
        {"hour_angle": "-4h48m", "dec": 18 * u.deg, "duration": 6 * u.min, "north": -10.5 * u.arcsec},
    ]
)
assert_type(drifts[0], poleward.Drift)
assert_type(drifts[:1], poleward.Drifts)

solution = poleward.solve(drifts, site, pole="apparent", reading_error=0.4 * u.arcsec)
assert_type(solution, poleward.Solution)
assert_type(solution.azimuth_error, Quantity | None)
assert_type(solution.azimuth_sigma, Quantity | None)
assert_type(solution.altitude_error, Quantity | None)
assert_type(solution.altitude_sigma, Quantity | None)
assert_type(solution.offset, Quantity | None)
assert_type(solution.determined, Literal["both", "azimuth", "altitude", "neither"])
assert_type(solution.chart(), Figure)
assert_type(solution.to_table(), Table)

if solution.azimuth_error is not None:
    print(solution.azimuth_error.unit)

evening = Time("2026-11-25T18:00:00")
planned = poleward.plan(site, 1 * u.arcmin, at=evening, pole="true")
assert_type(planned, poleward.Plan)

nebula = {"name": "nebula", "place": SkyCoord(83.8 * u.deg, -5.4 * u.deg), "exposure": 300 * u.s}
checked = poleward.check(
    [nebula], site, solution, poleward.Camera(600 * u.mm, 3.76 * u.um, 6248, 4176), at=evening
)
assert_type(checked, poleward.Check)
assert_type(checked.targets[0].within, bool | None)

camera = poleward.find_camera(((812, 455), (537, 410)), 60 * u.s, 5 * u.deg, "up")
assert_type(camera, poleward.CameraFound)

try:
    poleward.solve(drifts, site, pole="aparent")  # type: ignore[arg-type]  # mypy tells it before it runs
except poleward.UsageError as error:
    print(error)
