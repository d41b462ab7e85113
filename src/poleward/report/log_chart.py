"""The log's chart: each section's track with the fit, or, of many, the answers against time; and the axis."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from poleward.guidelog.fitting.logsolution import LogGroup, LogSolution, SectionResult
from poleward.guidelog.fitting.trace import Trace
from poleward.report import style
from poleward.report.answers_chart import draw_answers
from poleward.report.chart import (
    DAY,
    NIGHT,
    Palette,
    draw_axis,
    dressed,
    ellipse_points,
    legend_below,
    legend_of,
    new_figure,
)

MOST_TRACKS = 6
"""More tracks than this are no longer read one by one."""
MOST_POINTS = 1500
"""Of a track: more dots than pixels across hide each other."""
MOST_ELLIPSES = 30
"""More of them than this are a smear: then points alone."""


@dataclass(frozen=True)
class Inks:
    """Colours of a track; at night told apart by marker and line."""

    logged: str
    undone: str
    fit: str
    lost: str


DAY_INKS = Inks(style.PURPLE, style.GREEN, style.BLACK, style.VERMILION)
NIGHT_INKS = Inks("#6E1414", "#B01818", "#E03030", "#D02020")


def log_chart(result: LogSolution, *, night: bool = False) -> Any:
    """Return a figure: the tracks of up to six sections, or the answers against time; beside them the axis."""
    palette, inks = (NIGHT, NIGHT_INKS) if night else (DAY, DAY_INKS)
    traces = [trace for group in result.groups for trace in group.traces]
    used = [section for section in result.sections if not section.reason]
    if len(used) <= MOST_TRACKS and len(traces) == len(used):
        return _with_tracks(result, traces, palette, inks)
    return _with_answers(result, used, palette)


def _with_tracks(result: LogSolution, traces: Sequence[Trace], palette: Palette, inks: Inks) -> Any:
    columns = 1 if len(traces) <= 3 else 2
    rows = math.ceil(len(traces) / columns)
    figure = new_figure(palette, 6.4 + 5.4 * columns, max(6.5, 3.4 * rows + 0.6))
    left, right = _halves(figure, 5.4 * columns, palette)
    cells = left.subfigures(rows, columns, squeeze=False).ravel()
    several = len({trace.file for trace in traces}) > 1
    used = [section for section in result.sections if not section.reason]
    for cell, trace, section in zip(cells, traces, used, strict=False):
        cell.set_facecolor(palette.paper)
        title = f"{trace.file} {trace.label}" if several else trace.label
        if section.hour_angle_h is not None:
            title += f": hour angle {section.hour_angle_h:+.1f} h, dec {section.dec_deg:+.0f}, alt {section.altitude_deg:.0f} deg"
        _track(cell, trace, title, palette, inks)
    found = {}
    for cell in cells[: len(traces)]:
        for axes in cell.axes:
            found.update(dict(zip(*reversed(axes.get_legend_handles_labels()), strict=True)))
    legend_of(
        left, palette, handles=list(found.values()), labels=list(found), loc="outside lower center", ncols=2
    )
    _the_axis(right, result, palette)
    return figure


def _halves(figure: Any, width: float, palette: Palette) -> tuple[Any, Any]:
    """Part a figure: on the left so much for what was measured, on the right room for the axis."""
    left, right = figure.subfigures(1, 2, width_ratios=[width, 6.4])
    for part in (left, right):
        part.set_facecolor(palette.paper)
    return left, right


def _the_axis(figure: Any, result: LogSolution, palette: Palette) -> None:
    """Draw the axis, and each group's own answer."""
    axes = figure.add_subplot()
    draw_axis(axes, result.solution, palette, _reach(result))
    _points(axes, result, palette)


