"""A file held against other programs while it is changed."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from poleward.errors import UsageError

LOCK_WAIT_S, LOCK_STEP_S = 10.0, 0.02
"""Another program holds the file for milliseconds; after ten seconds something is wrong."""


@contextmanager
def held(path: Path) -> Iterator[None]:
    """Hold a file against other programs, by a lock on a file beside it that the system frees however we end.

    Raises
    ------
    UsageError
        Nothing can be written there, or another program holds it for long.
    """
    if not path.name:
        raise UsageError(f"{path}: a file name is needed")
    beside = path.with_name(f".{path.name}.lock")
    until = time.monotonic() + LOCK_WAIT_S
    while True:
        try:
            handle = os.open(beside, os.O_RDWR | os.O_CREAT, 0o600)
        except OSError as error:
            raise UsageError(f"{path}: cannot be written: {error.strerror}") from None
        # Who held it before may have removed the file beside it: only a lock on the one that is there counts.
        if _lock(handle) and _same(handle, beside):
            break
        os.close(handle)
        if time.monotonic() > until:
            raise UsageError(f"{path}: another program holds this file", "close it and try again")
        time.sleep(LOCK_STEP_S)
    try:
        yield
    finally:
        if sys.platform != "win32":  # there an open file cannot be removed, and stays, empty
            beside.unlink(missing_ok=True)
        os.close(handle)


def _lock(handle: int) -> bool:
    try:
        if sys.platform == "win32":
            import msvcrt

            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


def _same(handle: int, path: Path) -> bool:
    try:
        return os.path.samestat(os.fstat(handle), os.stat(path))
    except FileNotFoundError:
        return False
