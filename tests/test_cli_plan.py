"""``poleward plan`` as a user meets it: text, record, table, chart, errors."""

from __future__ import annotations

import json
import math
from importlib.resources import files

import jsonschema
import numpy as np
import pytest
from conftest import run_here

SCHEMA = json.loads((files("poleward") / "data" / "record.schema.json").read_text(encoding="utf-8"))
PLACE = ("--latitude", "47.1deg", "--longitude", "8.4deg", "--elevation", "560m", "--tz", "Europe/Zurich")
EVENING = ("--at", "2025-01-15T17:30Z")

pytestmark = pytest.mark.usefixtures("workdir")


def run(*more: str):
    return run_here("plan", *PLACE, *EVENING, *more)


def test_the_pointings_come_first():
    ran = run("--accuracy", "0.5arcmin", "--seeing", "2.5arcsec", "--cadence", "2s")
    assert (ran.status, ran.err) == (0, "")
    assert ran.out.splitlines()[0] == "Two timings, 12m27s in all, tell the axis to 0.5 arcmin."
    assert "  1.    18:30 CET " in ran.out
    assert "It begins on Wed 2025-01-15, at 18:30 CET." in ran.out
    assert "point by omicron And, 8 deg away" in ran.out
    assert "in a hand control: RA 22h2" in ran.out
    assert "low in the east or west: 16m" in " ".join(ran.out.split())
    assert [line for line in ran.out.splitlines() if len(line) > 80] == []
    assert ran.out.isascii()


def test_the_record_fits_its_schema():
    ran = run("--accuracy", "0.5arcmin", "--json")
    record = json.loads(ran.out)
    jsonschema.Draft202012Validator(SCHEMA).validate(record)
    level = math.cos(math.radians(47.1))
    assert record["expected"]["azimuth_sigma_arcmin"] * level <= 0.51
    assert record["expected"]["altitude_sigma_arcmin"] <= 0.5
    assert record["total_minutes"] <= record["common_choice"]["total_minutes"]


def test_a_third_pointing_and_the_table(tmp_path):
    from astropy.table import Table

    assert run("--pointings", "3", "--seeing", "2arcsec", "--output", "plan.ecsv").status == 0
    table = Table.read(tmp_path / "plan.ecsv")
    assert len(table) == 3
    assert str(table["altitude"].unit) == "deg"


def test_what_the_targets_need():
    target = (
        "name=spiral, ra=09h55m33s, dec=+69d04m, exposure=10min, start=2025-01-15T22:00, end=2025-01-16T05:00, "
        "guide_star_offset_north=1deg"
    )
    camera = ("--camera", "focal_length=600mm, pixel_size=3.76um, width=6248, height=4176")
    ran = run(*camera, "--target", target)
    assert ran.status == 0
    assert "what spiral needs to pass 95 times in 100" in " ".join(ran.out.split())
    assert run("--target", target).status == 3
    assert run("--target", target, "--accuracy", "1arcmin").status == 0


def test_a_table_to_fill_in(tmp_path):
    """Everything but the drifts is there; solve says which rows are still blank, and uses the others."""
    assert run("--accuracy", "0.5arcmin", "--seeing", "2.5arcsec", "--write", "drifts.csv").status == 0
    table = (tmp_path / "drifts.csv").read_text(encoding="utf-8")
    assert table.splitlines()[0] == "label,time,duration [s],ra [deg],dec [deg],north [arcsec]"
    assert len(table.splitlines()) == 3
    ran = run_here("solve", "drifts.csv", *PLACE)
    assert ran.status == 3
    assert (
        "no drift is filled in yet: 1 halfway up in the west, 2 halfway up in the east-south-east" in ran.err
    )
    first, second, third = table.splitlines()
    (tmp_path / "drifts.csv").write_text(f"{first}\n{second}-4.2\n{third}\n", encoding="utf-8")
    ran = run_here("solve", "drifts.csv", *PLACE)
    assert ran.status == 4  # one timing is not enough
    assert "still blank, and not used: 2 halfway up in the east-south-east" in " ".join(ran.out.split())
    (tmp_path / "drifts.csv").write_text(f"{first}\n{second}-4.2\n{third}3.1\n", encoding="utf-8")
    assert run_here("solve", "drifts.csv", *PLACE).status == 0
    again = run("--write", "drifts.csv")
    assert (again.status, again.out) == (2, "")
    assert "--write: 'drifts.txt' has an unknown ending, allowed are .csv" in run("--write", "drifts.txt").err
    ran = run_here("solve", *PLACE, "--drift", "hour_angle=1h, dec=2deg, duration=300s")
    assert "--drift 1: no drift is given" in ran.err


