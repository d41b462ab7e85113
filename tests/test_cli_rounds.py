"""``poleward rounds`` and ``--append``: what is kept, what is said, what is refused."""

from __future__ import annotations

import json
import re
from datetime import datetime, timedelta
from importlib.resources import files
from pathlib import Path

import jsonschema
import pytest
from conftest import Ran, run_here

from poleward import tell_rounds
from poleward.report.rounds_chart import rounds_chart

SETUP = """
[site]
latitude = "46.9 deg"
[mount.azimuth_knob]
per_turn = "38 arcmin"
clockwise = "east"
divisions = 60
[mount.altitude_knob]
per_turn = "25 arcmin"
clockwise = "up"
range = "1.5 turns"
"""
MERIDIAN = "hour_angle=-0h10m, dec=+3d, duration=5min, north={} arcsec"
EAST = "hour_angle=-5h, dec=+20d, duration=5min, north={} arcsec"


def solved(workdir: Path, meridian: float, east: float, *more: str) -> Ran:
    (workdir / "poleward.toml").write_text(SETUP, encoding="utf-8")
    return run_here(
        "solve",
        "--drift",
        MERIDIAN.format(meridian),
        "--drift",
        EAST.format(east),
        "--append",
        "r.json",
        *more,
    )


def test_a_solve_is_kept_and_told(workdir: Path) -> None:
    ran = solved(workdir, -42, -31)
    assert ran.status == 0
    assert "Kept as round 1 in r.json; poleward rounds r.json tells them all." in ran.out
    assert "(the last stroke takes out the play)" in ran.out  # the turns are those of the rounds
    told = run_here("rounds", "r.json")
    assert told.status == 0
    assert told.out.startswith("After 1 round the axis stands ")
    assert "of 60 marks)" in told.out
    assert "(more than the 1.5 turns the bolt has: set the base anew)" not in told.out


def test_a_move_beyond_the_bolt_is_said(workdir: Path) -> None:
    solved(workdir, -42, -100)
    assert "(more than the 1.5 turns the bolt has: set the base anew)" in run_here("rounds", "r.json").out


def test_turns_are_noted_and_the_record_keeps_its_schema(workdir: Path) -> None:
    solved(workdir, -42, -31)
    ran = run_here(
        "rounds", "r.json", "--turned", "azimuth=1.1 counter-clockwise then 0.2 clockwise, altitude=0"
    )
    assert ran.status == 0
    solved(workdir, -4, -31)
    ran = run_here("rounds", "r.json", "--json")
    record = json.loads(ran.out)
    schema = json.loads((files("poleward") / "data" / "record.schema.json").read_text(encoding="utf-8"))
    jsonschema.validate(record, schema)
    assert record["rounds"][0]["turned"] == {"azimuth": [-1.1, 0.2], "altitude": []}
    assert record["rounds"][1]["turned"] is None
    # 38 drift arcseconds less on the meridian are the axis gone west, by a knob that was turned 0.9 turn back.
    assert record["rounds"][0]["moved_arcmin"]["azimuth"] < -30
    assert record["response"]["azimuth_by_azimuth_knob_arcmin_per_turn"] > 30


def test_a_solve_that_determines_one_error_is_not_kept(workdir: Path) -> None:
    ran = run_here("solve", "--latitude", "46.9deg", "--drift", MERIDIAN.format(-42), "--append", "r.json")
    assert ran.status == 4
    assert "not kept in r.json: a round needs both errors" in ran.err
    assert not (workdir / "r.json").exists()


@pytest.mark.parametrize(
    ("arguments", "status", "said"),
    [
        (("none.json",), 3, "poleward: none.json: there is no such rounds file\n"),
        (
            ("r.json", "--turned", "azimuth=0.25"),
            3,
            "poleward: --turned: azimuth: '0.25' is no turn of a knob\n",
        ),
        (("r.json", "--limit", "0 arcmin"), 2, "poleward: limit: 0 arcmin, allowed is more than 0\n"),
    ],
)
def test_what_is_refused(workdir: Path, arguments: tuple[str, ...], status: int, said: str) -> None:
    solved(workdir, -42, -31)
    before = (workdir / "r.json").read_bytes()
    ran = run_here("rounds", *arguments)
    assert (ran.status, ran.err.splitlines(keepends=True)[0]) == (status, said)
    assert (workdir / "r.json").read_bytes() == before


def test_rounds_of_different_poles_are_refused(workdir: Path) -> None:
    solved(workdir, -42, -31)
    before = (workdir / "r.json").read_bytes()
    ran = solved(workdir, -4, -3, "--pole", "true")
    assert ran.status == 3
    assert "the rounds refer to different poles" in ran.err
    assert (workdir / "r.json").read_bytes() == before


def bare(workdir: Path, meridian: float, east: float) -> Ran:
    """A solve with a setup that knows nothing of the knobs."""
    ran = solved(workdir, meridian, east, "--setup", "bare.toml")
    return ran


def test_knobs_that_nobody_knows_are_still_told_where_to_go(workdir: Path) -> None:
    """The way and the angle, a star to watch, and what to do to learn the knobs; nothing is taken for turned."""
    (workdir / "bare.toml").write_text('[site]\nlatitude = "46.9 deg"\n', encoding="utf-8")
    out = bare(workdir, -42, -31).out
    told = run_here("rounds", "r.json", "--setup", "bare.toml").out
    for text in (out, told):
        assert re.search(
            r"  azimuth   [\d.]+ arcmin WEST\n .*what a turn does is not known: turn a quarter", text
        )
        assert re.search(r"  altitude  [\d.]+ arcmin UP\n", text)
    assert "It must move:" in " ".join(out.split())
    (kept,) = json.loads((workdir / "r.json").read_text(encoding="utf-8"))["rounds"]
    assert kept["advised"] is None
    assert run_here("rounds", "r.json", "--setup", "bare.toml", "--turned", "as advised").status == 3
    bare(workdir, -4, -31)  # turned, and nothing was noted: no slip of the pen
    told = run_here("rounds", "r.json", "--setup", "bare.toml").out
    assert "(turns not noted)" in told
    assert "a slip in the note" not in told


