"""The axis chart: where the axis stands against the pole, how sure that is, and what each knob must do."""

from __future__ import annotations

import io
import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from poleward.errors import printable_lines
from poleward.report import style
from poleward.report.moves_text import move_text
from poleward.solving.solution import Solution, errors_of


@dataclass(frozen=True)
class Palette:
    """Colours of a chart; at night all are shades of red, told apart by line and shape."""

    paper: str
    ink: str
    faint: str
    axis: str
    azimuth: str
    altitude: str
    pole: str


DAY = Palette("#FFFFFF", "#222222", "#BBBBBB", style.BLUE, style.VERMILION, style.GREEN, style.BLACK)
NIGHT = Palette("#000000", "#A81212", "#641010", "#C01818", "#901010", "#B01414", "#D02020")


def new_figure(palette: Palette, width: float = 7.0, height: float = 6.5) -> Any:
    """Return an empty figure on the palette's paper; never through pyplot, which keeps state."""
    from matplotlib.figure import Figure

    return Figure(figsize=(width, height), facecolor=palette.paper, layout="constrained")


def dressed(axes: Any, palette: Palette) -> None:
    """Give axes the palette's ink."""
    axes.set_facecolor(palette.paper)
    axes.tick_params(colors=palette.ink, which="both")
    for spine in axes.spines.values():
        spine.set_color(palette.ink)
    for label in (axes.xaxis.label, axes.yaxis.label, axes.title):
        label.set_color(palette.ink)


def figure_bytes(figure: Any, path: str) -> bytes:
    """Return the picture's bytes in the format that the file name's ending asks for."""
    import warnings

    buffer = io.BytesIO()
    printable_texts(figure)
    with warnings.catch_warnings():
        # A name in a script that the font lacks is drawn as boxes; the text has it right.
        warnings.filterwarnings("ignore", message="Glyph .* missing", category=UserWarning)
        figure.savefig(
            buffer, format=path.rsplit(".", 1)[-1].lower(), dpi=150, facecolor=figure.get_facecolor()
        )
    return buffer.getvalue()


def printable_texts(figure: Any) -> None:
    """Leave in a figure's texts only what may be shown: labels come from strangers' files."""
    from matplotlib.text import Text

    for text in figure.findobj(Text):
        text.set_text(printable_lines(text.get_text()))


def ellipse_points(covariance: Any, scale: float, count: int = 181) -> Any:
    """Outline (count, 2) of the ellipse r' C^-1 r = scale^2 about zero."""
    strengths, directions = np.linalg.eigh(np.asarray(covariance, float))
    angle = np.linspace(0, 2 * math.pi, count)
    circle = np.stack([np.cos(angle), np.sin(angle)])
    return (directions @ (np.sqrt(np.maximum(strengths, 0.0))[:, None] * circle)).T * scale


def axis_chart(solution: Solution, *, night: bool = False) -> Any:
    """Return a figure with the axis chart alone."""
    palette = NIGHT if night else DAY
    figure = new_figure(palette)
    draw_axis(figure.add_subplot(), solution, palette)
    return figure


def draw_axis(axes: Any, solution: Solution, palette: Palette, least_reach: float = 0.0) -> None:
    """Draw a solution as you see it standing behind the mount and looking at the pole.

    East is on the right in the north and on the left in the south. The scales are angles that the knobs turn;
    the shape is stretched so that equal lengths are equal angles on the sky. Half the picture's height is at least
    `least_reach`, arcmin.
    """
    dressed(axes, palette)
    azimuth, altitude = solution.azimuth_error_arcmin, solution.altitude_error_arcmin
    reach = max(_reach(solution), least_reach)
    # Ring labels go up or down, wherever the altitude arrow does not.
    _rings(axes, reach, solution.pole.level, 1 if (altitude or 0.0) < 0 else -1, palette)
    axes.plot(
        0, 0, marker="+", markersize=18, markeredgewidth=2, color=palette.pole, linestyle="none", zorder=5
    )
    # Names stand on the far sides, away from the arrows between them; "left" is where it is drawn.
    right = (azimuth or 0.0) * solution.pole.hemisphere >= 0
    above = (altitude or 0.0) >= 0
    axes.annotate(
        solution.reference,
        (0, 0),
        xytext=(-9 if right else 9, -9 if above else 9),
        textcoords="offset points",
        color=palette.pole,
        ha="right" if right else "left",
        va="top" if above else "bottom",
    )
    if azimuth is not None and altitude is not None:
        _axis_and_moves(axes, solution, azimuth, altitude, palette)
    else:
        _band(axes, solution, reach, palette)
    scale_errors(axes, reach, solution.pole.level, south=solution.pole.hemisphere < 0)
    axes.set_title(_title(solution), fontsize=11)


