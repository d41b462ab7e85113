"""On a real terminal: no line wider than it, and with --night nothing bright from the first line on, errors too."""

from __future__ import annotations

import os
import re
import struct
import subprocess
import sys

import pytest
from conftest import run_here

from poleward.cli import COMMANDS

fcntl = pytest.importorskip("fcntl", reason="no terminal to drive on this system")
pty = pytest.importorskip("pty", reason="no terminal to drive on this system")
termios = pytest.importorskip("termios", reason="no terminal to drive on this system")

ESCAPE = re.compile(r"\x1b\[[0-9;]*[A-Za-z]")


def on_terminal(columns: int, *arguments: str) -> str:
    """Everything that a terminal so wide is sent, standard error too."""
    master, slave = pty.openpty()
    fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 40, columns, 0, 0))
    world = {name: value for name, value in os.environ.items() if name not in ("NO_COLOR", "COLUMNS")}
    process = subprocess.Popen(
        [sys.executable, "-m", "poleward", *arguments], stdin=slave, stdout=slave, stderr=slave,
        env={**world, "TERM": "xterm"},
    )  # fmt: skip
    os.close(slave)
    sent = b""
    while True:
        try:
            piece = os.read(master, 65536)
        except OSError:  # Linux says so when the other end is closed
            break
        if not piece:
            break
        sent += piece
    process.wait()
    os.close(master)
    return sent.decode("utf-8").replace("\r\n", "\n")


@pytest.mark.slow
def test_no_line_beyond_the_terminal_and_nothing_is_lost_by_it():
    for arguments in (["demo"], ["solve", "--drift", "hour_angle=1h, dec=3d, duratoin=5min, north=1"]):
        narrow, wide = (ESCAPE.sub("", on_terminal(columns, *arguments)) for columns in (50, 80))
        assert narrow.split() == wide.split()
        for text, columns in ((narrow, 50), (wide, 80)):
            assert text
            assert max(len(line) for line in text.splitlines()) <= columns, max(text.splitlines(), key=len)


@pytest.mark.slow
def test_dim_from_the_first_line():
    sent = on_terminal(80, "demo", "--night")
    assert sent.startswith("\x1b[2;31mDemo")
    assert sent.rstrip("\n").endswith("\x1b[0m")
    assert sent.count("\x1b") == 2


@pytest.mark.parametrize(
    "arguments", [["solve", "none.csv", "--latitude", "47d"], ["solve"], ["demo", "--colour"]]
)
@pytest.mark.slow
def test_errors_are_dim_too(arguments):
    sent = on_terminal(80, *arguments, "--night")
    assert sent.startswith("\x1b[2;31mpoleward: ")
    assert sent.rstrip("\n").endswith("\x1b[0m")
    assert sent.count("\x1b") == 2


@pytest.mark.parametrize("command", COMMANDS)
def test_help_fits_eighty_columns(command):
    assert max(len(line) for line in run_here(command, "--help").out.splitlines()) <= 80
