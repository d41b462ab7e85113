"""The check's chart: rotation and drift through the night against the limit, and the axes with which all pass."""

from __future__ import annotations

import math
from datetime import UTC, timedelta
from typing import Any

import numpy as np

from poleward.checked import Check, TargetCheck
from poleward.clock import zone_of
from poleward.report import style
from poleward.report.chart import DAY, NIGHT, Palette, dressed, ellipse_points, new_figure
from poleward.site import Site

COLOURS = (style.BLUE, style.VERMILION, style.GREEN, style.PURPLE, style.ORANGE, style.SKY_BLUE)
NIGHT_COLOURS = ("#E03030", "#A01818", "#C02424", "#801414")
DASHES: tuple[Any, ...] = (
    "-",
    (0, (6, 2)),
    (0, (1.5, 1.5)),
    (0, (6, 2, 1.5, 2)),
    (0, (3, 1)),
    (0, (9, 3, 3, 3)),
)
"""Each target has a colour and a dash, so that neither alone must tell them apart."""


def check_chart(result: Check, site: Site, *, night: bool = False) -> Any:
    """Return a figure: on the left rotation and drift in one exposure, on the right the axis chart."""
    palette = NIGHT if night else DAY
    figure = new_figure(palette, 12.0, 7.2)
    grid = figure.add_gridspec(2, 2, width_ratios=(1.15, 1))
    rotation, drift = figure.add_subplot(grid[0, 0]), figure.add_subplot(grid[1, 0])
    _courses(rotation, drift, result, site, palette)
    _axes_chart(figure.add_subplot(grid[:, 1]), result, palette)
    return figure


def look_of(number: int, palette: Palette) -> dict[str, Any]:
    """Colour and dash of a target."""
    colours = NIGHT_COLOURS if palette is NIGHT else COLOURS
    return {"color": colours[number % len(colours)], "linestyle": DASHES[number % len(DASHES)]}


def rotation_limit(target: TargetCheck, result: Check) -> float | None:
    """Rotation, arcmin, that trails the worst corner by the limit: limit over the arm, without refraction."""
    if result.outfit.camera is None:
        return None
    corner = math.hypot(result.outfit.camera.width_pix, result.outfit.camera.height_pix) / 2
    aside = math.hypot(target.target.guide_north, target.target.guide_east) * result.outfit.pixels
    return math.degrees(result.outfit.limit_pix / (corner + aside)) * 60


def _courses(rotation: Any, drift: Any, result: Check, site: Site, palette: Palette) -> None:
    from matplotlib.dates import DateFormatter

    for axes in (rotation, drift):
        dressed(axes, palette)
        axes.axhline(0, color=palette.faint, linewidth=0.8)
        axes.margins(x=0.02)
    for number, target in enumerate(result.targets):
        rates, start = target.rates, target.window.start
        if rates is None or start is None:
            continue
        look = look_of(number, palette)
        times: Any = [start + timedelta(seconds=float(s)) for s in rates.seconds]
        exposure = target.target.exposure_s
        rotation.plot(
            times, rates.rotation_guided * exposure / 3600, label=target.target.name, linewidth=2, **look
        )
        size = np.hypot(rates.north, rates.east)
        drift.plot(times, size * exposure / 60, linewidth=2, **look)
        limit = rotation_limit(target, result)
        if limit is not None:
            for sign in (-1, 1):
                rotation.plot(times[:: len(times) - 1], [sign * limit] * 2, linewidth=1, alpha=0.9, **look)
    camera = result.outfit.camera
    if camera is not None:
        limit = result.outfit.limit_pix * camera.scale_arcsec
        drift.axhline(limit, color=palette.ink, linewidth=1)
        drift.annotate(
            f"limit, {result.outfit.limit_pix:g} pix", (0.99, limit), xycoords=("axes fraction", "data"),
            xytext=(0, 2), textcoords="offset points", ha="right", va="bottom", color=palette.ink, fontsize=8,
        )  # fmt: skip
    drift.set_ylim(0, 1.12 * drift.get_ylim()[1])
    top = max(abs(edge) for edge in rotation.get_ylim())
    rotation.set_ylim(-1.1 * top, 1.4 * top)  # room for the names above the limits
    zone = zone_of(site.timezone) if site.timezone else UTC
    for axes in (rotation, drift):
        axes.xaxis_date(tz=zone)
        axes.xaxis.set_major_formatter(DateFormatter("%H:%M", tz=zone))  # type: ignore[no-untyped-call]
    rotation.set_ylabel("field rotation in one\nexposure, guided [arcmin]")
    rotation.set_title("Guided: thin lines are what a corner can bear", fontsize=10, color=palette.ink)
    drift.set_ylabel("drift in one exposure,\nunguided [arcsec]")
    drift.set_title("Unguided", fontsize=10, color=palette.ink)
    drift.set_xlabel(f"clock time ({site.timezone or 'UTC'})", color=palette.ink)
    if rotation.get_legend_handles_labels()[0]:
        legend = rotation.legend(frameon=False, fontsize=9, ncols=3, loc="upper right", handlelength=3.5)
        for entry in legend.get_texts():
            entry.set_color(palette.ink)


