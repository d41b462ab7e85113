"""What the commands share: options, setup, where results go, and errors in words."""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, TypeVar

import click

from poleward.errors import InputError, UsageError

if TYPE_CHECKING:
    from poleward.setup import Setup
    from poleward.sky.site import Site

Command = TypeVar("Command", bound=Callable[..., Any])

SITE_FLAGS = ("latitude", "longitude", "elevation", "tz", "pressure", "temperature", "humidity", "wavelength")


def site_options(command: Command) -> Command:
    """Add --setup and the flags that win over it."""
    for option in reversed(
        [
            click.option(
                "--setup", metavar="FILE", help="Setup file; else poleward.toml here, else your own."
            ),
            click.option("--latitude", metavar="ANGLE", help="North positive, e.g. 47.1deg or -33d52m."),
            click.option("--longitude", metavar="ANGLE", help="East positive; only for right ascensions."),
            click.option("--elevation", metavar="LENGTH", help="Of the site, e.g. 560m."),
            click.option(
                "--tz",
                metavar="ZONE",
                help="Zone of times without an offset: UTC, local, Europe/Zurich, +01:00.",
            ),
            click.option(
                "--pressure", metavar="PRESSURE", help="Of the air, e.g. 950hPa; 0hPa: no refraction."
            ),
            click.option("--temperature", metavar="TEMP", help="Of the air, e.g. 4deg_C."),
            click.option("--humidity", metavar="FRACTION", help="Of the air, 0 to 1."),
            click.option("--wavelength", metavar="LENGTH", help="Of the light, e.g. 0.55um."),
        ]
    ):
        command = option(command)
    return command


def output_options(command: Command) -> Command:
    """Add --json, --output, --chart, --force, --night."""
    for option in reversed(
        [
            click.option("--json", "as_json", is_flag=True, help="Print the record as JSON instead of text."),
            click.option("--output", "-o", metavar="FILE", help="Write the result: .json or .ecsv."),
            click.option("--chart", metavar="FILE", help="Draw a chart: .png, .svg or .pdf."),
            click.option("--force", is_flag=True, help="Write over existing files."),
            click.option("--night", is_flag=True, help="Print and draw in dim red."),
        ]
    ):
        command = option(command)
    return command


def take_site(options: dict[str, Any]) -> tuple[Setup, Site]:
    """Take the site's options out of a command's options; return the setup and the site."""
    from poleward.setup import find_setup

    setup = find_setup(options.pop("setup"))
    flags = {name: options.pop(name) for name in SITE_FLAGS}
    flags["timezone"] = flags.pop("tz")
    return setup, setup.site(**flags)


def site_line(setup: Setup, site: Site) -> str:
    """Return one line that says which site and air were used, so that a stray setup file cannot hide."""
    air = site.air
    bent = (
        f"air {air.pressure_hpa:.0f} hPa, {air.temperature_c:.0f} deg C"
        if air.pressure_hpa
        else "no refraction"
    )
    source = f"; setup from {setup.source}" if setup.source else ""
    return f"Site: latitude {math.degrees(site.latitude_rad):+.2f} deg, {bent}{source}."


def check_outputs(output: str | None, chart: str | None, force: bool, endings: tuple[str, ...]) -> None:
    """Refuse, before any work, names that cannot be written.

    Raises
    ------
    UsageError
        An unknown ending, or an existing file without --force.
    """
    from poleward.door.files import refuse_existing

    for name, path, allowed in (("--output", output, endings), ("--chart", chart, (".png", ".svg", ".pdf"))):
        if path is None:
            continue
        if not path.lower().endswith(allowed):
            raise UsageError(f"{name}: '{path}' has an unknown ending, allowed are {', '.join(allowed)}")
        refuse_existing(path, force)


def json_text(record: dict[str, Any]) -> str:
    """Return the record as JSON that every parser takes: no NaN, units in the names."""
    return json.dumps(record, indent=2, allow_nan=False, ensure_ascii=True)


def print_result(text: str) -> None:
    """Print to standard output."""
    sys.stdout.write(text if text.endswith("\n") else text + "\n")


def dimmed(text: str, night: bool) -> str:
    """Return text in dim red for eyes used to the dark, where the terminal can show it."""
    from poleward.report.style import wants_colour

    return f"\x1b[2;31m{text}\x1b[0m" if night and wants_colour(sys.stdout) else text


def tell(text: str) -> None:
    """Print a note to standard error."""
    sys.stderr.write(f"poleward: {text}\n")


def inline_pairs(text: str, option: str) -> dict[str, str]:
    """Split ``name=value, name=value`` as the inline options take it.

    Raises
    ------
    InputError
        A piece without an equals sign, or a name twice.
    """
    pairs: dict[str, str] = {}
    for piece in text.split(","):
        name, equals, value = piece.partition("=")
        if not equals or not name.strip() or not value.strip():
            raise InputError(
                f"'{piece.strip()}' is not name=value",
                "e.g. hour_angle=-0h20m, dec=+3d, duration=5min, north=-4.2arcsec (a decimal point, not a comma)",
                option,
            )
        if name.strip() in pairs:
            raise InputError(f"'{name.strip()}' is given twice", "", option)
        pairs[name.strip()] = value.strip()
    return pairs
