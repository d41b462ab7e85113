"""What people hand in through Python and the setup, where it was once taken for something else."""

from __future__ import annotations

import math
import time
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import Angle
from astropy.time import Time, TimeDelta
from astropy.utils import iers
from astropy.utils.masked import Masked
from conftest import run_here

from poleward import Air, Drifts, GuideCamera, InputError, Site, UsageError
from poleward.door.clock import parse_time, zone_of
from poleward.door.quantity import ANGLE, DURATION, parse
from poleward.planning.plan import plan
from poleward.planning.timing import Reader
from poleward.planning.wishes import Wishes

ROW = {"hour_angle": "-0h20m", "dec": "3d", "duration": "5 min", "north": "-4 arcsec"}


@pytest.mark.parametrize(
    "nothing", [None, "", " ", np.ma.masked, Masked(3 * u.arcsec, mask=True), Masked(Time("2026-11-25"), mask=True)]
)  # fmt: skip
def test_masked_is_not_measured(nothing: object) -> None:
    """A masked Quantity was once a drift of 0 arcsec with a weight like any other."""
    (drift,) = Drifts.from_rows([{**ROW, "east": nothing, "north_sigma": nothing}])
    assert (drift.north_arcsec, drift.east_arcsec, drift.north_sigma_arcsec) == (-4, None, None)
    with pytest.raises(InputError, match="latitude: this value is masked or empty: not measured"):
        Site(nothing)


def test_a_masked_quantity_with_a_value_is_that_value() -> None:
    assert parse(Masked(3 * u.deg, mask=False), ANGLE) == math.radians(3)


@pytest.mark.parametrize(
    ("value", "seconds"),
    [(TimeDelta(5 * u.min), 300), (TimeDelta(90, format="sec"), 90), (Angle("0d"), None), (7 * u.s, 7)],
)
def test_durations(value: object, seconds: float | None) -> None:
    if seconds is None:
        with pytest.raises(InputError, match="does not fit here"):
            parse(value, DURATION)
    else:
        assert parse(value, DURATION) == pytest.approx(seconds, abs=1e-6)


def test_an_array_is_not_one_value() -> None:
    with pytest.raises(InputError, match=r"latitude: an array of shape \(2,\) is given, one value is needed"):
        Site([46, 47] * u.deg)


def test_bare_numbers_of_a_guide_camera_are_degrees() -> None:
    """30 was once 30 radians. Truth: y 30 deg east of north, unmirrored, so that x is 60 deg west of north."""
    north, east = GuideCamera(1.5, 30, False).to_sky(1.0, 0.0)
    assert (north, east) == (
        pytest.approx(1.5 * math.cos(math.radians(60))),
        pytest.approx(-1.5 * math.sin(math.radians(60))),
    )
    same = GuideCamera(1.5 * u.arcsec / u.pix, Angle("30d"))
    assert GuideCamera(1.5, 30) == same == GuideCamera("1.5 arcsec/pix", "30 deg")
    assert len({GuideCamera(1.5, 30), same}) == 1


def test_air_without_pressure_is_that_of_the_site() -> None:
    """It was once that at sea level. Truth: U.S. Standard Atmosphere 1976, table I: 746.9 hPa at 2500 m (M)."""
    high = Site("47 deg", elevation="2500 m", air=Air(temperature="-5 deg_C"))
    assert high.air.pressure_hpa == pytest.approx(746.9, abs=0.5)
    assert high.air.temperature_c == -5
    assert Site("47 deg", elevation="2500 m").air.pressure_hpa == pytest.approx(746.9, abs=0.5)
    assert Site("47 deg", elevation="2500 m", air=Air("900 hPa")).air.pressure_hpa == 900
    given = Air(elevation="0 m")
    assert Site("47 deg", elevation="2500 m", air=given).air.pressure_hpa == pytest.approx(1013.25)
    assert given == Air("1013.25 hPa") != Air()


@pytest.fixture
def in_zurich(monkeypatch: pytest.MonkeyPatch):
    if not hasattr(time, "tzset"):
        pytest.skip("this system does not let a program choose its zone")
    monkeypatch.setenv("TZ", "Europe/Zurich")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


@pytest.mark.usefixtures("in_zurich")
@pytest.mark.parametrize(
    ("local", "utc"),
    [("2026-07-10T23:00", "2026-07-10T21:00"), ("2026-12-10T23:00", "2026-12-10T22:00"), ("1990-07-01T02:00", "1990-07-01T00:00")],
)  # fmt: skip
def test_local_time_has_each_dates_own_offset(local: str, utc: str) -> None:
    """In November a July date was read with November's offset: an hour, 16 arcmin of 60."""
    zone = zone_of("local")
    moment = parse_time(local, "", zone)
    assert moment == datetime.fromisoformat(utc).replace(tzinfo=UTC)
    assert moment.astimezone(zone).replace(tzinfo=None) == datetime.fromisoformat(local)


