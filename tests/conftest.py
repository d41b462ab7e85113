"""Shared: the command line in this process or a fresh one, and hypothesis without a clock."""

from __future__ import annotations

import contextlib
import io
import os
import socket
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings

# No deadline: a slow machine is not a failure. Derandomised: CI finds what the developer found.
settings.register_profile("house", deadline=None, derandomize=True)
settings.load_profile("house")


_connect = socket.socket.connect


def _local_only(self: socket.socket, address: Any) -> None:
    if self.family != getattr(socket, "AF_UNIX", None):  # worker processes hand their results over by these
        _refuse()
    _connect(self, address)


def _refuse(*_: object, **__: object) -> None:
    pytest.fail("the network was asked")  # not an Exception: no `except Exception` swallows it


# For good, before any test or fixture runs.
socket.socket.connect = _local_only  # type: ignore[method-assign, assignment]
socket.socket.connect_ex = socket.create_connection = socket.getaddrinfo = _refuse  # type: ignore


@dataclass(frozen=True)
class Ran:
    status: int
    out: str
    err: str


def run_here(*arguments: str) -> Ran:
    """Run the command line in this process: fast, and warnings are errors."""
    from poleward.cli import run

    out, err = io.StringIO(), io.StringIO()
    status: object = 0
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            run(list(arguments))
        except SystemExit as left:
            status = left.code
    assert isinstance(status, int)
    return Ran(status, out.getvalue(), err.getvalue())


def run_fresh(*arguments: str, stdin: bytes | None = None, **environment: str) -> Ran:
    """Run the command line as a user does."""
    done = subprocess.run(
        [sys.executable, "-m", "poleward", *arguments],
        input=stdin,
        capture_output=True,
        env={**os.environ, "PYTHONIOENCODING": "utf-8", **environment},
        check=False,
    )
    coding = environment.get("PYTHONIOENCODING", "utf-8")
    return Ran(done.returncode, done.stdout.decode(coding), done.stderr.decode(coding))


@pytest.fixture
def workdir(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An empty working folder, and no setup file of the user's."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "config" / "astropy").mkdir(parents=True)  # astropy warns where it finds no folder of its own
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    return tmp_path
