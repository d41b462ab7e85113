"""``poleward camera``: scale, angle and mirror of a camera."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from typing import TYPE_CHECKING

import click

from poleward.cli import common, streams
from poleward.door import quantity
from poleward.errors import InputError, UsageError

if TYPE_CHECKING:
    from poleward.sky.orient import Run

LEAST_S = 5.0
"""A hand at a stopwatch is 0.2 s off at either end: in less than 5 s the scale is more than 6 % wrong."""


@dataclass(frozen=True)
class Optics:
    """What the camera should be, where that is known."""

    focal_length: str | None = common.option(
        "--focal-length", "LENGTH", "Of the guide telescope, to check the scale."
    )
    pixel_size: str | None = common.option("--pixel-size", "LENGTH", "Of the camera, binned as it is used.")


optics_options = common.grouped("optics", Optics)


@dataclass(frozen=True)
class Given:
    """Where the answer goes."""

    as_json: bool = common.flag("--json", "Print the record as JSON instead of text.", "as_json")
    output: str | None = common.option("--output", "FILE", "Write the record: .json.", "-o")
    write: bool = common.flag("--write", "Add the block to the setup file, if it has none.")
    force: bool = common.flag("--force", "Let --output write over an existing file.")
    night: bool = common.flag("--night", "Print in dim red.")


given_options = common.grouped("given", Given)


@click.command("camera")
@click.option("--run", metavar="PAIRS", help="The run: x1, y1, x2, y2, duration and dec (or star).")
@click.option("--push", metavar="WAY", help="Where a push north sent the star: up, ..., or x1, y1, x2, y2.")
@click.option("--rows", default="down", metavar="WAY", help="Which way y is counted: down or up [down].")
@click.option("--reading-error", default="0.5 pix", metavar="PIXELS", help="Of one place, in x and y [0.5].")
@common.SETUP
@optics_options
@given_options
def command(
    run: str | None,
    push: str | None,
    rows: str,
    reading_error: str,
    setup: str | None,
    optics: Optics,
    given: Given,
) -> int:
    """Scale, angle and mirror of the camera, from a star that runs and a push.

    Stop the drive: the star runs west. Note its place, wait a minute, note its place again. Start the drive, push the
    telescope NORTH (or send a pulse north), and note where the star goes.

    \b
    Examples:
      poleward camera --push up \\
        --run "x1=812, y1=455, x2=537, y2=410, duration=60s, dec=+5d"
      poleward camera --push "x1=600, y1=420, x2=606, y2=382" \\
        --run "x1=812, y1=455, x2=537, y2=410, duration=60s, star=Procyon" \\
        --focal-length 240mm --pixel-size 3.75um
    """
    from poleward.report.camera_text import camera_text
    from poleward.report.style import signs_for
    from poleward.sky.orient import orientation

    if run is None or push is None:
        raise UsageError("both --run and --push are needed", "see the examples of poleward camera --help")
    if rows not in ("up", "down"):
        raise UsageError(f"--rows is '{rows}', allowed is down or up", "on a screen y is counted down")
    common.check_ending("--output", given.output, (".json",), given.force)
    sigma = quantity.parse(reading_error, quantity.PIXELS, "--reading-error")
    if not sigma > 0:
        raise InputError(f"it is {sigma:g}, allowed is more than 0", "", "--reading-error")
    path, computed = _setup(setup, optics, given.write)
    found = orientation(_run(run), _push(push), rows=rows, sigma_pix=sigma, computed_scale=computed)
    common.write_record(given.output, found, given.force)
    if given.write:
        from poleward.setup import add_section

        add_section(path, "guide_camera", found.setup_block())
    if given.as_json:
        common.print_result(common.json_text(found.to_record()))
        return 0
    text = camera_text(found, signs_for(sys.stdout)) + (f"\n\nAdded to {path}." if given.write else "")
    common.print_result(streams.fitted(text, sys.stdout), given.night)
    return 0


def _setup(path: str | None, optics: Optics, write: bool) -> tuple[str, float | None]:
    """Return the setup file, and the scale that focal length and pixel size make."""
    from poleward.setup import find_setup
    from poleward.sky.axis import ARCSEC

    setup = find_setup(path)
    if write and setup.guide_camera is not None:
        raise UsageError(
            f"{setup.source}: it has a [guide_camera] already",
            "take that out, or leave --write away and mend it by hand",
        )
    if (optics.focal_length is None) != (optics.pixel_size is None):
        raise UsageError("--focal-length and --pixel-size go together", "give both or none")
    if optics.focal_length is None or optics.pixel_size is None:
        known = setup.guide_camera
        return setup.source or "poleward.toml", None if known is None else known.scale_arcsec
    lengths = []
    for option, text in (("--focal-length", optics.focal_length), ("--pixel-size", optics.pixel_size)):
        lengths.append(quantity.parse(text, quantity.LENGTH, option))
        if not lengths[-1] > 0:
            raise InputError(f"it is {lengths[-1]:g} m, allowed is more than 0", "", option)
    return setup.source or "poleward.toml", lengths[1] / lengths[0] / ARCSEC


def _places(pairs: dict[str, str], option: str) -> tuple[float, float]:
    """From the first to the last place, pixels."""
    names = ("x1", "y1", "x2", "y2")
    quantity.refuse_missing(pairs, names, "both places are needed: x1, y1, x2, y2", option)
    x1, y1, x2, y2 = (quantity.parse(pairs[name], quantity.PIXELS, option, name) for name in names)
    return x2 - x1, y2 - y1


def _run(text: str) -> Run:
    from poleward.sky.orient import Run
    from poleward.sky.stars import find_star

    known = ("x1", "y1", "x2", "y2", "duration", "dec", "star")
    pairs = common.inline_pairs(text, "--run", "x1=812, y1=455, x2=537, y2=410, duration=60s, dec=+5d")
    quantity.refuse_unknown(pairs, known, "--run")
    if ("dec" in pairs) == ("star" in pairs):
        raise InputError("one of dec and star is needed", "the star's dec, e.g. dec=+5d", "--run")
    quantity.refuse_missing(pairs, ["duration"], "from the first place to the second, e.g. 60s", "--run")
    if "star" in pairs:
        dec = find_star(pairs["star"], "--run, star").dec
    else:
        dec = quantity.parse(pairs["dec"], quantity.DECLINATION, "--run", "dec")
    duration = quantity.parse(pairs["duration"], quantity.DURATION, "--run", "duration")
    if 0 < duration < LEAST_S:
        hint = "a bare number is seconds; 1min is a minute"
        raise InputError(f"duration is {duration:g} s, allowed is {LEAST_S:g} s or more", hint, "--run")
    return Run(*_places(pairs, "--run"), duration, dec)


def _push(text: str) -> str | tuple[float, float]:
    from poleward.sky.orient import WORDS

    if "=" in text:
        return _places(common.inline_pairs(text, "--push", "x1=600, y1=420, x2=606, y2=382"), "--push")
    if text.lower() not in WORDS:
        raise UsageError(
            f"--push is '{text}', allowed is a way on the screen or two places", quantity.nearest(text, WORDS)
        )
    return text.lower()