def _track(figure: Any, trace: Trace, title: str, palette: Palette, inks: Inks) -> None:
    """One section: its track above, what the fit leaves below."""
    upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=[2.4, 1])
    for axes in (upper, lower):
        dressed(axes, palette)
        axes.axhline(0, color=palette.faint, linewidth=0.8, zorder=1)
    minutes = trace.seconds / 60
    step = max(1, math.ceil(len(minutes) / MOST_POINTS))
    few = np.arange(0, len(minutes), step)
    kept = few[trace.kept[few]]
    lost = np.flatnonzero(~trace.kept)
    dots = {"linestyle": "none", "rasterized": True}
    if trace.guided:
        upper.plot(
            minutes[kept], trace.logged_arcsec[kept], color=inks.logged, marker="x", markersize=2.5,
            label="the star as logged, guided", zorder=2, **dots,
        )  # fmt: skip
    name = "corrections undone" if trace.guided else "the star as logged"
    upper.plot(
        minutes[kept], trace.undone_arcsec[kept], color=inks.undone, marker=".", markersize=4,
        label=f"{name}, levels joined", zorder=3, **dots,
    )  # fmt: skip
    upper.plot(
        minutes, trace.fitted_arcsec, color=inks.fit, linewidth=1.6, label="by the fitted axis", zorder=4
    )
    lower.plot(
        minutes[kept], trace.residual_arcsec[kept], color=inks.undone, marker=".", markersize=3, **dots
    )
    reach = 5 * float(np.std(trace.residual_arcsec[trace.kept]))
    # Rows set aside are shown at the rim where they are further off.
    named = {"label": "rows set aside"} if len(lost) else {}
    lower.plot(
        minutes[lost], np.clip(trace.residual_arcsec[lost], -0.95 * reach, 0.95 * reach), color=inks.lost,
        marker="+", markersize=6, **dots, **named,
    )  # fmt: skip
    for first in trace.starts[1:]:
        lower.axvline(minutes[first], color=palette.faint, linewidth=0.8, linestyle=(0, (2, 2)), zorder=1)
    lower.set_ylim(-reach, reach)
    upper.set_title(title, fontsize=10)
    upper.set_ylabel("north [arcsec]")
    lower.set_ylabel("left over")
    lower.set_xlabel("minutes")


def _answers(result: LogSolution) -> list[LogGroup]:
    """Groups that know both errors, where there are several groups."""
    if len(result.groups) < 2:
        return []
    return [
        group for group in result.groups if group.solution is not None and group.solution.determined == "both"
    ]


def _reach(result: LogSolution) -> float:
    """Half height of the axis chart so that all answers are in it, arcmin on the sky."""
    sizes = [0.0]
    for group in _answers(result):
        solution = group.solution
        assert solution is not None
        sizes.append(abs(solution.azimuth_error_arcmin or 0.0) * solution.pole.level)
        sizes.append(abs(solution.altitude_error_arcmin or 0.0) + (solution.altitude_sigma_arcmin or 0.0))
    return 1.2 * max(sizes)


def _points(axes: Any, result: LogSolution, palette: Palette) -> None:
    """Each group's own answer in the axis chart."""
    groups = _answers(result)
    away = 1 if (result.solution.altitude_error_arcmin or 0.0) >= 0 else -1
    rims = []
    for number, group in enumerate(groups):
        solution = group.solution
        assert solution is not None
        spot = np.array([solution.azimuth_error_arcmin, solution.altitude_error_arcmin])
        axes.plot(
            *spot, color=palette.ink, marker="s", markersize=3.5, markerfacecolor=palette.paper, markeredgecolor=palette.ink,
            linestyle="none", zorder=4, label=None if number else "each group's own answer",
        )  # fmt: skip
        rims.append(spot[1] + away * (solution.altitude_sigma_arcmin or 0.0))
        if len(groups) <= MOST_ELLIPSES:
            outline = ellipse_points(solution.covariance_arcmin2, 1.0) + spot
            axes.plot(*outline.T, color=palette.ink, linewidth=0.6, alpha=0.6, zorder=3)
    for text in axes.texts if groups else ():
        if text.get_text() == "the axis":  # its name stands beyond all the answers
            text.xy = (text.xy[0], max(rims) if away > 0 else min(rims))
    if groups and axes.get_legend() is not None:
        legend_below(axes, palette)


def _with_answers(result: LogSolution, used: Sequence[SectionResult], palette: Palette) -> Any:
    figure = new_figure(palette, 13.0, 8.0)
    left, right = _halves(figure, 6.6, palette)
    draw_answers(left, result, used, palette)
    _the_axis(right, result, palette)
    return figure
