"""What data determine, judged on the sky; the first-order drift of design.md is the independent picture."""

from __future__ import annotations

import lmfit
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from poleward import Air, Drifts, InputError, Site, solve
from poleward.sky.pole import Pole
from poleward.solving.determine import judge, pointing_to_add

EQUATOR = Pole(np.array([0.0, 1.0, 0.0]), "true", 1.0)
"""There an angle of azimuth is one on the sky."""


def at(*hours: float, sigma_arcmin: float = 0.2) -> tuple[np.ndarray, np.ndarray]:
    """Information and levers of north drifts at these hour angles, first order: (cos h, sin h)."""
    angles = np.radians(15 * np.asarray(hours))
    lever = np.stack([np.cos(angles), np.sin(angles)], axis=1)
    return lever.T @ lever / sigma_arcmin**2, lever


@pytest.mark.parametrize(
    ("hours", "determined"),
    [
        ((0.0, -5.0), "both"),
        ((0.0,), "azimuth"),
        ((0.9, 0.9), "azimuth"),
        ((1.1, 1.1), "neither"),
        ((6.0,), "altitude"),
        ((-5.1, -5.1), "altitude"),
        ((3.0, 3.0), "neither"),
        ((0.0, 0.3), "azimuth"),  # 18 minutes apart: a lever of 0.04 on the altitude
        ((-0.3, 0.3), "both"),  # 36 minutes: 0.08
    ],
)
def test_by_hour_angle(hours: tuple[float, ...], determined: str) -> None:
    assert judge(*at(*hours), EQUATOR).determined == determined


def test_a_coarse_reading_determines_nothing_however_well_placed() -> None:
    assert judge(*at(0.0, 6.0, sigma_arcmin=70.0), EQUATOR).determined == "neither"
    information, lever = at(0.0, 6.0)
    information[1, 1] = 1 / 70.0**2
    assert judge(information, lever, EQUATOR).determined == "azimuth"


def test_sigmas_do_not_hide_good_geometry() -> None:
    """One timing a thousand times better than the other: both errors are still told apart."""
    information = np.diag([1 / 0.001**2, 1 / 5.0**2])
    assert judge(information, at(0.0, 6.0)[1], EQUATOR).determined == "both"


@given(hour=st.floats(-6, 6), latitude=st.sampled_from([-60, -33, -5, 5, 20, 47, 65]))
def test_the_advice_separates_the_errors(hour: float, latitude: float) -> None:
    """Whatever direction is unknown, the star to add sees it with a lever of two thirds or more, above 25 deg.

    Two thirds: from every latitude tried some star above 25 deg stands within 48 deg of hour angle of the best.
    """
    worst = np.array([np.cos(np.radians(15 * hour)), np.sin(np.radians(15 * hour))])
    advice = pointing_to_add(worst, Site(float(latitude)))
    lever = abs(at(advice.hour_angle_h)[1][0] @ worst)
    assert lever > 2 / 3
    assert advice.altitude_deg > 20
    assert abs(advice.dec_deg) <= 45


def rows(*cells: tuple[str, str, str]) -> Drifts:
    return Drifts.from_rows(
        [
            {"hour_angle": h, "dec": d, "duration": "5 min", "north": n, "north_sigma": "0.5 arcsec"}
            for h, d, n in cells
        ]
    )


def test_a_star_on_the_very_pole_does_no_harm() -> None:
    """Only hypothetical: at dec 90 the hour angle says nothing, and there is no north to drift to."""
    found = solve(rows(("0h", "90d", "0 arcsec"), ("-5h", "90d", "1 arcsec")), Site("47 deg"), pole="true")
    assert found.determined in ("both", "azimuth", "altitude", "neither")


def test_drifts_that_no_axis_makes() -> None:
    with pytest.raises(InputError, match="no axis within 20 deg of the pole makes these drifts"):
        solve(rows(("0h", "40d", "-2400 arcsec"), ("-4h", "30d", "3600 arcsec")), Site("47 deg"))


def test_a_hopeless_fit_ends_soon(monkeypatch) -> None:
    """Its evaluations are counted: they had been 27,000, seconds of waiting for an error."""
    counts, minimize = [], lmfit.minimize
    monkeypatch.setattr(lmfit, "minimize", lambda *a, **k: counts.append(minimize(*a, **k)) or counts[-1])
    with pytest.raises(InputError, match="no axis within 20 deg"):
        solve(rows(("0h", "40d", "-4000 arcsec"), ("-4h", "30d", "6000 arcsec")), Site("47 deg"))
    assert sum(fit.nfev for fit in counts) < 10_000


def test_north_and_east_of_one_sky_position_need_two_decs() -> None:
    """East drifts at one dec only tell the drive rate; at two they tell what the north drift leaves open."""
    same = [
        {"hour_angle": "0h", "dec": "40d", "duration": "5 min", "north": "4 arcsec", "east": "3 arcsec"},
        {"hour_angle": "0h", "dec": "40d", "duration": "5 min", "north": "4 arcsec", "east": "3 arcsec"},
    ]
    assert solve(Drifts.from_rows(same), Site("47 deg")).determined == "azimuth"
    same[1]["dec"] = "-10d"
    assert solve(Drifts.from_rows(same), Site("47 deg")).determined == "both"


@pytest.mark.parametrize(("hours", "determined"), [(0.1, "azimuth"), (0.3, "both")])
def test_no_sigma_makes_up_for_a_lever(hours, determined):
    """Two stars either side of the meridian see the altitude error by the sine of their hour angle: 0.026 or 0.078, and 0.05
    is asked for, however small the sigmas are stated."""
    rows = [
        {"hour_angle": hour, "dec": dec, "duration": 300, "north": -6.0 + hour, "north_sigma": 0.001}
        for hour, dec in ((-hours, 5), (hours, 10))
    ]
    assert solve(Drifts.from_rows(rows), Site("47 deg"), pointing_error="0 deg").determined == determined


@pytest.mark.parametrize(("hours", "determined"), [(0.1, "altitude"), (0.4, "both")])
def test_a_lever_on_the_azimuth_is_one_on_the_sky(hours, determined):
    """Two stars about hour angle 6 h see the azimuth error by the cosine of it, 0.026 or 0.10, of what it is on the sky: at
    latitude 70 a third of the angle of azimuth, and 0.05 is asked for."""
    rows = [
        {"hour_angle": 6 + hour, "dec": dec, "duration": 300, "north": -6.0 + hour, "north_sigma": 0.001}
        for hour, dec in ((-hours, 25), (hours, 30))
    ]
    site = Site("70 deg", air=Air("0 hPa"))
    assert solve(Drifts.from_rows(rows), site, pointing_error="0 deg").determined == determined


@pytest.mark.parametrize(("dec", "determined"), [(10, "azimuth"), (20, "both")])
def test_what_the_drive_takes_is_no_lever(dec, determined):
    """East drifts see the altitude error by the sine of the dec, and the drive's error takes what is common to both: half of
    sin 10 - sin 5 deg is 0.043, of sin 20 - sin 5 deg 0.13, and 0.05 is asked for."""
    rows = [
        {
            "hour_angle": h,
            "dec": d,
            "duration": 300,
            "north": h - 6.0,
            "east": 1.0,
            "north_sigma": s,
            "east_sigma": s,
        }
        for h, d, s in ((-0.1, 5, 0.001), (0.1, dec, 0.001))
    ]
    assert solve(Drifts.from_rows(rows), Site("47 deg"), pointing_error="0 deg").determined == determined
