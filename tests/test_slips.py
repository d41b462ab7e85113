"""What a hand writes that means something else, and what is then said: one line, and what would do."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import numpy as np
import pytest
from conftest import run_here
from nights import AXIS_DEG, night, site_of
from scipy.spatial.transform import Rotation
from truth import Place, axis_direction, camera_drift

from poleward import Drifts, Site, solve
from poleward.errors import InputError
from poleward.sky.look import Pointing
from poleward.solving.knobs import STILL, easiest_to_watch

ROW = {"hour_angle": -3, "dec": 10, "north": -6.2}


@pytest.mark.parametrize("bare", [5, "5.0", 10.0])
def test_a_bare_duration_that_may_be_minutes(bare):
    with pytest.raises(InputError) as caught:
        Drifts.from_rows([ROW | {"duration": bare}])
    assert f"could be {float(bare):g} s or {float(bare):g} min" in str(caught.value)
    assert f"write {float(bare):g} min or" in caught.value.hint


@pytest.mark.parametrize(("written", "seconds"), [("5 s", 5), ("5 min", 300), (300, 300), ("0:05", 5)])
def test_a_duration_that_cannot_be_mistaken(written, seconds):
    assert Drifts.from_rows([ROW | {"duration": written}])[0].duration_s == seconds


def test_a_header_that_names_the_unit_settles_it(tmp_path):
    path = tmp_path / "drifts.csv"
    path.write_text("hour_angle,dec,duration [min],north\n-3,10,5,-6.2\n0,5,5,2\n")
    assert run_here("solve", str(path), "--latitude", "47deg").status == 0
    path.write_text("hour_angle,dec,duration,north\n-3,10,5,-6.2\n")
    ran = run_here("solve", str(path), "--latitude", "47deg")
    assert ran.status == 3
    assert "drifts.csv:2, column duration: '5' could be 5 s or 5 min" in ran.err


def test_ten_seconds_are_told_of():
    rows = [ROW | {"duration": "10 s"}, ROW | {"hour_angle": 0, "duration": "5 min"}]
    told = {note.code: note.text for note in solve(Drifts.from_rows(rows), Site("47 deg")).warnings}
    assert told["short"] == "timing 1 was timed for 10 s only: is its duration in minutes?"


@pytest.mark.parametrize(
    ("short", "hint"),
    [
        ("CEST", "such as Europe/Amsterdam, or the offset, such as +02:00"),
        ("EDT", "such as America/Detroit, or the offset, such as -04:00"),
        ("NZDT", "or the offset, such as +13:00"),
        ("QQQ", "e.g. UTC, local, Europe/Zurich or +01:00"),
    ],
)
def test_an_abbreviation_is_no_zone(short, hint):
    ran = run_here(
        "solve",
        "--latitude",
        "47deg",
        "--tz",
        short,
        "--drift",
        "hour_angle=0, dec=0, duration=5min, north=1",
    )
    assert ran.status == 2
    assert hint in ran.err


def test_the_sign_of_the_latitude_is_named_where_the_air_tells_it():
    """Stars on the celestial equator stand as high in either hemisphere, and only the air knows which one it is."""
    place = Place(47.0)
    watched = night(place, [(-4.4, 0), (-0.3, 0), (2.0, 0), (4.4, 0)], 600.0)
    drifts = watched.table(watched.drifts(*AXIS_DEG), "hour_angle", sigma=0.1)
    right, wrong = site_of(place), replace(site_of(place), latitude="-47 deg")
    assert not solve(drifts, right, pointing_error="0 deg").contradictory
    solution = solve(drifts, wrong, pointing_error="0 deg")
    (note,) = [note for note in solution.warnings if note.code == "contradiction"]
    assert "the latitude's other sign" in note.text


# Which star to watch ------------------------------------------------------------------------------------------------


def moved(latitude: float, at: Pointing) -> np.ndarray:
    """How far one unit of each knob's turn moves a star, by scipy's Rotation: about the plumb line, about the level line."""
    h, d, phi = at.hour_angle, at.dec, math.radians(latitude)
    star = np.array(
        [
            -math.cos(d) * math.sin(h),
            math.sin(d) * math.cos(phi) - math.cos(d) * math.cos(h) * math.sin(phi),
            math.sin(d) * math.sin(phi) + math.cos(d) * math.cos(h) * math.cos(phi),
        ]
    )
    step = 1e-4
    about = ([0, 0, step], [step, 0, 0])
    return np.array([np.linalg.norm(Rotation.from_rotvec(v).apply(star) - star) / step for v in about])


@pytest.mark.parametrize("latitude", [47.0, -35.0])
def test_the_star_to_watch_moves(latitude):
    def at(h, dec):
        return Pointing(hour_angle=math.radians(15 * h), dec=math.radians(dec))

    site, side = Site(latitude), math.copysign(1, latitude)
    south, east = at(0.0, 0.0), at(-5.9, side * 1.0)
    zenith = at(0.0, latitude)
    for last in (east, zenith):
        assert moved(latitude, last).min() < STILL
        assert easiest_to_watch([(south, True), (last, False)], site) == (south, True)
    assert easiest_to_watch([(east, False), (south, False)], site) == (south, False)
    assert easiest_to_watch([], site) is None
    proposed = at(0.0, latitude - 45 * side)
    assert moved(latitude, proposed).min() > 0.7


def test_where_none_moves_one_is_proposed():
    drifts = [
        f"hour_angle={h}h, dec=+47d, duration=5min, north={n}arcsec" for h, n in ((-0.5, 60), (0.5, 40))
    ]
    ran = run_here("solve", "--latitude", "47deg", "--drift", drifts[0], "--drift", drifts[1])
    assert '--watch "hour_angle=0h, dec=+2d"' in " ".join(ran.out.split())


# Two answers --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("latitude", [47.0, -35.0])
@pytest.mark.slow
def test_stars_beside_the_pole_may_leave_two_answers(latitude):
    """Exact drifts of two stars nearer to the pole than the axis is: never a wrong answer, and often two."""
    place, generator = Place(latitude), np.random.default_rng(5)
    side, twice = math.copysign(1, latitude), 0
    for _ in range(8):
        hours, off = generator.uniform(-12, 12, 2), generator.uniform(0.15, 0.9, 2)
        watched = night(place, [(h, side * (90 - d)) for h, d in zip(hours, off, strict=True)], 600.0)
        turn = generator.uniform(0, 2 * math.pi)
        axis = (math.cos(turn) / math.cos(math.radians(latitude)), math.sin(turn))
        pointing = axis_direction(watched.bent_pole, *axis, side) * side
        north = [camera_drift(seen, 600.0, pointing)[0] for seen in watched.seen]
        drifts = watched.table(np.array([north, north]).T, "ra", sigma=0.3)
        solution = solve(drifts, site_of(place))
        if solution.determined == "both":
            miss = [
                solution.azimuth_error_arcmin - 60 * axis[0],
                solution.altitude_error_arcmin - 60 * axis[1],
            ]
            assert np.hypot(*miss) < 0.1
        twice += any(note.code == "two-answers" for note in solution.warnings)
    assert twice >= 2


BESIDE = [  # latitude, (hour angle, dec) of two stars, A and e in arcmin, seconds: once printed as sure, tens of arcmin off
    (-47.0, ((-11.8, -89.49), (-11.3, -83.41)), (39.0, 1.0), 60.0),
    (60.0, ((-7.5002, 89.75273), (0.71597, 60.40791)), (-13.38, -108.005), 300.0),
    (60.0, ((8.68318, 89.70194), (-2.39319, 68.731)), (4.511, -137.02), 600.0),
    (-20.0, ((10.00122, -89.25876), (-5.39847, -72.01483)), (-106.201, -25.869), 600.0),
    (-47.0, ((11.88666, -89.5103), (0.45166, -62.7752)), (19.73, -46.958), 60.0),
    (60.0, ((-5.51957, 89.64791), (6.83078, 71.71162)), (-57.001, -19.412), 600.0),
    (60.0, ((-1.06208, 89.79946), (-0.99702, 63.42815)), (4.688, 42.205), 300.0),
    (20.0, ((-0.2, 89.77), (2.4, 84.4)), (37.62, -1.853), 300.0),
]


@pytest.mark.parametrize(("latitude", "pointings", "errors", "seconds"), BESIDE)
def test_of_two_answers_beside_the_pole_the_true_one_is_told(latitude, pointings, errors, seconds):
    """Both axes explain the drifts to the last digit; the true one stands among those that the note names."""
    watched = night(Place(latitude), pointings, seconds)
    drifts = watched.table(watched.drifts(errors[0] / 60, errors[1] / 60), "ra", sigma=1.0)
    solution = solve(drifts, site_of(watched.place), pointing_error="0 deg")
    assert solution.determined == "neither"
    (told,) = (note.text for note in solution.warnings if note.code == "two-answers")
    named = re.findall(r"([-+][\d.]+) east and ([-+][\d.]+) high", told)
    assert min(math.dist(errors, map(float, pair)) for pair in named) < 0.2, told  # a tenth is lost in print


def test_a_star_further_from_the_pole_decides():
    watched = night(Place(20.0), ((-0.2, 89.77), (2.4, 84.4), (-3.0, 30.0)), 300.0)
    solution = solve(
        watched.table(watched.drifts(37.62 / 60, -1.853 / 60), "ra", sigma=1.0), site_of(watched.place)
    )
    assert solution.determined == "both"
    assert solution.azimuth_error_arcmin == pytest.approx(37.62, abs=0.1)
