"""`poleward frames` as a user types it."""

from __future__ import annotations

import io
import json
import re
import shutil
import sys
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
import truth
from astropy.io import fits
from astropy.table import Table
from conftest import run_fresh, run_here
from skyframes import Scene

from poleward import Setup, read_frames, read_setup
from poleward.frames.coming import FrameTail

NORTH = truth.Place(46.9)
SCHEMA = json.loads((Path(__file__).parent.parent / "src/poleward/data/record.schema.json").read_text())
SITE = ("--latitude", "46.9deg", "--longitude", "8.4deg", "--pressure", "950hPa", "--temperature", "4deg_C")
AXIS = (6.0, -4.0)

pytestmark = pytest.mark.usefixtures("looked_at_once")


@pytest.fixture(scope="session")
def frames(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder for each of two pointings, by a mount 6 arcmin east of and 4 below the pole, mirrored, tube beyond."""
    folder = tmp_path_factory.mktemp("frames")
    for number, (label, hour, dec) in enumerate((("south", -0.3, 5.0), ("east", -4.8, 18.0))):
        when = truth.EVENING + timedelta(minutes=5 * number)
        scene = Scene(NORTH, *AXIS, hour, dec, jitter_arcsec=0.2, mirrored=True, other_side=True, when=when)
        scene.save(folder / label, range(0, 120, 10), wcs="first", OBJECT=label)
    return folder


def test_the_table_goes_down_the_pipe_and_the_account_beside_it(
    workdir: Path, frames: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    ran = run_here("frames", str(frames))
    assert ran.status == 0, ran.err
    table = Table.read(ran.out.splitlines(), format="ascii.ecsv")
    assert list(table["label"]) == ["south", "east"]
    assert table["north"].unit == "arcsec"
    assert table["rotation"].unit == "arcmin"
    assert table.meta["keywords"]["time"] == "DATE-BEG"
    assert "2 pointings, 24 of 24 frames used" in ran.err
    assert re.search(
        r"pointed at +ra \(h\) dec \(deg\)\n  south +\d+\.\d\d +\+5\.\d\n  east +\d+\.\d\d +\+1[78]\.\d\n",
        ran.err,
    )
    assert "A pixel is 2 arcsec" in ran.err
    assert "mirrored: the header's" in " ".join(ran.err.split())
    assert "times by DATE-BEG; exposures by XPOSURE" in ran.err
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(ran.out.encode())))
    solved = run_here("solve", "-", *SITE, "--json")
    assert solved.status == 0, solved.err
    axis = json.loads(solved.out)["axis"]
    for name, true in zip(("azimuth", "altitude"), AXIS, strict=True):
        assert abs(axis[f"{name}_error_arcmin"] - true) < 2.5 * axis[f"{name}_sigma_arcmin"]
        assert axis[f"{name}_sigma_arcmin"] < 1.0


def test_record_table_and_chart(workdir: Path, frames: Path) -> None:
    ran = run_here("frames", str(frames), "--json", "--chart", "paths.png")
    assert ran.status == 0, ran.err
    record = json.loads(ran.out)
    jsonschema.validate(record, SCHEMA)
    assert [one["label"] for one in record["pointings"]] == ["south", "east"]
    assert record["pointings"][0]["stars"] > 8
    assert Path("paths.png").read_bytes()[:4] == b"\x89PNG"
    assert not ran.err
    for name in ("d.ecsv", "d.csv", "d.json"):
        ran = run_here("frames", str(frames / "south"), "--output", name)
        assert ran.status == 0, ran.err
        assert ran.out.startswith("1 pointing, 12 of 12 frames used.")
        assert run_here("frames", str(frames / "south"), "--output", name).status == 2
    jsonschema.validate(json.loads(Path("d.json").read_text()), SCHEMA)
    assert run_here("solve", "d.csv", *SITE).status in (0, 4)


def test_a_chart_at_night_is_dark(workdir: Path, frames: Path) -> None:
    from matplotlib.image import imread

    assert run_here("frames", str(frames / "east"), "--json", "--night", "--chart", "n.png").status == 0
    red, green, blue = np.asarray(imread("n.png"))[..., :3].reshape(-1, 3).T
    assert green.max() < 0.3
    assert blue.max() < 0.3
    assert red.mean() < 0.35


def test_a_camera_that_was_measured_is_told(workdir: Path) -> None:
    scene = Scene(NORTH, 5.0, 5.0, -1.0, 12.0, angle_deg=205.0, jitter_arcsec=0.2)
    replace(scene, drive=0.0).save(Path("stopped"), list(np.linspace(0, 14, 6)))
    replace(scene, nudges=((1, 40.0),)).save(Path("nudged"), [0, 5])
    scene.save(Path("field"), range(0, 60, 10))
    ran = run_here(
        "frames", "field", "--drive-off", "stopped", "--nudge-north", "nudged", "--output", "d.csv",
        "--pointing", "label=drive-off, dec=12d", "--pointing", "label=field, hour_angle=-1h, dec=12d",
    )  # fmt: skip
    assert ran.status == 0, ran.err
    assert "[guide_camera]\n" in ran.out
    assert re.search(r"pointed at +hour angle \(h\) dec \(deg\)\n  field +-1\.00 +\+12\.0\n", ran.out)
    assert max(map(len, ran.out.splitlines())) <= 80
    assert "the stars' run with the drive off" in " ".join(ran.out.split())


def test_frames_that_still_come(tmp_path: Path, frames: Path) -> None:
    """One look after the other: an empty folder, too few, a half-written one, enough, the next pointing."""
    tail = FrameTail(tmp_path, Setup())
    look = tail.look()
    assert (look.files, look.found) == (0, None)
    assert "holds no FITS files" in look.trouble
    paths = sorted((frames / "south").glob("*.fits"))
    for path in paths[:2]:
        shutil.copy(path, tmp_path)
    look = tail.look()
    assert (look.files, look.new, look.found) == (2, 2, None)
    assert "2 frames with stars, needed are 3" in look.trouble
    for path in paths[2:5]:
        shutil.copy(path, tmp_path)
    half = tmp_path / paths[5].name
    half.write_bytes(paths[5].read_bytes()[:50000])
    look = tail.look()
    assert look.found is not None
    assert [one.frames_used for one in look.found.pointings] == [5]
    assert [note.code for note in look.found.warnings] == ["frames-refused"]
    half.write_bytes(paths[5].read_bytes())
    look = tail.look()
    assert (look.new, look.found.pointings[0].frames_used, look.found.warnings) == (0, 6, ())
    assert tail.look().found is look.found
    for path in sorted((frames / "east").glob("*.fits")):
        shutil.copy(path, tmp_path / f"z{path.name}")
    look = tail.look()
    assert [(one.label, one.frames_used) for one in look.found.pointings] == [("south", 6), ("east", 12)]
    whole = read_frames(tmp_path)
    assert whole.drifts == look.found.drifts


def test_following_ends_when_it_is_sure_enough(workdir: Path, frames: Path) -> None:
    for label in ("south", "east"):
        for path in (frames / label).glob("*.fits"):
            Path("night").mkdir(exist_ok=True)
            shutil.copy(path, Path("night") / f"{label}{path.name}")
    ran = run_here("frames", "night", "--follow", "--until", "3arcmin", "--interval", "0.01s", *SITE)
    assert ran.status == 0, ran.err
    first, second = ran.err.splitlines()[:2]
    assert re.fullmatch(
        r"24 frames  east: north -?\d.* arcsec in 1.8 min; azimuth .* arcmin \(east and up positive\)", first
    )
    assert second == "both errors are as certain as was asked for"
    assert len(Table.read(ran.out.splitlines(), format="ascii.ecsv")) == 2


def test_until_takes_the_place_from_the_headers_and_says_at_once_that_nobody_knows_it(
    workdir: Path, frames: Path
) -> None:
    shutil.copytree(frames, "night")
    following = ("frames", "night", "--follow", "--interval", "0.01s", "--until", "3arcmin")
    ran = run_here(*following)
    assert (ran.status, ran.out) == (3, "")
    assert "poleward: --until: it is not known where the mount stands" in ran.err
    for path in Path("night").rglob("*.fits"):
        fits.setval(path, "OBSGEO-B", value=47.1)
        fits.setval(path, "OBSGEO-L", value=8.4)
    ran = run_here(*following)
    assert ran.status == 0, ran.err
    assert "both errors are as certain as was asked for" in ran.err


def test_following_ends_with_what_is_known(
    workdir: Path, frames: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ctrl-C while it waits: the table of what there is, and status 130."""

    def interrupted(seconds: float) -> None:
        raise KeyboardInterrupt

    shutil.copytree(frames / "south", "night")
    monkeypatch.setattr("poleward.cli.frames_follow.time.sleep", interrupted)
    ran = run_here("frames", "night", "--follow", "--output", "d.csv", "--json")
    assert ran.status == 130
    assert ran.err.startswith("12 frames  south: north")
    assert "interrupted; what is known so far:" in ran.err
    assert json.loads(ran.out)["pointings"][0]["frames_used"] == 12
    assert Path("d.csv").exists()
    Path("empty").mkdir()
    ran = run_here("frames", "empty", "--follow")
    assert (ran.status, ran.out) == (130, "")
    assert ran.err.endswith("interrupted before any answer\n")


@pytest.mark.parametrize(
    ("arguments", "status", "said"),
    [
        ([], 2, "no frames are given"),
        (["gone"], 3, "gone: there is no such file"),
        (["empty"], 3, "empty: this folder holds no FITS files"),
        (["text.fits"], 3, "text.fits: this is no FITS file, or it ends early"),
        (["text.fits", "--pointing", "dec"], 3, "--pointing: 'dec' is not name=value"),
        (["text.fits", "--output", "d.txt"], 2, "--output: 'd.txt' has an unknown ending"),
        (["text.fits", "--setup", "wrong.toml"], 3, "wrong.toml [frames.keywords]: unknown key 'raa'"),
        (["text.fits", "--until", "1arcmin"], 2, "--until goes with --follow"),
        (["a", "b", "--follow"], 2, "--follow takes one folder"),
        (["gone", "--follow"], 3, "gone: there is no such folder"),
        (["text.fits", "--drive-off", "text.fits"], 2, "--drive-off and --nudge-north go together"),
    ],
)
def test_what_cannot_be_is_told_in_a_line(
    workdir: Path, arguments: list[str], status: int, said: str
) -> None:
    Path("text.fits").write_text("not a frame", encoding="utf-8")
    Path("empty").mkdir()
    Path("wrong.toml").write_text('[frames]\nkeywords = { raa = "RA" }\n', encoding="utf-8")
    ran = run_here("frames", *arguments)
    assert (ran.status, ran.out) == (status, "")
    first, *rest = ran.err.splitlines()
    assert first.startswith(f"poleward: {said}")
    assert len(rest) <= 1


def test_an_hour_angle_that_cannot_be_is_refused(workdir: Path, frames: Path) -> None:
    ran = run_here("frames", str(frames / "south"), "--pointing", "hour_angle=-20, dec=5d")
    assert ran.status == 3
    assert "an hour angle of -20 h is beyond 12 h: minutes? write -20m" in ran.err


def test_what_is_left_out_is_counted_and_named_with_its_folder(workdir: Path, frames: Path) -> None:
    """Of two folders with equal names: some without a time, one of another size."""
    from astropy.io import fits

    for label in ("south", "east"):
        shutil.copytree(frames / label, Path("night") / label)
    for number in range(3):
        with fits.open(f"night/south/f{number:03d}.fits", mode="update") as hdus:
            del hdus[0].header["DATE-BEG"]
    with fits.open("night/east/f002.fits", mode="update") as hdus:
        hdus[0].data = hdus[0].data[:200]
    ran = run_here("frames", "night", "--output", "d.ecsv")
    said = " ".join(ran.out.split())
    assert "2 pointings, 20 of 24 frames used" in said
    assert (
        "3 of 24 left out: night/south/f000.fits, night/south/f001.fits, night/south/f002.fits: this header"
        in said
    )
    assert "1 of 24 left out: night/east/f002.fits: 400 x 200 pixels" in said


def test_frames_that_all_have_the_time_of_their_series(workdir: Path, frames: Path) -> None:
    from astropy.io import fits

    shutil.copytree(frames / "south", "south")
    for path in Path("south").glob("*.fits"):
        with fits.open(path, mode="update") as hdus:
            hdus[0].header["DATE-BEG"] = "2024-03-10T20:00:00"
            hdus[0].header["XPOSURE"] = 0.0
    ran = run_here("frames", "south")
    assert ran.status == 3
    assert "12 frames all have the time 20:00:00" in ran.err
    assert "does DATE-BEG name the start of the series?" in ran.err


def test_equal_reasons_are_one(workdir: Path) -> None:
    scene = Scene(NORTH, 5.0, 5.0, -1.0, 12.0)
    for number, label in enumerate(("south", "east")):
        replace(scene, when=scene.when + timedelta(minutes=5 * number)).save(Path(label), [0, 5, 10])
    ran = run_here("frames", "south", "east")
    assert ran.status == 3
    assert ran.err.startswith(
        "poleward: no pointing can be used: south, east: how pixels lie on the sky is not known"
    )
    assert ran.err.count("is not known") == 1
    scene.save(Path("one"), [0])
    assert "one: 1 frame with stars, needed are 3" in run_here("frames", "one").err


def test_solve_says_that_the_pipe_is_empty(workdir: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(b"")))
    ran = run_here("solve", "-", *SITE)
    assert ran.status == 3
    assert "standard input: nothing came through the pipe" in ran.err
    assert "see the message of the command before it" in ran.err


