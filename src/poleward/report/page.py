"""One self-contained page to keep: for a phone at the mount, and for the notebook. No script, nothing from elsewhere."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib.resources import files
from typing import Any

from poleward.door.record import column_of
from poleward.errors import printable_lines
from poleward.report.chart import figure_bytes
from poleward.report.style import IN_DEGREES_ARCMIN, dec_text, decimals_for, ra_text
from poleward.report.tables import flat_row

DOUBT = "! "
"""Begins a line above a verdict that makes it doubtful."""
LISTED = re.compile(r"  (azimuth|altitude)\b")
"""A line of a verdict that is an item of its list."""
BROAD_INCHES = 8.0
"""Width from which a chart, two pictures side by side, keeps its size and is pushed sideways on a phone."""
ON_PAGE = 0.85
"""Of the others' size, their letters staying as they are: larger beside them on a phone, and the longest legend still fits."""
LONGEST_CELL = 60
"""Characters of a label shown in a table; the rest would push the numbers off a phone."""


@dataclass(frozen=True)
class PageMove:
    """One knob: what to do in words, and the strokes as turns, clockwise positive, for its dials."""

    knob: str
    words: str
    strokes: tuple[float, ...] = ()


@dataclass(frozen=True)
class PageTable:
    """A table: a heading, the names of its columns, and rows of text."""

    heading: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True)
class Page:
    """What a page holds; every text is text, never markup.

    Attributes
    ----------
    title : str
    verdict : str
        Its first line stands out.
    moves : tuple of PageMove
    tables : tuple of PageTable
    charts : tuple of (str, Figure)
        Captions and figures.
    doubts : tuple of str
        What stands above the verdict: with any of them it hangs on something that the user should look at.
    notes, cautions : tuple of str
    text : str
        The whole report, folded away.
    footer : tuple of str
        Site, versions, when it was made.
    """

    title: str
    verdict: str
    moves: tuple[PageMove, ...] = ()
    tables: tuple[PageTable, ...] = ()
    charts: tuple[tuple[str, Any], ...] = ()
    doubts: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    text: str = ""
    footer: tuple[str, ...] = ()


def table_of(heading: str, rows: Sequence[Mapping[str, Any]], columns: Mapping[str, int]) -> PageTable:
    """Return a table of records.

    Parameters
    ----------
    heading : str
    rows : sequence of mapping
        As in a result's record.
    columns : mapping
        Names of the columns in their order, with the decimals of numbers. One that no row fills is left out.
    """
    head = []
    columns = {name: n for name, n in columns.items() if any(row.get(name) is not None for row in rows)}
    for name in columns:
        what, unit = column_of(name)
        words = what.replace("_", " ")
        head.append(f"{words} [{'h' if unit == 'hourangle' else unit}]" if unit else words)
    body = tuple(
        tuple(_cell(name, row.get(name), places) for name, places in columns.items()) for row in rows
    )
    return PageTable(heading, tuple(head), body)


WRITTEN = {"ra_h": ra_text, "icrs_dec_deg": dec_text}
"""Columns that are typed into a hand control, and how."""


def _cell(name: str, value: Any, places: int) -> str:
    if value is None:
        return "?" if name == "within" else ""
    if name in WRITTEN:
        return WRITTEN[name](value)
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        text = f"{value:.{places}f}"
        return text.lstrip("-") if float(text) == 0 else text
    text = str(value)
    return text if len(text) <= LONGEST_CELL else f"{text[: LONGEST_CELL - 3]}..."


COLUMNS: Mapping[str, Mapping[str, int]] = {
    "drifts": {
        "label": 0, "hour_angle_h": 2, "dec_deg": 1, "altitude_deg": 0, "duration_s": 0, "north_arcsec": 2,
        "north_fitted_arcsec": 2, "north_sigma_arcsec": 2, "pull": 1, "rotation_arcmin": 2, "rotation_fitted_arcmin": 2,
        "rotation_sigma_arcmin": 2, "used": 0,
    },
    "sections": {
        "label": 0, "hour_angle_h": 2, "dec_deg": 1, "altitude_deg": 0, "duration_s": 0, "rows_used": 0,
        "north_rate_arcsec_per_min": 3, "north_rate_sigma_arcsec_per_min": 3,
    },
    "targets": {
        "name": 0, "within": 0, "problem": 0, "exposure_s": 0, "rotation_guided_arcmin_per_h": 2, "north_drift_arcsec_per_min": 2,
        "trail_guided_pix": 2, "longest_guided_s": 0, "tolerance_arcmin": 1,
    },
    "pointings": {
        "label": 0, "star": 0, "ra_h": 0, "icrs_dec_deg": 0, "hour_angle_h": 2, "dec_deg": 1, "azimuth_deg": 0, "altitude_deg": 0, "minutes": 1,
    },
    "rounds": {"at": 0, "azimuth_error_arcmin": 1, "altitude_error_arcmin": 1, "offset_arcmin": 1, "azimuth_turned": 0, "altitude_turned": 0},
}  # fmt: skip
"""What a page shows of a record's rows, and with how many decimals; the record has the rest."""


