"""``poleward frames``: camera frames to a drift table."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import click

from poleward.cli import common, streams
from poleward.cli.follow import INTERVAL, UNTIL, goal_and_pause, refuse_without_follow
from poleward.cli.frames_follow import FrameWatch
from poleward.errors import UsageError

if TYPE_CHECKING:
    from poleward.frames.framedrifts import FrameDrifts


@dataclass(frozen=True)
class Looking:
    """How frames are looked at."""

    pointing: tuple[str, ...] = common.option(
        "--pointing",
        "PAIRS",
        "Where headers do not say it: 'label=east, hour_angle=-4h, dec=+10d'; repeatable, without labels in the order of time.",
        multiple=True,
    )
    drive_off: tuple[str, ...] = common.option(
        "--drive-off",
        "FRAMES",
        "Frames (a folder) taken with the drive stopped: scale and angle of the camera; repeatable.",
        multiple=True,
    )
    nudge_north: tuple[str, ...] = common.option(
        "--nudge-north",
        "FRAMES",
        "Frames before and after the telescope was nudged north: the camera's mirror; repeatable.",
        multiple=True,
    )
    mosaic: bool = common.flag("--mosaic", "The pixels stand under a raster of colours: 2 x 2 means.")

    def arguments(self) -> dict[str, Any]:
        """Return them as arguments of `poleward.read_frames`."""
        return {
            "pointings": [common.inline_pairs(text, "--pointing") for text in self.pointing],
            "drive_off": self.drive_off,
            "nudge_north": self.nudge_north,
            "mosaic": self.mosaic,
        }


looking_options = common.grouped("looking", Looking)


@dataclass(frozen=True)
class TableOutput:
    """Where the drift table goes."""

    as_json: bool = common.flag("--json", "Print the record as JSON instead of the table.", "as_json")
    output: str | None = common.option(
        "--output", "FILE", "Write the drift table, .ecsv or .csv, or the record, .json.", "-o"
    )
    chart: str | None = common.option(
        "--chart", "FILE", "Draw the first frames with the stars' paths: .png, .svg or .pdf."
    )
    force: bool = common.flag("--force", "Write over existing files.")
    night: bool = common.flag("--night", "Print and draw in dim red.")

    def check(self) -> None:
        """Refuse, before any work, names that cannot be written."""
        common.check_ending("--output", self.output, (".ecsv", ".csv", ".json"), self.force)
        common.check_ending("--chart", self.chart, (".png", ".svg", ".pdf"), self.force)

    def give(self, found: FrameDrifts, source: str) -> None:
        """Write what was asked for; the table to standard output, unless it has another place, and the account beside it."""
        from poleward.report.shown import text_of
        from poleward.report.style import signs_for
        from poleward.report.tables import ecsv_of

        if self.output is not None and self.output.lower().endswith(".csv"):
            found.drifts.write(self.output, force=self.force)
        else:
            common.write_record(self.output, found, self.force)
        common.write_chart(self.chart, found, self.night, self.force)
        if self.as_json:
            common.print_result(common.json_text(found.to_record()))
        elif self.output is None:
            streams.say(text_of(found, signs_for(sys.stderr), source) + "\n")
            common.print_result(ecsv_of(found.to_table()))
        else:
            text = text_of(found, signs_for(sys.stdout), source)
            common.print_result(streams.fitted(text, sys.stdout), self.night)


table_options = common.grouped("table", TableOutput)


@dataclass(frozen=True)
class Coming:
    """Whether more frames will come, and how long they are waited for."""

    follow: bool = common.flag("--follow", "One folder into which frames still come: measure as they do.")
    until: str | None = common.given(UNTIL)
    interval: str | None = common.given(INTERVAL)

    def check(self, files: Sequence[str]) -> tuple[float | None, float]:
        """Refuse what does not fit together; return the goal, arcmin, and the pause, s."""
        if not files:
            raise UsageError("no frames are given", "name FITS files, or a folder of them")
        if self.follow and len(files) > 1:
            raise UsageError("--follow takes one folder, into which frames come")
        refuse_without_follow(self.follow, self.until, self.interval)
        return goal_and_pause(self.until, self.interval)


coming_options = common.grouped("coming", Coming)


@click.command("frames")
@click.argument("files", metavar="FITS...", nargs=-1)
@looking_options
@coming_options
@common.place_options
@table_options
def command(
    files: tuple[str, ...], looking: Looking, coming: Coming, place: common.Place, table: TableOutput
) -> int:
    """Camera frames to a drift table, which poleward solve reads.

    FITS are frames, or folders of them. Leave guiding off, take frames for a few minutes, point elsewhere, take more. The
    table goes to standard output, an account of it to standard error. Where the mount stands matters only with --until;
    the headers may say it.

    \b
    Examples:
      poleward frames tonight --output drifts.ecsv
      poleward frames south east --chart paths.png \\
        --drive-off stopped --nudge-north nudged \\
        --pointing "label=drive-off, dec=+5d" \\
        --pointing "label=south, hour_angle=-0h20m, dec=+5d" \\
        --pointing "label=east, hour_angle=-4h50m, dec=+18d"
      poleward frames tonight --follow --until 1arcmin \\
        --latitude 47.1deg --longitude 8.4deg

    In a pipe: poleward frames tonight | poleward solve -
    """
    from poleward.cli.progress import Bar
    from poleward.setup import find_setup

    table.check()
    goal, pause = coming.check(files)
    setup = find_setup(place.setup)
    timezone = place.tz or str(setup.site_values.get("timezone", ""))
    known = place.latitude is not None or "latitude" in setup.site_values
    told: dict[str, Any] = {**looking.arguments(), "timezone": timezone}
    told["site"] = site = place.site(setup) if known else None
    if coming.follow:
        from poleward.frames.coming import FrameTail

        tail = FrameTail(files[0], setup, **told)
        watch = FrameWatch(tail, site, setup.drive_rate, lambda text: streams.say(f"{text}\n"))
        return _followed(watch, table, goal, pause, setup.source)
    from poleward.frames.asked import read_frames

    with Bar() as bar:
        found = read_frames(files, setup, **told, tell=bar.tell)
    table.give(found, setup.source)
    return 0


def _followed(watch: FrameWatch, table: TableOutput, goal: float | None, pause: float, source: str) -> int:
    """Follow a folder; give the table of what is known at the end."""
    interrupted = watch.go_on(goal, pause)
    if watch.last is not None:
        table.give(watch.last, source)
    return 130 if interrupted else 0
