"""``poleward check`` as a user meets it: text, record, table, chart, errors, exit status."""

from __future__ import annotations

import json
from importlib.resources import files
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from conftest import run_here

SCHEMA = json.loads((files("poleward") / "data" / "record.schema.json").read_text(encoding="utf-8"))
PLACE = ("--latitude", "47.1deg", "--longitude", "8.4deg", "--elevation", "560m", "--tz", "Europe/Zurich")
CAMERA = ("--camera", "focal_length=600mm, pixel_size=3.76um, width=6248, height=4176")
AXIS = ("--axis", "azimuth=5arcmin, altitude=-3arcmin")
TARGET = "name=nebula, ra=05h35m17s, dec=-5d23m, exposure=300s, start=2025-01-15T20:00, end=2025-01-16T00:30"
SPIRAL = (
    "name=spiral, ra=09h55m33s, dec=+69d04m, exposure=10min, start=2025-01-15T22:00, end=2025-01-16T05:00, "
    "guide_star_offset_north=1deg"
)

pytestmark = pytest.mark.usefixtures("workdir")


def run(*more: str):
    return run_here("check", *PLACE, *CAMERA, *more)


def test_the_verdict_comes_first():
    ran = run(*AXIS, "--target", TARGET)
    assert (ran.status, ran.err) == (0, "")
    lines = ran.out.splitlines()
    assert lines[0] == "YES: the target stays within 1 pixel, guided."
    assert lines[1] == "Axis: 5.0 arcmin EAST and 3.0 arcmin LOW of the apparent pole."
    assert "trails 0.18 of 1 pix" in ran.out
    assert "true pole" in ran.out
    assert ran.out.isascii()


def test_a_target_outside_the_limit_is_status_five():
    ran = run("--axis", "azimuth=20arcmin, altitude=9arcmin", "--target", TARGET, "--target", SPIRAL)
    assert ran.status == 5
    assert ran.out.startswith("NO: 1 of 2 targets stay within 1 pixel, guided.")
    assert "spiral  NO " in ran.out
    assert "with the guide star at the frame's centre the guided trail would be" in ran.out


def test_too_uncertain_is_status_five():
    ran = run(
        "--axis", "azimuth=5arcmin, altitude=-3arcmin, azimuth_sigma=2arcmin, altitude_sigma=2arcmin",
        "--target", SPIRAL,
    )  # fmt: skip
    assert ran.status == 5
    assert ran.out.startswith("NOT SURE whether the target stays within 1 pixel, guided.")
    assert "% chance to stay within" in ran.out


def test_what_cannot_be_said_is_null_in_the_record():
    sigmas = "azimuth_sigma=2arcmin, altitude_sigma=2arcmin"
    ran = run("--axis", f"azimuth=5arcmin, altitude=-3arcmin, {sigmas}", "--target", SPIRAL, "--json")
    (row,) = json.loads(ran.out)["targets"]
    assert row["within"] is None
    # Axis east of the pole at a northern site, star near the meridian: it drifts south (Scheiner 1889).
    assert row["north_drift_arcsec_per_min"] < 0


def test_one_that_never_rises_leaves_the_others_answered():
    ran = run(*AXIS, "--target", TARGET, "--target", "name=deep south, ra=13h, dec=-60d, exposure=60s", "--at",
              "2025-01-15T17:00Z")  # fmt: skip
    assert ran.status == 5
    assert ran.out.startswith("NOT ALL: 1 of 2 targets stay within 1 pixel, guided.")
    assert "it never stands above 20 deg in the coming night: at most -17 deg" in " ".join(ran.out.split())


def test_daylight_is_not_settled_by_a_surer_axis():
    sigmas = "azimuth=5arcmin, altitude=-3arcmin, azimuth_sigma=2arcmin, altitude_sigma=2arcmin"
    noon = "name=noon, ra=20h, dec=+40d, exposure=300s, start=2025-01-15T14:00, end=2025-01-15T16:00"
    ran = run("--axis", sigmas, "--target", noon)
    assert ran.status == 5
    assert "daylight: the Sun is up from 14:00 CET to 16:00 CET" in " ".join(ran.out.split())
    assert "surer axis" not in ran.out


