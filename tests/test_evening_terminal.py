"""The evening on a real terminal: a pseudo-terminal, a program whose clock is told, and a simulated person."""

from __future__ import annotations

import json
import math
import os
import re
import select
import subprocess
import sys
import time
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from person import TIMING_MIN, TURN_MIN, WAY_MIN, Person, by_hand
from truth import EVENING

pty = pytest.importorskip("pty")
fcntl = pytest.importorskip("fcntl")
termios = pytest.importorskip("termios")

PROGRAM = """
import sys
from datetime import datetime, timedelta
from pathlib import Path
import poleward.cli.evening as evening
evening.now = lambda: datetime.fromisoformat(Path("clock").read_text())
from poleward.cli import run
run(["evening", "r.json"])
"""
"""Its clock is a file that the person moves on: minutes under the sky take none here."""
LIMIT_ARCMIN = 2.0
SETUP = """
[site]
latitude = "46.9 deg"
longitude = "8.4 deg"
elevation = "560 m"
[air]
pressure = "950 hPa"
temperature = "4 deg_C"
humidity = 0.7
wavelength = "0.55 um"
[mount.azimuth_knob]
per_turn = "38 arcmin"
clockwise = "east"
[mount.altitude_knob]
per_turn = "25 arcmin"
clockwise = "up"
"""


class Terminal:
    """The program on a dumb terminal of 80 x 24."""

    def __init__(self, folder: Path, at: datetime) -> None:
        self.folder = folder
        (folder / "clock").write_text(at.isoformat(), encoding="utf-8")
        self.master, slave = pty.openpty()
        environment = {
            **os.environ,
            "TERM": "dumb",
            "COLUMNS": "80",
            "LINES": "24",
            "PYTHONIOENCODING": "ascii",
        }
        self.running = subprocess.Popen(
            [sys.executable, "-c", PROGRAM],
            stdin=slave, stdout=slave, stderr=slave, cwd=folder, env=environment, start_new_session=True,
            preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0),  # noqa: PLW1509 - so that Ctrl-C is a signal
        )  # fmt: skip
        os.close(slave)
        self.seen = ""

    def until_asked(self) -> str:
        """What is on the screen since the last answer, up to the next question (or the end)."""
        text, until = "", time.monotonic() + 60
        while time.monotonic() < until:
            if select.select([self.master], [], [], 0.02)[0]:
                try:
                    text += os.read(self.master, 65536).decode("ascii").replace("\r\n", "\n")
                except OSError:  # the program has ended
                    break
            elif re.search(r"(\?|]|starts|minutes?( more or longer)?\)|is off) $", text):
                break
        else:
            pytest.fail(f"no question for a minute: {text!r}")
        self.seen += text
        return text

    def type(self, text: str, at: datetime) -> None:
        (self.folder / "clock").write_text(at.isoformat(), encoding="utf-8")
        os.write(self.master, f"{text}\n".encode())

    def interrupt(self) -> int:
        os.write(self.master, b"\x03")
        return self.running.wait(timeout=30)


def entries(folder: Path) -> list[dict[str, str]]:
    kept: list[dict[str, str]] = json.loads((folder / "r.json").read_text(encoding="utf-8"))["evening"]
    return kept


def moment(folder: Path, name: str) -> datetime:
    return datetime.fromisoformat(
        next(e["at"] for e in reversed(entries(folder)) if e["key"].startswith(name))
    )


def strokes_on(screen: str) -> dict[str, list[float]]:
    """The turns that are advised, line by line; "then" goes on with the same knob."""
    strokes: dict[str, list[float]] = {"azimuth": [], "altitude": []}
    knob = ""
    for line in screen.split("What to turn")[1].splitlines():
        found = re.match(r" +(azimuth|altitude|then)\b.*?([\d.]+) turns? (clockwise|counter-clockwise)", line)
        if found:
            knob = found[1] if found[1] in strokes else knob
            strokes[knob].append(float(found[2]) * (1 if found[3] == "clockwise" else -1))
    return strokes


