"""Shared: the command line in this process or a fresh one, and hypothesis without a clock."""

from __future__ import annotations

import contextlib
import functools
import io
import json
import os
import re
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

# Before numpy is loaded, for fresh processes too: with a thread on each core, and a worker there already, the threads wait
# for each other. Of frames' tests it took nearly half of the time.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import pytest
from hypothesis import settings

# No deadline: a slow machine is not a failure. Derandomised: CI finds what the developer found. By hand, with
# --hypothesis-profile=explore, each run looks at other examples, and at the failures of the last again.
settings.register_profile("house", deadline=None, derandomize=True)
settings.register_profile("explore", deadline=None, print_blob=True)
settings.load_profile("house")

# A shell starts what it puts in the background with Ctrl-C ignored, and every process of a test would inherit that.
if signal.getsignal(signal.SIGINT) == signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)

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


@pytest.fixture
def near(monkeypatch: pytest.MonkeyPatch) -> None:
    """Leave out the search for an axis degrees off, half the time of a solve: for many sets; test_recovery.py has it."""
    monkeypatch.setattr("poleward.solving.estimate.STARTS_DEG", ())


_FOUND: dict[int, Any] = {}


@pytest.fixture
def looked_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Look for stars once in each picture, where the same frames are read again and again."""
    from poleward.frames import track

    find_stars = track.find_stars

    def found(image: Any, saturation: float | None, source: str) -> Any:
        key = hash((image.tobytes(), image.shape, saturation))
        if key not in _FOUND:
            _FOUND[key] = find_stars(image, saturation, source)
        return _FOUND[key]

    monkeypatch.setattr(track, "find_stars", found)


# --- figures of docs/checked.md: how close each check against an outside source comes to its tolerance ----------

FIGURES: dict[tuple[str, str], tuple[float, float, float, float]] = {}
"""By file and test: what came out, what is published, the tolerance, and the share of it that is used."""


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--figures", help="write the figures of the checks against outside sources to this file")


def pytest_sessionfinish(session: pytest.Session) -> None:
    path = session.config.getoption("--figures")
    if path:
        Path(path).write_text(
            json.dumps([[*key, *figure] for key, figure in FIGURES.items()]), encoding="utf-8"
        )


@functools.cache
def stated_shares() -> dict[tuple[str, str], float]:
    """What docs/checked.md says each check uses of its tolerance."""
    text = (Path(__file__).parent.parent / "docs" / "checked.md").read_text(encoding="utf-8")
    lines = re.findall(r"^\| `(\w+\.py)::(\w+)` \| .* \| (?:under )?([\d.]+) % \|$", text, re.MULTILINE)
    return {(file, name): float(share) / 100 for file, name, share in lines}


class Compared:
    """A pytest.approx that writes down what it is compared with."""

    __array_ufunc__ = None
    __array_priority__ = 100

    def __init__(self, key: tuple[str, str], inner: Any, expected: Any, rel: Any, abs_: Any) -> None:
        self.key, self.inner, self.expected = key, inner, expected
        self.rtol = 1e-6 if rel is None and abs_ is None else rel or 0.0
        self.atol = 1e-12 if abs_ is None else abs_

    def __eq__(self, other: object) -> bool:
        write_down(self.key, other, self.expected, self.rtol, self.atol, largest=True)
        return bool(other == self.inner)

    __hash__ = None  # type: ignore[assignment]

    def __repr__(self) -> str:
        return repr(self.inner)


def write_down(
    key: tuple[str, str], got: Any, expected: Any, rtol: float, atol: float, largest: bool = False
) -> None:
    """Keep the comparison that comes closest to its tolerance; what is no number is none."""
    try:
        values, wanted = np.broadcast_arrays(np.asarray(got, float), np.asarray(expected, float))
    except (TypeError, ValueError):
        return
    relative = rtol * np.abs(wanted)
    tolerance = np.maximum(relative, atol) if largest else relative + atol
    share = np.abs(values - wanted) / np.where(tolerance == 0, np.inf, tolerance)
    if not share.size or np.isnan(share).any():
        return
    at = np.unravel_index(np.argmax(share), share.shape)
    if key not in FIGURES or share[at] > FIGURES[key][3]:
        FIGURES[key] = float(values[at]), float(wanted[at]), float(tolerance[at]), float(share[at])


@pytest.fixture(autouse=True)
def compared(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Write down the comparisons of a check that stands in docs/checked.md, and hold them against what stands there."""
    key = (request.path.name, getattr(request.function, "__name__", ""))
    anew = request.config.getoption("--figures")
    if not anew and key not in stated_shares():
        yield
        return
    approx = pytest.approx

    def noted_approx(expected: Any, rel: Any = None, abs: Any = None, nan_ok: bool = False) -> Compared:
        return Compared(key, approx(expected, rel, abs, nan_ok), expected, rel, abs)

    def noted_allclose(actual: Any, desired: Any, rtol: float = 1e-7, atol: float = 0, **more: Any) -> None:
        write_down(key, actual, desired, rtol, atol)
        np.testing.assert_allclose(actual, desired, rtol=rtol, atol=atol, **more)

    monkeypatch.setattr(pytest, "approx", noted_approx)
    if hasattr(request.module, "assert_allclose"):
        monkeypatch.setattr(request.module, "assert_allclose", noted_allclose)
    yield
    if not anew and key in FIGURES:
        # Another library version may use twice as much of a tolerance, or a twentieth more; beyond, the page is out of date.
        share, stated = FIGURES[key][3], stated_shares()[key]
        assert share <= 2 * stated + 0.05, (
            f"docs/checked.md says {stated:.1%} of the tolerance, it is {share:.1%}"
        )
