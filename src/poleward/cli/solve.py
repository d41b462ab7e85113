"""``poleward solve``: timed drifts to the axis error and knob turns."""

from __future__ import annotations

import math
import sys
from typing import TYPE_CHECKING, Any

import click

from poleward.cli import common
from poleward.errors import InputError, UsageError

if TYPE_CHECKING:
    from poleward.setup import Setup
    from poleward.sky.site import Site
    from poleward.solving.solution import Solution
    from poleward.timings.drifts import Drifts


@click.command("solve")
@click.argument("drifts", required=False)
@click.option(
    "--drift",
    "inline",
    multiple=True,
    metavar="PAIRS",
    help="One timing, as name=value, name=value; repeatable.",
)
@common.site_options
@click.option(
    "--drive-rate", metavar="RATE", help="sidereal, king, solar, or a rate such as '15.0369 arcsec/s'."
)
@click.option("--pole", default="apparent", metavar="POLE", help="apparent (as refraction shows it) or true.")
@click.option(
    "--reading-error",
    default="1 arcsec",
    metavar="ANGLE",
    help="Of one reading, for drifts without a sigma [1 arcsec].",
)
@click.option("--robust", is_flag=True, help="Lower the weight of timings that do not fit.")
@click.option("--from-scatter", is_flag=True, help="Take the uncertainties from the scatter of the timings.")
@click.option("--allow-low", is_flag=True, help="Use stars below 10 deg altitude too.")
@click.option(
    "--watch",
    metavar="PAIRS",
    help="Pointing at which a star is watched while knobs are turned [the last timing's].",
)
@common.output_options
def command(drifts: str | None, inline: tuple[str, ...], **options: Any) -> int:
    """Timed drifts to the axis error and knob turns.

    DRIFTS is a drift table (CSV, ECSV or VOTable; - is standard input).

    \b
    Examples:
      poleward solve drifts.csv --latitude 47.1deg
      poleward solve --latitude 47.1deg \\
        --drift "hour_angle=-0h10m, dec=+3d, duration=5min, north=-4.2arcsec" \\
        --drift "hour_angle=-5h, dec=+20d, duration=5min, north=-3.1arcsec"

    Exit status 4: the timings cannot determine both errors.
    """
    output, chart, force = options.pop("output"), options.pop("chart"), options.pop("force")
    common.check_outputs(output, chart, force, (".json", ".ecsv"))
    setup, site = common.take_site(options)
    timings = _timings(drifts, inline, setup, site)
    watch = options.pop("watch")
    as_json, night = options.pop("as_json"), options.pop("night")
    solution = solved(timings, setup, site, watch, options)
    deliver(solution, as_json, night, options["reading_error"], common.site_line(setup, site))
    write(solution, output, chart, force, night)
    return 0 if solution.determined == "both" else 4


def _timings(path: str | None, inline: tuple[str, ...], setup: Setup, site: Site) -> Drifts:
    from poleward.timings.drifts import Drifts, read_drifts

    if path is not None and inline:
        raise UsageError("a drift table and --drift are both given", "give one of them")
    if inline:
        rows = [common.inline_pairs(text, f"--drift {number}") for number, text in enumerate(inline, 1)]
        return Drifts.from_rows(rows, guide_camera=setup.guide_camera, timezone=site.timezone, name="--drift")
    if path is None:
        raise UsageError("no drifts are given", "name a drift table, or time by time with --drift")
    return read_drifts(path, guide_camera=setup.guide_camera, timezone=site.timezone)


def solved(timings: Drifts, setup: Setup, site: Site, watch: str | None, options: dict[str, Any]) -> Solution:
    """Solve, and add what the knobs must do."""
    from poleward.solving.knobs import Turning
    from poleward.solving.solver import solve

    rate = options.pop("drive_rate") or setup.drive_rate
    used = [drift.pointing for drift in timings if drift.used]
    pointing = watched(watch, site) if watch is not None else used[-1] if used else None
    turning = Turning(setup.knobs, pointing, setup.guide_camera)
    return solve(timings, site, drive_rate=rate, turning=turning, **options)


def watched(text: str, site: Site) -> Any:
    """Return the pointing given by --watch."""
    from poleward.sky.look import altitude_of
    from poleward.timings.rows import pointing_from_cells

    pointing = pointing_from_cells(common.inline_pairs(text, "--watch"), "--watch", site.timezone)
    height = math.degrees(altitude_of(pointing, site))
    if height < 0:
        raise InputError(f"this place is {-height:.0f} deg below the horizon", "choose another", "--watch")
    return pointing


def deliver(solution: Solution, as_json: bool, night: bool, reading_error: str, footer: str) -> None:
    """Print the solution to standard output; as text, with a last line."""
    if as_json:
        common.print_result(common.json_text(solution.to_record()))
        return
    from poleward.door.quantity import SMALL_ANGLE, parse
    from poleward.report.style import signs_for
    from poleward.report.text import solution_text

    text = solution_text(solution, signs_for(sys.stdout), parse(reading_error, SMALL_ANGLE))
    common.print_result(common.dimmed(f"{text}\n\n{footer}", night))


def write(solution: Solution, output: str | None, chart: str | None, force: bool, night: bool) -> None:
    """Write the record, the table and the chart that were asked for."""
    from poleward.door.files import write_whole

    if output is not None and output.lower().endswith(".json"):
        write_whole(output, common.json_text(solution.to_record()) + "\n", force=force)
    elif output is not None:
        from poleward.report.tables import solution_ecsv

        write_whole(output, solution_ecsv(solution), force=force)
    if chart is not None:
        from poleward.report.chart import axis_chart, figure_bytes

        write_whole(chart, figure_bytes(axis_chart(solution, night=night), chart), force=force)
