"""``poleward check``: is this axis good enough tonight."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from poleward.cli import common, tonight
from poleward.errors import UsageError

if TYPE_CHECKING:
    from poleward.tonight.axis_record import AxisError


@click.command("check")
@tonight.target_options
@click.option(
    "--axis",
    metavar="AXIS",
    help="Record file of solve or log, or 'azimuth=5arcmin, altitude=-3arcmin' (and azimuth_sigma, altitude_sigma).",
)
@click.option("--unguided", is_flag=True, help="Judge the trail of a mount that only tracks.")
@click.option(
    "--pole",
    metavar="POLE",
    help="Which pole a typed --axis is given against: apparent or true [apparent].",
)
@common.DRIVE_RATE
@common.place_options
@common.output_options
def command(
    axis: str | None,
    unguided: bool,
    pole: str | None,
    drive_rate: str | None,
    wanted: tonight.Tonight,
    place: common.Place,
    output: common.Output,
) -> int:
    """Is this axis good enough tonight: drift, rotation, trail and longest exposure per target.

    \b
    Examples:
      poleward check --targets tonight.csv --axis axis.json \\
        --latitude 47.1deg --longitude 8.4deg
      poleward check --axis "azimuth=5arcmin, altitude=-3arcmin" \\
        --latitude 47.1deg --longitude 8.4deg \\
        --target "name=nebula, ra=05h35m17s, dec=-5d23m, exposure=300s"

    A target without start and end is taken in the coming night, while it stands high enough.

    Exit status 5: not all targets stay within the limit, or it is too uncertain to say.
    """
    from poleward.tonight.check import check

    output.check()
    if axis == "-" and wanted.targets == "-":
        raise UsageError("standard input cannot be both --axis and --targets", "put one of them into a file")
    setup, site = place.read()
    error = _axis(axis, pole)
    outfit = wanted.outfit(setup, drive_rate, guided=not unguided)
    targets, at, lowest = wanted.read(site), wanted.moment(site), wanted.lowest(setup)
    result = check(targets, site, error, outfit, at=at, lowest_altitude_deg=lowest)
    output.give(result, setup.source)
    return 0 if result.all_within else 5


def _axis(text: str | None, pole: str | None) -> AxisError:
    from poleward.tonight.axis_record import axis_from_pairs, read_axis

    if text is None:
        raise UsageError(
            "no axis is given",
            "--axis axis.json (from poleward solve --output axis.json), or azimuth=.., altitude=..",
        )
    if "=" in text:
        return axis_from_pairs(
            common.inline_pairs(text, "--axis", "azimuth=5arcmin, altitude=-3arcmin"), pole or "apparent"
        )
    if pole is not None:
        raise UsageError("--pole goes with a typed axis: a record says itself which pole it is against")
    return read_axis(text)
