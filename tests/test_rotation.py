"""Measured field rotation in the solve. Truth: astropy's places of a ring of stars, scipy's Rotation for the camera."""

from __future__ import annotations

import json
from functools import cache
from importlib.resources import files

import numpy as np
import pytest
import truth
from conftest import run_here
from jsonschema import Draft202012Validator
from nights import SIDEREAL, site_of

from poleward import Drifts, solve
from poleward.errors import InputError
from poleward.timings.rows import Drift

SCHEMA = json.loads((files("poleward") / "data" / "record.schema.json").read_text(encoding="utf-8"))
AXIS_DEG = (0.3, -0.2)
FIELDS = {47.0: [(-4.0, 10.0), (-0.3, 3.0), (3.5, 20.0)], -35.0: [(-3.5, -20.0), (0.4, 2.0), (3.0, -60.0)]}
"""Hour angle and dec of the frame's centre, by latitude."""


def measured(place, hour_angle_h, dec_deg, axis_deg=AXIS_DEG, seconds=300.0, rate=None, radius_deg=0.05):
    """North, east (arcsec) and rotation (arcmin) that a camera sees, and where it points."""
    star = truth.star_at(place, hour_angle_h, dec_deg, truth.EVENING)
    pole = truth.pole_seen(place, truth.Time(truth.EVENING))
    axis = truth.axis_direction(pole, *axis_deg, np.sign(place.latitude_deg))
    how = {} if rate is None else {"rate_arcsec_per_s": rate}
    north, east = truth.drift(place, star, truth.EVENING, seconds, axis, **how)
    turn = truth.field_turn(place, star, truth.EVENING, seconds, axis, radius_deg=radius_deg, **how)
    at = {
        "ra": f"{float(star.ra.deg)!r} deg",
        "dec": float(star.dec.deg),
        "time": truth.EVENING,
        "duration": seconds,
    }
    return at, north, east, turn


@pytest.mark.parametrize("latitude", [47.0, -35.0, 70.0])
@pytest.mark.parametrize(("axis", "seconds"), [((0.3, -0.2), 300.0), ((3.0, -2.0), 7200.0)])
@pytest.mark.parametrize(("h", "dec"), [(-3.0, 0.0), (0.4, 0.0), (3.0, 30.0), (2.0, 80.0)])
def test_one_field_gives_both_errors(latitude, axis, seconds, h, dec):
    """North drift, east drift and turn of one exact field: the axis comes back, also one that is degrees off."""
    place = truth.Place(latitude)
    at, north, east, turn = measured(place, h, np.sign(latitude) * dec, axis, seconds, radius_deg=0.005)
    row = at | {"north": north, "north_sigma": 0.1, "east": east, "east_sigma": 0.1}
    solution = solve(Drifts.from_rows([row | {"rotation": turn, "rotation_sigma": 0.001}]), site_of(place))
    assert solution.determined == "both"
    # 0.1 arcsec: the ring of stars has a size, 18 arcsec, which low down the air does not lift alike.
    assert solution.azimuth_error_arcmin == pytest.approx(60 * axis[0], abs=2e-3)
    assert solution.altitude_error_arcmin == pytest.approx(60 * axis[1], abs=2e-3)
    assert solution.drifts[0].rotation_fitted_arcmin == pytest.approx(turn, abs=1e-6)


def test_to_first_order_it_is_the_formula_of_the_contract():
    """D: -s omega (e cos h - A cos(phi) sin h) cos(dec), 10 arcmin, without air: right to a part in a hundred."""
    for latitude in (47.0, -35.0):
        place = truth.Place(latitude, pressure_hpa=0.0)
        a, e, h, dec = 10.0, 6.0, -3.0, 25.0
        _, _, _, turn = measured(place, h, dec, (a / 60, e / 60), 60.0)
        middle = np.radians(15 * h + 0.125)
        across = e * np.cos(middle) - a * np.cos(np.radians(latitude)) * np.sin(middle)
        by_formula = -np.sign(latitude) * across * np.cos(np.radians(dec)) * np.radians(SIDEREAL / 60)
        assert turn == pytest.approx(by_formula, rel=0.01)


@cache
def exact(latitude):
    """Rows of exact fields, and what one arcsec more of the drive's turn does to (north, east, rotation)."""
    place = truth.Place(latitude)
    made = []
    for h, dec in FIELDS[latitude]:
        at, *plain = measured(place, h, dec)
        fast = measured(place, h, dec, rate=SIDEREAL + 0.1)[1:]
        made.append((at, np.array(plain), (np.array(fast) - plain) / 30.0))
    return made


def noisy(latitude, seed, *, east, drive=10.0, sigmas=(0.3, 0.3, 0.03)):
    """One set: normal errors on all, and a drive that went wrong by 10 arcsec in every timing."""
    generator, rows = np.random.default_rng(seed), []
    for at, plain, by in exact(latitude):
        n, e, r = plain + np.array(sigmas) * generator.normal(size=3) + drive * generator.normal() * by
        row = at | {"north": float(n), "north_sigma": sigmas[0]}
        row |= {"rotation": float(r), "rotation_sigma": sigmas[2]}
        rows.append(row | ({"east": float(e), "east_sigma": sigmas[1]} if east else {}))
    return Drifts.from_rows(rows)


