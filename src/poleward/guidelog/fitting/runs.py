"""Many logs at once: read and solved in several processes where that pays."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace

from poleward.errors import InputError, Note
from poleward.guidelog.fitting.crew import Crew
from poleward.guidelog.fitting.logsolution import LogGroup, LogSolution
from poleward.guidelog.fitting.night import Wanted, answer_of, groups_of, solve_group
from poleward.guidelog.reading.copies import without_copies
from poleward.guidelog.reading.form import Layout
from poleward.guidelog.reading.reader import LogFile, read_log
from poleward.guidelog.reading.section import Section
from poleward.sky.site import Site

WORTH_BYTES = 2_000_000
"""Logs shorter than this in all are solved in one process.

Workers have to import what this process has already. Two of them against one process, seconds for logs of 330 kB (10,000
rows, two sections each): 1.6 against 1.0 for 2 logs, 1.9 against 1.6 for 4, 2.1 against 2.2 for 6, 3.2 against 4.2 for
12; so it begins to pay at 2 MB.
"""
KEPT_TRACES = 6
"""With more groups than this their traces are not kept: a chart of so many shows the answers only, and a trace holds
all rows of its section. Nor are they with more sections and more rows than `KEPT_ROWS`, for the same reason."""
KEPT_ROWS = 200_000
"""Rows whose traces, 60 bytes each, are kept whether a chart shows them or not."""
Progress = Callable[[str, int, int], None]
"""Is told what is being done, how many of it are done, and how many there are."""


@dataclass(frozen=True)
class LogRun:
    """What became of some logs.

    Attributes
    ----------
    solution : LogSolution
        Its warnings tell of files and sections that could not be used, too.
    sections : tuple of Section
        All that could be read.
    """

    solution: LogSolution
    sections: tuple[Section, ...]


def solve_logs(
    paths: Sequence[str], layout: Layout, site: Site, wanted: Wanted, progress: Progress | None = None
) -> LogRun:
    """Read and solve logs; what cannot be used is told in the warnings, and the others go on.

    Parameters
    ----------
    paths : sequence of str
        ``-`` is standard input.
    layout : Layout
    site : Site
    wanted : Wanted
    progress : callable, optional

    Returns
    -------
    LogRun

    Raises
    ------
    InputError
        No log, or no section, can be used.
    """
    tell = progress or (lambda what, done, count: None)
    with workers(paths, wanted.each) as crew:
        logs, notes = _read(paths, layout, site.timezone, crew, tell)
        sections, twice = without_copies([section for log in logs for section in log])
        notes += twice
        if not sections:
            raise _nothing(notes, len(paths))
        groups = groups_of(sections, site, wanted.each)
        few = len(sections) <= KEPT_TRACES or sum(len(each.seconds) for each in sections) <= KEPT_ROWS
        keep = few and len(groups) <= KEPT_TRACES
        jobs = [(name, group, site, wanted, keep) for name, group in groups.items()]
        done = crew.each(_solve, jobs, lambda count: tell("solving", count, len(jobs)))
    if crew.lost:
        notes.append(
            Note(
                "worker-ended",
                "a worker process was ended from outside, by hand or by a system short of memory: what was left "
                "undone was done again",
            )
        )
    answer = answer_of(done, site)
    solution = replace(answer.solution, warnings=(*notes, *answer.solution.warnings))
    return LogRun(replace(answer, solution=solution), tuple(sections))


def _read(
    paths: Sequence[str], layout: Layout, timezone: str, crew: Crew, tell: Progress
) -> tuple[list[LogFile], list[Note]]:
    """Read all logs: those that can be used, and what is to be said."""
    jobs = [(path, layout, timezone) for path in paths]
    logs: list[LogFile] = []
    notes: list[Note] = []
    for found in crew.each(_log_or_error, jobs, lambda count: tell("reading", count, len(jobs))):
        if isinstance(found, InputError):
            if len(paths) == 1:
                raise found
            notes.append(Note("file-refused", f"{found.args[0]}: this log is not used"))
            continue
        logs.append(found)
        notes += [*found.notes, *found.refused]
    return logs, notes


def _nothing(notes: Sequence[Note], count: int) -> InputError:
    """Say that there is nothing to solve, and why."""
    refused = [note.text for note in notes if note.code in ("file-refused", "section-refused")]
    if not refused:
        return InputError("there is no section to use")
    if len(refused) == 1:
        return InputError(refused[0])
    several = f"{count} logs" if count > 1 else "this log"
    return InputError(
        f"no section of {several} can be used: {refused[0]}",
        f"and {len(refused) - 1} more; with the same layout the reasons are often the same",
    )


def _log_or_error(job: tuple[str, Layout, str]) -> LogFile | InputError:
    path, layout, timezone = job
    try:
        return read_log(path, layout, timezone=timezone)
    except InputError as error:
        return error


def _solve(job: tuple[str, list[Section], Site, Wanted, bool]) -> LogGroup:
    name, sections, site, wanted, keep = job
    return solve_group(name, sections, site, wanted, traced=keep)


@contextmanager
def workers(paths: Sequence[str], each: str) -> Iterator[Crew]:
    """Worker processes for these logs, or none where they would not pay."""
    sizes = [os.path.getsize(path) for path in paths if os.path.isfile(path)]
    cores = min(_cores(), len(sizes))
    alone = each == "all" or cores < 2 or sum(sizes) < WORTH_BYTES or "-" in paths
    crew = Crew(0 if alone else cores)
    try:
        yield crew
    finally:
        crew.end()


def _cores() -> int:
    """Cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1
