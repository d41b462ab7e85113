"""Transcripts in worked_examples/ and docs/ are what the program says today.

A block fenced as ``console`` holds commands after ``$ ``; what follows each is regenerated and compared. Rewrite
them with ``python tests/test_examples.py``, and read what changed.
"""

from __future__ import annotations

import os
import re
import runpy
import shlex
import shutil
import sys
import tempfile
import time
from datetime import datetime
from pathlib import Path

import pytest
from conftest import run_here

from poleward.cli import COMMANDS

ROOT = Path(__file__).parent.parent
PAGES = sorted([*ROOT.glob("worked_examples/*/README.md"), *ROOT.glob("docs/*.md"), ROOT / "README.md"])
BLOCK = re.compile(r"^```console\n(.*?)^```$", re.MULTILINE | re.DOTALL)


class Typist:
    """Standard input of an evening: what is typed, when, and how a terminal repeats it."""

    def __init__(self) -> None:
        lines = Path("answers.txt").read_text(encoding="utf-8").splitlines()
        self.lines = [line.partition(" ") for line in lines]
        self.at = datetime.fromisoformat(self.lines[0][0])

    def readline(self) -> str:
        moment, _, text = self.lines.pop(0)
        self.at = datetime.fromisoformat(moment)
        print(text)
        return f"{text}\n"


def evening(words: list[str]) -> str:
    """What `poleward evening` and a typist write on a terminal."""
    typist = Typist()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("poleward.cli.evening.now", lambda: typist.at)
        patch.setattr(sys, "stdin", typist)
        patch.setenv("TZ", "<-03>+03")
        time.tzset()
        ran = run_here(*words)
    time.tzset()
    out = "".join(f"{line.rstrip()}\n" for line in ran.out.splitlines())
    return out + ran.err + (f"(exit status {ran.status})\n" if ran.status else "")


def said(command: str) -> str:
    """Output of one command: poleward in this process, and the few others a story needs."""
    if " | grep -E " in command:
        source, pattern = command.split(" | grep -E ")
        return "".join(
            f"{line}\n" for line in said(source).splitlines() if re.search(shlex.split(pattern)[0], line)
        )
    words = shlex.split(command)
    if words[0] == "cat":
        return "".join(Path(name).read_text(encoding="utf-8") for name in words[1:])
    if words[0] == "cd":
        os.chdir(words[1])
        return ""
    if words[0] == "python":
        runpy.run_path(words[1], run_name="__main__")
        return ""
    assert words[0] == "poleward", command
    if words[1] == "evening" and "--help" not in words:
        return evening(words[1:])
    ran = run_here(*words[1:])
    return ran.out + ran.err + (f"(exit status {ran.status})\n" if ran.status else "")


def commands_of(block: str) -> list[str]:
    """Commands of a block; a trailing backslash continues one."""
    commands: list[str] = []
    going_on = False
    for line in block.splitlines():
        if going_on:
            commands[-1] += "\n" + line
        elif line.startswith("$ "):
            commands.append(line[2:])
        else:
            continue
        going_on = line.endswith("\\")
    return commands


def regenerated(page: Path) -> str:
    """The page's text with every transcript made anew, in a copy of the page's folder."""
    text = page.read_text(encoding="utf-8")
    if not BLOCK.search(text):
        return text
    with tempfile.TemporaryDirectory() as folder:
        work = Path(folder) / "work"
        if page.parent.parent.name == "worked_examples":
            shutil.copytree(page.parent, work, ignore=shutil.ignore_patterns("README.md", "*.png"))
        else:
            shutil.copytree(ROOT / "src" / "poleward" / "data" / "demo", work)
        (Path(folder) / "config" / "astropy").mkdir(parents=True)
        here, before = os.getcwd(), os.environ.get("XDG_CONFIG_HOME")
        os.chdir(work)
        os.environ["XDG_CONFIG_HOME"] = str(Path(folder) / "config")
        try:

            def anew(match: re.Match[str]) -> str:
                parts = []
                for command in commands_of(match[1]):
                    out = said(command.replace("\\\n", " "))
                    parts.append(f"$ {command}\n{out}")
                return "```console\n" + "".join(parts) + "```"

            return BLOCK.sub(anew, text)
        finally:
            os.chdir(here)
            if before is None:
                del os.environ["XDG_CONFIG_HOME"]
            else:
                os.environ["XDG_CONFIG_HOME"] = before


@pytest.mark.parametrize("page", PAGES, ids=lambda page: str(page.relative_to(ROOT)))
def test_transcripts_are_true(page: Path) -> None:
    assert page.read_text(encoding="utf-8") == regenerated(page)


def test_the_stories_touch_every_command_and_both_hemispheres() -> None:
    """A story needs no `demo`: that is bundled data and not one's own; the README begins with it."""
    pages = ROOT.glob("worked_examples/*/README.md")
    text = "".join(page.read_text(encoding="utf-8") for page in pages)
    commands = set(re.findall(r"poleward (\w+)", "".join(BLOCK.findall(text))))
    assert set(COMMANDS) - {"demo"} <= commands
    signs = {
        re.search(r'latitude = "([+-]?)', path.read_text(encoding="utf-8"))[1]  # type: ignore[index]
        for path in ROOT.glob("worked_examples/*/poleward.toml")
    }
    assert "-" in signs
    assert signs - {"-"}


if __name__ == "__main__":
    for changed in [Path(name).resolve() for name in sys.argv[1:]] or PAGES:
        changed.write_text(regenerated(changed), encoding="utf-8")