def _axes_chart(axes: Any, result: Check, palette: Palette) -> None:
    """Axis errors as seen standing behind the mount and looking at the pole; equal lengths are equal angles."""
    dressed(axes, palette)
    names = [target.target.name for target in result.targets]
    reach = _reach(result)
    outlook = result.outlook
    if outlook.together is not None:
        axes.fill(
            *outlook.together.T, facecolor=palette.altitude, alpha=0.22, zorder=1, label="all targets pass"
        )
    for name, patch in outlook.alone:
        scaled = patch * np.array([result.level, 1.0])
        beyond = bool(np.min(np.max(np.abs(scaled), axis=1)) > reach)  # its outline lies outside the picture
        axes.plot(
            *patch.T,
            linewidth=1.4,
            zorder=2,
            label=f"{name} passes {'all over here' if beyond else 'inside'}",
            **look_of(names.index(name), palette),
        )
    _poles(axes, result, palette)
    values = result.axis.values
    if values is not None:
        if result.axis.covariance is not None:
            outline = ellipse_points(result.axis.covariance, 2.0) + np.array(values)
            axes.plot(
                *outline.T, color=palette.ink, linewidth=1.2, linestyle="--", zorder=4, label="axis, 2 sigma"
            )
        axes.plot(
            *values, marker="o", markersize=8, color=palette.ink, linestyle="none", zorder=5, label="the axis"
        )
    south = result.latitude_deg < 0
    half = reach / result.level
    axes.set_xlim((half, -half) if south else (-half, half))
    axes.set_ylim(-reach, reach)
    axes.set_aspect(1 / result.level)
    sides = ("east", "west") if south else ("west", "east")
    axes.set_xlabel(f"{sides[0]}  <  azimuth error [arcmin of azimuth]  >  {sides[1]}", color=palette.ink)
    axes.set_ylabel("low  <  altitude error [arcmin]  >  high", color=palette.ink)
    kind = "guided" if result.outfit.guided else "unguided"
    title = f"Where the axis may stand, {kind}" if outlook.choices else "The axis"
    if outlook.choices and outlook.together is None:
        title = f"No axis lets all targets pass, {kind}"
    axes.set_title(title, fontsize=11, color=palette.ink)
    legend = axes.legend(
        loc="upper center", bbox_to_anchor=(0.5, -0.12), frameon=False, ncols=2, fontsize=8, handlelength=3
    )
    for entry in legend.get_texts():
        entry.set_color(palette.ink)


def _poles(axes: Any, result: Check, palette: Palette) -> None:
    shapes = {"true pole": "x", "apparent pole": "+", "best tonight": "D"}
    for choice in result.outlook.choices:
        axes.plot(
            choice.azimuth_arcmin, choice.altitude_arcmin, marker=shapes[choice.label], linestyle="none", zorder=4,
            markersize=6 if choice.label == "best tonight" else 11, markeredgewidth=1.8, color=palette.pole,
            markerfacecolor="none", label=choice.label,
        )  # fmt: skip
    if not result.outlook.choices:
        axes.plot(
            0, 0, marker="+", markersize=12, color=palette.pole, linestyle="none", label=result.axis.reference
        )


def _reach(result: Check) -> float:
    """Half height, arcmin on the sky: the axis with its doubt, and the region where all pass (or the smallest)."""
    sizes = [1.0]
    scale = np.array([result.level, 1.0])
    values, covariance = result.axis.values, result.axis.covariance
    if values is not None:
        doubt = 0.0 if covariance is None else 2 * math.sqrt(max(covariance[0][0], covariance[1][1]))
        sizes.append(float(np.hypot(*(np.array(values) * scale))) + doubt)
    patches = [patch for _, patch in result.outlook.alone]
    if result.outlook.together is not None:
        sizes.append(float(np.max(np.hypot(*(result.outlook.together * scale).T))))
    elif patches:
        sizes.append(min(float(np.max(np.hypot(*(patch * scale).T))) for patch in patches))
    return 1.15 * max(sizes)
