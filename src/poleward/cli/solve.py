"""``poleward solve``: timed drifts to the axis error and knob turns."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import click

from poleward.cli import common, rounds
from poleward.errors import UsageError

if TYPE_CHECKING:
    from poleward.setup import Setup
    from poleward.sky.site import Site
    from poleward.solving.solution import Solution
    from poleward.timings.drifts import Drifts


@dataclass(frozen=True)
class Solving:
    """How to solve; see `poleward.solve`."""

    drive_rate: str | None = common.given(common.DRIVE_RATE)
    pole: Any = common.given(common.POLE, "apparent")  # noqa: RUF009 - a field
    reading_error: str = common.option(
        "--reading-error",
        "ANGLE",
        "Of one reading, for drifts without a sigma [1 arcsec].",
        default="1 arcsec",
    )
    pointing_error: str = common.given(common.POINTING_ERROR, "0.5 deg")
    robust: bool = common.flag("--robust", "Count on blunders among the timings.")
    from_scatter: bool = common.flag(
        "--from-scatter", "Take the uncertainties from the scatter of the timings."
    )
    allow_low: bool = common.given(common.ALLOW_LOW, False)
    watch: str | None = common.given(common.watch_option("the last timing's, unless it hardly moves"))


solving_options = common.grouped("solving", Solving)


@click.command("solve")
@click.argument("drifts", required=False)
@click.option(
    "--drift",
    "inline",
    multiple=True,
    metavar="PAIRS",
    help="One timing, as name=value, name=value; repeatable. East of the meridian, south and west are negative.",
)
@common.place_options
@solving_options
@rounds.APPEND
@common.output_options
def command(
    drifts: str | None,
    inline: tuple[str, ...],
    place: common.Place,
    solving: Solving,
    append: str | None,
    output: common.Output,
) -> int:
    """Timed drifts to the axis error and knob turns.

    DRIFTS is a drift table (CSV, ECSV or VOTable; - is standard input).

    \b
    Examples:
      poleward solve drifts.csv --latitude 47.1deg --longitude 8.4deg
      poleward solve --latitude 47.1deg \\
        --drift "hour_angle=-0h10m, dec=+3d, duration=5min, north=-4.2arcsec" \\
        --drift "hour_angle=-5h, dec=+20d, duration=5min, north=-3.1arcsec"

    Exit status 4: the timings cannot determine both errors, or contradict each other.
    """
    output.check()
    setup, site = place.read()
    timings = _timings(drifts, inline, setup, site)
    solution = solved(timings, setup, site, solving)
    if solution.contradictory and append is not None:
        common.tell("not kept as a round: the timings contradict each other")
    kept = None if solution.contradictory else rounds.appended(solution, append, setup)
    rounds.give_with(kept, solution, output, setup)
    return 0 if solution.determined == "both" and not solution.contradictory else 4


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


def solved(timings: Drifts, setup: Setup, site: Site, solving: Solving) -> Solution:
    """Solve, with the knobs of the setup."""
    from poleward.solving.asked import solve
    from poleward.solving.knobs import Turning, easiest_to_watch

    used = [(drift.pointing, drift.reversed) for drift in timings if drift.used]
    watch, turned = easiest_to_watch(used, site) or (None, False)
    if solving.watch is not None:
        watch, turned = common.watched(solving.watch, site)
    return solve(
        timings,
        site,
        pole=solving.pole,
        drive_rate=solving.drive_rate or setup.drive_rate,
        reading_error=solving.reading_error,
        pointing_error=solving.pointing_error,
        robust=solving.robust,
        from_scatter=solving.from_scatter,
        allow_low=solving.allow_low,
        turning=Turning(setup.knobs, watch, setup.guide_camera, turned),
    )
