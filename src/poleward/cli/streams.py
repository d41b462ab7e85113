"""Standard output and error as they are found: closed, full, without some signs, or given up by their reader."""

from __future__ import annotations

import contextlib
import errno
import os
import signal
import sys
import textwrap
import threading
from collections.abc import Iterator
from pathlib import Path
from types import FrameType
from typing import Any, NoReturn, TextIO

from poleward.errors import printable_lines


def gone(platform: str) -> tuple[int, ...]:
    """Return what writing to a pipe says whose reader has gone; Windows calls it an invalid argument."""
    return (errno.EPIPE, errno.EINVAL) if platform == "win32" else (errno.EPIPE,)


GONE = gone(sys.platform)
NARROWEST = 20
"""Columns: a terminal that says it has fewer does not know."""


def prepare() -> None:
    """Give every stream a place to write to, and let no sign that a stream lacks end the program."""
    if sys.stdout is None:
        # Closed: writing is refused when the result is printed, after the files are written.
        sys.stdout = os.fdopen(os.open(os.devnull, os.O_RDONLY), "w")
    if sys.stderr is None:
        sys.stderr = os.fdopen(os.open(os.devnull, os.O_WRONLY), "w")
    for stream in (sys.stdin, sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")


def find_home() -> None:
    """Give astropy, which cannot be imported without one, a home folder where the user has none: nothing is kept there."""
    try:
        Path.home()
    except RuntimeError:
        os.environ["HOME"] = os.devnull


def fitted(text: str, stream: TextIO) -> str:
    """Return text with every line within the width of the terminal that shows it; elsewhere as it is."""
    try:
        told = os.environ.get("COLUMNS", "")  # a user's word counts before the terminal's, as everywhere
        width = int(told) if told.isdecimal() else os.get_terminal_size(stream.fileno()).columns
        width = width if stream.isatty() else 0
    except (OSError, ValueError, AttributeError):
        width = 0
    if width < NARROWEST:
        return text
    lines = []
    for line in text.split("\n"):
        if len(line) <= width:
            lines.append(line)
            continue
        more = " " * (len(line) - len(line.lstrip()) + 2)
        lines += textwrap.wrap(line, width, subsequent_indent=more, break_on_hyphens=False)
    return "\n".join(lines)


def dimmed(text: str, stream: TextIO, night: bool) -> str:
    """Return text in dim red where that is wanted and the terminal can show it."""
    from poleward.report.style import wants_colour

    return f"\x1b[2;31m{text}\x1b[0m" if night and wants_colour(stream) else text


def forget_typed() -> None:
    """Drop what was typed at a terminal before it was asked for; in a pipe every line counts."""
    with contextlib.suppress(OSError, ValueError, AttributeError, ImportError):
        if not sys.stdin.isatty():
            return
        if sys.platform == "win32":
            import msvcrt

            while msvcrt.kbhit():
                msvcrt.getwch()
        else:
            import termios

            with contextlib.suppress(termios.error):
                termios.tcflush(sys.stdin.fileno(), termios.TCIFLUSH)


def say(text: str) -> None:
    """Write lines to standard error; where that is full or closed there is nowhere left to complain."""
    with contextlib.suppress(OSError, ValueError):
        sys.stderr.write(dimmed(fitted(printable_lines(text), sys.stderr), sys.stderr, "--night" in sys.argv))
        sys.stderr.flush()


def given_up(error: OSError) -> int:
    """Return the exit status when standard output takes no more: 0 when its reader has seen enough (``| head``)."""
    with contextlib.suppress(OSError, ValueError):
        # The interpreter's own last flush must find a place.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    if error.errno in GONE:
        return 0
    reason = "it is closed" if error.errno == errno.EBADF else error.strerror
    say(f"poleward: standard output cannot be written: {reason}\n")
    return 2


@contextlib.contextmanager
def ended_in_order() -> Iterator[None]:
    """Inside a ``with``, requests to end (SIGTERM, SIGHUP) are taken as Ctrl-C is: the last answer is given, files are whole
    and workers end. What whoever began this program told it to ignore (nohup) stays ignored."""
    before: dict[int, Any] = {}
    if threading.current_thread() is threading.main_thread():  # elsewhere Python lets nobody
        for name in ("SIGTERM", "SIGHUP"):
            number = getattr(signal, name, None)  # Windows has no SIGHUP
            if number is not None and signal.getsignal(number) is not signal.SIG_IGN:
                before[number] = signal.signal(number, _interrupt)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _interrupt(number: int, frame: FrameType | None) -> NoReturn:
    raise KeyboardInterrupt