def test_the_date_and_how_far_it_is():
    ran = run(*AXIS, "--target", TARGET, "--at", "2025-01-15T12:00Z")
    assert "Windows begin on Wed 2025-01-15." in ran.out
    assert (
        "Windows begin on Wed 2025-01-15, in 10 days."
        in run(*AXIS, "--target", TARGET, "--at", "2025-01-05T19:00Z").out
    )
    assert (
        "Windows begin on Wed 2025-01-15, 3 days ago."
        in run(*AXIS, "--target", TARGET, "--at", "2025-01-18T19:00Z").out
    )


def test_far_off_is_told_in_degrees_and_no_line_is_too_wide():
    """From 120 arcmin on; 80 letters are what every terminal shows."""
    sigmas = "azimuth=250arcmin, altitude=-3arcmin, azimuth_sigma=9arcmin, altitude_sigma=9arcmin"
    ran = run(
        "--axis",
        sigmas,
        "--target",
        TARGET,
        "--target",
        SPIRAL.replace("spiral", "a name that goes on and on"),
    )
    assert "Axis: 4.17 +/- 0.15 deg EAST and 3 +/- 9 arcmin LOW of the apparent pole." in ran.out
    assert [line for line in ran.out.splitlines() if len(line) > 80] == []
    close = "azimuth=-14.37arcmin, altitude=-12.59arcmin, azimuth_sigma=0.15arcmin, altitude_sigma=0.14arcmin"
    ran = run(
        "--axis", close, "--target", SPIRAL.replace("spiral", "a name that goes on and on"), "--unguided"
    )
    assert [line for line in ran.out.splitlines() if len(line) > 80] == []


def test_unguided_and_a_looser_limit():
    assert run(*AXIS, "--target", TARGET, "--unguided").status == 5
    ran = run(*AXIS, "--target", TARGET, "--unguided", "--limit", "9 pix")
    assert ran.status == 0
    assert ran.out.startswith("YES: the target stays within 9 pixels, unguided.")


def test_without_a_camera_rotation_is_still_told():
    ran = run_here("check", *PLACE, *AXIS, "--target", TARGET)
    assert ran.status == 5
    assert "without [camera] in the setup" in ran.out
    assert "rotation [arcmin/h]" in ran.out


def test_the_record_fits_its_schema(tmp_path):
    ran = run(*AXIS, "--target", TARGET, "--target", SPIRAL, "--json", "--output", "check.json")
    record = json.loads(ran.out)
    jsonschema.Draft202012Validator(SCHEMA).validate(record)
    assert json.loads((tmp_path / "check.json").read_text(encoding="utf-8")) == record
    assert record["targets"][0]["within"] is True


def test_the_axis_comes_from_a_record_of_solve(tmp_path):
    drifts = ("--drift", "hour_angle=-0h10m, dec=+3d, duration=5min, north=-4.2arcsec, north_sigma=0.3arcsec",
              "--drift", "hour_angle=-5h, dec=+20d, duration=5min, north=-3.1arcsec, north_sigma=0.3arcsec")  # fmt: skip
    assert run_here("solve", *PLACE, *drifts, "--output", "axis.json").status == 0
    axis = json.loads((tmp_path / "axis.json").read_text(encoding="utf-8"))["axis"]
    record = json.loads(run("--axis", "axis.json", "--target", TARGET, "--json").out)
    assert record["axis"]["azimuth_error_arcmin"] == axis["azimuth_error_arcmin"]
    assert record["axis"]["altitude_sigma_arcmin"] == pytest.approx(axis["altitude_sigma_arcmin"])
    assert record["targets"][0]["chance"] is not None


def test_the_true_pole_is_another_reference():
    """An axis on the true pole is, against the apparent pole, low by its refraction: the same pictures."""
    true = json.loads(
        run("--axis", "azimuth=0arcmin, altitude=0arcmin", "--pole", "true", "--target", SPIRAL, "--json").out
    )
    low = true["axes"][0]["altitude_error_arcmin"] - true["axes"][1]["altitude_error_arcmin"]
    apparent = json.loads(
        run("--axis", f"azimuth=0arcmin, altitude={low}arcmin", "--target", SPIRAL, "--json").out
    )
    assert true["targets"][0]["trail_guided_pix"] == pytest.approx(
        apparent["targets"][0]["trail_guided_pix"], rel=1e-3
    )


