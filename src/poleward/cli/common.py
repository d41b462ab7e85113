"""What the commands share: options as typed objects, the setup, one delivery of results."""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Callable
from dataclasses import dataclass, field, fields
from functools import wraps
from typing import TYPE_CHECKING, Any, TypeVar

import click

from poleward.cli import streams
from poleward.door.files import refuse_existing, refuse_same, write_whole
from poleward.errors import InputError, UsageError, printable_lines

if TYPE_CHECKING:
    from poleward.setup import Setup
    from poleward.sky.look import Pointing
    from poleward.sky.site import Site

Command = TypeVar("Command", bound=Callable[..., Any])
Option = Callable[[Any], Any]

DRIVE_RATE = click.option(
    "--drive-rate", metavar="RATE", help="sidereal, king, solar, or a rate such as '15.0369 arcsec/s'."
)
POLE = click.option(
    "--pole", default="apparent", metavar="POLE", help="apparent (as refraction shows it) or true."
)
POINTING_ERROR = click.option(
    "--pointing-error",
    default="0.5 deg",
    metavar="ANGLE",
    help="Of hour angles and azimuths read off a circle [0.5 deg].",
)
SETUP = click.option("--setup", metavar="FILE", help="Setup file; else poleward.toml here, else your own.")
ALLOW_LOW = click.option("--allow-low", is_flag=True, help="Use stars below 10 deg altitude too.")


def watch_option(default: str) -> Option:
    """Return --watch; `default` says whose pointing is watched if nothing is said."""
    return click.option(
        "--watch",
        metavar="PAIRS",
        help=f"Pointing at which a star is watched while knobs are turned [{default}].",
    )


def option(name: str, metavar: str, told: str, *also: str, **more: Any) -> Any:
    """Return a field of a dataclass for `grouped`: an option of a command, with its other names, and help as it is told."""
    empty = () if more.get("multiple") else None
    return given(click.option(name, *also, metavar=metavar, help=told, **more), more.get("default", empty))


def flag(name: str, told: str, *also: str) -> Any:
    """Return the field of an option that is there or not."""
    return given(click.option(name, *also, is_flag=True, help=told), False)


def given(shared: Option, default: Any = None) -> Any:
    """Return the field of an option that several commands share."""
    return field(default=default, metadata={"option": shared})


def grouped(name: str, kind: type) -> Callable[[Command], Command]:
    """Add the options that are a dataclass's fields to a command, which gets them as one object, its parameter `name`."""

    def decorated(command: Command) -> Command:
        @wraps(command)
        def called(**values: Any) -> Any:
            made = kind(**{one.name: values.pop(one.name) for one in fields(kind)})
            return command(**{name: made}, **values)

        for one in reversed(fields(kind)):
            one.metadata["option"](called)
        return called  # type: ignore[return-value]

    return decorated


@dataclass(frozen=True)
class Place:
    """Where the mount stands, as far as flags say; they win over the setup."""

    setup: str | None = given(SETUP)
    latitude: str | None = option("--latitude", "ANGLE", "North positive, e.g. 47.1deg or -33d52m.")
    longitude: str | None = option("--longitude", "ANGLE", "East positive; only for right ascensions.")
    elevation: str | None = option("--elevation", "LENGTH", "Of the site, e.g. 560m.")
    tz: str | None = option(
        "--tz", "ZONE", "Zone of times without an offset: UTC, local, Europe/Zurich, +01:00."
    )
    pressure: str | None = option("--pressure", "PRESSURE", "Of the air, e.g. 950hPa; 0hPa: no refraction.")
    temperature: str | None = option("--temperature", "TEMP", "Of the air, e.g. 4deg_C.")
    humidity: str | None = option("--humidity", "FRACTION", "Of the air, 0 to 1.")
    wavelength: str | None = option("--wavelength", "LENGTH", "Of the light, e.g. 0.55um.")

    def read(self) -> tuple[Setup, Site]:
        """Return the setup and the site."""
        from poleward.setup import find_setup

        setup = find_setup(self.setup)
        return setup, self.site(setup)

    def site(self, setup: Setup) -> Site:
        """Return the site of a setup, flags in place of what it says."""
        names = [one.name for one in fields(self) if one.name not in ("setup", "tz")]
        return setup.site(**{name: getattr(self, name) for name in names}, timezone=self.tz)


place_options = grouped("place", Place)