def test_turns_that_do_not_explain_the_axis_are_doubted(workdir: Path) -> None:
    """No altitude turn noted, while that error went by 6 arcmin: somebody should look at the notes."""
    solved(workdir, -42, -31)
    run_here("rounds", "r.json", "--turned", "azimuth=0.9 counter-clockwise, altitude=0")
    solved(workdir, -4, -28)
    told = " ".join(run_here("rounds", "r.json").out.split())
    assert "of altitude the last solve alone says" in told
    assert "too far apart. Were the turns noted as they were made?" in told


def test_no_line_is_wider_than_a_terminal(workdir: Path) -> None:
    solved(workdir, -42, -31)
    out = run_here("rounds", "r.json").out
    assert max(map(len, out.splitlines())) <= 80, max(out.splitlines(), key=len)


def test_the_same_solve_again_is_no_new_round(workdir: Path) -> None:
    """Arrow up and Enter: nothing was measured anew, so nothing is kept."""
    solved(workdir, -42, -31)
    before = (workdir / "r.json").read_bytes()
    ran = solved(workdir, -42, -31)
    assert ran.status == 0
    assert "NOT kept in r.json: these are the same timings as round 1." in ran.out
    assert (workdir / "r.json").read_bytes() == before
    assert "Kept as round 2 in r.json" in solved(workdir, -41, -31).out


def test_what_was_turned_is_said_and_not_advised_again(workdir: Path) -> None:
    solved(workdir, -42, -31)
    ran = run_here("rounds", "r.json", "--turned", "azimuth 1.1 ccw")
    assert "nothing was said of the altitude knob: noted as not turned" in ran.err
    for out in (ran.out, run_here("rounds", "r.json").out):
        assert (
            "Noted after round 1: azimuth 1.10 counter-clockwise, altitude not turned. Now measure again."
        ) in " ".join(out.split())
        assert "What to turn" not in out
        assert "Before the turns noted the axis stood" in out
    assert json.loads(run_here("rounds", "r.json", "--json").out)["moves"] == []
    ran = run_here("rounds", "r.json", "--turned", "none")  # a second note replaces the first
    assert "What to turn" in ran.out
    assert ran.err == ""


def test_as_advised_is_what_was_advised(workdir: Path) -> None:
    solved(workdir, -42, -31)
    run_here("rounds", "r.json", "--turned", "as advised")
    (kept,) = json.loads((workdir / "r.json").read_text(encoding="utf-8"))["rounds"]
    assert kept["turned"] == kept["advised"]


ZONED = SETUP.replace("[mount.azimuth_knob]", 'timezone = "Asia/Kathmandu"\n[mount.azimuth_knob]', 1)


def test_times_are_told_in_the_zone_of_the_setup(workdir: Path) -> None:
    """Nepal is 5 h 45 min east of Greenwich (IANA's table), which no other zone is."""
    solved(workdir, -42, -31)
    (kept,) = json.loads((workdir / "r.json").read_text(encoding="utf-8"))["rounds"]
    at = datetime.fromisoformat(kept["at"])
    assert f"{at:%Y-%m-%d %H:%M}" in run_here("rounds", "r.json").out
    assert "times: UTC" in run_here("rounds", "r.json").out
    (workdir / "poleward.toml").write_text(ZONED, encoding="utf-8")
    ran = run_here("rounds", "r.json", "--page", "p.html")
    assert "Asia/Kathmandu" in ran.out
    local = f"{at + timedelta(hours=5, minutes=45):%Y-%m-%d %H:%M}"
    assert local in ran.out
    assert f"{local} +0545" in (workdir / "p.html").read_text(encoding="utf-8")


def test_the_page_says_stop_where_it_is_seen(workdir: Path) -> None:
    solved(workdir, -0.5, 0)
    run_here("rounds", "r.json", "--page", "p.html")
    seen = (workdir / "p.html").read_text(encoding="utf-8").split("<details>")[0]
    assert "Stop: the axis is within the limit of 2 arcmin" in seen
    assert re.search(
        r'<p class="verdict">After 1 round the axis stands [\d.]+ arcmin from the apparent pole</p>', seen
    )


def test_the_chart_writes_numbers_out_and_no_label_upon_another(workdir: Path) -> None:
    solved(workdir, -42, -31)
    for drift in (-1, -1.5, -2):
        solved(workdir, drift, 0)
    figure = rounds_chart(tell_rounds(str(workdir / "r.json")))
    figure.draw_without_rendering()
    way, offsets = figure.axes
    ticks = [*offsets.yaxis.get_ticklabels("major"), *offsets.yaxis.get_ticklabels("minor")]
    assert not any("10^" in label.get_text() for label in ticks)
    assert [text.get_text() for text in way.texts if text.get_text()] == ["1", "2, 3, 4"]


def test_one_block_has_one_unit(workdir: Path) -> None:
    """Two degrees beside half of one: both in degrees."""
    timings = ("--drift", MERIDIAN.format(-120), "--drift", EAST.format(-40))
    head, rest = run_here("solve", "--latitude", "46.9deg", *timings).out.split("Left so")
    assert head.count(" deg ") == 3
    assert "arcmin" not in head
    assert re.search(r"  azimuth   2\.\d\d deg WEST\n  altitude  0\.\d\d deg UP\n", rest)
