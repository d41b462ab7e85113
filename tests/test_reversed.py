"""The tube on the other side of the mount: the column `reversed`, and pixels for the side that the tube is on."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import pytest
from conftest import run_here
from scipy.spatial.transform import Rotation

from poleward import GuideCamera
from poleward.errors import InputError
from poleward.setup import read_setup
from poleward.timings.drifts import Drifts

NIGHT = Path(__file__).parent.parent / "worked_examples" / "first-night"


def table(tmp_path: Path, swung: tuple[int, ...], told: bool) -> str:
    """The first night's drifts, with the tube on the other side for some: a picture that is turned by 180 deg."""
    rows = list(csv.DictReader((NIGHT / "drifts.csv").read_text(encoding="utf-8").splitlines()))
    half = Rotation.from_euler("z", 180, degrees=True)
    for number, row in enumerate(rows):
        row["reversed"] = ""
        if number in swung:
            x, y, _ = half.apply([float(row["x"]), float(row["y"]), 0.0])
            row |= {"x": f"{x:.3f}", "y": f"{y:.3f}", "reversed": "yes" if told else ""}
    path = tmp_path / "drifts.csv"
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, rows[0].keys())
        writer.writeheader()
        writer.writerows(rows)
    return str(path)


def solved(path: str, status: int = 0) -> dict:
    ran = run_here("solve", path, "--setup", str(NIGHT / "poleward.toml"), "--json")
    assert ran.status == status
    return json.loads(ran.out)


def test_a_swing_over_the_meridian_turns_the_answer_over_unless_it_is_told(tmp_path):
    upright = solved(table(tmp_path, (), True))["axis"]
    told = solved(table(tmp_path, (0, 1, 2, 3), True))["axis"]
    # Low stars betray it: the air does not turn over with the camera, so that the timings contradict each other.
    silent = solved(table(tmp_path, (0, 1, 2, 3), False), 4)["axis"]
    for name in ("azimuth_error_arcmin", "altitude_error_arcmin"):
        assert told[name] == pytest.approx(upright[name], abs=1e-9)
        assert silent[name] * upright[name] < 0


def test_only_some_are_told(tmp_path):
    upright, told = (solved(table(tmp_path, swung, True)) for swung in ((), (1, 3)))
    assert told["axis"]["azimuth_error_arcmin"] == pytest.approx(upright["axis"]["azimuth_error_arcmin"])
    assert told["drifts"][1]["north_arcsec"] == pytest.approx(upright["drifts"][1]["north_arcsec"])


def test_pixels_are_those_of_the_side_the_tube_is_on(tmp_path):
    upright = solved(table(tmp_path, (0, 1, 2), True))["moves"][0]["star"]
    swung = solved(table(tmp_path, (3,), True))["moves"][0]["star"]
    assert (upright["reversed"], swung["reversed"]) == (False, True)
    assert (swung["x_pix"], swung["y_pix"]) == pytest.approx((-upright["x_pix"], -upright["y_pix"]))
    assert swung["north_arcsec"] == pytest.approx(upright["north_arcsec"])


def test_the_text_says_which_side(tmp_path):
    setup = ("--setup", str(NIGHT / "poleward.toml"))

    def said(reversed_rows, *more):
        return " ".join(run_here("solve", table(tmp_path, reversed_rows, True), *setup, *more).out.split())

    assert "with the tube on the side where the camera's angle was found" in said(())
    assert "with the tube on its other side (reversed)" in said((3,))
    assert "its other side (reversed)" in said((), "--watch", "hour_angle=-1h, dec=-20deg, reversed=yes")


def test_written_and_read_again():
    row = {"hour_angle": "-1h", "dec": 3, "duration": 300, "north": -6.2, "east": 1.5, "reversed": "yes"}
    (drift,) = made = Drifts.from_rows([row])
    assert (drift.north_arcsec, drift.east_arcsec, drift.reversed) == (6.2, -1.5, True)
    assert Drifts.from_rows(made.to_rows()) == made
    with pytest.raises(InputError) as caught:
        Drifts.from_rows([row | {"reversed": "west"}])
    assert caught.value.args[0] == "row 1, column reversed: 'west', allowed is yes or no"


@pytest.mark.parametrize("angle", [0.0, 30.0, -80.0])
@pytest.mark.parametrize("mirrored", [False, True])
def test_rows_counted_down(angle, mirrored):
    """The same star on the same screen: y read from the top instead of the bottom."""
    up, down = GuideCamera(2.0, angle, mirrored), GuideCamera(2.0, angle, mirrored, "down")
    assert np.allclose(down.to_sky(3.0, -4.0), up.to_sky(3.0, 4.0), atol=1e-12)
    assert np.allclose(down.to_sky(*down.to_pixels(10.0, 4.0)), (10.0, 4.0), atol=1e-12)


def test_the_setup_takes_rows_and_scale(tmp_path):
    path = tmp_path / "poleward.toml"
    path.write_text('[guide_camera]\nscale = "1.9 arcsec/pix"\nposition_angle = "12 deg"\nrows = "down"\n')
    assert read_setup(path).guide_camera == GuideCamera(1.9, 12, False, "down")
    path.write_text('[guide_camera]\nscale = 1.9\nposition_angle = "12 deg"\nrows = "left"\n')
    with pytest.raises(InputError, match="rows is 'left', allowed is 'up' or 'down'"):
        read_setup(path)
    path.write_text('[guide_camera]\nscale = 1.9\npixel_size = "3 um"\nposition_angle = "12 deg"\n')
    with pytest.raises(InputError, match="scale and focal_length or pixel_size are both given"):
        read_setup(path)