def reply(person: Person, screen: str, folder: Path, place: dict[str, str]) -> tuple[str, float]:
    """What a person types, from what stands on the screen, and after how many minutes."""
    found = re.search(r"ra (\S+), dec ([^\s;]+)", screen)
    if found:
        place.update(ra=found[1], dec=found[2])
    if "the watch starts" in screen:
        return "", WAY_MIN
    if "Press Enter to stop" in screen:
        return "", TIMING_MIN
    if "How far did the star go" in screen:
        return person.drift(place, moment(folder, "start"), moment(folder, "stop")), 0
    if "What did you turn?" in screen:
        person.mount.turn(strokes_on(screen))
        return "", 2 * TURN_MIN
    return "", 0


@pytest.mark.slow
def test_a_whole_evening_with_slips(tmp_path: Path) -> None:
    """From 52 arcmin off to 2: with a double Enter, a typing slip, an undo, Ctrl-C in the middle; sooner than by hand.

    The second Enter was typed before it was asked for: it must not start the watch.
    """
    (tmp_path / "poleward.toml").write_text(SETUP, encoding="utf-8")
    person, place, at = Person(46.9), {}, EVENING
    terminal = Terminal(tmp_path, at)
    assert "guiding is off" in terminal.until_asked()
    terminal.type("\n", at)
    screen = terminal.until_asked()
    assert "the watch starts" in screen
    assert not select.select([terminal.master], [], [], 0.5)[0]  # nothing more is said
    assert [each["key"] for each in entries(tmp_path)] == ["ready 1"]
    slipped = undone = left = False
    minutes = math.inf
    for _ in range(120):
        if terminal.running.poll() is not None:
            break
        if "How far did the star go" in screen and not slipped:
            slipped = True
            terminal.type("4.2 up", at)
            assert "'4.2 up' is no drift" in terminal.until_asked()
            screen += "\nHow far did the star go"
        if "Press Enter to stop" in screen and slipped and not undone:
            undone = True
            terminal.type("undo", at)
            screen = terminal.until_asked()
            assert "the watch starts" in screen
        if "Turn, elsewhere or here?" in screen and not left:
            left = True
            count = len(entries(tmp_path))
            assert terminal.interrupt() == 130
            assert len(entries(tmp_path)) == count
            said = " ".join(terminal.until_asked().split())
            assert "All answers are kept in r.json; go on with: poleward evening r.json" in said
            terminal = Terminal(tmp_path, at)
            screen = terminal.until_asked()
            assert "Going on with r.json" in screen
            assert "Turn, elsewhere or here?" in screen
        text, after = reply(person, screen, tmp_path, place)
        at += timedelta(minutes=after)
        if person.off_arcmin < LIMIT_ARCMIN:
            minutes = min(minutes, (at - EVENING).total_seconds() / 60)
        terminal.type(text, at)
        screen = terminal.until_asked()
    assert terminal.running.wait(timeout=30) == 0
    assert (slipped, undone, left) == (True, True, True)
    assert max(map(len, terminal.seen.splitlines())) <= 80, max(terminal.seen.splitlines(), key=len)
    assert "Stop: " in terminal.seen
    assert "The page: r.html" in terminal.seen
    assert "</html>" in (tmp_path / "r.html").read_text(encoding="utf-8")
    rounds = json.loads((tmp_path / "r.json").read_text(encoding="utf-8"))["rounds"]
    assert 2 <= len(rounds) <= 5
    assert person.off_arcmin < LIMIT_ARCMIN
    assert minutes == 43  # as docs/what-rounds-learn.md says
    hand = [by_hand(Person(46.9, seed), (38.0, 25.0), LIMIT_ARCMIN) for seed in range(7)]
    assert minutes < np.mean(hand), (minutes, hand)
