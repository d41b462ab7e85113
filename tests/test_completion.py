"""Completion as docs/commands.md sets it up, in real shells on a real terminal."""

from __future__ import annotations

import os
import re
import select
import shutil
import sys
import time
from pathlib import Path
from typing import get_args

import pytest
from conftest import run_fresh

from poleward.cli import COMMANDS, complete
from poleward.guidelog.fitting.night import Each
from poleward.sky.pole import POLES
from poleward.solving.how import RATES

pty = pytest.importorskip("pty", reason="no terminal to drive on this system")

SHELLS = {
    "bash": ["bash", "--norc", "--noprofile", "-i"],
    "zsh": ["zsh", "-f", "-i"],
    "fish": ["fish", "--no-config", "-i"],
}
# An empty prompt, and no colours that would stand inside what is read.
QUIET = {
    "bash": "PS1=; bind 'set enable-bracketed-paste off'; bind 'set bell-style none'",
    "zsh": "PS1=; unsetopt zle_bracketed_paste prompt_sp; autoload -U compinit; compinit -u -d ./zcomp",
    "fish": "function fish_prompt; end; set -g fish_greeting; set -g fish_autosuggestion_enabled 0",
}


def documented(shell: str) -> str:
    """The line of docs/commands.md that sets completion up."""
    page = (Path(__file__).parent.parent / "docs" / "commands.md").read_text(encoding="utf-8")
    found = re.search(rf"^ +(.*_POLEWARD_COMPLETE={shell}_source.*)$", page, re.MULTILINE)
    assert found
    return found[1]


class Terminal:
    """A shell on a terminal of its own, without anyone's settings."""

    def __init__(self, shell: str, folder: Path) -> None:
        program = folder.parent / "bin" / "poleward"
        program.parent.mkdir()
        program.write_text(f"#!{sys.executable}\nfrom poleward.cli import run\nrun()\n")
        program.chmod(0o755)
        environment = {
            "PATH": f"{program.parent}{os.pathsep}{os.environ['PATH']}",
            "HOME": str(folder.parent),
            "TERM": "dumb" if shell != "fish" else "xterm",
            "LC_ALL": "C.UTF-8",
            "COLUMNS": "200",
        }
        self.pid, self.terminal = pty.fork()
        if self.pid == 0:
            os.chdir(folder)
            os.execvpe(SHELLS[shell][0], SHELLS[shell], environment)
        self.seen = ""
        self.wait_for("", 0.5)
        self.type(f"{QUIET[shell]}\n{documented(shell)}\necho ready''-to-type\n")
        self.wait_for("ready-to-type", 30)

    def type(self, text: str) -> None:
        os.write(self.terminal, text.encode())

    def wait_for(self, text: str, seconds: float) -> None:
        """Read until the text has come, or (for no text) for so long."""
        end = time.monotonic() + seconds
        while not (text and text in self.seen) and time.monotonic() < end:
            if select.select([self.terminal], [], [], 0.1)[0]:
                self.seen += os.read(self.terminal, 65536).decode(errors="replace")
        assert text in self.seen, self.seen

    def completed(self, line: str) -> list[str]:
        """The words of a line after the tabulator; a shell that asked itself has not read on before it has the answer."""
        self.seen = ""
        self.type(line + "\t")
        self.wait_for("", 0.3)
        self.type("\x01printf '<%s>\\n' \x05 end-of-words\n")
        self.wait_for("<end-of-words>", 30)
        words = re.findall(r"<([^<>\r\n]*)>\r?\n", self.seen)
        return [word.rstrip("/") for word in words if word != "end-of-words"]  # zsh takes a last slash back

    def close(self) -> None:
        os.close(self.terminal)  # hangs up: the shell ends
        os.waitpid(self.pid, 0)


@pytest.mark.slow
@pytest.mark.parametrize("shell", SHELLS)
def test_files_choices_and_poles_complete(shell: str, tmp_path: Path) -> None:
    if shutil.which(shell) is None:
        pytest.skip(f"{shell} is not installed here")
    folder = tmp_path / "work"
    (folder / "logs of may").mkdir(parents=True)
    for name in ("drifts.csv", "logs of may/first.log", "mine.toml"):
        (folder / name).touch()
    terminal = Terminal(shell, folder)
    try:
        for line, words in {
            "poleward sol": ["solve"],
            "poleward solve --pol": ["solve", "--pole"],
            "poleward solve dri": ["solve", "drifts.csv"],
            "poleward solve --latitude 47d drifts.csv --setup mi": [
                *("solve", "--latitude", "47d", "drifts.csv", "--setup", "mine.toml"),
            ],
            "poleward solve --pole ap": ["solve", "--pole", "apparent"],
            "poleward log --each sec": ["log", "--each", "section"],
            "poleward log --layout mine.toml logs\\ of\\ may/fi": [
                *("log", "--layout", "mine.toml", "logs of may/first.log"),
            ],
            "poleward plan --tz Europe/Zur": ["plan", "--tz", "Europe/Zurich"],
            "poleward check --drive-rate k": ["check", "--drive-rate", "king"],
            "poleward demo --keep log": ["demo", "--keep", "logs of may"],
        }.items():
            assert terminal.completed(line) == ["poleward", *words], f"{shell}: {line}"
    finally:
        terminal.close()


def test_the_words_are_those_the_commands_take() -> None:
    assert complete.CHOICES == {
        "drive_rate": tuple(RATES), "each": get_args(Each), "pole": POLES, "rows": ("down", "up"),
    }  # fmt: skip


@pytest.mark.parametrize("command", COMMANDS)
def test_every_file_is_known_as_one(command: str) -> None:
    """A new option for a file has FILE as its metavar; other words of the usage line are no files."""
    from poleward.cli import main

    found = main.get_command(None, command)  # type: ignore[arg-type]
    assert found is not None
    for param in found.params:
        says_file = "file" in (getattr(param, "help", "") or "").lower()
        shown = param.metavar or (param.name or "").upper()
        kind = getattr(param.type, "kind", "")
        if shown in complete.FILES:
            assert kind == "file"
        elif says_file and kind != "plain" and not getattr(param, "is_flag", False):
            assert kind == "dir", f"{command} {param.name}"


def test_completion_imports_nothing_heavy() -> None:
    """A tabulator that takes a second is none: click and the standard library only."""
    ran = run_fresh(
        _POLEWARD_COMPLETE="bash_complete", COMP_WORDS="poleward solve --pole ", COMP_CWORD="3",
        PYTHONPROFILEIMPORTTIME="1",
    )  # fmt: skip
    assert ran.out.split() == ["plain,apparent", "plain,true"]
    for heavy in ("numpy", "astropy", "matplotlib", "lmfit"):
        assert f" {heavy}\n" not in ran.err
