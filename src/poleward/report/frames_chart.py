"""The chart of frames: of each pointing the first frame, its stars' paths enlarged, and the drift that was fitted."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from poleward.errors import InputError
from poleward.frames.field_drift import FieldDrift
from poleward.frames.framedrifts import FrameDrifts
from poleward.frames.pixels import read_frame
from poleward.report.chart import DAY, NIGHT, Palette, dressed, legend_below, new_figure

PATH_SHARE = 0.12
"""Length of the longest path in the chart, of the picture's shorter side."""
MOST_PATHS = 25
MOST_SHOWN = 800
"""Pixels along a side of the picture as it is drawn: what a chart can show."""
MOST_ROWS = 4


def frames_chart(found: FrameDrifts, *, night: bool = False) -> Any:
    """Return a figure, a panel for each pointing."""
    palette = NIGHT if night else DAY
    count = len(found.pointings)
    columns = min(count, 1 + (count > 1) + (count > 2 * MOST_ROWS))
    rows = math.ceil(count / columns)
    figure = new_figure(palette, 6.5 * columns, 5.6 * rows)
    panels = np.ravel(figure.subplots(rows, columns, squeeze=False))
    for axes, one in zip(panels, found.pointings, strict=False):
        _panel(axes, one, palette)
    for axes in panels[count:]:
        axes.set_axis_off()
    return figure


def _panel(axes: Any, one: FieldDrift, palette: Palette) -> None:
    dressed(axes, palette)
    axes.grid(False)
    height, width = one.track.shape
    _picture(axes, one, palette)
    paths = _paths(one)
    start = paths[:, :1]
    away = np.hypot(*(paths - start).reshape(-1, 2).T).max()
    enlarged = _round(PATH_SHARE * min(height, width) / max(away, 1e-6))
    drawn = start + enlarged * (paths - start)
    for number, path in enumerate(drawn):
        axes.plot(
            *path.T, color=palette.azimuth, linewidth=1.0, label="stars' paths" if number == 0 else None
        )
    axes.plot(*start[:, 0].T, "o", color=palette.azimuth, markersize=3)
    sky = one.on_sky
    side = -1.0 if one.reversed else 1.0  # back to what the camera saw
    shift = enlarged * np.linalg.solve(sky.matrix, side * np.array([one.north_arcsec, one.east_arcsec]))
    middle = np.array([width - 1, height - 1]) / 2
    _arrow(axes, middle, middle + shift, palette.axis, 2.5)
    axes.plot([], [], color=palette.axis, linewidth=2.5, label="the fitted drift")
    _compass(axes, one, palette)
    axes.set_xlim(-0.5, width - 0.5)
    axes.set_ylim(-0.5, height - 0.5)
    axes.set_aspect("equal")
    axes.set_xlabel("x [pixels]")
    axes.set_ylabel("y, by rows of the file [pixels]")
    axes.set_title(
        f"{one.label}: {one.duration_s / 60:.1f} min, motions {enlarged:g} times as large", fontsize=11
    )
    legend_below(axes, palette, 0.1, ncols=2)


def _paths(one: FieldDrift) -> Any:
    """Places (n, F, 2) of some stars in all frames, pixels, the field turned and shifted as it was followed."""
    track = one.track
    centre = (np.array(track.shape[::-1], float) - 1) / 2
    inside = np.all((track.reference > 0) & (track.reference < np.array(track.shape[::-1])), axis=1)
    offset = track.reference[inside][:MOST_PATHS] - centre
    cosine, sine = np.cos(track.turn), np.sin(track.turn)
    x = cosine * offset[:, :1] - sine * offset[:, 1:] + track.x
    y = sine * offset[:, :1] + cosine * offset[:, 1:] + track.y
    return np.stack([x, y], axis=-1) + centre


def _picture(axes: Any, one: FieldDrift, palette: Palette) -> None:
    """Draw the first frame, if its file is still there."""
    from matplotlib.colors import LinearSegmentedColormap

    try:
        image = read_frame(one.first).image
    except InputError:
        return
    step = max(1, math.ceil(max(image.shape) / MOST_SHOWN))
    shown = image[::step, ::step]
    low, high = np.nanpercentile(shown, [20, 99.7])
    stretched = np.arcsinh(8 * np.clip((shown - low) / max(high - low, 1e-9), 0, 1))
    height, width = one.track.shape
    axes.imshow(
        stretched, origin="lower", cmap=LinearSegmentedColormap.from_list("ink", [palette.paper, palette.ink]),
        interpolation="nearest", alpha=0.7,
        extent=(-0.5, width - 0.5, -0.5, height - 0.5),
    )  # fmt: skip


def _compass(axes: Any, one: FieldDrift, palette: Palette) -> None:
    """North and east, in a corner."""
    height, width = one.track.shape
    length = 0.09 * min(height, width)
    foot = np.array([0.88 * width, 0.14 * height])
    inverse = np.linalg.inv(one.on_sky.matrix)
    for name, way in (("N", inverse[:, 0]), ("E", inverse[:, 1])):
        tip = foot + length * way / np.hypot(*way)
        _arrow(axes, foot, tip, palette.altitude, 1.5)
        axes.text(
            *(foot + 1.35 * (tip - foot)),
            name,
            color=palette.altitude,
            ha="center",
            va="center",
            weight="bold",
        )


def _arrow(axes: Any, foot: Any, tip: Any, colour: str, width: float) -> None:
    style = {"arrowstyle": "-|>", "color": colour, "linewidth": width, "shrinkA": 0, "shrinkB": 0}
    axes.annotate("", xy=tip, xytext=foot, arrowprops=style)


def _round(value: float) -> float:
    """Return the next lower of 1, 2, 5, 10, 20, ...; not less than 1."""
    if value <= 1:
        return 1.0
    ten = 10.0 ** math.floor(math.log10(value))
    return ten * max(step for step in (1, 2, 5) if step * ten <= value * 1.0001)