def record_page(
    record: Mapping[str, Any],
    rows: str,
    text: str,
    figure: Any,
    cautions: Sequence[str],
    footer: Sequence[str],
    more: Sequence[PageTable] = (),
) -> Page:
    """Return a page of any result that has a record.

    Parameters
    ----------
    record : mapping
        Of the result.
    rows : str
        Which list of it becomes the table.
    text : str
        The result as text: its first block, or the one below lines that begin with ``!``, is the verdict, its last one the
        line about the site.
    figure : Figure
    cautions : sequence of str
        Shown where there is something to turn.
    footer : sequence of str
        Version, and when the page was made.
    more : sequence of PageTable
        Beside that of the rows.
    """
    verdict, *rest = text.split("\n\n")
    doubts: tuple[str, ...] = ()
    if verdict.startswith(DOUBT):
        doubts = tuple(" ".join(doubt.split()) for doubt in verdict.removeprefix(DOUBT).split(f"\n{DOUBT}"))
        verdict = rest[0]
    flat = [flat_row(row) for row in record[rows]]
    known = {key for row in flat for key in row}
    columns = {name: places for name, places in COLUMNS[rows].items() if name in known}
    axis = record.get("axis", {})
    moves = tuple(
        _move(move, axis.get(f"{move['knob']}_sigma_arcmin") or 0.0) for move in record.get("moves", ())
    )
    return Page(
        f"poleward: {record['record']}",
        verdict,
        moves,
        (table_of(rows.capitalize(), flat, columns), *more),
        (("", figure),),
        doubts,
        tuple(note["text"] for note in record.get("warnings", ()) if note["text"] not in doubts),
        tuple(cautions) if moves else (),
        text,
        (rest[-1], *footer),
    )


def _move(move: Mapping[str, Any], sigma: float) -> PageMove:
    """Return a move with its dials; with none where the error is less than its uncertainty, as in the text."""
    way = -1.0 if move.get("direction") == "counter-clockwise" else 1.0
    turns, size = move.get("turns"), abs(move["move_arcmin"])
    strokes = move.get("strokes_turns") or ([] if turns is None else [way * turns])
    places = decimals_for(sigma) if sigma else 1
    words = f"{size:.{places}f} arcmin" if size < IN_DEGREES_ARCMIN else f"{size / 60:.2f} deg"
    words = f"{words} {move['toward'].upper()}"
    if size < sigma:
        return PageMove(move["knob"], f"nothing to turn: {words} is less than its uncertainty")
    told = " then ".join(
        f"{abs(s):.2f} turn {'clockwise' if s > 0 else 'counter-clockwise'}" for s in strokes
    )
    doubt = " (less than twice its uncertainty: it may be left)" if size < 2 * sigma else ""
    return PageMove(move["knob"], f"{words}{f': {told}' if told else ''}{doubt}", tuple(strokes))


def dial(stroke: float) -> dict[str, Any]:
    """Return what a dial shows of a stroke: whole turns, and the arc of the rest from the top, in degrees.

    The arc is an SVG path on a circle of radius 40 about zero, y downward; clockwise as seen looking at the knob.
    """
    size = abs(stroke)
    whole, rest = divmod(size, 1.0)
    angle = 2 * math.pi * rest * (1 if stroke > 0 else -1)
    x, y = 40 * math.sin(angle), -40 * math.cos(angle)
    # The tip of an arrow: along the circle at the arc's end.
    along = math.degrees(angle) + (0 if stroke > 0 else 180)
    return {
        "whole": int(whole),
        "degrees": round(360 * rest),
        "way": "clockwise" if stroke > 0 else "counter-clockwise",
        "path": f"M0,-40A40,40 0 {int(rest > 0.5)} {int(stroke > 0)} {x:.2f},{y:.2f}",
        "tip": f"translate({x:.2f},{y:.2f}) rotate({along:.1f})",
    }


def page_html(page: Page) -> str:
    """Return the page as HTML; jinja2 escapes every text."""
    from jinja2 import Environment, StrictUndefined
    from markupsafe import Markup

    template = (files("poleward") / "data" / "page.html").read_text(encoding="utf-8")
    environment = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True, finalize=_printable
    )
    charts = [(caption, Markup(_svg(one)), _broad(one)) for caption, one in page.charts]
    verdict, *details = _unwrapped(page.verdict)
    moves = [(move, [dial(stroke) for stroke in move.strokes]) for move in page.moves]
    return environment.from_string(template).render(
        page=page, verdict=verdict.removesuffix(":"), details=details, moves=moves, charts=charts
    )


def _unwrapped(text: str) -> list[str]:
    """Return text without the line breaks that a terminal needs; each error of the axis stays on a line of its own."""
    lines: list[str] = []
    for line in text.splitlines():
        listed = any(LISTED.match(one) for one in (line, *lines[-1:]))
        if lines and not listed and not lines[-1].endswith((".", ":", ")")):
            lines[-1] += f" {line.strip()}"
        else:
            lines.append(line)
    return lines


def _printable(value: Any) -> Any:
    """Leave in a text that is put into the page only what may be shown; charts have been through it."""
    plain = isinstance(value, str) and not hasattr(value, "__html__")
    return printable_lines(value) if plain else value


def _broad(figure: Any) -> bool:
    return bool(figure.get_figwidth() > BROAD_INCHES)


def _svg(figure: Any) -> str:
    """Return a figure as an SVG element: without the declaration of a file, and without links."""
    if not _broad(figure):
        figure.set_size_inches(ON_PAGE * figure.get_size_inches())
    text = figure_bytes(figure, "page.svg").decode("utf-8")
    element = text[text.index("<svg") :]
    begin, end = element.find("<metadata>"), element.find("</metadata>")
    return element if begin < 0 else element[:begin] + element[end + len("</metadata>") :]