def test_a_table_of_stars_to_fill_in(tmp_path):
    """By eye stars stand in it by name, times by the site's clock; filled in, solve takes it as it stands."""
    planned = run("--accuracy", "0.5arcmin", "--write", "stars.csv", "--json")
    assert planned.status == 0
    lines = (tmp_path / "stars.csv").read_text(encoding="utf-8").splitlines()
    assert lines[0] == "label,time,duration [s],star,north [arcsec]"
    assert "2025-01-15T18:30:00+01:00" in lines[1]
    filled = "\n".join([lines[0], f"{lines[1]}-4.2", f"{lines[2]}3.1", ""])
    (tmp_path / "stars.csv").write_text(filled, encoding="utf-8")
    ran = run_here("solve", "stars.csv", *PLACE, "--json")
    assert ran.status == 0
    # What the plan promised is what the solver finds of such readings.
    expected = json.loads(planned.out)["expected"]
    axis = json.loads(ran.out)["axis"]
    for name in ("azimuth_sigma_arcmin", "altitude_sigma_arcmin"):
        assert axis[name] == pytest.approx(expected[name], rel=0.1)


def test_the_noise_of_a_log(tmp_path):
    noise = {"white_arcsec": 0.8, "correlated_arcsec": 0.9, "correlation_time_s": 60.0}
    record = {"record": "solution", "sections": [{"rows_used": 600, "duration_s": 1800.0, "noise": noise}]}
    (tmp_path / "log.json").write_text(json.dumps(record), encoding="utf-8")
    ran = run("--noise", "log.json")
    assert (
        "Counted with 0.8 arcsec of scatter per frame, 0.9 arcsec that last for 60 s, a frame every 3 s"
        in " ".join(ran.out.split())
    )
    assert run("--noise", "log.json", "--seeing", "2arcsec").status == 2


def test_one_that_cannot_pass_does_not_stop_the_others():
    camera = ("--camera", "focal_length=600mm, pixel_size=3.76um, width=6248, height=4176")
    good = "name=good, ra=05h, dec=+40d, exposure=300s, start=2025-01-15T22:00, end=2025-01-16T01:00"
    never = "name=never, ra=13h, dec=-60d, exposure=60s"
    ran = run(*camera, "--target", good, "--target", never)
    assert ran.status == 0
    said = " ".join(ran.out.split())
    assert "what good needs to pass 95 times in 100" in said
    assert (
        "note: never is left out: it never stands above 20 deg in the coming night: at most -17 deg" in said
    )
    ran = run(*camera, "--target", never)
    assert ran.status == 3
    assert "never is left out: it never stands above 20 deg in the coming night" in ran.err
    ran = run(*camera, "--target", good.replace("300s", "60s"), "--unguided")
    assert "what good needs to pass unguided 95 times in 100" in " ".join(ran.out.split())


def test_latitude_alone_is_enough():
    ran = run_here("plan", "--latitude", "-35deg")
    assert ran.status == 0
    assert "without a longitude and a time no stars are named" in " ".join(ran.out.split())
    assert "the default; --accuracy or --targets say otherwise" in " ".join(ran.out.split())


def test_by_day_it_warns():
    ran = run_here("plan", *PLACE, "--latitude", "62deg", "--at", "2025-06-15T10:00Z")
    assert ran.status == 0
    assert "cap telescope and finder while it slews" in " ".join(ran.out.split())


