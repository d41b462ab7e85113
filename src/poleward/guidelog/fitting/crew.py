"""Worker processes: jobs done in several of them, and what becomes of those whose worker is ended."""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from multiprocessing.connection import wait
from multiprocessing.process import BaseProcess
from typing import Any, TypeVar

Made = TypeVar("Made")

THREADS = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")
"""How many threads a worker multiplies matrices with: one, for there are as many workers as cores, and threads that wait for
each other take the time of those that work."""
WARM = (
    "poleward.guidelog.fitting.runs",
    "astropy.coordinates",
    "scipy.interpolate",
    "scipy.optimize",
    "scipy.stats",
)
"""What the workers' common parent imports once, where there is one."""


class Crew:
    """Worker processes, begun with the first jobs; what they leave undone is done in this process.

    Each has a pipe of its own, so that its end is seen whenever it comes. The one queue that all workers of
    `concurrent.futures` answer by cannot tell: where one was killed while it wrote, all wait for the rest for ever.

    Parameters
    ----------
    count : int
        How many; 0: all is done in this process.

    Attributes
    ----------
    lost : bool
        Whether one of them was ended from outside.
    """

    def __init__(self, count: int) -> None:
        self.lost = False
        self._count = count
        # By this process's end of each one's pipe (Connection, on Windows PipeConnection).
        self._workers: dict[Any, BaseProcess] = {}

    def each(
        self, make: Callable[[Any], Made], jobs: Sequence[Any], tell: Callable[[int], None]
    ) -> list[Made]:
        """Results of all jobs, in their order."""
        tell(0)
        found: dict[int, Made] = {}
        if len(jobs) > 1:
            for number, result in self._made(make, jobs):
                found[number] = result
                tell(len(found))
        for number, job in enumerate(jobs):
            if number not in found:
                found[number] = make(job)
                tell(len(found))
        return [found[number] for number in range(len(jobs))]

    def _made(self, make: Callable[[Any], Made], jobs: Sequence[Any]) -> Iterator[tuple[int, Made]]:
        """Results of the workers, as they come; of a job that raised something, none."""
        if self._count:
            with _signals_held(), _one_thread_each():
                self._begin()
        left, busy = list(reversed(range(len(jobs)))), dict[Any, int]()
        idle = list(self._workers)
        while busy or (left and idle):
            while left and idle:
                pipe, number = idle.pop(), left.pop()
                with suppress(OSError):  # it has gone, and that is seen as its end below
                    pipe.send((make, jobs[number]))
                busy[pipe] = number
            ready: list[Any] = wait(list(busy))
            for pipe in ready:
                number = busy.pop(pipe)
                try:
                    is_done, result = pipe.recv()
                except (EOFError, OSError):
                    self.lost = True
                    del self._workers[pipe]
                    continue
                idle.append(pipe)
                if is_done:
                    yield number, result

    def _begin(self) -> None:
        """Begin as many workers as are wanted, or as can be had."""
        context = _context()
        try:
            for _ in range(self._count):
                ours, theirs = context.Pipe()
                worker = context.Process(target=_work, args=(theirs,), daemon=True)
                worker.start()
                theirs.close()
                self._workers[ours] = worker
        except (EOFError, OSError):  # the process that begins them was ended, or the system has no more
            self.lost = True
        self._count = 0

    def end(self) -> None:
        """End the workers, whatever they are doing: this process has what it wanted, or was told to end."""
        for pipe, worker in self._workers.items():
            pipe.close()
            worker.kill()
        for worker in self._workers.values():
            worker.join()
        self._workers.clear()


def _work(pipe: Any) -> None:
    """In a worker: do what comes. Ctrl-C ends it at once and in silence; the first process says what there is to say, and
    none outlives it."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    threading.Thread(target=_end_with_the_first, daemon=True).start()
    if hasattr(sys.stderr, "reconfigure"):
        sys.stderr.reconfigure(errors="replace")
    with suppress(EOFError, OSError):  # the first process has gone
        while True:
            make, job = pipe.recv()
            try:
                answer = True, make(job)
            except Exception:  # noqa: BLE001 - the first process will meet it again, and say so
                answer = False, None
            pipe.send(answer)


def _end_with_the_first() -> None:
    first = multiprocessing.parent_process()
    if first is not None:
        wait([first.sentinel])
        os._exit(1)


def _context() -> Any:
    """How workers are started: from one that has imported everything, where the system can; never by copying this
    process, whose threads would be lost."""
    if "forkserver" not in multiprocessing.get_all_start_methods():
        return multiprocessing.get_context("spawn")
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(list(WARM))
    return context


@contextmanager
def _one_thread_each() -> Iterator[None]:
    """Inside a ``with``, what is begun multiplies with one thread: read once, when a process loads numpy."""
    told = {name: os.environ.get(name) for name in THREADS}
    os.environ.update(dict.fromkeys(THREADS, "1"))
    try:
        yield
    finally:
        for name, before in told.items():
            if before is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = before


@contextmanager
def _signals_held() -> Iterator[None]:
    """Inside a ``with``, Ctrl-C and its like wait: a worker that is left while it begins says so with a traceback."""
    came: list[int] = []
    before: dict[int, Any] = {}
    if threading.current_thread() is threading.main_thread():  # elsewhere Python lets nobody
        for name in ("SIGINT", "SIGTERM", "SIGHUP"):
            number = getattr(signal, name, None)  # Windows has no SIGHUP
            if number is not None and callable(signal.getsignal(number)):
                before[number] = signal.signal(number, lambda which, _: came.append(which))
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
    if came:
        signal.raise_signal(came[0])
