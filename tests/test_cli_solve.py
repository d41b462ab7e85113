"""``poleward solve`` and ``demo`` as a user meets them."""

from __future__ import annotations

import contextlib
import io
import json
import re
import signal
import subprocess
import sys
from importlib.resources import files
from pathlib import Path

import jsonschema
import pytest
from conftest import run_here

from poleward.cli import run

SCHEMA = json.loads((files("poleward") / "data" / "record.schema.json").read_text(encoding="utf-8"))
LAT = ("--latitude", "47.1deg")
MERIDIAN = "hour_angle=-0h10m, dec=+3d, duration=5min, north=-4.2arcsec"
EAST = "hour_angle=-5h, dec=+20d, duration=5min, north=-3.1arcsec"


def checked(text: str) -> dict:
    record = json.loads(text)
    jsonschema.Draft202012Validator(SCHEMA).validate(record)
    return record


@pytest.mark.usefixtures("workdir")
def test_demo_says_the_verdict_first() -> None:
    ran = run_here("demo")
    assert ran.status == 0
    assert ran.err == ""
    body = ran.out.split("\n\n", 1)[1]
    assert body.startswith("The axis stands 6.20 ")
    # The invented truth behind the demo's data is 6.5 arcmin east and 4.2 arcmin low; see the two sigmas beside.
    record = checked(run_here("demo", "--json").out)
    axis = record["axis"]
    assert abs(axis["azimuth_error_arcmin"] - 6.5) < 2 * axis["azimuth_sigma_arcmin"]
    assert abs(axis["altitude_error_arcmin"] + 4.2) < 2 * axis["altitude_sigma_arcmin"]
    assert [move["direction"] for move in record["moves"]] == ["counter-clockwise", "clockwise"]