def test_names_from_strangers_are_printable(workdir: Path, frames: Path) -> None:
    from astropy.io import fits

    with fits.open(frames / "south" / "f000.fits") as hdus:
        for number in range(3):
            hdus[0].header["OBJECT"] = "south"
            hdus[0].header["DATE-BEG"] = (
                f"2024-03-10T20:00:0{number // 2}"  # the second is not later than the first
            )
            hdus.writeto(f"a\x1b[31m{number}.fits")
    ran = run_here("frames", *map(str, sorted(Path().glob("a*.fits"))))
    assert "\x1b" not in ran.err
    assert r"a\x1b[31m1.fits" in ran.err


def test_photutils_and_astropy_wait_until_they_are_needed() -> None:
    ran: Any = run_fresh("frames", "--help", PYTHONPROFILEIMPORTTIME="1")
    assert "Camera frames to a drift table" in ran.out
    for heavy in ("numpy", "astropy", "photutils"):
        assert f" {heavy}\n" not in ran.err


def test_the_evening_takes_frames_in_place_of_a_typed_drift(
    workdir: Path, frames: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from poleward.cli import evening as command
    from poleward.cli.evening import Talk
    from poleward.report.style import Signs
    from poleward.rounds.evening import Evening
    from poleward.rounds.situation import World

    knobs = "".join(
        f'[mount.{name}_knob]\nper_turn = "30 arcmin"\nclockwise = "{way}"\n'
        for name, way in (("azimuth", "east"), ("altitude", "up"))
    )
    place = '[site]\nlatitude = "46.9 deg"\nlongitude = "8.4 deg"\n'
    Path("s.toml").write_text(place + knobs, encoding="utf-8")
    setup = read_setup("s.toml")
    clock = iter(truth.EVENING + timedelta(seconds=150 * n) for n in range(1000))
    monkeypatch.setattr(command, "now", lambda: next(clock))
    talk = Talk(
        Evening(lambda: World(setup, [], lambda *_: [], 2.0), []), "r.json", setup, Signs("+/-"), False
    )
    answers = {
        "hour angle 1.1": "-0.3h",
        "dec 1.1": "5d",
        "hour angle 1.2": "-4.8h",
        "dec 1.2": "18d",
        "next 1.1": "elsewhere",
    }
    answers |= {
        f"drift 1.{number}": f"frames {frames / name}" for number, name in ((1, "south"), (2, "east"))
    }
    asked = []
    while talk.evening.question.key != "next 1.2":
        asked.append(talk.evening.question.key)
        assert len(asked) < 16, (asked, talk.evening.question.asks)
        talk._heard(answers.get(asked[-1], "" if talk.evening.question.default is not None else "1"))
    solution = talk.evening.question.about.solution
    # Each by itself: no pointing hears of another's noise.
    measured = [read_frames(frames / name).pointings[0] for name in ("south", "east")]
    for drift, one in zip(solution.drifts, measured, strict=True):
        assert drift.north_arcsec == pytest.approx(one.north_arcsec, abs=1e-3)
        assert drift.north_sigma_arcsec == pytest.approx(one.north_sigma_arcsec, abs=1e-3)
    assert abs(solution.azimuth_error_arcmin - AXIS[0]) < 2.5 * solution.azimuth_sigma_arcmin
    assert talk.evening.entries[-1].answer.startswith("north=")
    said = capsys.readouterr().out
    assert re.search(
        r"south: 12 frames in 1\.8 min, north .* \+/- .* arcsec, turn of the\s+field .* \+/- .* arcmin\.",
        said,
        re.DOTALL,
    )
    kept = list(talk.evening.entries)
    talk.evening.undo()  # plays all but the last back, without a look at the frames
    assert talk.evening.entries == kept[:-1]
    talk._heard(f"frames {frames / 'gone'}")
    assert "gone: there is no such file." in capsys.readouterr().out
