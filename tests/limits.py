"""A piece of work in a process of its own, with limits of time and memory: for the fuzzers. POSIX only."""

from __future__ import annotations

import os
import pickle
import resource
import select
import signal
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any


@dataclass(frozen=True)
class Outcome:
    """What came of it: the result, or None and how it ended; processor seconds, and MB beyond those at the beginning."""

    result: Any
    ended: str
    seconds: float
    megabytes: float


def limited(work: Callable[[], Any], seconds: float, megabytes: float) -> Outcome:
    """Do some work in a forked process that may not use more than this; what it returns must be picklable."""
    before = _resident_mb()
    inward, outward = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(inward)
        status = 1
        try:
            most = _address_space() + int(megabytes * 2**20)
            resource.setrlimit(resource.RLIMIT_AS, (most, most))
            resource.setrlimit(resource.RLIMIT_CPU, (int(seconds) + 1, int(seconds) + 1))
            with os.fdopen(outward, "wb") as pipe:
                pickle.dump(work(), pipe)
            status = 0
        finally:
            os._exit(status)
    os.close(outward)
    data = _read(inward, 5 * seconds + 30)  # by the wall clock: another process may have the processor
    if data is None:
        os.kill(child, signal.SIGKILL)
    _, status, usage = os.wait4(child, 0)
    used = usage.ru_utime + usage.ru_stime
    ended = "" if status == 0 and data else f"ended by {os.waitstatus_to_exitcode(status)}"
    if data is None or used > seconds:
        ended = f"over {seconds:g} s"
    result = pickle.loads(data) if data and not ended else None
    return Outcome(result, ended, used, usage.ru_maxrss / 1024 - before)


def _read(pipe: int, wait_s: float) -> bytes | None:
    """Read until the other end is closed; None where that takes too long."""
    parts, until = [], time.monotonic() + wait_s
    with os.fdopen(pipe, "rb", buffering=0) as source:
        while select.select([source], [], [], max(0.0, until - time.monotonic()))[0]:
            part = source.read(65536)
            if not part:
                return b"".join(parts)
            parts.append(part)
    return None


def _address_space() -> int:
    return int(Path("/proc/self/statm").read_text(encoding="ascii").split()[0]) * resource.getpagesize()


def _resident_mb() -> float:
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    return pages * resource.getpagesize() / 2**20