@pytest.mark.slow
@pytest.mark.parametrize(("latitude", "east"), [(47.0, False), (-35.0, True)])
@pytest.mark.usefixtures("near")  # 0.36 deg
def test_intervals_hold_whatever_the_worm_does(latitude, east):
    sets, site = 100, site_of(truth.Place(latitude))
    found = [solve(noisy(latitude, seed, east=east), site) for seed in range(sets)]
    got = np.array([[s.azimuth_error_arcmin, s.altitude_error_arcmin] for s in found])
    sigma = np.array([[s.azimuth_sigma_arcmin, s.altitude_sigma_arcmin] for s in found])
    pulls = (got - 60 * np.array(AXIS_DEG)) / sigma
    for k in range(2):  # three binomial standard deviations
        assert abs(np.mean(np.abs(pulls[:, k]) < 1) - 0.683) < 3 * np.sqrt(0.683 * 0.317 / sets)
        assert abs(np.mean(np.abs(pulls[:, k]) < 2) - 0.954) < 3 * np.sqrt(0.954 * 0.046 / sets)


@pytest.mark.usefixtures("near")
def test_each_timings_worm_is_its_own():
    """The answer's covariance is that of each reading off by its sigma and each drive by its 10 arcsec, one after the other."""
    sigmas, place = (0.3, 0.003), truth.Place(47.0)

    def answer(off):
        rows = []
        for (at, (north, _, turn), by), (n, r, worm) in zip(exact(47.0), off, strict=True):
            row = at | {"north": north + n + worm * by[0], "north_sigma": sigmas[0]}
            rows.append(row | {"rotation": turn + r + worm * by[2], "rotation_sigma": sigmas[1]})
        found = solve(Drifts.from_rows(rows), site_of(place))
        return np.array([found.azimuth_error_arcmin, found.altitude_error_arcmin]), found

    plain, found = answer(np.zeros((len(exact(47.0)), 3)))
    moves = []
    for place_off in np.ndindex(len(exact(47.0)), 3):
        off = np.zeros((len(exact(47.0)), 3))
        off[place_off] = (*sigmas, 10.0)[place_off[1]]
        moves.append(answer(off)[0] - plain)
    told = found.azimuth_sigma_arcmin, found.altitude_sigma_arcmin
    assert np.sqrt(np.sum(np.square(moves), axis=0)) == pytest.approx(told, rel=0.05)


def test_each_timing_stands_beside_what_the_axis_makes_of_it():
    """Exact values, but for a north drift 5 arcsec off that weighs nothing: fitted are the exact ones, and each keeps its sigma."""
    rows = []
    for n, (at, (north, east, turn), _) in enumerate(exact(47.0)):
        off, sigma = (5.0, 50.0) if n == 1 else (0.0, 0.1 + n / 10)
        row = at | {"north": north + off, "north_sigma": sigma, "east": east, "east_sigma": 0.2 + n / 10}
        rows.append(row | {"rotation": turn, "rotation_sigma": 0.01 + n / 100})
    place = truth.Place(47.0)
    table = solve(Drifts.from_rows(rows), site_of(place)).drifts
    with truth.offline():
        stars = [truth.star_at(place, h, dec, truth.EVENING) for h, dec in FIELDS[47.0]]
        heights = [star.transform_to(place.altaz(truth.Time(truth.EVENING))).alt.deg for star in stars]
    assert [drift.altitude_deg for drift in table] == pytest.approx(heights, abs=0.01)
    for drift, row, (_, (north, east, turn), _) in zip(table, rows, exact(47.0), strict=True):
        assert (drift.north_arcsec, drift.east_arcsec) == (row["north"], row["east"])
        assert drift.north_fitted_arcsec == pytest.approx(north, abs=0.01)
        assert drift.east_fitted_arcsec == pytest.approx(east, abs=0.01)
        assert drift.rotation_fitted_arcmin == pytest.approx(turn, abs=1e-3)
        told = drift.north_sigma_arcsec, drift.east_sigma_arcsec, drift.rotation_sigma_arcmin
        assert told == pytest.approx((row["north_sigma"], row["east_sigma"], row["rotation_sigma"]))


def test_an_east_drift_takes_the_worm_out_of_the_rotation():
    """At dec 60 a drive 10 arcsec ahead turns the field by 0.14 arcmin, five of its sigmas: only the east drift tells."""
    place = truth.Place(47.0)
    at, north, east, turn = measured(place, -2.0, 60.0, rate=SIDEREAL + 10 / 300)
    row = at | {"north": north, "north_sigma": 0.3, "rotation": turn, "rotation_sigma": 0.03}
    alone, with_east = (
        solve(Drifts.from_rows([row | more]), site_of(place))
        for more in ({}, {"east": east, "east_sigma": 0.3})
    )
    for solution, off in ((alone, 3.0), (with_east, 0.05)):
        miss = [solution.azimuth_error_arcmin - 18, solution.altitude_error_arcmin + 12]
        assert (np.hypot(*miss) > off) == (off > 1)
        assert abs(miss[1]) < 2 * solution.altitude_sigma_arcmin
    assert with_east.altitude_sigma_arcmin < alone.altitude_sigma_arcmin / 3
    assert with_east.fit.drive_doubt_arcsec == 10
    assert not any(note.code == "east-alone" for note in with_east.warnings)


