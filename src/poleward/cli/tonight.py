"""What `check` and `plan` share: targets, camera, limit, time."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import datetime
from typing import TYPE_CHECKING, Any, TypeVar

import click

from poleward.cli import common
from poleward.errors import InputError, UsageError

if TYPE_CHECKING:
    from poleward.setup import Setup
    from poleward.sky.camera import Camera
    from poleward.sky.site import Site
    from poleward.tonight.exposure import Outfit
    from poleward.tonight.targets import Target

Command = TypeVar("Command", bound=Callable[..., Any])
CAMERA = ("focal_length", "pixel_size", "width", "height")


def target_options(command: Command) -> Command:
    """Add --targets, --target, --camera, --limit, --at and --lowest-altitude."""
    for option in reversed(
        [
            click.option(
                "--targets", metavar="FILE", help="Targets table: CSV, ECSV or VOTable; - is stdin."
            ),
            click.option(
                "--target",
                "inline",
                multiple=True,
                metavar="PAIRS",
                help="One target, as name=value, name=value; repeatable.",
            ),
            click.option(
                "--camera",
                metavar="PAIRS",
                help="Imaging camera: focal_length=600mm, pixel_size=3.76um, width=6248, height=4176.",
            ),
            click.option(
                "--limit", metavar="PIXELS", help="Longest trail that counts as a round star [1 pix]."
            ),
            click.option("--at", metavar="TIME", help="Moment that counts as now, e.g. 2026-11-25T20:00Z."),
            click.option("--lowest-altitude", metavar="ANGLE", help="Below it nothing is done [20deg]."),
        ]
    ):
        command = option(command)
    return command


def take_targets(options: dict[str, Any], site: Site) -> tuple[Target, ...]:
    """Take the targets out of a command's options; none when none are given."""
    from poleward.tonight.targets import read_targets, targets_from_rows

    path, inline = options.pop("targets"), options.pop("inline")
    if path is not None and inline:
        raise UsageError("a targets table and --target are both given", "give one of them")
    if inline:
        rows = [common.inline_pairs(text, f"--target {number}") for number, text in enumerate(inline, 1)]
        return targets_from_rows(rows, timezone=site.timezone, name="--target")
    return read_targets(path, timezone=site.timezone) if path is not None else ()


def take_outfit(options: dict[str, Any], setup: Setup, guided: bool = True) -> Outfit:
    """Take camera, limit and drive rate out of a command's options, the setup's where they are not given."""
    from poleward.door import quantity
    from poleward.solving.solver import drive_rate_of
    from poleward.tonight.exposure import Outfit

    text, limit = options.pop("camera"), options.pop("limit")
    camera = setup.camera if text is None else _camera(common.inline_pairs(text, "--camera"))
    pixels = (
        setup.trail_pix
        if limit is None
        else quantity.parse(limit, quantity.Kind("pix", "pix", "1 pix"), "--limit")
    )
    if not pixels > 0:
        where = "--limit" if limit is not None else f"{setup.source} [limits], trail"
        raise InputError(f"{pixels:g} pixels is given, allowed is more than 0", "e.g. 1 pix", where)
    rate = options.pop("drive_rate", None) or setup.drive_rate
    return Outfit(camera, pixels, drive_rate_of(rate), guided)


def _camera(pairs: dict[str, str]) -> Camera:
    from poleward.door import quantity
    from poleward.sky.camera import Camera

    for name in pairs:
        if name not in CAMERA:
            raise InputError(f"unknown name '{name}'", quantity.nearest(name, CAMERA), "--camera")
    for name in CAMERA:
        if name not in pairs:
            raise InputError(
                f"{name} is missing",
                "write focal_length=600mm, pixel_size=3.76um, width=6248, height=4176",
                "--camera",
            )
    return Camera(
        pairs["focal_length"], pairs["pixel_size"], pairs["width"], pairs["height"], where="--camera"
    )


def take_time(options: dict[str, Any], site: Site) -> datetime:
    """Take --at out of a command's options: a moment, aware, UTC; now where it is not given."""
    from datetime import UTC

    from poleward.door.clock import parse_time, zone_of

    text = options.pop("at")
    if text is None:
        return datetime.now(UTC).replace(microsecond=0)
    return parse_time(text, "--at", zone_of(site.timezone) if site.timezone else None)


def take_lowest(options: dict[str, Any], setup: Setup) -> float:
    """Take --lowest-altitude out of a command's options, degrees; the setup's where it is not given."""
    from poleward.door import quantity

    text = options.pop("lowest_altitude")
    if text is None:
        return setup.lowest_altitude_deg
    degrees = math.degrees(quantity.parse(text, quantity.ANGLE, "--lowest-altitude"))
    if not 0 <= degrees < 90:
        raise InputError(f"{degrees:g} deg is given, allowed is 0 to 90 deg", "", "--lowest-altitude")
    return degrees


def deliver(
    record: dict[str, Any],
    text: Callable[[], str],
    ecsv: Callable[[], str],
    figure: Callable[[], Any],
    options: dict[str, Any],
) -> None:
    """Print the record or the text; write the record or table and the chart that were asked for."""
    from poleward.door.files import write_whole

    as_json = options["as_json"]
    common.print_result(common.json_text(record) if as_json else common.dimmed(text(), options["night"]))
    output, chart, force = options["output"], options["chart"], options["force"]
    if output is not None:
        is_json = output.lower().endswith(".json")
        write_whole(output, common.json_text(record) + "\n" if is_json else ecsv(), force=force)
    if chart is not None:
        from poleward.report.chart import figure_bytes

        write_whole(chart, figure_bytes(figure(), chart), force=force)
