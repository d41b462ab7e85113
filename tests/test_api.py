"""The Python API as someone who uses astropy meets it: what goes in, what comes out, what is refused and how."""

from __future__ import annotations

import contextlib
import io
import runpy
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import Angle, EarthLocation, SkyCoord
from astropy.table import QTable, Table
from astropy.time import Time, TimeDelta
from astropy.utils.masked import Masked

import poleward
from poleward import Air, Camera, Drifts, GuideCamera, InputError, Site, UsageError

SITE = Site(46.9 * u.deg, 9.1 * u.deg, 1240 * u.m)
START = Time("2026-11-25T20:00:00")


def stars() -> Drifts:
    """Three timings as text: what all other notations must come to."""
    return Drifts.from_rows(
        [
            {"time": "2026-11-25T20:00:00Z", "ra": "22h30m", "dec": "+5d", "duration": "300", "north": "-4.2"},
            {"time": "2026-11-25T20:10:00Z", "ra": "30 deg", "dec": "12d30m", "duration": "360", "north": "3",
             "north_sigma": "0.5"},
            {"time": "2026-11-25T20:20:00Z", "ra": "05h00m", "dec": "20d", "duration": "420", "north": "60"},
        ]
    )  # fmt: skip


def quantities() -> QTable:
    table = QTable()
    table["time"] = START + TimeDelta([0, 10, 20] * u.min)
    table["ra"] = Angle([22.5, 2.0, 5.0] * u.hourangle)
    table["dec"] = [5.0, 12.5, 20.0] * u.deg
    table["duration"] = TimeDelta([5, 6, 7] * u.min)
    table["north"] = [-4.2 / 60, 3 / 60, 1.0] * u.arcmin
    table["north_sigma"] = Masked([0, 500, 0] * u.mas, mask=[True, False, True])
    return table


def test_a_qtable_is_the_same_as_text() -> None:
    """Columns of Time, Angle, Quantity, TimeDelta and masked Quantity; a masked sigma is none, not 0."""
    ours, theirs = Drifts.from_table(quantities()).to_rows(), stars().to_rows()
    for mine, other in zip(ours, theirs, strict=True):
        assert mine.keys() == other.keys()
        for name, value in mine.items():
            if isinstance(value, float):
                assert value == pytest.approx(other[name], rel=1e-12)
            else:
                assert value == other[name]


def test_a_column_of_skycoord_stands_for_ra_and_dec() -> None:
    table = quantities()
    galactic = SkyCoord(table["ra"], table["dec"]).galactic
    table.remove_columns(["ra", "dec"])
    table["coord"] = galactic
    for mine, other in zip(Drifts.from_table(table), stars(), strict=True):
        # A turn to galactic coordinates and back: 1e-9 rad is 0.2 milliarcsec.
        assert (mine.pointing.ra, mine.pointing.dec) == pytest.approx(
            (other.pointing.ra, other.pointing.dec), abs=1e-9
        )
    (one,) = Drifts.from_rows(
        [{"place": galactic[0], "time": START, "duration": 5 * u.min, "north": 1 * u.arcsec}]
    )
    assert one.pointing.ra == pytest.approx(np.radians(337.5), abs=1e-9)
    with pytest.raises(InputError, match="ra and a SkyCoord are both given"):
        Drifts.from_rows(
            [{"place": galactic[0], "ra": "1h", "time": START, "duration": 5 * u.min, "north": 1}]
        )
    with pytest.raises(InputError, match="a SkyCoord of the frame 'altaz' turns with the Earth"):
        Drifts.from_rows([{"place": SkyCoord(1 * u.deg, 2 * u.deg, frame="altaz"), "time": START}])


def test_units_of_a_plain_table_are_honoured() -> None:
    table = Table({"hour_angle": [-5.0], "dec": [0.1], "duration": [5.0], "north": [2.0], "label": ["a"]})
    for name, unit in (("hour_angle", "deg"), ("dec", "rad"), ("duration", "min"), ("north", "arcmin")):
        table[name].unit = unit
    (drift,) = Drifts.from_table(table)
    assert drift.pointing.hour_angle == pytest.approx(np.radians(-5), rel=1e-12)
    assert (drift.pointing.dec, drift.duration_s, drift.north_arcsec, drift.label) == (0.1, 300, 120, "a")
    table["north"].unit = "m"
    with pytest.raises(InputError, match="table, column north: the unit 'm' does not fit here"):
        Drifts.from_table(table)


def test_there_and_back_through_a_table() -> None:
    assert Drifts.from_table(stars().to_table()) == stars()
    assert Drifts.from_table(QTable(stars().to_table())) == stars()
    assert stars().to_table()["north_sigma"].mask.tolist() == [True, False, True]