def test_a_turn_is_known_no_better_than_the_drive():
    """What the worm does, 10 arcsec, turns the field by 0.14 arcmin at dec 60: a rotation read to 0.01 or 0.02 says as much."""
    place = truth.Place(47.0)
    at, north, _, turn = measured(place, -2.0, 60.0, rate=SIDEREAL)
    row = at | {"north": north, "north_sigma": 0.3, "rotation": turn}
    fine, coarse = (
        solve(Drifts.from_rows([row | {"rotation_sigma": sigma}]), site_of(place)).altitude_sigma_arcmin
        for sigma in (0.01, 0.02)
    )
    assert fine == pytest.approx(coarse, rel=0.02)  # hypot(0.01, 0.14) / hypot(0.02, 0.14) is 0.993


def test_a_camera_on_its_head_shows_the_same_turn():
    row = {
        "hour_angle": -3,
        "dec": 10,
        "duration": 300,
        "north": -6.2,
        "rotation": 0.4,
        "rotation_sigma": "3 arcsec",
    }
    (drift,) = made = Drifts.from_rows([row | {"reversed": "yes"}])
    assert (drift.north_arcsec, drift.rotation_arcmin, drift.rotation_sigma_arcmin) == (6.2, 0.4, 0.05)
    assert Drifts.from_rows(made.to_rows()) == made == Drifts.from_table(made.to_table())
    assert isinstance(drift, Drift)


def test_a_rotation_alone_is_a_measurement():
    row = {"hour_angle": 0, "dec": 0, "duration": 600, "rotation": 0.4, "rotation_sigma": 0.02}
    solution = solve(Drifts.from_rows([row]), site_of(truth.Place(47.0, pressure_hpa=0.0)))
    # On the meridian it is the altitude error that turns the field: -omega e, 0.0437 arcmin per arcmin in 10 minutes.
    assert solution.determined == "altitude"
    assert solution.altitude_error_arcmin == pytest.approx(-0.4 / 0.04375, abs=0.3)


@pytest.mark.parametrize(
    ("cells", "message"),
    [
        ({"rotation": 0.4}, "rotation and rotation_sigma go together"),
        ({"rotation_sigma": 0.4, "north": 1}, "rotation and rotation_sigma go together"),
        ({"rotation": 200, "rotation_sigma": 1}, "the rotation is 40 arcsec/s, faster than the sky itself turns"),
        ({"rotation": 1, "rotation_sigma": -1}, "column rotation_sigma: rotation_sigma is -1, allowed is more than 0"),
        ({}, "no drift is given"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused(cells, message):
    with pytest.raises(InputError) as caught:
        Drifts.from_rows([{"hour_angle": 0, "dec": 0, "duration": 300} | cells])
    assert message in str(caught.value)


def test_on_the_command_line_in_record_and_table(tmp_path):
    drift = "hour_angle=-4h, dec=+10d, duration=5min, north=-10.5arcsec, rotation=-0.11arcmin, rotation_sigma=0.03arcmin"
    ran = run_here("solve", "--latitude", "47deg", "--drift", drift, "--json", "-o", str(tmp_path / "a.ecsv"))
    record = json.loads(ran.out)
    Draft202012Validator(SCHEMA).validate(record)
    told = record["drifts"][0]
    assert told["rotation_arcmin"] == -0.11
    assert told["rotation_sigma_arcmin"] == 0.03
    assert told["rotation_fitted_arcmin"] == pytest.approx(-0.11, abs=1e-3)
    assert record["fit"]["values"] == 2
    text = (tmp_path / "a.ecsv").read_text()
    assert "name: rotation_fitted, unit: arcmin" in text
    shown = run_here("solve", "--latitude", "47deg", "--drift", drift).out
    assert "turn     -0.11    -0.11    0.0" in shown
    assert "the drive's turn to" in shown


def test_a_turn_with_the_wrong_sign_is_named():
    rows = [
        at | dict(zip(("north", "east", "rotation"), map(float, plain), strict=True))
        for at, plain, _ in exact(47.0)
    ]
    rows = [row | {"north_sigma": 0.3, "east_sigma": 0.3, "rotation_sigma": 0.03} for row in rows]
    rows[1]["rotation"] *= -1
    solution = solve(Drifts.from_rows(rows), site_of(truth.Place(47.0)))
    assert solution.contradictory
    assert any("the rotation of 'timing 2' the other way" in note.text for note in solution.warnings)
