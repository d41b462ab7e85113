"""The plan's chart: the sky seen from the site, with the pointings, the pole, the meridian and what blocks the view."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Any

import numpy as np

from poleward.planning.planned import Plan, Proposal
from poleward.planning.timing import SUN_KEEP_OUT_DEG
from poleward.report.chart import DAY, NIGHT, Palette, new_figure
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
    axes.set_rgrids([30, 60], ["60 deg", "30 deg"], color=palette.ink, fontsize=8, angle=100)
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
    if result.textbook is not None:
        _textbook(axes, result.textbook, palette)
    _pointings(axes, result, palette)
    best = result.proposal
    axes.set_title(
        f"{minutes_text(best.total_minutes)} tell the axis to {arcmin_text(best.sigma_arcmin)} arcmin",
        color=palette.ink, fontsize=12, pad=30,
    )  # fmt: skip
    legend = axes.legend(
        loc="upper center", bbox_to_anchor=(0.5, -0.06), frameon=False, ncols=2, fontsize=9, markerscale=0.6
    )
    for entry in legend.get_texts():
        entry.set_color(palette.ink)
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


def _pointings(axes: Any, result: Plan, palette: Palette) -> None:
    best = result.proposal
    named: set[str] = set()
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
        # The minutes stand on the side where the star does not; as drawn, height grows toward the north.
        over = one.star is not None and (
            (90 - one.star.altitude_deg) * math.cos(math.radians(one.star.azimuth_deg))
            < place[1] * math.cos(place[0])
        )
        axes.annotate(
            minutes_text(one.minutes), place, xytext=(0, 17 if over else -17), textcoords="offset points", ha="center",
            va="bottom" if over else "top", color=palette.axis, fontsize=10, weight="bold", zorder=6,
            bbox={"facecolor": palette.paper, "edgecolor": "none", "alpha": 0.85, "pad": 1.0},
        )  # fmt: skip
        if one.star is not None and one.star.name not in named:
            named.add(one.star.name)
            star = math.radians(one.star.azimuth_deg), 90 - one.star.altitude_deg
            axes.plot(*star, marker="*", markersize=11, color=palette.ink, linestyle="none", zorder=4)
            # The name stands on the side away from the pointing, as drawn: x grows toward the west.
            left = star[1] * math.sin(star[0]) > place[1] * math.sin(place[0])
            axes.annotate(
                one.star.name, star, xytext=(-8 if left else 8, 0), textcoords="offset points", va="center",
                ha="right" if left else "left", color=palette.ink, fontsize=9, zorder=6,
            )  # fmt: skip


def _textbook(axes: Any, textbook: Proposal, palette: Palette) -> None:
    for number, one in enumerate(textbook.pointings):
        axes.plot(
            math.radians(one.azimuth_deg), 90 - one.altitude_deg, marker="s", markersize=12, linestyle="none",
            markerfacecolor="none", markeredgewidth=1.8, color=palette.azimuth, zorder=3,
            label=f"common choice, {minutes_text(textbook.total_minutes)}" if not number else "_book",
        )  # fmt: skip
