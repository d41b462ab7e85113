"""``poleward plan``: which pointings to time, and for how long."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import click

from poleward.cli import common, tonight
from poleward.door import quantity
from poleward.door.files import write_whole
from poleward.errors import InputError, UsageError

if TYPE_CHECKING:
    from datetime import datetime

    from poleward.errors import Note
    from poleward.planning.pairing import Mover
    from poleward.planning.timing import Blocked, Reader
    from poleward.setup import Setup
    from poleward.sky.site import Site

DEFAULT_ACCURACY_ARCMIN = 1.0
"""Good for guided pictures of some minutes with most outfits (docs/field-rotation.md)."""
DEFAULT_CADENCE = "2 s"
"""Long enough for most guide cameras to see a star, short enough for thirty places a minute (common practice)."""
SECTOR = ("from", "to", "up_to")
SLOWEST_DEG_PER_S, LONGEST_CENTRING_S = 0.01, 3600.0
"""A mount slower than twice the sky, or an hour to find a star, is a wrong unit."""


@dataclass(frozen=True)
class Wish:
    """What is asked of the plan, as written."""

    accuracy: str | None = common.option(
        "--accuracy",
        "ANGLE",
        "Standard uncertainty of the axis wanted, in any direction on the sky [what the targets need, else 1arcmin].",
    )
    reading_error: str | None = common.option(
        "--reading-error", "ANGLE", "At the eyepiece: of one reading of the star's place [1 arcsec]."
    )
    seeing: str | None = common.option(
        "--seeing", "ANGLE", "With a camera: full width of a star's image, e.g. 2.5arcsec."
    )
    cadence: str | None = common.option("--cadence", "TIME", "With a camera: time from frame to frame [2 s].")
    blocked: tuple[str, ...] = common.option(
        "--blocked",
        "PAIRS",
        "Sector of the horizon: from=60deg, to=150deg, up_to=40deg (azimuths from north through east); repeatable.",
        multiple=True,
    )
    pointings: int | None = common.option(
        "--pointings", "N", "2 or 3 [the quicker; a third checks the others].", type=int
    )
    slew_rate: str | None = common.option(
        "--slew-rate", "RATE", "Of the telescope between pointings [2 deg/s]."
    )
    centring: str | None = common.option("--centring", "TIME", "To find and centre the next star [60 s].")
    noise: str | None = common.option(
        "--noise", "RECORD", "With a camera: noise and cadence from a record of log (JSON)."
    )
    unguided: bool = common.flag(
        "--unguided", "The targets' exposures only track: it decides what they need."
    )
    table: str | None = common.option(
        "--write", "FILE", "Write a drift table (.csv) in which only the drifts are left blank.", "table"
    )


wish_options = common.grouped("wish", Wish)


@click.command("plan")
@wish_options
@common.POLE
@tonight.target_options
@common.place_options
@common.output_options
def command(
    wish: Wish, pole: str, wanted: tonight.Tonight, place: common.Place, output: common.Output
) -> int:
    """Before measuring: which pointings to time, and for how long, for the accuracy wanted.

    \b
    Examples:
      poleward plan --latitude 47.1deg --accuracy 0.5arcmin
      poleward plan --latitude 47.1deg --longitude 8.4deg --accuracy 0.5arcmin \\
        --seeing 2.5arcsec --cadence 2s --chart sky.png \\
        --blocked "from=60deg, to=150deg, up_to=40deg"

    With a longitude it begins at dusk, keeps away from the Sun, and names stars: to time by eye, to point by with a camera.
    """
    from poleward.planning.plan import plan
    from poleward.planning.wishes import Wishes
    from poleward.report.plan_text import plan_table

    output.check()
    common.check_ending("--write", wish.table, (".csv",), output.force)
    setup, site = place.read()
    at, lowest = wanted.moment(site), wanted.lowest(setup)
    reader = _reader(wish)
    accuracy, why, left_out = _accuracy(wish, wanted, setup, site, at)
    wishes = Wishes(accuracy, why, lowest, _blocked(wish.blocked), wish.pointings, left_out, _mover(wish))
    result = plan(site, reader, wishes, at=at if site.longitude_rad is not None else None, pole=pole)

    if wish.table is not None:
        write_whole(wish.table, plan_table(result, site), force=output.force)
    output.give(result, setup.source)
    return 0


def _reader(wish: Wish) -> Reader:
    from poleward.planning.timing import Reader

    eyepiece, seeing, cadence, noise = wish.reading_error, wish.seeing, wish.cadence, wish.noise
    if eyepiece is not None and (seeing or cadence or noise):
        raise UsageError(
            "--reading-error is for the eyepiece, --seeing, --cadence and --noise for a camera",
            "give one kind",
        )
    if seeing is not None and noise is not None:
        raise UsageError("--seeing and --noise are both given", "the log's noise holds the seeing")
    if seeing is None and noise is None:
        if cadence is not None:
            raise UsageError("--cadence goes with --seeing", "e.g. --seeing 2.5arcsec --cadence 2s")
        return Reader(_small_angle(eyepiece or "1 arcsec", "--reading-error"))
    every = quantity.parse(cadence or DEFAULT_CADENCE, quantity.Kind("s", "s", "2 s"), "--cadence")
    if seeing is not None:
        return Reader.of_seeing(_small_angle(seeing, "--seeing"), every)
    assert noise is not None
    from poleward.tonight.axis_record import read_record

    reader = Reader.of_record(read_record(noise), noise)
    return reader if cadence is None else replace(reader, cadence_s=every)


def _small_angle(text: str, option: str) -> float:
    """Arcsec, more than nothing and up to an arcminute: more is a wrong unit."""
    arcsec = quantity.parse(text, quantity.Kind("arcsec", "arcsec", "2 arcsec"), option)
    if not 0 < arcsec <= 60:
        raise InputError(
            f"{arcsec:g} arcsec is given, allowed is more than 0 and up to 60 arcsec", "e.g. 2 arcsec", option
        )
    return arcsec


def _accuracy(
    wish: Wish, wanted: tonight.Tonight, setup: Setup, site: Site, at: datetime
) -> tuple[float, str, tuple[Note, ...]]:
    from poleward.planning.needed import needed_accuracy

    stated, guided = wish.accuracy, not wish.unguided
    outfit, targets = wanted.outfit(setup, guided=guided), wanted.read(site)
    if stated is not None:
        return quantity.parse(stated, quantity.ACCURACY, "--accuracy"), "as asked for", ()
    if targets:
        if site.longitude_rad is None:
            raise InputError(
                "targets need the site's longitude", "give --longitude or [site] longitude (east positive)"
            )
        lowest = wanted.lowest(setup)
        needed = needed_accuracy(targets, site, outfit, at=at, lowest_altitude_deg=lowest)
        why = f"what {needed.name} needs to pass{'' if guided else ' unguided'} 95 times in 100"
        return needed.accuracy_arcmin, why, needed.notes
    return DEFAULT_ACCURACY_ARCMIN, "the default; --accuracy or --targets say otherwise", ()


def _blocked(texts: tuple[str, ...]) -> tuple[Blocked, ...]:
    from poleward.planning.timing import Blocked

    sectors = []
    for number, text in enumerate(texts, 1):
        where = f"--blocked {number}"
        pairs = common.inline_pairs(text, where, "from=60deg, to=150deg, up_to=40deg")
        quantity.refuse_unknown(pairs, SECTOR, where)
        quantity.refuse_missing(pairs, SECTOR[:2], "write e.g. from=60deg, to=150deg, up_to=40deg", where)
        degrees = {
            name: math.degrees(quantity.parse(value, quantity.ANGLE, where, name))
            for name, value in pairs.items()
        }
        up_to = degrees.get("up_to", 90.0)
        if not 0 < up_to <= 90:
            raise InputError(f"up_to is {up_to:g} deg, allowed is more than 0 and up to 90 deg", "", where)
        sectors.append(Blocked(degrees["from"], degrees["to"], up_to))
    return tuple(sectors)


def _mover(wish: Wish) -> Mover:
    from poleward.planning.pairing import Mover

    kind = quantity.Kind("deg / s", None, "2 deg/s", "", "could be per second or per minute")
    speed = quantity.parse(wish.slew_rate or "2 deg/s", kind, "--slew-rate")
    seconds = quantity.parse(wish.centring or "60 s", quantity.DURATION, "--centring")
    if speed < SLOWEST_DEG_PER_S:
        raise InputError(
            f"{speed:g} deg/s is given, allowed is {SLOWEST_DEG_PER_S:g} deg/s or more", "", "--slew-rate"
        )
    if not 0 <= seconds <= LONGEST_CENTRING_S:
        raise InputError(
            f"{seconds:g} s is given, allowed is 0 to {LONGEST_CENTRING_S:g} s", "e.g. 60 s", "--centring"
        )
    return Mover(speed, seconds)