def test_drifts_are_a_sequence() -> None:
    drifts = stars()
    assert repr(drifts) == "<Drifts: 3 timings>"
    assert isinstance(drifts[:2], Drifts)
    assert drifts[-1] == list(drifts)[2]
    assert "<table" in drifts._repr_html_()


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (
            lambda: Drifts.from_table("drifts.csv"),
            "table is 'drifts.csv' (str), taken is an astropy Table or QTable",
        ),
        (
            lambda: Drifts.from_rows([["a"]]),
            "row 1 is ['a'] (list), taken is a mapping of column names to values",
        ),
        (lambda: Drifts.from_rows([{"nrth": None}]), "row 1: unknown name 'nrth'"),
        (
            lambda: poleward.solve("t.csv", SITE),
            "drifts is 't.csv' (str), taken is Drifts, a sequence of Drift, or a Table",
        ),
        (lambda: poleward.solve(stars(), 46.9), "site is 46.9 (float), taken is a Site or an EarthLocation"),
        (
            lambda: poleward.solve_log(stars(), SITE),
            "sections is <Drifts: 3 timings> (Drifts), taken is a LogFile or a sequence of Section",
        ),
        (
            lambda: poleward.check("t.csv", SITE, {}),
            "targets is 't.csv' (str), taken is a Table, or a sequence of Target or of mappings",
        ),
        (
            lambda: poleward.check([], SITE, 5.0),
            "axis is 5.0 (float), taken is a Solution, a LogSolution, an AxisError or a mapping",
        ),
        (
            lambda: poleward.check([], SITE, {}, (600, 3.76)),
            "camera is (600, 3.76) (tuple), taken is a Camera",
        ),
        (lambda: Site.from_location(SITE), "of one place"),
        (lambda: poleward.plan(SITE, 0.5), "accuracy: 0.5 has no unit and could be arcmin or degrees"),
    ],
)
def test_a_wrong_type_gets_one_line(call, said: str) -> None:
    with pytest.raises((InputError, UsageError)) as caught:
        call()
    assert said in str(caught.value)
    assert "\n" not in str(caught.value)
    if "taken is" in said:
        assert str(caught.value) == said
        assert isinstance(caught.value, TypeError)


def test_equal_sites_are_equal_whatever_they_were_written_as() -> None:
    same = [
        Site("46.9 deg", "9.1 deg", "1240 m"),
        SITE,
        Site("46d54m", "9.1E", "1.24 km"),
        Site.from_location(EarthLocation.from_geodetic(9.1 * u.deg, 46.9 * u.deg, 1240 * u.m)),
    ]
    assert same[0] == same[1]
    assert len(set(same[:2])) == 1
    for one in same:
        # A geocentric place and back: a nanometre on the Earth is 1e-16 rad, and a micrometre of height.
        assert one.latitude_rad == pytest.approx(SITE.latitude_rad, abs=1e-14)
        assert one.elevation_m == pytest.approx(1240, abs=1e-6)
    assert Air("950 hPa", 4 * u.deg_C) == Air(95000 * u.Pa, "4 deg_C")
    assert Site("46.9 deg", air=Air("950 hPa")) != Site("46.9 deg", air=Air("940 hPa"))
    assert GuideCamera(1.5, 30) == GuideCamera(1.5 * u.arcsec / u.pix, Angle("30d"))
    assert Camera("600 mm", "3.76 um", 6248, 4176) == Camera(0.6 * u.m, 3.76 * u.um, 6248, 4176)
    section = poleward.read_log(LOGS / "terrace.log", poleward.read_layout(LOGS / "terrace.toml"))[0]
    assert section in {section}
    assert section != replace(section)


LOGS = Path(__file__).parent.parent / "worked_examples" / "guided-night"


def test_an_earthlocation_is_a_site() -> None:
    there = EarthLocation.from_geodetic(9.1 * u.deg, 46.9 * u.deg, 1240 * u.m)
    by_place, by_site = (poleward.solve(quantities(), place) for place in (there, SITE))
    assert by_place.azimuth_error_arcmin == pytest.approx(
        by_site.azimuth_error_arcmin, abs=1e-4
    )  # the fit's end


def results() -> list[object]:
    solution = poleward.solve(stars()[:2], SITE)
    lens = Camera(600 * u.mm, 3.76 * u.um, 6248, 4176)
    nebula = Table(
        {"name": ["nebula"], "ra": [83.8] * u.deg, "dec": [-5.4] * u.deg, "exposure": [5.0] * u.min}
    )
    return [
        solution,
        poleward.check(nebula, SITE, solution, lens, limit=1.5 * u.pix, at=START),
        poleward.plan(SITE, 1 * u.arcmin, seeing=2.5 * u.arcsec, cadence=TimeDelta(2 * u.s), at=START),
    ]