def test_ecsv_and_targets_from_a_file(tmp_path):
    from astropy.table import Table

    (tmp_path / "t.csv").write_text(
        "name,ra,dec,start,end,exposure\nnebula,05h35m17s,-5d23m,2025-01-15T20:00,2025-01-16T00:30,300\n"
        "never,13h,-60d,2025-01-15T20:00,2025-01-16T00:30,60\n",
        encoding="utf-8",
    )
    assert run(*AXIS, "--targets", "t.csv", "--output", "check.ecsv").status == 5
    table = Table.read(tmp_path / "check.ecsv")
    assert list(table["name"]) == ["nebula", "never"]
    assert str(table["trail_guided"].unit) == "pix"
    assert np.ma.is_masked(table["trail_guided"][1])


@pytest.mark.parametrize(
    ("arguments", "status", "said"),
    [
        (("--target", TARGET), 2, "no axis is given"),
        ((*AXIS,), 3, "there is no target to check"),
        (("--axis", "-", "--targets", "-"), 2, "standard input cannot be both --axis and --targets"),
        (
            ("--axis", "deep.json", "--target", TARGET),
            3,
            "deep.json: this is not a record: it is nested too deeply",
        ),
        (
            (
                *AXIS,
                "--target",
                TARGET,
                "--camera",
                "focal_length=1m, pixel_size=4um, width=\u00b23, height=9",
            ),
            3,
            "--camera: width is '\u00b23', allowed is a whole number of pixels",
        ),
        ((*AXIS, "--target", TARGET, "--limit", "nan"), 3, "write a value such as 1 pix"),
        (
            (*AXIS, "--target", TARGET, "--limit", "0 pix"),
            3,
            "--limit: 0 pixels is given, allowed is more than 0",
        ),
        ((*AXIS, "--target", TARGET, "--targets", "t.csv"), 2, "a targets table and --target are both given"),
        ((*AXIS, "--target", "name=a, ra=1.2, dec=3, exposure=60"), 3, "could be hours or degrees"),
        (("--axis", "none.json", "--target", TARGET), 3, "none.json: there is no such file"),
        (("--axis", "none.json", "--pole", "true", "--target", TARGET), 2, "--pole goes with a typed axis"),
        ((*AXIS, "--target", TARGET, "--camera", "focal_length=600mm"), 3, "--camera: pixel_size is missing"),
        ((*AXIS, "--target", TARGET, "--chart", "a.gif"), 2, "has an unknown ending"),
        ((*AXIS, "--target", TARGET, "--lowest-altitude", "95deg"), 3, "--lowest-altitude: 95 deg is given"),
        (
            (*AXIS, "--target", TARGET, "--at", "2025-13-01T00:00Z"),
            3,
            "--at: '2025-13-01T00:00Z' is not a time",
        ),
    ],
)
def test_errors(arguments, status, said):
    Path("deep.json").write_text("[" * 100_000, encoding="utf-8")
    ran = run(*arguments)
    assert ran.status == status
    assert ran.out == ""
    assert said in ran.err
    assert "Traceback" not in ran.err


def test_half_a_solution_is_said_in_words(tmp_path):
    axis = {"reference": "apparent pole", "azimuth_error_arcmin": 5.0, "altitude_error_arcmin": None}
    (tmp_path / "half.json").write_text(json.dumps({"record": "solution", "axis": axis}), encoding="utf-8")
    ran = run("--axis", "half.json", "--target", TARGET)
    assert ran.status == 5
    assert "Axis: 5.0 arcmin EAST of the apparent pole, altitude not known." in ran.out


def test_the_last_day_of_the_last_year():
    """The coming night runs past the last date that ERFA vouches for: no warning of its own (warnings are errors here)."""
    ran = run(*AXIS, "--target", "name=a, ra=5h, dec=40d, exposure=60s", "--at", "2099-12-31T20:00Z")
    assert (ran.status, ran.err) == (0, "")


def test_no_longitude():
    ran = run_here(
        "check", "--latitude", "47.1deg", *CAMERA, *AXIS, "--target", "name=a, ra=5h, dec=3d, exposure=60s"
    )
    assert ran.status == 3
    assert "targets need the site's longitude" in ran.err


