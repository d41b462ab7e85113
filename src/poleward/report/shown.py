"""Every kind of result with its text, its chart and its table: what `door.show` and the commands ask for."""

from __future__ import annotations

import math
import sys
from datetime import datetime
from importlib import import_module
from typing import TYPE_CHECKING, Any

from poleward import __version__
from poleward.errors import printable_lines
from poleward.report.style import Signs, paragraph, signs_for
from poleward.report.tables import record_table
from poleward.sky.site import Site

if TYPE_CHECKING:
    from astropy.table import Table
    from matplotlib.figure import Figure

    from poleward.report.page import Page

LOOKS = {
    "Solution": ("text.solution_text", "chart.axis_chart", "drifts"),
    "Check": ("check_text.check_text", "check_chart.check_chart", "targets"),
    "Plan": ("plan_text.plan_text", "plan_chart.plan_chart", "pointings"),
    "Told": ("rounds_text.rounds_text", "rounds_chart.rounds_chart", "rounds"),
    "FrameDrifts": ("frames_text.frames_text", "frames_chart.frames_chart", "pointings"),
    "LogSolution": ("log_text.log_text", "log_chart.log_chart", "sections"),
}
"""For each kind of result: what makes its text and its chart, and what in its record becomes the rows of a table.

By name, so that a command imports what it shows and no more."""


def _made(result: Any, place: int, *arguments: Any, **options: Any) -> Any:
    module, name = LOOKS[type(result).__name__][place].split(".")
    return getattr(import_module(f"poleward.report.{module}"), name)(result, *arguments, **options)


def text_of(result: Any, signs: Signs | None = None, source: str = "") -> str:
    """Return all that there is to say about a result, and a last line that says for which site and from which setup file.

    `signs` are what the stream can show; left out: standard output's.
    """
    text = _made(result, 0, signs or signs_for(sys.stdout))
    if type(result).__name__ == "FrameDrifts":  # neither site nor knobs have a part in it
        last = f"Setup from {source}." if source else ""
    elif hasattr(result, "site"):
        last = site_line(result.site, source)
    else:
        last = f"Knobs from {source}." if source else "Knobs: no setup file says what they do."
    return printable_lines(f"{text}\n\n{last}" if last else text)


def figure_of(result: Any, *, night: bool = False) -> Figure:
    """Return the chart of a result."""
    from poleward.report.chart import printable_texts

    figure: Figure = _made(result, 1, night=night)
    printable_texts(figure)
    return figure


def table_of(result: Any) -> Table:
    """Return the table of a result: its rows, and everything else as metadata."""
    return record_table(result.to_record(), LOOKS[type(result).__name__][2])


def page_of(result: Any, source: str = "") -> Page:
    """Return the page of a result, made now."""
    from poleward.report.page import record_page
    from poleward.report.page import table_of as page_table
    from poleward.solving.knobs import CAUTIONS

    made = f"poleward {__version__}, {datetime.now().astimezone():%Y-%m-%d %H:%M}"
    signs = Signs("\N{PLUS-MINUS SIGN}")
    text, record = text_of(result, signs, source), result.to_record()
    rows, more = LOOKS[type(result).__name__][2], []
    if rows == "rounds":
        from poleward.report.rounds_text import knob_rows, page_rows

        record[rows], knobs = page_rows(result), knob_rows(result, signs)
        heading = "What a clockwise turn does (east and up positive)"
        more = [page_table(heading, knobs, dict.fromkeys(knobs[0], 0))]
    return record_page(record, rows, text, figure_of(result), CAUTIONS, (made,), more)


def site_line(site: Site, source: str = "") -> str:
    """Return what says which site and air were used, so that a stray setup file or a slip of sign cannot hide."""
    air = site.air
    bent = (
        f"air {air.pressure_hpa:.0f} hPa, {air.temperature_c:.0f} deg C"
        if air.pressure_hpa
        else "no refraction"
    )
    read = f"; setup from {source}" if source else ""
    there = f"latitude {math.degrees(site.latitude_rad):+.2f}"
    if site.longitude_rad is not None:
        there += f", longitude {math.degrees(site.longitude_rad):+.2f}"
    return paragraph(f"Site: {there} deg, {bent}{read}.", "  ")