def test_a_plan_for_targets_and_with_the_noise_of_a_log() -> None:
    """The noise of the middling section, as --noise has it: a known record, twice the noise, twice the sigma of a plan of as
    many minutes, or the accuracy in more of them; and targets that need what `check` tolerates."""
    lens = Camera(600 * u.mm, 3.76 * u.um, 6248, 4176)
    nebula = Table(
        {"name": ["nebula"], "ra": [83.8] * u.deg, "dec": [-5.4] * u.deg, "exposure": [5.0] * u.min}
    )
    needed = poleward.needed_accuracy(nebula, SITE, lens, at=START)
    tolerance = poleward.check(nebula, SITE, {"azimuth": 1 * u.arcmin, "altitude": 0 * u.deg}, lens, at=START)
    assert needed.name == "nebula"
    assert needed.accuracy_arcmin == pytest.approx(tolerance.targets[0].tolerance_arcmin / 2.4477, rel=1e-3)

    def record(size: float) -> dict[str, object]:
        noise = {"white_arcsec": 0.8 * size, "correlated_arcsec": 0.5 * size, "correlation_time_s": 30.0}
        return {"sections": [{"noise": noise, "rows_used": 600, "duration_s": 1800.0}]}

    plain, noisy = (poleward.plan(SITE, needed, noise=record(size), at=START) for size in (1.0, 2.0))
    assert plain.wanted_why == "what nebula needs to pass 95 times in 100"
    assert plain.reader.cadence_s == 3.0
    assert noisy.proposal.total_minutes > plain.proposal.total_minutes
    with pytest.raises(poleward.UsageError, match="seeing and noise are both given"):
        poleward.plan(SITE, 1 * u.arcmin, seeing=2 * u.arcsec, noise=record(1.0))
    with pytest.raises(poleward.WrongTypeError, match="noise"):
        poleward.plan(SITE, 1 * u.arcmin, noise="log.json")
    with pytest.raises(poleward.InputError, match="holds no section with its noise"):
        poleward.plan(SITE, 1 * u.arcmin, noise={})


@pytest.mark.parametrize("number", range(3), ids=["solve", "check", "plan"])
def test_results_show_themselves(number: int) -> None:
    from matplotlib.figure import Figure

    result = results()[number]
    assert "\n" not in repr(result)
    assert repr(result).startswith(f"<{type(result).__name__}: ")
    text = str(result)
    assert text.splitlines()[-1] == "Site: latitude +46.90, longitude +9.10 deg, air 873 hPa, 10 deg C."
    assert result._repr_html_().startswith("<pre>")
    assert isinstance(result.chart(), Figure)
    rows = {"Solution": "drifts", "Check": "targets", "Plan": "pointings"}[type(result).__name__]
    assert len(result.to_table()) == len(result.to_record()[rows])


@pytest.mark.usefixtures("workdir")
def test_the_text_is_the_commands() -> None:
    from conftest import run_here

    stars().write("t.csv")
    place = ("--latitude", "46.9d", "--longitude", "9.1d", "--elevation", "1240m")
    ran = run_here("solve", "t.csv", *place, "--reading-error", "0.7 arcsec")
    with contextlib.redirect_stdout(io.StringIO()):  # the signs are those of the stream
        ours = str(poleward.solve(stars(), SITE, reading_error=0.7 * u.arcsec))
    theirs = ran.out.split("\n\n")
    # The command also says how a star moves while knobs are turned.
    kept = [block for block in ours.split("\n\n") if not block.startswith("What to turn")]
    assert kept == [block.rstrip("\n") for block in theirs if not block.startswith("What to turn")]


def test_not_determined_is_none() -> None:
    alone = poleward.solve(stars()[:1], SITE)
    assert alone.determined != "both"
    assert None in (alone.azimuth_error, alone.altitude_error)
    assert alone.offset is None


SCRIPT = Path(__file__).parent / "user_script.py"


def test_a_users_script_runs(capsys: pytest.CaptureFixture[str]) -> None:
    runpy.run_path(str(SCRIPT))
    assert capsys.readouterr().out == "arcmin\npole: 'aparent', allowed is apparent or true\n"


@pytest.mark.slow
def test_mypy_sees_the_types_of_a_users_script(pytestconfig: pytest.Config, tmp_path: Path) -> None:
    """mypy --strict with astropy followed, as docs/python.md says; assert_type in the script is what it must see."""
    pytest.importorskip("mypy")
    cache = getattr(
        pytestconfig, "cache", None
    )  # to take in all of astropy costs a quarter of a minute, once
    kept = cache.mkdir("mypy") if cache else tmp_path
    flags = ("--strict", "--follow-untyped-imports", "--untyped-calls-exclude=astropy", "--config-file=")
    done = subprocess.run(
        [sys.executable, "-m", "mypy", *flags, f"--cache-dir={kept}", str(SCRIPT)],
        capture_output=True, text=True, check=False, cwd=tmp_path,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