def scale_errors(axes: Any, reach: float, level: float, *, south: bool) -> None:
    """Set the scales of errors as seen looking at the pole: half the height is `reach`, arcmin on the sky."""
    half = reach / level
    axes.set_xlim((half, -half) if south else (-half, half))
    axes.set_ylim(-reach, reach)
    axes.set_aspect(1 / level)
    sides = ("east", "west") if south else ("west", "east")
    axes.set_xlabel(f"{sides[0]}  <  azimuth error [arcmin of azimuth]  >  {sides[1]}")
    axes.set_ylabel("low  <  altitude error [arcmin]  >  high")


def _title(solution: Solution) -> str:
    if solution.offset_arcmin is None or solution.offset_sigma_arcmin is None:
        return {
            "azimuth": "Only the azimuth error is determined",
            "altitude": "Only the altitude error is determined",
            "neither": "Neither error is determined",
        }[solution.determined]
    places = style.decimals_for(solution.offset_sigma_arcmin)
    return (
        f"The axis stands {solution.offset_arcmin:.{places}f} \N{PLUS-MINUS SIGN} "
        f"{solution.offset_sigma_arcmin:.{places}f} arcmin from the {solution.reference}"
    )


def _reach(solution: Solution) -> float:
    """Half height of the picture, arcmin on the sky: errors and 2-sigma ellipse with room to spare."""
    sizes = [0.5]
    for name, (error, sigma) in errors_of(solution).items():
        sizes.append((abs(error) + 2 * sigma) * (solution.pole.level if name == "azimuth" else 1.0))
    if solution.combination is not None:
        sizes.append(abs(solution.combination.value_arcmin) + 2 * solution.combination.sigma_arcmin)
    return 1.3 * max(sizes)


def _rings(axes: Any, reach: float, level: float, side: int, palette: Palette) -> None:
    """Circles of equal offset, at round numbers."""
    step = 10 ** math.floor(math.log10(reach / 2))
    step *= next(factor for factor in (1, 2, 5, 10) if reach / (step * factor) <= 4)
    angle = np.linspace(0, 2 * math.pi, 181)
    for ring in np.arange(step, 1.5 * reach, step):
        axes.plot(
            ring * np.cos(angle) / level, ring * np.sin(angle), color=palette.faint, linewidth=0.8, zorder=1
        )
        if ring < reach:
            axes.annotate(
                f"{ring:g}'",
                (0, side * ring),
                color=palette.ink,
                fontsize=8,
                ha="center",
                va="center",
                alpha=0.8,
                bbox={"facecolor": palette.paper, "edgecolor": "none", "pad": 1},
                zorder=2,
            )


