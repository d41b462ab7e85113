"""The plan's chart: the sky seen from the site, with the pointings, the pole, the meridian and what blocks the view."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from poleward.planning.planned import Plan, Proposal
from poleward.planning.timing import SUN_KEEP_OUT_DEG
from poleward.report.chart import DAY, NIGHT, Palette, legend_below, new_figure
from poleward.report.plan_text import arcmin_text, minutes_text
from poleward.sky.axis import azimuth_altitude, turned, unit_vector


def plan_chart(result: Plan, *, night: bool = False) -> Any:
    """Return a figure of the whole sky: zenith in the middle, north up, east on the left, as it is seen overhead."""
    palette = NIGHT if night else DAY
    figure = new_figure(palette, 7.6, 8.0)
    axes = figure.add_subplot(projection="polar")
    axes.set_facecolor(palette.paper)
    axes.set_theta_zero_location("N")
    axes.set_rlim(0, 90)
    axes.set_thetagrids(range(0, 360, 45), ["N", "NE", "E", "SE", "S", "SW", "W", "NW"], color=palette.ink)
    axes.set_rgrids([30, 60], ["", ""])
    axes.grid(color=palette.faint, linewidth=0.6)
    axes.spines["polar"].set_color(palette.ink)
    _blocked(axes, result, palette)
    axes.plot([0, math.pi], [90, 90], color=palette.ink, linewidth=1, linestyle=(0, (2, 3)))
    for azimuth in (0.0, math.pi):
        axes.plot(
            [azimuth, azimuth], [0, 90], color=palette.ink, linewidth=1, linestyle=(0, (4, 3)), zorder=2
        )
    pole = math.radians(result.pole.azimuth_deg), 90 - result.pole.altitude_deg
    axes.plot(
        *pole,
        marker="+",
        markersize=16,
        markeredgewidth=2,
        color=palette.pole,
        linestyle="none",
        label="pole",
    )
    _sun(axes, result, palette)
    if result.common_choice is not None:
        _common_choice(axes, result.common_choice, palette)
    labels = _pointings(axes, result, palette) + _rings(palette)
    best = result.proposal
    axes.set_title(
        f"{minutes_text(best.total_minutes)} tell the axis to {arcmin_text(best.sigma_arcmin)} arcmin\n"
        "The sky as it is seen looking up: north up, east on the left",
        color=palette.ink, fontsize=12, pad=30,
    )  # fmt: skip
    legend_below(axes, palette, 0.06, ncols=2, markerscale=0.6)
    _placed(figure, axes, labels, palette)
    return figure


def _band(
    axes: Any, begin_deg: float, width_deg: float, up_to_deg: float, palette: Palette, label: str
) -> None:
    angle = np.radians(begin_deg + np.linspace(0, width_deg, 91))
    axes.fill_between(
        angle, 90 - up_to_deg, 90, facecolor=palette.faint, edgecolor=palette.ink, alpha=0.45, linewidth=0,
        hatch="///" if label == "blocked" else None, label=label, zorder=1,
    )  # fmt: skip


def _blocked(axes: Any, result: Plan, palette: Palette) -> None:
    _band(axes, 0, 360, result.sky.lowest_deg, palette, f"below {result.sky.lowest_deg:g} deg")
    for number, sector in enumerate(result.sky.blocked):
        width = (sector.end_deg - sector.begin_deg) % 360 or 360.0
        _band(
            axes, sector.begin_deg, width, sector.up_to_deg, palette, "blocked" if not number else "_blocked"
        )


def _sun(axes: Any, result: Plan, palette: Palette) -> None:
    """Draw the Sun when it is up, with the circle that is kept clear."""
    if result.sky.suns is None or not len(result.sky.suns):
        return
    colour = "#E69F00" if palette is DAY else palette.ink
    for number, sun in enumerate(result.sky.suns):
        aside = np.cross(sun, [0.0, 0.0, 1.0])
        edge = turned(sun[None, :], aside / np.linalg.norm(aside), math.radians(SUN_KEEP_OUT_DEG))
        ring = turned(np.repeat(edge, 121, axis=0), sun, np.linspace(0, 2 * math.pi, 121))
        azimuth, altitude = azimuth_altitude(ring)
        height = np.degrees(altitude)
        axes.plot(
            azimuth, np.where(height > 0, 90 - height, np.nan), color=colour, linewidth=1, linestyle=":"
        )
        at, up = (float(angle) for angle in azimuth_altitude(sun))
        axes.plot(
            at, 90 - math.degrees(up), marker="o", markersize=13, color=colour, linestyle="none",
            label=f"Sun, now and later: {SUN_KEEP_OUT_DEG:g} deg kept clear" if not number else "_sun",
        )  # fmt: skip


def _path(proposal: Proposal) -> tuple[Any, Any]:
    """Great circles between the pointings, as azimuth and zenith distance."""
    places = [
        unit_vector(math.radians(p.azimuth_deg), math.radians(p.altitude_deg)) for p in proposal.pointings
    ]
    pieces = []
    for first, second in pairwise(places):
        share = np.linspace(0, 1, 41)[:, None]
        line = first * (1 - share) + second * share
        pieces.append(line / np.linalg.norm(line, axis=1, keepdims=True))
    azimuth, altitude = azimuth_altitude(np.concatenate(pieces))
    return azimuth, 90 - np.degrees(altitude)


@dataclass(frozen=True)
class _Label:
    """Words to stand beside a place (azimuth in radians, zenith distance in degrees)."""

    text: str
    place: tuple[float, float]
    size: float
    colour: str
    bold: bool = False


def _pointings(axes: Any, result: Plan, palette: Palette) -> list[_Label]:
    best = result.proposal
    labels, stars = [], {}
    axes.plot(*_path(best), color=palette.axis, linewidth=1, alpha=0.7, zorder=3)
    for number, one in enumerate(best.pointings, 1):
        place = math.radians(one.azimuth_deg), 90 - one.altitude_deg
        axes.plot(
            *place, marker="o", markersize=21, color=palette.axis, linestyle="none", zorder=5,
            markeredgecolor=palette.paper, label="proposed" if number == 1 else "_proposed",
        )  # fmt: skip
        axes.annotate(
            str(number),
            place,
            ha="center",
            va="center",
            color=palette.paper,
            weight="bold",
            fontsize=11,
            zorder=6,
        )
        words = minutes_text(one.minutes)
        if one.star is not None and not one.star.separation_deg:
            words = f"{one.star.name}, {words}"
        elif one.star is not None:
            star = math.radians(one.star.azimuth_deg), 90 - one.star.altitude_deg
            stars[one.star.name] = star
        labels.append(_Label(words, place, 10, palette.axis, True))
    for name, star in stars.items():
        axes.plot(*star, marker="*", markersize=11, color=palette.ink, linestyle="none", zorder=4)
        labels.append(_Label(name, star, 9, palette.ink))
    return labels


def _rings(palette: Palette) -> list[_Label]:
    """Name the circles of altitude 30 and 60, in the middle between two of the lines of azimuth."""
    return [
        _Label(f"{altitude} deg", (math.radians(157.5), 90.0 - altitude), 8, palette.ink)
        for altitude in (30, 60)
    ]


def _placed(figure: Any, axes: Any, labels: list[_Label], palette: Palette) -> None:
    """Write the labels where they hide neither each other nor a mark: the first free place about each, or the least bad."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    renderer = FigureCanvasAgg(figure).get_renderer()  # type: ignore[no-untyped-call]
    figure.draw_without_rendering()
    per_point = figure.dpi / 72
    taken: list[tuple[float, ...]] = []
    for line in axes.get_lines():
        if line.get_marker() not in ("None", "", None):
            half = line.get_markersize() * per_point / 2 + 2
            for x, y in axes.transData.transform(line.get_xydata()):
                taken.append((x - half, y - half, x + half, y + half))
    for label in labels:
        text = axes.annotate(
            label.text, label.place, xytext=(0, 0), textcoords="offset points", ha="center", va="center",
            color=label.colour, fontsize=label.size, weight="bold" if label.bold else "normal", zorder=6,
            bbox={"facecolor": palette.paper, "edgecolor": "none", "alpha": 0.7, "pad": 0.5},
        )  # fmt: skip
        box = text.get_window_extent(renderer)
        choices: list[tuple[float, int, Any, tuple[float, ...]]] = []
        for far in (1.0, 1.6, 2.4):
            for turn in np.radians(np.arange(0, 360, 45) - 90):
                step = np.array([math.cos(turn), math.sin(turn)]) * (box.size / 2 + far * np.array([14, 12]))
                here = tuple(box.translated(*step).extents)
                choices.append((sum(_overlap(here, other) for other in taken), len(choices), step, here))
        _, _, step, here = min(choices, key=lambda one: one[:2])
        text.set_position(step / per_point)
        taken.append(here)


def _overlap(one: tuple[float, ...], other: tuple[float, ...]) -> float:
    wide = min(one[2], other[2]) - max(one[0], other[0])
    high = min(one[3], other[3]) - max(one[1], other[1])
    return max(wide, 0.0) * max(high, 0.0)


def _common_choice(axes: Any, book: Proposal, palette: Palette) -> None:
    for number, one in enumerate(book.pointings):
        axes.plot(
            math.radians(one.azimuth_deg), 90 - one.altitude_deg, marker="s", markersize=12, linestyle="none",
            markerfacecolor="none", markeredgewidth=1.8, color=palette.azimuth, zorder=3,
            label=f"common choice, {minutes_text(book.total_minutes)}" if not number else "_book",
        )  # fmt: skip
