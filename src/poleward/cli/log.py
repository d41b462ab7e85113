"""``poleward log``: guide logs to sections, drifts and the axis error."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import click

from poleward.cli import common
from poleward.errors import UsageError

if TYPE_CHECKING:
    from poleward.guidelog.fitting.logsolution import LogSolution
    from poleward.guidelog.fitting.night import Wanted
    from poleward.guidelog.reading.form import Layout
    from poleward.guidelog.reading.section import Section
    from poleward.setup import Setup
    from poleward.sky.site import Site


@click.command("log")
@click.argument("files", metavar="FILE...", nargs=-1)
@click.option("--layout", "-l", metavar="FILE", help="How the logs are written; poleward layout drafts it.")
@click.option(
    "--each",
    default="all",
    metavar="WHAT",
    help="Fit together: all, or each night, file or section on its own [all].",
)
@click.option("--follow", is_flag=True, help="One log that is still being written: solve again as it grows.")
@click.option("--until", metavar="ANGLE", help="With --follow: stop when both errors are this certain.")
@click.option("--interval", metavar="TIME", help="With --follow: how often to look [2 s].")
@common.site_options
@click.option(
    "--drive-rate", metavar="RATE", help="sidereal, king, solar, or a rate such as '15.0369 arcsec/s'."
)
@click.option("--pole", default="apparent", metavar="POLE", help="apparent (as refraction shows it) or true.")
@click.option("--allow-low", is_flag=True, help="Use stars below 10 deg altitude too.")
@click.option(
    "--watch",
    metavar="PAIRS",
    help="Pointing at which a star is watched while knobs are turned [the last section's].",
)
@common.output_options
def command(files: tuple[str, ...], **options: Any) -> int:
    """Guide logs to sections, drifts and the axis error.

    FILE is a guide log, whichever program wrote it (- is standard input). The guider's corrections are undone first.
    The axis must have stood still within what is fitted together.

    \b
    Examples:
      poleward log night.log --layout mine.toml --latitude 47.1deg
      poleward log 2026-*.log --layout mine.toml --each night --chart axis.png
      poleward log now.log --layout mine.toml --follow --until 0.5arcmin

    Exit status 4: the logs cannot determine both errors.
    """
    from poleward.guidelog.fitting.night import Wanted
    from poleward.guidelog.fitting.runs import solve_logs
    from poleward.guidelog.reading.layout import read_layout

    outputs = options.pop("output"), options.pop("chart"), options.pop("force")
    common.check_outputs(*outputs, (".json", ".ecsv"))
    form = options.pop("layout")
    following = options.pop("follow"), options.pop("until"), options.pop("interval")
    _check_files(files, form, *following)
    setup, site = common.take_site(options)
    wanted = Wanted(
        options["pole"], options["drive_rate"] or setup.drive_rate, options["each"], options["allow_low"]
    )
    plan = read_layout(form)
    report = Report(setup, site, options["watch"], options["as_json"], options["night"], outputs)
    if following[0]:
        return _follow(files[0], plan, wanted, report, following[1], following[2])
    from poleward.cli.progress import Bar

    with Bar() as bar:
        run = solve_logs(files, plan, site, wanted, bar.tell)
    return report.give(run.solution, run.sections)


def _check_files(
    files: Sequence[str], form: str | None, follow: bool, until: str | None, interval: str | None
) -> None:
    """Refuse what does not fit together."""
    if not files:
        raise UsageError("no guide log is given", "name one or more, and --layout")
    if form is None:
        raise UsageError(
            "no layout is given: it says how the log is written",
            f"poleward layout {files[0]} --output mine.toml drafts one; then --layout mine.toml",
        )
    twice = sorted({name for name in files if files.count(name) > 1})
    if twice:
        raise UsageError(f"{twice[0]}: this log is named twice")
    if form == "-" and "-" in files:
        raise UsageError("standard input cannot be both log and layout")
    if follow and (len(files) > 1 or files[0] == "-"):
        raise UsageError("--follow takes one log, a file that is still being written")
    for name, value in (("--until", until), ("--interval", interval)):
        if value is not None and not follow:
            raise UsageError(f"{name} goes with --follow")


def _follow(
    path: str, layout: Layout, wanted: Wanted, report: Report, until: str | None, interval: str | None
) -> int:
    from poleward.cli.follow import follow
    from poleward.door import quantity

    goal = None if until is None else quantity.parse(until, quantity.SMALL_ANGLE, "--until") / 60
    pause = quantity.parse(interval or "2 s", quantity.DURATION, "--interval")
    for name, value in (("--until", goal), ("--interval", pause)):
        if value is not None and not value > 0:
            raise UsageError(f"{name} must be more than zero")
    last, interrupted = follow(path, layout, report.site, wanted, goal, pause, report.line)
    if last is None:
        return 130 if interrupted else 4
    status = report.give(*last)
    return 130 if interrupted else status


class Report:
    """How the result is given: as text or record, with knob turns, and into files.

    Parameters
    ----------
    setup, site
    watch : str or None
        Where a star is watched.
    as_json, night : bool
    outputs : tuple
        Names of record and chart, and whether they may be written over.
    """

    def __init__(
        self,
        setup: Setup,
        site: Site,
        watch: str | None,
        as_json: bool,
        night: bool,
        outputs: tuple[str | None, str | None, bool],
    ) -> None:
        self.setup, self.site, self._watch = setup, site, watch
        self._as_json, self._night, self._outputs = as_json, night, outputs

    def line(self, text: str) -> None:
        """Give one line meanwhile: on standard error where standard output is for the record."""
        stream = sys.stderr if self._as_json else sys.stdout
        stream.write(f"{text}\n")
        stream.flush()

    def give(self, result: LogSolution, sections: Sequence[Section]) -> int:
        """Print and write everything; return the exit status."""
        result = replace(result, solution=self._with_moves(result, sections))
        if self._as_json:
            common.print_result(common.json_text(result.to_record()))
        else:
            from poleward.report.log_text import log_text
            from poleward.report.style import signs_for

            text = log_text(result, self.site, signs_for(sys.stdout))
            footer = common.site_line(self.setup, self.site)
            common.print_result(common.dimmed(f"{text}\n\n{footer}", self._night))
        self._write(result)
        return 0 if result.solution.determined == "both" else 4

    def _with_moves(self, result: LogSolution, sections: Sequence[Section]) -> Any:
        """Add knob turns, and how a star moves meanwhile: seen where the last used section looked."""
        from poleward.cli.solve import watched
        from poleward.solving.knobs import Turning, moves_of

        solution = result.solution
        used = [section.where for section in result.sections if not section.reason]
        pointing = next(section.pointing for section in sections if section.where == used[-1])
        if self._watch is not None:
            pointing = watched(self._watch, self.site)
        errors = solution.azimuth_error_arcmin, solution.altitude_error_arcmin
        turning = Turning(self.setup.knobs, pointing, self.setup.guide_camera)
        return replace(solution, moves=moves_of(*errors, solution.pole, self.site, turning))

    def _write(self, result: LogSolution) -> None:
        from poleward.door.files import write_whole

        output, chart, force = self._outputs
        if output is not None and output.lower().endswith(".json"):
            write_whole(output, common.json_text(result.to_record()) + "\n", force=force)
        elif output is not None:
            from poleward.report.log_tables import log_ecsv

            write_whole(output, log_ecsv(result), force=force)
        if chart is not None:
            from poleward.report.chart import figure_bytes
            from poleward.report.log_chart import log_chart

            figure = log_chart(result, night=self._night)
            write_whole(chart, figure_bytes(figure, chart), force=force)
