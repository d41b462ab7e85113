"""The chart of rounds: the axis' way to the pole, and how far off it was each time."""

from __future__ import annotations

import itertools
import math
from typing import Any

import numpy as np

from poleward.report.chart import (
    DAY,
    NIGHT,
    Palette,
    dressed,
    ellipse_points,
    legend_of,
    new_figure,
    scale_errors,
)
from poleward.rounds.story import Told
from poleward.sky.axis import Floats

LEAST_SHOWN_ARCMIN = 0.1
"""The scale of offsets is logarithmic: an axis on the pole stands at its foot."""

NEAR = 0.1
"""Of half the picture: labels of points closer than that would lie upon each other."""


def rounds_chart(told: Told, *, night: bool = False) -> Any:
    """Return a figure: above, the axis as seen looking at the pole; below, its offset against the limit."""
    palette = NIGHT if night else DAY
    figure = new_figure(palette, 7.0, 8.0)
    way, offsets = figure.subplots(2, 1, height_ratios=(3, 1.3))
    _way(way, told, palette)
    _offsets(offsets, told, palette)
    legend_of(figure, palette, loc="outside lower center", ncols=3)
    return figure


def _way(axes: Any, told: Told, palette: Palette) -> None:
    dressed(axes, palette)
    errors = told.response.errors
    south = (told.rounds[-1].axis.get("latitude_deg") or 0.0) < 0
    reach = 1.25 * max(*(np.abs(errors) * (told.level, 1.0)).max(axis=0), 1.5 * told.limit_arcmin)
    angle = np.linspace(0, 2 * math.pi, 181)
    ring = told.limit_arcmin * np.array([np.cos(angle) / told.level, np.sin(angle)])
    axes.plot(
        *ring,
        color=palette.altitude,
        linewidth=1.5,
        linestyle="--",
        label=f"limit, {told.limit_arcmin:g} arcmin",
    )
    axes.plot(0, 0, marker="+", markersize=18, markeredgewidth=2, color=palette.pole, linestyle="none")
    for begin, end in itertools.pairwise(errors):
        arrow = {"arrowstyle": "-|>", "color": palette.azimuth, "linewidth": 1.6, "shrinkA": 7, "shrinkB": 7}
        axes.annotate("", xy=end, xytext=begin, arrowprops=arrow)
    outline = ellipse_points(told.response.errors_covariance, 2) + errors[-1]
    axes.fill(*outline.T, facecolor=palette.axis, alpha=0.2, label="2 sigma of the last")
    axes.plot(
        *errors.T, marker="o", markersize=7, color=palette.axis, linestyle="none", label="the axis, by round"
    )
    for numbers, point in _named(errors, NEAR * reach):
        side = 1 if point[1] >= 0 else -1
        axes.annotate(
            ", ".join(map(str, numbers)), point, xytext=(0, 9 * side), textcoords="offset points", color=palette.ink,
            ha="center", va="bottom" if side > 0 else "top", weight="bold",
        )  # fmt: skip
    scale_errors(axes, reach, told.level, south=south)
    count = len(told.rounds)
    axes.set_title(
        f"After {count} round{'s' if count > 1 else ''}: {told.offsets[-1]:.1f} arcmin from the pole",
        fontsize=11,
    )


def _named(errors: Floats, near: float) -> list[tuple[list[int], Floats]]:
    """Numbers of rounds and where to write them: those that lie close together share one label."""
    named: list[tuple[list[int], Floats]] = []
    for number, point in enumerate(errors, 1):
        beside = [numbers for numbers, other in named if np.abs(point - other).max() < near]
        if beside:
            beside[0].append(number)
        else:
            named.append(([number], point))
    return named


def _offsets(axes: Any, told: Told, palette: Palette) -> None:
    from matplotlib.ticker import LogLocator, NullFormatter

    dressed(axes, palette)
    numbers = np.arange(1, len(told.rounds) + 1)
    sizes = np.maximum(told.offsets, LEAST_SHOWN_ARCMIN)
    axes.plot(numbers, sizes, marker="o", color=palette.axis, linewidth=1.5)
    axes.axhline(told.limit_arcmin, color=palette.altitude, linewidth=1.5, linestyle="--")
    axes.set_yscale("log")
    axes.yaxis.set_major_locator(LogLocator(subs=(1, 2, 5)))
    axes.yaxis.set_major_formatter("{x:g}")
    axes.yaxis.set_minor_formatter(NullFormatter())
    axes.set_xticks(numbers)
    axes.set_xlim(0.7, len(numbers) + 0.3)
    axes.set_xlabel("round")
    axes.set_ylabel("offset [arcmin]")
