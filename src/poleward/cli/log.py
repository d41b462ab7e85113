"""``poleward log``: guide logs to sections, drifts and the axis error."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import click

from poleward.cli import common, rounds, streams
from poleward.cli.follow import INTERVAL, UNTIL, follow, goal_and_pause, refuse_without_follow
from poleward.door.incoming import open_plain
from poleward.errors import UsageError

if TYPE_CHECKING:
    from poleward.guidelog.fitting.logsolution import LogSolution
    from poleward.guidelog.fitting.night import Wanted
    from poleward.guidelog.reading.form import Layout
    from poleward.guidelog.reading.section import Section
    from poleward.setup import Setup
    from poleward.sky.site import Site
    from poleward.solving.solution import Solution


@dataclass(frozen=True)
class Reading:
    """What of the logs is fitted together, and whether a log still grows."""

    layout: str | None = common.option(
        "--layout", "FILE", "How the logs are written; poleward layout drafts it.", "-l"
    )
    each: Any = common.option(  # noqa: RUF009 - a field
        "--each", "WHAT", "Fit together: all, or each night, file or section on its own [all].", default="all"
    )
    follow: bool = common.flag("--follow", "One log that is still being written: solve again as it grows.")
    until: str | None = common.given(UNTIL)
    interval: str | None = common.given(INTERVAL)

    def check(self, files: Sequence[str]) -> str:
        """Refuse what does not fit together; return the layout's name."""
        if not files:
            raise UsageError("no guide log is given", "name one or more, and --layout")
        if self.layout is None:
            for name in files:
                if name != "-":
                    open_plain(name).close()  # a file that is not there has no layout either
            raise UsageError(
                "no layout is given: it says how the log is written",
                f"poleward layout {files[0]} --output mine.toml drafts one; then --layout mine.toml",
            )
        twice = sorted({name for name in files if files.count(name) > 1})
        if twice:
            raise UsageError(f"{twice[0]}: this log is named twice")
        if self.layout == "-" and "-" in files:
            raise UsageError("standard input cannot be both log and layout")
        if self.follow and (len(files) > 1 or files[0] == "-"):
            raise UsageError("--follow takes one log, a file that is still being written")
        refuse_without_follow(self.follow, self.until, self.interval)
        return self.layout


reading_options = common.grouped("reading", Reading)


@click.command("log")
@click.argument("files", metavar="FILE...", nargs=-1)
@reading_options
@common.place_options
@common.DRIVE_RATE
@common.POLE
@common.ALLOW_LOW
@common.POINTING_ERROR
@common.watch_option("the last section's")
@rounds.APPEND
@common.output_options
def command(
    files: tuple[str, ...],
    reading: Reading,
    place: common.Place,
    drive_rate: str | None,
    pole: Any,
    allow_low: bool,
    pointing_error: str,
    watch: str | None,
    append: str | None,
    output: common.Output,
) -> int:
    """Guide logs to sections, drifts and the axis error.

    FILE is a guide log, whichever program wrote it (- is standard input). The guider's corrections are undone first.
    The axis must have stood still within what is fitted together.

    \b
    Examples:
      poleward log night.log --layout mine.toml --latitude 47.1deg
      poleward log 2026-*.log --layout mine.toml --latitude 47.1deg \\
        --each night --chart axis.png
      poleward log now.log --layout mine.toml --latitude 47.1deg \\
        --follow --until 0.5arcmin

    Exit status 4: the logs cannot determine both errors.
    """
    from poleward.guidelog.fitting.night import Wanted
    from poleward.guidelog.fitting.runs import solve_logs
    from poleward.guidelog.reading.layout import read_layout

    output.check()
    form = reading.check(files)
    setup, site = place.read()
    wanted = Wanted(pole, drive_rate or setup.drive_rate, reading.each, allow_low, pointing_error)
    plan = read_layout(form)
    report = Report(setup, site, watch, append, output)
    if reading.follow:
        return _follow(files[0], plan, wanted, report, reading)
    from poleward.cli.progress import Bar

    with Bar() as bar:
        run = solve_logs(files, plan, site, wanted, bar.tell)
    return report.give(run.solution, run.sections)


def _follow(path: str, layout: Layout, wanted: Wanted, report: Report, reading: Reading) -> int:
    goal, pause = goal_and_pause(reading.until, reading.interval)
    last, interrupted = follow(path, layout, report.site, wanted, goal, pause, report.line)
    if last is None:
        return 130 if interrupted else 4
    status = report.give(*last)
    return 130 if interrupted else status


@dataclass(frozen=True)
class Report:
    """How the result is given: with knob turns, and where a star is watched."""

    setup: Setup
    site: Site
    watch: str | None
    append: str | None
    output: common.Output

    def line(self, text: str) -> None:
        """Give one line meanwhile: on standard error where standard output is for the record."""
        if self.output.as_json:
            streams.say(f"{text}\n")
        else:
            common.print_result(f"{text}\n")

    def give(self, result: LogSolution, sections: Sequence[Section]) -> int:
        """Print and write everything; return the exit status."""
        solution = self._with_moves(result, sections)
        kept = rounds.appended(solution, self.append, self.setup)
        rounds.give_with(kept, replace(result, solution=solution), self.output, self.setup)
        return 0 if result.solution.determined == "both" else 4

    def _with_moves(self, result: LogSolution, sections: Sequence[Section]) -> Solution:
        """Add knob turns, and how a star moves meanwhile: seen where the last used section looked."""
        from poleward.solving.knobs import Turning, moves_of

        solution = result.solution
        used = [section.where for section in result.sections if not section.reason]
        last = next(section for section in sections if section.where == used[-1])
        pointing, turned = last.pointing, last.reversed
        if self.watch is not None:
            pointing, turned = common.watched(self.watch, self.site)
        errors = solution.azimuth_error_arcmin, solution.altitude_error_arcmin
        turning = Turning(self.setup.knobs, pointing, self.setup.guide_camera, turned)
        return replace(solution, moves=moves_of(*errors, solution.pole, self.site, turning))