@pytest.mark.parametrize(
    ("arguments", "status", "said"),
    [
        (("--accuracy", "0.5"), 3, "could be arcmin or degrees"),
        (("--accuracy", "0 arcmin"), 2, "accuracy: 0 arcmin, allowed is more than 0"),
        (("--reading-error", "1arcsec", "--seeing", "2arcsec"), 2, "give one kind"),
        (("--cadence", "2s"), 2, "--cadence goes with --seeing"),
        (("--blocked", "from=60deg"), 3, "--blocked 1: to is missing"),
        (("--blocked", "from=60deg, to=70deg, upto=3deg"), 3, "did you mean up_to?"),
        (("--blocked", "from=0deg, to=360deg, up_to=85deg"), 3, "no two pointings are left"),
        (("--lowest-altitude", "5deg"), 2, "lowest altitude: 5 deg, allowed is 10 to 90 deg"),
        (("--pointings", "4"), 2, "pointings: 4, allowed is 2 or 3"),
        (("--pole", "north"), 2, "pole: 'north', allowed is apparent or true"),
        (("--slew-rate", "0 deg/s"), 3, "--slew-rate: 0 deg/s is given, allowed is 0.01 deg/s or more"),
        (("--slew-rate", "1e-9 deg/s"), 3, "--slew-rate: 1e-09 deg/s is given"),
        (("--centring", "-5 s"), 3, "--centring: -5 s is given, allowed is 0 to 3600 s"),
        (("--centring", "1000 h"), 3, "--centring: 3.6e+06 s is given"),
        (("--seeing", "-2arcsec"), 3, "--seeing: -2 arcsec is given, allowed is more than 0 and up to 60"),
        (("--reading-error", "1000arcsec"), 3, "--reading-error: 1000 arcsec is given"),
        (("--accuracy", "10deg"), 2, "accuracy: 600 arcmin, allowed is more than 0 and up to 60 arcmin"),
    ],
)
def test_errors(arguments, status, said):
    ran = run(*arguments)
    assert ran.status == status
    assert ran.out == ""
    assert said in ran.err


def test_the_chart_shows_the_sky():
    """Pointings stand where the plan says; zenith distance is the radius; at night all is red."""
    from datetime import UTC, datetime

    from matplotlib.colors import to_rgb

    from poleward.planning.plan import plan
    from poleward.planning.timing import Blocked, Reader
    from poleward.planning.wishes import Wishes
    from poleward.report.chart import figure_bytes
    from poleward.report.plan_chart import plan_chart
    from poleward.sky.site import Site

    site = Site("47.1 deg", "8.4 deg", "560 m")
    result = plan(
        site, Reader.of_seeing(2.5, 2.0), Wishes(0.5, blocked=(Blocked(60, 150, 40),)),
        at=datetime(2025, 1, 15, 17, 30, tzinfo=UTC),
    )  # fmt: skip
    figure, dim = (plan_chart(result, night=night) for night in (False, True))
    (axes,) = figure.axes
    dots = [line for line in axes.get_lines() if line.get_markersize() == 21]
    for dot, pointing in zip(dots, result.proposal.pointings, strict=True):
        assert np.degrees(dot.get_xdata()[0]) == pytest.approx(pointing.azimuth_deg)
        assert dot.get_ydata()[0] == pytest.approx(90 - pointing.altitude_deg)
    assert axes.get_theta_direction() == 1  # with north up, east is on the left, as overhead
    for line in dim.axes[0].get_lines():
        red, green, blue = to_rgb(line.get_color())
        assert red > 2 * max(green, blue)
    assert figure_bytes(figure, "x.svg").lstrip().startswith(b"<?xml")


@pytest.mark.parametrize(
    ("latitude", "hour", "by_eye"),
    [(47.1, 2, True), (-33, 12, True), (5, 20, False), (68, 22, False)],
)
def test_no_label_hides_another(latitude, hour, by_eye):
    """By matplotlib's own boxes, after drawing: words against words, and against the marks of pointings and stars."""
    from datetime import UTC, datetime
    from itertools import combinations

    from matplotlib.backends.backend_agg import FigureCanvasAgg

    from poleward.planning.plan import plan
    from poleward.planning.timing import Reader
    from poleward.planning.wishes import Wishes
    from poleward.report.plan_chart import plan_chart
    from poleward.sky.site import Site

    site = Site(f"{latitude} deg", "8.4 deg", "560 m")
    reader = Reader(1.0) if by_eye else Reader.of_seeing(2.5, 2.0)
    result = plan(site, reader, Wishes(0.8), at=datetime(2025, 1, 15, hour, 30, tzinfo=UTC))
    figure = plan_chart(result)
    renderer = FigureCanvasAgg(figure).get_renderer()
    figure.draw_without_rendering()
    (axes,) = figure.axes
    assert "The sky as it is seen looking up: north up, east on the left" in axes.get_title()
    words = [text.get_window_extent(renderer) for text in axes.texts if not text.get_text().isdigit()]
    assert len(words) >= 4
    for one, other in combinations(words, 2):
        assert not one.overlaps(other)
    for line in axes.get_lines():
        if line.get_marker() in ("o", "*"):
            half = line.get_markersize() / 2 * figure.dpi / 72 * 0.8  # a star fills less than its box
            for x, y in axes.transData.transform(line.get_xydata()):
                for box in words:
                    assert not (
                        box.x0 < x + half and x - half < box.x1 and box.y0 < y + half and y - half < box.y1
                    )
