"""The check's chart: the trail through the night against its limit, and the axes with which all pass."""

from __future__ import annotations

import math
from datetime import UTC
from typing import Any

import numpy as np

from poleward.door.clock import zone_of
from poleward.report import style
from poleward.report.chart import (
    DAY,
    NIGHT,
    Palette,
    dressed,
    ellipse_points,
    legend_below,
    legend_of,
    new_figure,
    scale_errors,
)
from poleward.report.check_text import name_cut
from poleward.sky.site import Site
from poleward.tonight.checked import Check, TargetCheck
from poleward.tonight.window import day_text

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
LONGEST_NAME = 34
"""Letters of a name in the legend, so that three stand side by side."""


def check_chart(result: Check, *, night: bool = False) -> Any:
    """Return a figure: on the left the judged trail, and what makes it, over the night; on the right the axis chart."""
    palette = NIGHT if night else DAY
    figure = new_figure(palette, 12.0, 7.2)
    grid = figure.add_gridspec(2, 2, width_ratios=(1.15, 1))
    trail, cause = figure.add_subplot(grid[0, 0]), figure.add_subplot(grid[1, 0])
    _trails(trail, result, palette)
    _causes(cause, result, palette)
    _clock(trail, cause, result, result.site, palette)
    _axes_chart(figure.add_subplot(grid[:, 1]), result, palette)
    _names(figure, result, palette)
    return figure


def look_of(number: int, palette: Palette) -> dict[str, Any]:
    """Colour and dash of a target; no two of the first twenty-four look the same."""
    colours = NIGHT_COLOURS if palette is NIGHT else COLOURS
    dash = number + number // math.lcm(len(colours), len(DASHES))
    return {"color": colours[number % len(colours)], "linestyle": DASHES[dash % len(DASHES)]}


def _names(figure: Any, result: Check, palette: Palette) -> None:
    """Name the targets once, under all charts, where they hide nothing."""
    from matplotlib.lines import Line2D

    patches = dict(result.outlook.alone)
    scale = np.array([result.pole.level, 1.0])
    reach = _reach(result)
    handles = []
    for number, target in enumerate(result.targets):
        name = target.target.name
        if target.rates is None and name not in patches:
            continue
        label = name_cut(name, LONGEST_NAME)
        if name in patches:
            # Its outline lies outside the picture.
            beyond = bool(np.min(np.max(np.abs(patches[name] * scale), axis=1)) > reach)
            label += " (passes all over the right chart)" if beyond else ""
        elif result.outlook.choices:
            label += " (passes nowhere)"
        # A dollar sign would begin a formula, a leading underscore hides a name.
        label = label.replace("$", r"\$")
        label = f" {label}" if label.startswith("_") else label
        handles.append(Line2D([], [], linewidth=2, label=label, **look_of(number, palette)))
    if handles:
        legend_of(figure, palette, handles=handles, loc="outside lower center", ncols=3, handlelength=4.5)
        # Three names to a row.
        figure.set_figheight(figure.get_figheight() + 0.22 * math.ceil(len(handles) / 3))


def _moments(target: TargetCheck, seconds: Any) -> Any:
    return [target.moment(float(second)) for second in seconds]


def _trails(axes: Any, result: Check, palette: Palette) -> None:
    """Draw the trail of one exposure at the worst corner, at each moment of the window, and the limit."""
    dressed(axes, palette)
    limit = top = result.outfit.limit_pix
    doubt = False
    for number, target in enumerate(result.targets):
        trails, look = target.trails, look_of(number, palette)
        if trails is None:
            continue
        times = _moments(target, trails.begins + trails.exposure_s / 2)
        single = {"marker": "_", "markersize": 18} if len(times) == 1 else {}
        axes.plot(times, trails.pixels, linewidth=2, zorder=3, **single, **look)
        top = max(top, float(trails.pixels.max()))
        if len(trails.drawn) > 1:
            axes.fill_between(
                times, trails.pixels, trails.likely, color=look["color"], alpha=0.15, linewidth=0, zorder=1
            )
            top, doubt = max(top, min(float(trails.likely.max()), 3 * top)), True
        worst = int(trails.pixels.argmax())
        axes.plot(
            times[worst], trails.pixels[worst], marker="o", markersize=7, color=look["color"], zorder=4,
            markeredgecolor=palette.ink, linestyle="none", label="_worst",
        )  # fmt: skip
    if result.outfit.camera is not None:
        axes.axhline(limit, color=palette.ink, linewidth=1.4, zorder=2)
        axes.annotate(
            f"limit\n{limit:g} pix", (1, limit), xycoords=("axes fraction", "data"), xytext=(4, 0),
            textcoords="offset points", ha="left", va="center", color=palette.ink, fontsize=9,
        )  # fmt: skip
    axes.set_ylim(0, 1.15 * top)
    axes.set_ylabel(f"trail of one exposure,\n{result.outfit.kind} [pix]")
    shade = "; shaded: up to where 95 % of the possible axes stay" if doubt else ""
    axes.set_title(f"What decides; dot: the worst moment{shade}", fontsize=10)


def _causes(axes: Any, result: Check, palette: Palette) -> None:
    """Draw what makes the trail: guided the field's rotation with the air's shear about it, unguided the drift."""
    dressed(axes, palette)
    axes.axhline(0, color=palette.faint, linewidth=0.8)
    guided = result.outfit.guided
    for number, target in enumerate(result.targets):
        rates, look = target.rates, look_of(number, palette)
        if rates is None:
            continue
        times = _moments(target, rates.seconds)
        if guided:
            axes.plot(times, rates.rotation_guided, linewidth=2, **look)
            axes.fill_between(
                times, rates.rotation_guided - rates.shear, rates.rotation_guided + rates.shear,
                color=look["color"], alpha=0.15, linewidth=0,
            )  # fmt: skip
        else:
            axes.plot(times, np.hypot(rates.north, rates.east), linewidth=2, **look)
    axes.set_ylabel("field rotation [arcmin/h]" if guided else "drift [arcsec/min]")
    what = "rotation; shaded: by direction, as the air shears it" if guided else "drift"
    axes.set_title(f"What makes it: {what}", fontsize=10)


def _clock(trail: Any, cause: Any, result: Check, site: Site, palette: Palette) -> None:
    from matplotlib.dates import DateFormatter

    zone = zone_of(site.timezone) if site.timezone else UTC
    trail.sharex(cause)
    for axes in (trail, cause):
        axes.margins(x=0.02)
        axes.xaxis_date(tz=zone)
        axes.xaxis.set_major_formatter(DateFormatter("%H:%M", tz=zone))  # type: ignore[no-untyped-call]
    starts = [target.window.start for target in result.targets if target.window.start is not None]
    day = f", {day_text(min(starts), min(starts), site)}" if starts else ""
    cause.set_xlabel(f"clock time ({site.timezone or 'UTC'}){day}")


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
        axes.plot(*patch.T, linewidth=1.4, zorder=2, **look_of(names.index(name), palette))
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
    scale_errors(axes, reach, result.pole.level, south=result.pole.hemisphere < 0)
    kind, title = result.outfit.kind, "The axis"
    if outlook.choices and outlook.together is None:
        title = f"No axis lets all targets pass, {kind}; inside its line a target does"
    elif outlook.choices:
        title = f"Where the axis may stand, {kind}: inside its line a target passes"
    axes.set_title(title, fontsize=10)
    legend_below(axes, palette, 0.1, ncols=3, handlelength=3)


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
    scale = np.array([result.pole.level, 1.0])
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
