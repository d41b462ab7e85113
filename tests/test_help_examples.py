"""The examples of every help run as typed: from nothing but the files they name, without a setup file."""

from __future__ import annotations

import re
import shlex
import shutil
from dataclasses import replace
from pathlib import Path

import pytest
import truth
from conftest import run_here
from skyframes import Scene

from poleward.cli import COMMANDS

ROOT = Path(__file__).parent.parent
TARGETS = "name,ra,dec,exposure\nring,18h53m35s,+33d02m,300 s\n"


def examples_of(text: str) -> list[str]:
    """Commands under 'Examples:' or 'Start with:', a trailing backslash joined."""
    part = re.search(r"(?:Examples|Start with):\n(.*?)(?:\n\s*\n|\Z)", text, re.DOTALL)
    assert part, text
    joined = re.sub(r"\\\n\s*", " ", part[1])
    return [line.strip() for line in joined.splitlines()]


def all_examples() -> list[str]:
    texts = [run_here("--help").out] + [run_here(name, "--help").out for name in COMMANDS]
    return list(dict.fromkeys(example for text in texts for example in examples_of(text)))


def frames() -> None:
    """Folders of camera frames: with a WCS, without, with the drive stopped, and about a nudge north."""
    scene = Scene(truth.Place(46.9), 6.0, -4.0, -1.0, 12.0)
    scene.save(Path("tonight"), range(0, 40, 10), wcs="first")
    for name in ("south", "east"):
        scene.save(Path(name), range(0, 40, 10))
    replace(scene, drive=0.0).save(Path("stopped"), [0, 7, 14])
    replace(scene, nudges=((1, 40.0),)).save(Path("nudged"), [0, 5])


@pytest.fixture(scope="module")
def shelf(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What the examples name, made once."""
    folder = tmp_path_factory.mktemp("shelf")
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        patch.setenv("XDG_CONFIG_HOME", str(folder))
        fill(folder)
    return folder


@pytest.fixture
def files(workdir: Path, shelf: Path) -> Path:
    """What the examples name, as a user has it."""
    shutil.copytree(shelf, workdir, dirs_exist_ok=True)
    return workdir


def fill(workdir: Path) -> None:
    shutil.copy(ROOT / "src/poleward/data/demo/drifts.csv", workdir / "drifts.csv")
    story = ROOT / "worked_examples" / "guided-night"
    for name in ("night.log", "2026-10-01.log", "now.log"):
        shutil.copy(story / "terrace.log", workdir / name)
    for name in ("mine.toml", "night.toml"):
        shutil.copy(story / "terrace.toml", workdir / name)
    frames()
    Path("tonight.csv").write_text(TARGETS, encoding="utf-8")
    place = ("--latitude", "46.9deg", "--longitude", "9.1deg")
    for goes in (("--output", "axis.json"), ("--append", "tonight.json")):
        assert run_here("solve", "drifts.csv", *place, *goes).status == 0


@pytest.mark.usefixtures("files", "looked_at_once")
@pytest.mark.parametrize("example", all_examples())
@pytest.mark.slow
def test_an_example_of_the_help_works_as_typed(example: str) -> None:
    if "--follow" in example or "evening" in example:
        return  # they wait for rows or for answers; test_log_tail.py and test_evening.py run them
    words = [
        name for word in shlex.split(example)[1:]
        for name in (sorted(map(str, Path().glob(word))) if "*" in word else [word])
    ]  # fmt: skip
    if "--output" in words and Path(words[words.index("--output") + 1]).exists():
        words.append("--force")  # a name that another example reads
    ran = run_here(*words)
    assert ran.status in (0, 5), ran.err  # 5: outside the limits is an answer
    assert ran.out or ran.status == 0
