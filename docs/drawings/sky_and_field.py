"""Draw signs, camera-angle, swing, two-poles and arm: where the axis stands, and how a camera lies on the sky.

Run it from anywhere: ``python docs/drawings/sky_and_field.py``.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from ink import arrow, sheet, write
from matplotlib.figure import Figure
from matplotlib.patches import Circle, Polygon, Rectangle

ANGLE_DEG = 30.0
"""Position angle of the camera in the drawing."""


def along(angle_deg: float, length: float = 1.0) -> tuple[float, float]:
    """To the right and up, for an angle from up, counter-clockwise."""
    angle = np.radians(angle_deg)
    return -length * float(np.sin(angle)), length * float(np.cos(angle))


DRIFTS = {"too far\nEAST": (0, -1, 0), "too\nHIGH": (1, 0, -1)}
"""Which way stars in the east, near the meridian and in the west drift north of the equator: 1 north, -1 south."""


def drifts(axes: Any, ink: dict[str, str], hemisphere: int) -> None:
    """Nine small fields below the horizon: which way a star goes in them, north up."""
    for right, where in zip(
        (-1.2, 0.8, 2.8), ("in the east", "near the\nmeridian", "in the west"), strict=True
    ):
        axes.text(right, -3.1, f"star\n{where}", ha="center", va="center", color=ink["ink"])
    for (words, ways), up, colour in zip(DRIFTS.items(), (-4.7, -6.9), (ink["go"], ink["run"]), strict=True):
        axes.text(-3.3, up, f"axis {words}:\nit drifts", va="center", color=colour)
        for right, way in zip((-1.2, 0.8, 2.8), ways, strict=True):
            axes.add_patch(Rectangle((right - 0.7, up - 0.7), 1.4, 1.4, fill=False, edgecolor=ink["ink"]))
            axes.text(right, up + 0.74, "N", ha="center", va="bottom", color=ink["ink"], fontsize=9)
            axes.plot(right, up, "o", color=ink["star"], markersize=7)
            goes = way * hemisphere
            if goes:
                arrow(axes, (right, up + 0.12 * goes), (right, up + 0.64 * goes), colour)
            else:
                axes.text(right, up - 0.2, "not at all", ha="center", va="top", color=ink["ink"], fontsize=9)


def draw_signs(ink: dict[str, str]) -> Figure:
    """The two errors as seen from behind the mount, and how stars then drift, in both hemispheres."""
    figure, panels = sheet(ink, 9.6, 7.8, 1, 2)
    for axes, side, east in zip(panels[0], ("North", "South"), (1, -1), strict=True):
        axes.set(xlim=(-3.4, 3.6), ylim=(-8.0, 2.2))
        drifts(axes, ink, east)
        axes.set_title(
            f"{side} of the equator: looking {side.lower()} at the pole", color=ink["ink"], fontsize=12
        )
        axes.plot(0, 0, "+", color=ink["ink"], markersize=20, markeredgewidth=2)
        axes.text(-0.3 * east, 0.18, "pole", ha="right" if east > 0 else "left", color=ink["ink"])
        axes.plot(2 * east, 1.3, "o", color=ink["star"], markersize=11)
        axes.text(2 * east, 1.55, "axis", ha="center", color=ink["star"], fontweight="bold")
        arrow(axes, (0, 0), (2 * east, 0), ink["go"])
        arrow(axes, (2 * east, 0), (2 * east, 1.18), ink["run"])
        axes.text(east, -0.25, "azimuth error A > 0\n(east)", ha="center", va="top", color=ink["go"])
        axes.text(
            2.15 * east, 0.55, "altitude\nerror\ne > 0\n(high)", ha="left" if east > 0 else "right", va="center",
            color=ink["run"],
        )  # fmt: skip
        axes.axhline(-1.7, color=ink["faint"], linewidth=3)
        for text, where, way in (("horizon", 0, "center"), ("east", 3.3 * east, "right" if east > 0 else "left"),
                                 ("west", -3.3 * east, "left" if east > 0 else "right")):  # fmt: skip
            axes.text(where, -1.83, text, ha=way, va="top", color=ink["ink"])
    figure.supxlabel("Too far WEST or too LOW: the other way.", color=ink["ink"], fontsize=12)
    return figure


def compass(axes: Any, ink: dict[str, str], north_deg: float, east_deg: float, length: float = 0.85) -> None:
    """Arrows toward north and east from the middle of a picture, angles from up, counter-clockwise."""
    for letter, angle, colour in (("N", north_deg, ink["go"]), ("E", east_deg, ink["run"])):
        arrow(axes, (0, 0), along(angle, length), colour)
        axes.text(
            *along(angle, length + 0.17), letter, ha="center", va="center", color=colour, fontweight="bold"
        )


def draw_camera_angle(ink: dict[str, str]) -> Figure:
    """A camera on the sky, and what stands in its picture, mirrored and not."""
    figure, panels = sheet(ink, 10.4, 4.4, 1, 3)
    titles = ("The camera on the sky", "Its picture, not mirrored", "Its picture, mirrored")
    for axes, title in zip(panels[0], titles, strict=True):
        axes.set(xlim=(-1.6, 1.6), ylim=(-1.5, 1.5))
        axes.set_title(title, color=ink["ink"], fontsize=12)
    sky, plain, mirrored = panels[0]
    corners = np.array([[-0.95, -0.7], [0.95, -0.7], [0.95, 0.7], [-0.95, 0.7]])
    turn = np.radians(ANGLE_DEG)
    matrix = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    sky.add_patch(Polygon(corners @ matrix.T, fill=False, edgecolor=ink["ink"], linewidth=1.6))
    compass(sky, ink, 0, 90, 1.25)
    arrow(sky, (0, 0), along(ANGLE_DEG, 1.15), ink["star"])
    sky.text(*along(ANGLE_DEG, 1.36), "up in the\npicture", ha="center", va="center", color=ink["star"])
    arc = np.array([along(angle, 0.86) for angle in np.linspace(0, ANGLE_DEG, 20)])
    sky.plot(*arc.T, color=ink["ink"], linewidth=1.4)
    sky.text(*along(ANGLE_DEG / 2, 1.0), f"{ANGLE_DEG:.0f}°", ha="center", va="center", color=ink["ink"])
    for axes, side in ((plain, 1), (mirrored, -1)):
        axes.add_patch(Polygon(corners, fill=False, edgecolor=ink["ink"], linewidth=1.6))
        compass(axes, ink, -side * ANGLE_DEG, side * (90 - ANGLE_DEG), 0.46)
        axes.text(0, -0.9, "up is up, as you see it", ha="center", va="top", color=ink["ink"])
    figure.supxlabel(
        f'position_angle = "{ANGLE_DEG:.0f} deg": from north, through east, to up in the picture. The sky as the eye sees it: with\n'
        "north up, east is to the left; mirrored, to the right.",
        color=ink["ink"], fontsize=12,
    )  # fmt: skip
    return figure


def mount(axes: Any, ink: dict[str, str], side: int) -> None:
    """A mount seen from behind, its tube to the right (+1) or left of the axis, and the weight opposite."""
    axes.plot([-1.0, 0, 1.0], [-1.5, -0.55, -1.5], color=ink["faint"], linewidth=3)
    axes.plot([-1.15 * side, 1.0 * side], [-0.75, 0.45], color=ink["ink"], linewidth=4, zorder=1)
    axes.add_patch(
        Circle((-1.15 * side, -0.75), 0.22, facecolor=ink["faint"], edgecolor=ink["ink"], zorder=2)
    )
    axes.add_patch(
        Circle((0, -0.13), 0.24, facecolor=ink["paper"], edgecolor=ink["ink"], linewidth=1.8, zorder=2)
    )
    axes.add_patch(
        Circle(
            (1.1 * side, 0.5), 0.42, facecolor=ink["paper"], edgecolor=ink["star"], linewidth=2.2, zorder=2
        )
    )
    axes.text(1.1 * side, 0.5, "tube", ha="center", va="center", color=ink["star"])
    axes.text(0, 0.2, "axis", ha="center", color=ink["ink"])


def draw_swing(ink: dict[str, str]) -> Figure:
    """The tube on either side of the mount, and the same field in its camera."""
    figure, panels = sheet(ink, 8.6, 6.8, 2, 2)
    for column, (side, title, north) in enumerate(((-1, "before", 0.0), (1, "swung over", 180.0))):
        above, below = panels[:, column]
        above.set(xlim=(-2.0, 2.0), ylim=(-1.6, 1.2))
        above.set_title(title, color=ink["ink"], fontsize=12)
        mount(above, ink, side)
        below.set(xlim=(-1.6, 1.6), ylim=(-1.15, 1.15))
        below.add_patch(Rectangle((-1.3, -0.95), 2.6, 1.9, fill=False, edgecolor=ink["ink"], linewidth=1.6))
        compass(below, ink, north, north + 90, 0.62)
        turned = 1 if column == 0 else -1
        below.plot(0.75 * turned, 0.5 * turned, "o", color=ink["star"], markersize=9)
        below.plot(0.95 * turned, -0.2 * turned, "o", color=ink["star"], markersize=5)
    figure.supxlabel(
        "The same field, turned by half a turn: what drifted +x, +y now drifts -x, -y.\n"
        "The camera's angle is stated for one side; rows timed on the other say reversed = yes.",
        color=ink["ink"], fontsize=12,
    )  # fmt: skip
    return figure


def draw_two_poles(ink: dict[str, str]) -> Figure:
    """Circles about the true pole, and the same as seen through the air, whose lift is drawn far too large."""
    figure, panels = sheet(ink, 8.6, 5.6, 1, 1)
    axes, latitude = panels[0, 0], 40.0
    lift = 2.0  # deg at 45 deg of altitude, in place of 58 arcsec

    def seen(altitude: np.ndarray) -> np.ndarray:
        return altitude + lift / np.tan(np.radians(np.maximum(altitude, 12.0)))

    angle = np.linspace(0, 2 * np.pi, 200)
    for radius in (8.0, 15.0, 22.0):
        right, altitude = radius * np.cos(angle), latitude + radius * np.sin(angle)
        axes.plot(right, altitude, "--", color=ink["faint"], linewidth=1.3)
        axes.plot(right, seen(altitude), color=ink["star"], linewidth=1.8)
    above = float(seen(np.array([latitude]))[0])
    arrow(axes, (0, latitude), (0, above - 0.4), ink["go"], mutation_scale=12)
    axes.plot(0, latitude, "+", color=ink["ink"], markersize=14, markeredgewidth=2)
    axes.plot(0, above, "x", color=ink["go"], markersize=10, markeredgewidth=2.4)
    for text, height, beside, colour in (
        ("apparent pole:\nwhere it is seen", above, 54, ink["go"]), ("true pole: about it\nthe sky turns", latitude, 30, ink["ink"])
    ):  # fmt: skip
        axes.plot([0.8, 25], [height, beside], color=colour, linewidth=0.9)
        axes.text(25.5, beside, text, va="center", color=colour)
    axes.axhline(0, color=ink["faint"], linewidth=3)
    axes.text(0, -1.0, "horizon", ha="center", va="top", color=ink["ink"])
    axes.set(xlim=(-46, 46), ylim=(-4.5, 76))
    axes.text(-45, 72, "dashed: without air", va="top", color=ink["faint"])
    axes.text(-45, 68, "solid: as seen", va="top", color=ink["star"])
    figure.supxlabel(
        "The air lifts a star the more the lower it stands (drawn 120 times too large):\n"
        "the pole moves up, and circles are flattened from below.",
        color=ink["ink"], fontsize=12,
    )  # fmt: skip
    return figure


def draw_arm(ink: dict[str, str]) -> Figure:
    """A field that turns about its guide star: in the centre of the frame, and far from it."""
    figure, panels = sheet(ink, 10.0, 4.6, 1, 2)
    stars = np.array([[-1.2, 0.6], [-0.5, -0.6], [0.4, 0.5], [1.15, -0.75], [1.3, 0.65], [-1.3, -0.7]])
    for axes, guide, title in zip(
        panels[0], ((0.0, 0.0), (-2.6, -0.5)), ("guide star in the centre", "guide star outside the frame"), strict=True
    ):  # fmt: skip
        axes.set(xlim=(-3.1, 1.9), ylim=(-1.5, 1.5))
        axes.set_title(title, color=ink["ink"], fontsize=12)
        axes.add_patch(Rectangle((-1.5, -1), 3, 2, fill=False, edgecolor=ink["ink"], linewidth=1.6))
        turn = np.radians(np.linspace(0, 12, 15))
        for star in stars:
            away = star - guide
            path = np.array(
                [
                    guide + np.array([away[0] * np.cos(t) - away[1] * np.sin(t), away[0] * np.sin(t) + away[1] * np.cos(t)])
                    for t in turn
                ]
            )  # fmt: skip
            axes.plot(*path.T, color=ink["star"], linewidth=2.6, solid_capstyle="round")
        corner = np.array([1.5, -1.0])
        axes.plot(*np.array([guide, corner]).T, ":", color=ink["go"], linewidth=1.6)
        axes.plot(*guide, "o", color=ink["go"], markersize=11)
        axes.text(guide[0], guide[1] + 0.2, "guide star", ha="center", color=ink["go"], fontweight="bold")
        axes.text(1.5, -1.1, "arm to the\nworst corner", ha="right", va="top", color=ink["go"])
    figure.supxlabel(
        "The same turn of the field in both. A star's trail is the turn times its distance from the guide star.",
        color=ink["ink"], fontsize=12,
    )  # fmt: skip
    return figure


if __name__ == "__main__":
    write(
        signs=draw_signs, camera_angle=draw_camera_angle, swing=draw_swing, two_poles=draw_two_poles, arm=draw_arm
    )  # fmt: skip