def test_demo_kept_and_solved_by_hand_is_the_same(workdir: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert run_here("demo", "--keep", "first").status == 0
    again = run_here("demo", "--keep", "first")
    assert again.status == 2
    assert "first/drifts.csv: this file exists already" in again.err
    monkeypatch.chdir(workdir / "first")
    assert run_here("solve", "drifts.csv").out == run_here("demo").out.split("\n\n", 1)[1]


@pytest.mark.usefixtures("workdir")
def test_json_is_one_document_and_fits_the_schema() -> None:
    ran = run_here("solve", *LAT, "--drift", MERIDIAN, "--drift", EAST, "--json")
    assert (ran.status, ran.err) == (0, "")
    record = checked(ran.out)
    assert record["axis"]["determined"] == "both"
    assert record["fit"] == {
        **record["fit"],
        "measurements": 2,
        "degrees_of_freedom": 0,
        "p_value": None,
        "sigma_source": "assumed",
    }
    assert [note["code"] for note in record["warnings"]] == ["no-check"]


@pytest.mark.usefixtures("workdir")
@pytest.mark.parametrize(
    ("drifts", "determined", "direction"),
    [
        # By design.md's first-order formula north drift goes as A cos(lat) cos h + e sin h: on the meridian only A
        # shows, at six hours only e, half way between only their sum.
        ((MERIDIAN,), "azimuth", "east|west|north-east|north-west"),
        ((MERIDIAN, MERIDIAN.replace("+3d", "+20d")), "azimuth", "east|west|north-east|north-west"),
        ((EAST.replace("-5h", "-6h").replace("+20d", "+40d"),), "altitude", "south"),
        (
            (MERIDIAN.replace("-0h10m", "-3h"), MERIDIAN.replace("-0h10m", "-3h02m")),
            "neither",
            "west|south-west|north-west",
        ),
    ],
)
def test_what_is_not_determined_is_not_printed(
    drifts: tuple[str, ...], determined: str, direction: str
) -> None:
    flags = [part for drift in drifts for part in ("--drift", drift)]
    ran = run_here("solve", *LAT, *flags, "--json")
    assert ran.status == 4
    record = checked(ran.out)
    axis = record["axis"]
    assert axis["determined"] == determined
    assert axis["offset_arcmin"] is None
    advice = [note["text"] for note in record["warnings"] if note["code"] == "add-pointing"]
    assert len(advice) == 1
    assert any(f"in the {side}," in advice[0] for side in direction.split("|"))
    text = run_here("solve", *LAT, *flags)
    assert text.status == 4
    assert "time a star" in text.out


@pytest.mark.usefixtures("workdir")
def test_the_advice_helps() -> None:
    """Timing the star that the tool names makes both errors determined."""
    ran = run_here("solve", *LAT, "--drift", MERIDIAN, "--json")
    text = next(n["text"] for n in json.loads(ran.out)["warnings"] if n["code"] == "add-pointing")
    hour = text.split("hour angle ")[1].split(" h")[0]
    dec = text.split("dec ")[1].split(" deg")[0]
    extra = f"hour_angle={hour}h, dec={dec}d, duration=5min, north=1arcsec"
    assert run_here("solve", *LAT, "--drift", MERIDIAN, "--drift", extra).status == 0


def test_outputs_are_whole_and_never_over_others(workdir: Path) -> None:
    assert run_here("demo", "--output", "r.json", "--chart", "c.svg").status == 0
    checked(Path("r.json").read_text(encoding="utf-8"))
    assert Path("c.svg").read_text(encoding="utf-8").startswith("<?xml")
    before = Path("r.json").read_bytes()
    ran = run_here("demo", "--output", "r.json")
    assert (ran.status, ran.out) == (2, "")
    assert ran.err == (
        "poleward: r.json: this file exists already\n  give another name, or --force to write over it\n"
    )
    assert run_here("demo", "--output", "r.json", "--force").status == 0
    assert Path("r.json").read_bytes() == before
    assert run_here("demo", "--output", "r.xls").err == (
        "poleward: --output: 'r.xls' has an unknown ending, allowed are .json, .ecsv\n"
    )
    assert run_here("demo", "--chart", "no/c.png").err == (
        "poleward: no/c.png: there is no folder no\n  make the folder first\n"
    )
    assert sorted(p.name for p in workdir.iterdir()) == ["c.svg", "config", "r.json"]


@pytest.mark.usefixtures("workdir")
def test_ecsv_output_holds_the_timings() -> None:
    from astropy import units
    from astropy.table import Table

    assert run_here("demo", "--output", "r.ecsv").status == 0
    table = Table.read("r.ecsv")
    assert list(table["label"]) == ["meridian", "east", "west", "high south-east"]
    assert table["north"].unit == units.arcsec
    assert table.meta["axis"]["determined"] == "both"


@pytest.mark.usefixtures("workdir")
def test_stdin_and_a_closed_pipe() -> None:
    table = b"hour_angle,dec,duration,north\n-0.1,3,300,-4.2\n-5,20,300,-3.1\n"
    piped = subprocess.run(
        f"{sys.executable} -m poleward solve - {' '.join(LAT)} | head -1",
        shell=True,
        input=table,
        capture_output=True,
        check=False,
    )
    assert piped.stderr == b""
    assert re.match(b"The axis (stands|is within)", piped.stdout)


@pytest.mark.usefixtures("workdir")
@pytest.mark.parametrize("coding", ["ascii", "cp1252", "cp437"])
def test_any_stream_can_show_the_text(coding: str) -> None:
    shown = demo_into(coding)
    assert "+/-" in shown
    assert shown.isascii()


@pytest.mark.usefixtures("workdir")
def test_night_colours_only_a_terminal() -> None:
    shown = demo_into("utf-8", "--night")
    assert "\x1b" not in shown
    assert "\N{PLUS-MINUS SIGN}" in shown


def demo_into(coding: str, *options: str) -> str:
    """What the demo writes to a stream of an encoding."""
    stream = io.TextIOWrapper(io.BytesIO(), encoding=coding)
    with contextlib.redirect_stdout(stream), pytest.raises(SystemExit) as left:
        run(["demo", *options])
    assert left.value.code == 0
    stream.flush()
    return stream.buffer.getvalue().decode(coding)


def test_interrupted() -> None:
    code = "import os, signal\nfrom poleward.cli import main, run\nmain.invoke = lambda ctx: os.kill(os.getpid(), signal.SIGINT)\nrun(['demo'])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (130, "\npoleward: interrupted\n")
    assert signal.SIGINT == 2


def test_a_fault_of_ours_is_70_without_a_traceback(monkeypatch: pytest.MonkeyPatch) -> None:
    import poleward.cli.demo

    monkeypatch.setattr(poleward.cli.demo, "solved", lambda *_: 1 / 0)
    ran = run_here("demo")
    assert ran.status == 70
    assert ran.err.startswith("poleward: a fault of ours: ZeroDivisionError: division by zero\n")
    assert "Traceback" not in ran.err


@pytest.mark.parametrize(
    ("arguments", "line"),
    [
        (("solv",), "poleward: there is no command 'solv': did you mean solve?\n"),
        (("solve", "--latitud", "4"), "poleward: No such option"),  # and how click goes on
        (("solve", "--latitude", "47"), "poleward: no drifts are given\n"),
        (("solve", "--drift", MERIDIAN), "poleward: the latitude is missing\n"),
        (
            ("solve", "--latitude", "47", "t.csv", "--drift", MERIDIAN),
            "poleward: a drift table and --drift are both",
        ),
        (
            ("solve", *LAT, "--drift", MERIDIAN, "--pole", "north"),
            "poleward: pole: 'north', allowed is apparent or",
        ),
        (
            ("solve", *LAT, "--drift", MERIDIAN, "--drive-rate", "15"),
            "poleward: drive rate: '15' has no unit and could be per second or per minute\n",
        ),
        (
            ("solve", *LAT, "--drift", MERIDIAN, "--drive-rate", "16 arcsec/s"),
            "poleward: drive rate: 16 arcsec/s, allowed is 15.041 arcsec/s within 1 %\n",
        ),
        (
            ("solve", "--latitude", "97", "--drift", MERIDIAN),
            "poleward: latitude is 97 deg, allowed is between",
        ),
        (
            ("solve", *LAT, "--tz", "Berlin", "--drift", MERIDIAN),
            "poleward: --tz: there is no time zone 'Berlin'\n",
        ),
        (
            ("solve", *LAT, "--drift", MERIDIAN, "--from-scatter"),
            "poleward: the scatter of so few timings says nothing\n",
        ),
        (
            ("solve", *LAT, "--drift", MERIDIAN, "--watch", "hour_angle=12h, dec=0d"),
            "poleward: --watch: this place is 43 deg below the horizon\n",
        ),
        (
            ("solve", *LAT, "--humidity", "70", "--drift", MERIDIAN),
            "poleward: humidity is 70, allowed is 0 to 1\n",
        ),
        (
            ("solve", *LAT, "--pressure", "950", "--drift", MERIDIAN),
            "poleward: pressure: '950' has no unit and",
        ),
    ],
)
@pytest.mark.usefixtures("workdir")
def test_usage(arguments: tuple[str, ...], line: str) -> None:
    ran = run_here(*arguments)
    assert ran.status in (2, 3)
    assert ran.out == ""
    assert ran.err.startswith(line)


@pytest.mark.usefixtures("workdir")
def test_the_pole_that_errors_refer_to() -> None:
    """True and apparent pole differ in altitude by refraction at the latitude: 0.97 arcmin at 45 deg, 1010 hPa,
    10 C (outside-checks C: 57.97 arcsec ray-traced); a hundredth of that for what the fit adds."""
    flags = (
        "--latitude",
        "45",
        "--pressure",
        "1010hPa",
        "--humidity",
        "0",
        "--drift",
        MERIDIAN,
        "--drift",
        EAST,
    )
    apparent = checked(run_here("solve", *flags, "--json").out)["axis"]
    true = checked(run_here("solve", *flags, "--pole", "true", "--json").out)["axis"]
    assert true["reference"] == "true pole"
    assert true["altitude_error_arcmin"] - apparent["altitude_error_arcmin"] == pytest.approx(
        57.97 / 60, abs=0.01
    )
    assert true["azimuth_error_arcmin"] == pytest.approx(apparent["azimuth_error_arcmin"], abs=0.001)


def test_timings_in_full_sunlight_are_worth_a_line():
    """A wrong date or zone. In June at noon the Sun stands 66 deg high at latitude 47 (90 - 47.1 + 23.4)."""
    place = ("--latitude", "47.1deg", "--longitude", "8.4deg")

    def drift(time: str, ra: str) -> str:
        return f"time={time}, ra={ra}, dec=+20deg, duration=5min, north=-4arcsec"

    noon = ("--drift", drift("2025-06-21T11:28Z", "5h"), "--drift", drift("2025-06-21T11:38Z", "9h"))
    ran = run_here("solve", *place, *noon)
    assert ran.status == 0
    assert (
        "note: timed with the Sun up: timing 1 (66 deg), timing 2 (66 deg); if that was at night, check"
        in " ".join(ran.out.split())
    )
    night = ("--drift", drift("2025-06-21T22:28Z", "17h"), "--drift", drift("2025-06-21T22:38Z", "21h"))
    assert "with the Sun up" not in run_here("solve", *place, *night).out
