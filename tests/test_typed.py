"""Commands that stand alone on a page, or complete within a line, work as typed after the README's set-up.

In a shell with the environment entered, in the folder of `poleward demo --keep`, with the files that the page names. What
stands in a ``console`` block, test_examples.py runs; here such blocks only leave their files behind.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
import truth
from conftest import run_here
from skyframes import Scene
from test_examples import BLOCK, ROOT, commands_of, said
from test_help_examples import TARGETS

FENCED = re.compile(r"^(```|~~~).*?^\1", re.MULTILINE | re.DOTALL)
ALONE = re.compile(r"^    ((?:poleward|cd) .*?(?:\\\n.*?)*)$", re.MULTILINE)
WITHIN = re.compile(r"`(poleward [a-z]+ [^`]+)`")
SELDOM = {"commands.md", "errors.md", "checked.md", "record.md", "changes.md"}
"""Pages made by a program, whose commands are tested where they come from; and what once was."""


def typed(page: Path) -> list[tuple[bool, str]]:
    """Return a page's commands in their order, each with whether a console block holds it."""
    text = page.read_text(encoding="utf-8")
    plain = FENCED.sub(lambda block: re.sub(r"[^\n]", " ", block[0]), text)
    found = [
        (match.start(), True, command) for match in BLOCK.finditer(text) for command in commands_of(match[1])
    ]
    for pattern in (ALONE, WITHIN):
        found += [
            (match.start(), False, match[1].replace("\n", " ").replace("\\ ", ""))
            for match in pattern.finditer(plain)
        ]
    return [(shown, command) for _, shown, command in sorted(found, key=lambda one: one[0])]


PAGES = [
    page
    for page in sorted([ROOT / "README.md", *ROOT.glob("docs/*.md"), *ROOT.glob("worked_examples/*/README.md")])
    if page.name not in SELDOM and not all(shown for shown, _ in typed(page))
]  # fmt: skip


def files(page: Path, work: Path) -> None:
    """Lay out what a reader of the page has: the demo's folder or the story's, and the files the page names."""
    source = page.parent if page.parent.parent.name == "worked_examples" else ROOT / "src/poleward/data/demo"
    shutil.copytree(source, work, ignore=shutil.ignore_patterns("README.md", "*.png"))
    text = page.read_text(encoding="utf-8")
    os.chdir(work)
    terrace = ROOT / "worked_examples/guided-night/terrace"
    named = {"night.log": f"{terrace}.log", "mine.toml": f"{terrace}.toml", "first.csv": "drifts.csv"}
    for name, like in named.items():
        if name in text and not Path(name).exists():
            shutil.copy(like, name)
    if "first.csv" in text:
        rows = Path("first.csv").read_text(encoding="utf-8")
        Path("second.csv").write_text(
            rows.replace("-6.2", "-3.1")
            .replace("-10.5", "-5.2")
            .replace("5.5", "2.8")
            .replace("-7.9", "-3.9"),
            encoding="utf-8",
        )
    if "tonight.csv" in text:
        Path("tonight.csv").write_text(TARGETS, encoding="utf-8")
    if "rounds.json" in text and Path("drifts.csv").exists():
        assert run_here("solve", "drifts.csv", "--append", "rounds.json").status == 0
    if "frames tonight" in text:
        for name, hours, dec in (("south", -0.3, 5.0), ("east", -4.0, 25.0)):
            scene = Scene(truth.Place(46.9), 6.0, -4.0, hours, dec, stars=15, shape=(150, 200))
            scene.save(Path("tonight", name), range(0, 80, 20), wcs="first")
    if "roof.log" in text:
        blocks = dict(re.findall(r"^```(text|toml)\n(.*?)^```", text, re.MULTILINE | re.DOTALL)[:1])
        Path("roof.log").write_text(blocks["text"], encoding="utf-8")


@pytest.mark.slow
@pytest.mark.skipif(shutil.which("bash") is None, reason="needs a shell")
@pytest.mark.parametrize("page", PAGES, ids=lambda page: str(page.relative_to(ROOT)))
def test_commands_work_as_typed(page: Path, workdir: Path) -> None:
    files(page, workdir / "work")
    entered = {**os.environ, "PATH": os.pathsep.join((str(Path(sys.executable).parent), os.environ["PATH"]))}
    for shown, command in typed(page):
        if shown:
            said(command.replace("\\\n", " "))
            continue
        if "--follow" in command:
            continue  # it waits for more; test_log_tail.py and test_cli_frames.py run it
        if command.startswith("cd "):
            os.chdir(command[3:])
            continue
        ran = subprocess.run(
            ["bash", "-c", f"set -o pipefail; {command}"],
            env=entered,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            check=False,
        )
        excerpt = command == "poleward log roof.log --layout roof.toml"  # too short, as the page says
        assert ran.returncode == (3 if excerpt else 0), f"{command}\n{ran.stderr}"
        if "layout roof.log --output" in command:  # the reader makes the draft the page's finished layout
            made = re.findall(
                r"^```toml\n(.*?)^```", page.read_text(encoding="utf-8"), re.MULTILINE | re.DOTALL
            )
            Path("roof.toml").write_text(made[-1], encoding="utf-8")


def test_they_are_many() -> None:
    assert sum(not shown for page in PAGES for shown, _ in typed(page)) > 20
