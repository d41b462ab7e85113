"""`poleward log --follow`: a log that is still being written, solved again as it grows."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

import click

from poleward.cli import common
from poleward.door import quantity
from poleward.errors import InputError, Note, UsageError, show_traceback

if TYPE_CHECKING:
    from poleward.guidelog.fitting.logsolution import LogSolution
    from poleward.guidelog.fitting.night import Wanted
    from poleward.guidelog.reading.form import Layout
    from poleward.guidelog.reading.section import Section
    from poleward.guidelog.reading.tail import Growth
    from poleward.sky.site import Site
    from poleward.solving.solution import Solution

NEW_SHARE = 0.05
"""Rows that must have come, as a share of those known, before it is solved again.

The sigma of a drift falls with the power 1.5 of its length: 5 % more rows take 7 % off it, which is the first change
that can be seen in two digits. And the work stays in proportion: all solves of a night together cost twenty times
the last one, instead of one per row.
"""
LEAST_NEW = 10
"""But not fewer rows than this: half a minute at the usual pace."""
RESTS = 5
"""Looks without a new row after which the log rests, and what came last is solved however little it is."""

UNTIL = click.option(
    "--until", metavar="ANGLE", help="With --follow: stop when both errors are this certain."
)
INTERVAL = click.option("--interval", metavar="TIME", help="With --follow: how often to look [2 s].")

Told = Callable[[str], None]


def refuse_without_follow(follow: bool, until: str | None, interval: str | None) -> None:
    """Refuse options that say how to follow where nothing is followed."""
    for name, value in (("--until", until), ("--interval", interval)):
        if value is not None and not follow:
            raise UsageError(f"{name} goes with --follow")


def goal_and_pause(until: str | None, interval: str | None) -> tuple[float | None, float]:
    """Return how certain the errors must be, arcmin, or None, and the pause between two looks, s."""
    kind = quantity.Kind("arcmin", None, "0.5 arcmin", "", "could be arcmin or arcsec")
    goal = None if until is None else quantity.parse(until, kind, "--until")
    pause = quantity.parse(interval or "2 s", quantity.DURATION, "--interval")
    for name, value in (("--until", goal), ("--interval", pause)):
        if value is not None and not value > 0:
            raise UsageError(f"{name} must be more than zero")
    return goal, pause


@dataclass
class _Watch:
    """What is known of the log so far."""

    path: str
    site: Site
    wanted: Wanted
    line: Told
    seen: int = 0
    solved: int = 0
    sections: int = 0
    rested: int = 0
    last: tuple[LogSolution, Sequence[Section]] | None = None
    outdated: bool = False
    trouble: str = ""
    told: set[str] = field(default_factory=set)

    def due(self, growth: Growth) -> bool:
        """Whether enough has come for a new solve."""
        self._tell_trouble(growth.trouble)
        if growth.restarted:
            self.solved, self.sections, self.outdated = 0, 0, self.last is not None
            common.tell(f"{self.path}: this log was begun anew, what it held before is forgotten")
        self.seen = growth.log.rows
        self.rested = 0 if growth.new_rows else self.rested + 1
        fresh = self.seen - self.solved
        if fresh <= 0 or not len(growth.log):
            return False
        enough = fresh >= max(LEAST_NEW, NEW_SHARE * self.solved) or len(growth.log) > self.sections
        return enough or self.rested == RESTS

    def _tell_trouble(self, trouble: str) -> None:
        """Say once that the log cannot be read, and once that it can again."""
        if trouble != self.trouble:
            common.tell(
                f"{self.path}: {trouble}; waiting for it" if trouble else f"{self.path}: it can be read again"
            )
            self.trouble = trouble

    def solve(self, growth: Growth) -> None:
        """Solve what there is, and say so in one line."""
        from poleward.guidelog.fitting.night import solve_log

        wanted, log = self.wanted, growth.log
        self.solved, self.sections = self.seen, len(log)
        try:
            found = solve_log(
                log,
                self.site,
                pole=wanted.pole,
                drive_rate=wanted.drive_rate,
                each=wanted.each,
                allow_low=wanted.allow_low,
                pointing_error=wanted.pointing_error,
            )
        except InputError as error:
            self.line(f"{_clock(log.sections, self.site)}  {self.seen} rows  not enough yet: {error.message}")
            return
        except Exception as error:  # noqa: BLE001 - the next rows may mend it, and the last answer must not be lost
            show_traceback(error)
            common.tell(
                "a fault of ours, going on without these rows: check what was written last; POLEWARD_TRACEBACK=1 shows where"
            )
            return
        solution = replace(found.solution, warnings=(*log.notes, *log.refused, *found.solution.warnings))
        if not (self.outdated and solution.determined == "neither"):  # an old answer is worth more than none
            self.last, self.outdated = (replace(found, solution=solution), log.sections), False
        self.line(f"{_clock(log.sections, self.site)}  {self.seen} rows  {summary(found.solution)}")
        for note in solution.warnings:
            self.once(note)

    def once(self, note: Note) -> None:
        """Name the next pointing, each time that it is another one."""
        if note.code == "add-pointing" and note.text not in self.told:
            self.told.add(note.text)
            self.line(f"  to learn the rest, {note.text}")

    def reached(self, goal_arcmin: float | None) -> bool:
        """Whether both errors are as certain as was asked for."""
        if goal_arcmin is None or self.last is None or self.outdated:
            return False
        solution = self.last[0].solution
        sigmas = (solution.azimuth_sigma_arcmin, solution.altitude_sigma_arcmin)
        return all(sigma is not None and sigma <= goal_arcmin for sigma in sigmas)


def follow(
    path: str,
    layout: Layout,
    site: Site,
    wanted: Wanted,
    goal_arcmin: float | None,
    pause_s: float,
    line: Told,
) -> tuple[tuple[LogSolution, Sequence[Section]] | None, bool]:
    """Look at a log again and again, until both sigmas are down to `goal_arcmin` (None: never) or somebody interrupts.

    Looks are `pause_s` apart; `line` takes one line for each new answer.

    Returns
    -------
    last : (LogSolution, sections) or None
        The last answer; None when there was none.
    interrupted : bool

    Raises
    ------
    InputError
        The log cannot be read at the first look. Later it may come back: then it is waited for.
    """
    from poleward.guidelog.reading.tail import LogTail

    tail = LogTail(path, layout, timezone=site.timezone)
    watch = _Watch(path, site, wanted, line)
    growth = tail.look()
    if growth.trouble:
        raise InputError(growth.trouble, "", path)
    try:
        while True:
            if watch.due(growth):
                watch.solve(growth)
                if watch.reached(goal_arcmin):
                    line("both errors are as certain as was asked for\n")
                    return watch.last, False
            time.sleep(pause_s)
            growth = tail.look()
    except KeyboardInterrupt:
        known = "what is known so far" + (" is from before the log was begun anew" if watch.outdated else "")
        line(f"\ninterrupted; {known}:\n" if watch.last else "\ninterrupted before any answer")
        return watch.last, True


def _clock(sections: Sequence[Section], site: Site) -> str:
    """When the last row was written, by the log's own clock; without one, how long the section has gone on."""
    from poleward.door.clock import zone_of

    section = sections[-1]
    seconds = float(section.seconds[-1]) if len(section.seconds) else 0.0
    if section.start is None:
        return f"{section.label} +{seconds / 60:.1f} min"
    moment: datetime = section.start + timedelta(seconds=seconds)
    return f"{moment.astimezone(zone_of(site.timezone)) if site.timezone else moment:%H:%M:%S}"


def summary(solution: Solution) -> str:
    """Return both errors in one line, ASCII."""
    from poleward.report.style import decimals_for
    from poleward.solving.solution import errors_of

    known, parts = errors_of(solution), []
    for name in ("azimuth", "altitude"):
        if name in known:
            (value, sigma), places = known[name], decimals_for(known[name][1])
            parts.append(f"{name} {value:+.{places}f} +/- {sigma:.{places}f}")
        else:
            parts.append(f"{name} not determined")
    return f"{parts[0]}  {parts[1]} arcmin (east and up positive)"