@dataclass(frozen=True)
class Output:
    """Where the result goes, and how."""

    as_json: bool = flag("--json", "Print the record as JSON instead of text.", "as_json")
    output: str | None = option("--output", "FILE", "Write the result: .json or .ecsv.", "-o")
    chart: str | None = option("--chart", "FILE", "Draw a chart: .png, .svg or .pdf.")
    page: str | None = option("--page", "FILE", "Write one page to keep, for phone and paper: .html.")
    force: bool = flag("--force", "Write over existing files.")
    night: bool = flag("--night", "Print and draw in dim red.")

    def check(self) -> None:
        """Refuse, before any work, names that cannot be written.

        Raises
        ------
        UsageError
            An unknown ending, or an existing file without --force.
        """
        check_ending("--output", self.output, (".json", ".ecsv"), self.force)
        check_ending("--chart", self.chart, (".png", ".svg", ".pdf"), self.force)
        check_ending("--page", self.page, (".html", ".htm"), self.force)

    def write(self, result: Any, source: str) -> None:
        """Write the record or a table, the chart and the page, whichever were asked for."""
        write_record(self.output, result, self.force)
        write_chart(self.chart, result, self.night, self.force)
        if self.page is not None:
            from poleward.report.page import page_html
            from poleward.report.shown import page_of

            write_whole(self.page, page_html(page_of(result, source)), force=self.force)

    def give(self, result: Any, source: str, header: str = "", footer: str = "", told: Any = None) -> None:
        """Write the files that were asked for; then print the record or the text.

        The last line of the text names `source`, the setup file; `header` stands before the text, `footer` after it. `told` is
        what is told as text, where it is not the result as it is.
        """
        from poleward.report.shown import text_of

        self.write(result, source)
        text = "" if self.as_json else header + text_of(told or result, source=source) + footer
        shown = json_text(result.to_record()) if self.as_json else streams.fitted(text, sys.stdout)
        print_result(shown, self.night and not self.as_json)


output_options = grouped("output", Output)


def check_ending(option: str, path: str | None, allowed: tuple[str, ...], force: bool) -> None:
    """Refuse a name with an unknown ending, or one that cannot be written.

    Raises
    ------
    UsageError
        An unknown ending, an existing file without --force, or a file that this command reads.
    """
    if path is None:
        return
    if not path.lower().endswith(allowed):
        raise UsageError(f"{option}: '{path}' has an unknown ending, allowed are {', '.join(allowed)}")
    refuse_existing(path, force)
    for other in _other_files(option):
        refuse_same(path, other)


def _other_files(option: str) -> list[str]:
    """Names of files that are given to this command in other places than this option."""
    context = click.get_current_context()
    found: list[str] = []
    for param in context.command.params:
        if getattr(param.type, "kind", "") == "file" and option not in param.opts:
            value = context.params[str(param.name)]
            found += [value] if isinstance(value, str) else value or ()
    return found


def watched(text: str, site: Site) -> tuple[Pointing, bool]:
    """Return the pointing given by --watch, and whether the tube is on the other side of the mount there.

    Raises
    ------
    InputError
        It cannot be read, or is below the horizon.
    """
    from poleward.sky.look import altitude_of
    from poleward.timings.rows import watch_from_cells

    pointing, turned = watch_from_cells(
        inline_pairs(text, "--watch", "hour_angle=2h, dec=+20d"), "--watch", site.timezone
    )
    height = math.degrees(altitude_of(pointing, site))
    if height < 0:
        raise InputError(f"this place is {-height:.0f} deg below the horizon", "choose another", "--watch")
    return pointing, turned


def write_record(path: str | None, result: Any, force: bool) -> None:
    """Write a result's record, or its table where the file's name does not end in .json, if a file is named."""
    if path is None:
        return
    if path.lower().endswith(".json"):
        write_whole(path, json_text(result.to_record()) + "\n", force=force)
    else:
        from poleward.report.tables import ecsv_of

        write_whole(path, ecsv_of(result.to_table()), force=force)


def write_chart(path: str | None, result: Any, night: bool, force: bool) -> None:
    """Write a result's chart, if a file is named."""
    if path is not None:
        from poleward.report.chart import figure_bytes

        write_whole(path, figure_bytes(result.chart(night=night), path), force=force)


def json_text(record: dict[str, Any]) -> str:
    """Return the record as JSON that every parser takes: no NaN, units in the names."""
    return json.dumps(record, indent=2, allow_nan=False, ensure_ascii=True)


def print_result(text: str, night: bool = False, end: str | None = None) -> None:
    """Print to standard output, at once: a full disk is told of here, not met at the end.

    Only what may be shown is printed: names come from strangers' files. At `night` in dim red, where the terminal can show
    it. Left out, `end` is a line feed, if there is none.
    """
    shown = streams.dimmed(printable_lines(text), sys.stdout, night)
    closing = "" if text.endswith("\n") else "\n"
    sys.stdout.write(shown + (closing if end is None else end))
    sys.stdout.flush()


def tell(text: str) -> None:
    """Print a note to standard error."""
    streams.say(f"poleward: {text}\n")


DRIFT_EXAMPLE = "hour_angle=-0h20m, dec=+3d, duration=5min, north=-4.2arcsec"


def inline_pairs(text: str, option: str, example: str = DRIFT_EXAMPLE) -> dict[str, str]:
    """Split ``name=value, name=value`` as the inline options take it; `example` is one of this option.

    Raises
    ------
    InputError
        A piece without an equals sign, or a name twice.
    """
    pairs: dict[str, str] = {}
    for piece in text.split(","):
        name, equals, value = (part.strip() for part in piece.partition("="))
        if not equals or not name or not value:
            hint = f"e.g. {example} (a decimal point, not a comma)"
            raise InputError(f"'{piece.strip()}' is not name=value", hint, option)
        if name in pairs:
            raise InputError(f"'{name}' is given twice", "", option)
        pairs[name] = value
    return pairs
