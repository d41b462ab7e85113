"""A bar on standard error for work that takes a while."""

from __future__ import annotations

import sys
import threading
import time
from types import TracebackType
from typing import Self

PATIENCE_S = 2.0
"""Work that is shorter shows no bar."""
REDRAWN_S = 0.25
WIDTH = 30


class Bar:
    """Shows how far the work is, only on a terminal and only when it takes more than two seconds.

    A thread draws it, so that the seconds go on even while a single long fit is running.
    """

    def __init__(self) -> None:
        self._state = ("", 0, 0)
        self._begin = time.monotonic()
        self._over = threading.Event()
        self._shown = False
        self._thread = threading.Thread(target=self._draw, daemon=True) if sys.stderr.isatty() else None

    def __enter__(self) -> Self:
        """Begin."""
        if self._thread is not None:
            self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Wipe the bar out."""
        self._over.set()
        if self._thread is not None:
            self._thread.join()
        if self._shown:
            sys.stderr.write("\r\x1b[K")
            sys.stderr.flush()

    def tell(self, what: str, done: int, count: int) -> None:
        """Say what is being done, how many of it are done and how many there are."""
        self._state = (what, done, count)

    def _draw(self) -> None:
        while not self._over.wait(REDRAWN_S):
            elapsed = time.monotonic() - self._begin
            if elapsed < PATIENCE_S:
                continue
            self._shown = True
            sys.stderr.write(f"\r{bar_text(*self._state, elapsed)}\x1b[K")
            sys.stderr.flush()


def bar_text(what: str, done: int, count: int, elapsed_s: float) -> str:
    """Return ``solving [#####     ] 12 of 100, 8 s``; without a bar where there is only one."""
    if count < 2:
        return f"{what}, {elapsed_s:.0f} s"
    full = WIDTH * done // count
    return f"{what} [{'#' * full}{' ' * (WIDTH - full)}] {done} of {count}, {elapsed_s:.0f} s"