def _axis_and_moves(axes: Any, solution: Solution, azimuth: float, altitude: float, palette: Palette) -> None:
    reach = _reach(solution)
    covariance = solution.covariance_arcmin2
    for scale, width, label in ((1, 1.8, "1 sigma"), (2, 1.0, "2 sigma")):
        outline = ellipse_points(covariance, scale) + np.array([azimuth, altitude])
        axes.fill(*outline.T, facecolor=palette.axis, alpha=0.12, zorder=2)
        axes.plot(
            *outline.T,
            color=palette.axis,
            linewidth=width,
            label=label,
            zorder=3,
            linestyle="-" if scale == 1 else "--",
        )
    axes.plot(azimuth, altitude, marker="o", markersize=8, color=palette.axis, linestyle="none", zorder=5)
    _uneven_intervals(axes, solution, azimuth, altitude, palette)
    # The name stands beyond the ellipse, on the side away from the pole.
    away = 1 if altitude >= 0 else -1
    axes.annotate(
        "the axis",
        (azimuth, altitude + away * 2 * (solution.altitude_sigma_arcmin or 0.0)),
        xytext=(0, 7 * away),
        textcoords="offset points",
        color=palette.axis,
        weight="bold",
        ha="center",
        va="bottom" if away > 0 else "top",
    )
    ends = {"azimuth": ((azimuth, altitude), (0.0, altitude)), "altitude": ((0.0, altitude), (0.0, 0.0))}
    for move in solution.moves:
        colour = palette.azimuth if move.knob == "azimuth" else palette.altitude
        dash = "-" if move.knob == "azimuth" else (0, (4, 2))
        begin, end = ends[move.knob]
        legend_only = abs(move.move_arcmin) < 0.04 * reach  # shorter than its own head
        if not legend_only:
            axes.annotate(
                "",
                xy=end,
                xytext=begin,
                zorder=4,
                arrowprops={
                    "arrowstyle": "-|>",
                    "color": colour,
                    "linewidth": 2,
                    "linestyle": dash,
                    "mutation_scale": 16,
                    "shrinkA": 0,
                    "shrinkB": 0,
                },
            )
        sigma = solution.azimuth_sigma_arcmin if move.knob == "azimuth" else solution.altitude_sigma_arcmin
        text = f"{move.knob} knob: {move_text(move, style.decimals_for(sigma or 0.0))}"
        axes.plot([], [], color=colour, linewidth=2, linestyle=dash, label=text)
    legend_below(axes, palette)


def _uneven_intervals(
    axes: Any, solution: Solution, azimuth: float, altitude: float, palette: Palette
) -> None:
    """Bars over the 95 % intervals of both errors, where one of them reaches further to one side."""
    across, up = solution.azimuth_interval_95_arcmin, solution.altitude_interval_95_arcmin
    if across is None or up is None:
        return
    if not (style.is_uneven(azimuth, across) or style.is_uneven(altitude, up)):
        return
    axes.errorbar(
        [azimuth],
        [altitude],
        xerr=[[azimuth - across[0]], [across[1] - azimuth]],
        yerr=[[altitude - up[0]], [up[1] - altitude]],
        color=palette.axis,
        linewidth=1.2,
        capsize=4,
        linestyle="none",
        zorder=4,
        label="95 %, each error by itself",
    )


def legend_of(axes: Any, palette: Palette, **how: Any) -> None:
    """Give axes, or a figure, a legend in the palette's ink."""
    axes.legend(frameon=False, labelcolor=palette.ink, **{"fontsize": 9, **how})


def legend_below(axes: Any, palette: Palette, by: float = 0.13, **how: Any) -> None:
    """Put the legend below the picture, where it hides nothing."""
    legend_of(axes, palette, loc="upper center", bbox_to_anchor=(0.5, -by), **how)


def _band(axes: Any, solution: Solution, reach: float, palette: Palette) -> None:
    """What is fixed when only one direction is: a line and its 1-sigma band across the picture."""
    if solution.combination is not None:
        known = solution.combination
        on_azimuth, on_altitude = known.azimuth_on_sky_weight, known.altitude_weight
        value, sigma = known.value_arcmin, known.sigma_arcmin
    elif errors := errors_of(solution):
        ((name, (value, sigma)),) = errors.items()
        on_azimuth, on_altitude = (1.0, 0.0) if name == "azimuth" else (0.0, 1.0)
        level = solution.pole.level if name == "azimuth" else 1.0
        value, sigma = value * level, sigma * level
    else:
        return
    along = np.array([-3 * reach, 3 * reach])
    for shift in (0.0, -sigma, sigma):
        x = on_azimuth * (value + shift) - on_altitude * along
        y = on_altitude * (value + shift) + on_azimuth * along
        axes.plot(
            x / solution.pole.level,
            y,
            color=palette.axis,
            linewidth=0.8 if shift else 2.0,
            linestyle="--" if shift else "-",
            label="1 sigma" if shift > 0 else None if shift else "the axis is somewhere on this line",
        )
    legend_below(axes, palette)