def test_the_chart_shows_limits_and_region():
    """What decides is drawn: the judged trail against its limit, its worst moment marked; at night all is red."""
    from datetime import UTC, datetime

    from matplotlib.colors import to_rgb

    from poleward.report.chart import figure_bytes
    from poleward.report.check_chart import check_chart
    from poleward.sky.camera import Camera
    from poleward.sky.site import Site
    from poleward.tonight.axis_record import axis_from_pairs
    from poleward.tonight.check import check
    from poleward.tonight.exposure import Outfit
    from poleward.tonight.targets import targets_from_rows

    site = Site("-35 deg", "150 deg", "100 m")
    rows = [
        {"name": "near", "ra": "05h35m", "dec": "-5d", "exposure": "300 s", "start": "2025-01-15T11:00Z",
         "end": "2025-01-15T14:00Z"},
        {"name": "aside", "ra": "07h", "dec": "-50d", "exposure": "300 s", "guide_star_offset_east": "1 deg",
         "start": "2025-01-15T11:00Z", "end": "2025-01-15T14:00Z"},
    ]  # fmt: skip
    outfit = Outfit(Camera("600 mm", "3.76 um", 6248, 4176), 1.0, 15.0410671787)
    axis = axis_from_pairs({"azimuth": "5arcmin", "altitude": "2arcmin"})
    result = check(targets_from_rows(rows), site, axis, outfit, at=datetime(2025, 1, 15, 10, tzinfo=UTC))
    figure, dim = (check_chart(result, night=night) for night in (False, True))
    names = [text.get_text() for text in figure.legends[0].get_texts()]
    assert names == ["near", "aside"]
    trail, rotation, chart = figure.axes
    lines = [line for line in trail.get_lines() if line.get_marker() == "None" and len(line.get_xdata()) > 2]
    for line, target in zip(lines, result.targets, strict=True):
        assert max(line.get_ydata()) == pytest.approx(target.trail_guided_pix)
    worst = [line for line in trail.get_lines() if line.get_marker() == "o"]
    for dot, target in zip(worst, result.targets, strict=True):
        assert dot.get_ydata()[0] == pytest.approx(target.trail_guided_pix)
        assert dot.get_xdata()[0] == target.moment(target.largest_at_s["trail_guided"])
    (limit,) = [line for line in trail.get_lines() if list(line.get_xdata()) == [0, 1]]
    assert limit.get_ydata()[0] == 1.0
    assert rotation.get_ylabel() == "field rotation [arcmin/h]"
    left, right = chart.get_xlim()
    assert left > right  # looking south, east is on the left
    for axes in dim.axes:
        for line in axes.get_lines():
            red, green, blue = to_rgb(line.get_color())
            assert red > 2 * max(green, blue)
    assert figure_bytes(figure, "x.png").startswith(b"\x89PNG")


def test_names_that_a_chart_could_stumble_over(tmp_path):
    """A formula that is none, a name that matplotlib would hide, a script that its font lacks, a long one."""
    names = ["$\\nonsense$", "_low", "\u661f", "long " * 20]
    when = "exposure=60s, start=2025-01-15T20:00, end=2025-01-15T20:30"
    rows = [f"name={name}, ra=5h, dec={40 + i}d, {when}" for i, name in enumerate(names)]
    ran = run(*AXIS, *(word for row in rows for word in ("--target", row)), "--chart", "names.png")
    assert (ran.status, ran.err) == (0, "")
    assert (tmp_path / "names.png").stat().st_size > 10_000


def test_no_two_targets_look_the_same():
    from poleward.report.chart import DAY, NIGHT
    from poleward.report.check_chart import look_of

    for palette in (DAY, NIGHT):
        assert len({str(look_of(number, palette)) for number in range(24)}) == 24


def test_night_prints_in_dim_red_only_on_a_terminal():
    ran = run_here("check", *PLACE, *CAMERA, *AXIS, "--target", TARGET, "--night", "--chart", "night.svg")
    assert ran.status == 0
    assert "\x1b" not in ran.out


def test_no_tolerance_where_refraction_alone_is_just_too_long() -> None:
    """Once exit 70: a trail that turns back is longest between moments that the first order does not look at.

    On the pole the star's ten hours trail 5.47 pixels, and 5.42 between the start, the middle and the end.
    """
    target = "name=x, ra=2h, dec=60d, exposure=36000s, guide_star_offset_north=30arcmin"
    outfit = (*PLACE, *CAMERA, "--at", "2026-11-25T18:00Z", "--limit", "5.45pix")
    ran = run_here(
        "check", "--target", target, "--axis", "azimuth=1arcmin, altitude=0arcmin", *outfit, "--json"
    )
    assert ran.status == 5, ran.err
    assert json.loads(ran.out)["targets"][0]["tolerance_arcmin"] == 0.0
