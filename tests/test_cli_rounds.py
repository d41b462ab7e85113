"""``poleward rounds`` and ``--append``: what is kept, what is said, what is refused."""

from __future__ import annotations

import json
from importlib.resources import files
from pathlib import Path

import jsonschema
import pytest
from conftest import Ran, run_here

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
    assert "which takes out the play" in ran.out  # the turns are those of the rounds
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
        ) in out
        assert "What to turn" not in out
        assert "the axis stood before the turns noted" in out
    assert json.loads(run_here("rounds", "r.json", "--json").out)["moves"] == []
    ran = run_here("rounds", "r.json", "--turned", "none")  # a second note replaces the first
    assert "What to turn" in ran.out
    assert ran.err == ""


def test_as_advised_is_what_was_advised(workdir: Path) -> None:
    solved(workdir, -42, -31)
    run_here("rounds", "r.json", "--turned", "as advised")
    (kept,) = json.loads((workdir / "r.json").read_text(encoding="utf-8"))["rounds"]
    assert kept["turned"] == kept["advised"]