@pytest.mark.usefixtures("in_zurich")
@pytest.mark.parametrize(
    ("local", "said"), [("2026-10-25T02:30", "happens twice"), ("2026-03-29T02:30", "does not exist")]
)
def test_local_time_when_the_clock_is_changed(local: str, said: str) -> None:
    with pytest.raises(InputError, match=f"{said} in local time"):
        parse_time(local, "", zone_of("local"))
    second = datetime(2026, 10, 25, 1, 30, tzinfo=UTC).astimezone(zone_of("local"))
    assert (second.hour, second.fold, second.astimezone(UTC).hour) == (2, 1, 1)


def test_the_pole_of_a_plan_is_one_of_two() -> None:
    with pytest.raises(UsageError, match="pole: 'aparent', allowed is apparent or true"):
        plan(Site("47 deg"), Reader(1.0), Wishes(1.0), pole="aparent")


@pytest.mark.usefixtures("workdir")
def test_a_wrong_zone_is_blamed_on_who_wrote_it() -> None:
    Path("poleward.toml").write_text('[site]\nlatitude = "47 deg"\ntimezone = "Berlin"\n', encoding="utf-8")
    drift = ("--drift", "hour_angle=-0h20m, dec=3d, duration=5min, north=-4arcsec")
    ran = run_here("solve", "--latitude", "46d", *drift)
    assert ran.err == (
        "poleward: poleward.toml [site], timezone: there is no time zone 'Berlin'\n  did you mean Europe/Berlin?\n"
    )
    assert ran.status == 3
    Path("poleward.toml").unlink()
    ran = run_here("solve", "--latitude", "46d", "--tz", "Bern", *drift)
    assert ran.err.startswith("poleward: --tz: there is no time zone 'Bern'\n")
    assert ran.status == 2
    with pytest.raises(InputError, match="site, timezone: there is no time zone 'Berlin'"):
        Site("47 deg", timezone="Berlin")


@pytest.mark.parametrize("scale", ["utc", "ut1", "tai", "tt", "tdb", "tcg", "tcb"])
@pytest.mark.parametrize("when", ["2024-03-10T20:00:00.25", "1999-01-01T00:00:00", "2016-12-31T23:59:59.5"])
def test_times_of_any_scale(scale: str, when: str) -> None:
    """Truth: astropy's own conversion. TDB is taken for TT, 1.7 ms at most; Bulletins A and B differ by 0.1 ms."""
    with iers.conf.set_temp("auto_download", False), iers.conf.set_temp("auto_max_age", None):
        there = getattr(Time(when, scale="utc"), scale)
        iers.IERS_Auto.close()
    truth = datetime.fromisoformat(when).replace(tzinfo=UTC)
    assert abs((parse_time(there, "") - truth).total_seconds()) < 2e-3


@pytest.mark.filterwarnings("ignore:.*dubious year")
def test_times_inside_a_leap_second_and_times_that_are_none() -> None:
    early, late = (parse_time(Time(f"2016-12-31T23:59:60.{part}"), "") for part in ("25", "75"))
    assert early == datetime(2016, 12, 31, 23, 59, 59, 999999, tzinfo=UTC)
    assert late == datetime(2017, 1, 1, tzinfo=UTC)
    for value, said in (
        (Time(["2026-11-25", "2026-11-26"]), "x: 2 times are given, one is needed"),
        (
            Time("2026-11-25", scale="local"),
            "x: a Time of scale 'local' cannot be read, allowed are utc, ut1, tai",
        ),
        (Masked(Time("2026-11-25"), mask=True), "x: the time is masked or empty"),
        (Time(-3e5, format="jyear"), "out of range"),
        (Time("1850-01-01"), "out of range, allowed are the years 1900 to 2100"),
    ):
        with pytest.raises(InputError, match=said):
            parse_time(value, "x")


def test_a_zone_is_never_guessed_from_its_abbreviation() -> None:
    """CEST once got EST proposed, seven hours off."""
    with pytest.raises(InputError) as caught:
        zone_of("CEST")
    assert (
        caught.value.hint
        == "name a place that keeps it, such as Europe/Amsterdam, or the offset, such as +02:00"
    )
