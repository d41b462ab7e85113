"""Draw push.svg (where north is in the picture) and knobs.svg (which way a knob turns), each in light and dark.

Run it from anywhere: ``python docs/drawings/push_and_knobs.py``.
"""

from math import cos, pi, sin
from typing import Any

from ink import arrow, write
from matplotlib.figure import Figure
from matplotlib.patches import Circle, Polygon, Rectangle

PICTURES = {
    "North of the equator": "NESW",
    "North of the equator,\ntube swung over": "SWNE",
    "South of the equator": "SWNE",
    "South of the equator,\ntube swung over": "NESW",
}
"""What stands at the picture's upper, left, lower and right rim: a camera whose up is toward the visible pole."""
RIMS = {"up": (0.0, 1.0), "left": (-1.0, 0.0), "down": (0.0, -1.0), "right": (1.0, 0.0)}


def toward(letters: str, letter: str) -> tuple[float, float]:
    """To the right and up, toward the rim at which a letter stands."""
    return list(RIMS.values())[letters.index(letter)]


def frame(axes: Any, letters: str, ink: dict[str, str]) -> None:
    """Draw an empty picture with its four rims named."""
    axes.set(xlim=(-1.5, 1.5), ylim=(-1.5, 1.5), aspect="equal")
    axes.axis("off")
    axes.add_patch(Rectangle((-1, -1), 2, 2, fill=False, edgecolor=ink["ink"], linewidth=1.6))
    axes.plot([-0.12, 0.12], [0, 0], color=ink["faint"], linewidth=1)
    axes.plot([0, 0], [-0.12, 0.12], color=ink["faint"], linewidth=1)
    for letter, (right, up) in zip(letters, RIMS.values(), strict=True):
        axes.text(
            1.22 * right, 1.22 * up, letter, ha="center", va="center", color=ink["ink"], fontweight="bold"
        )


def star(axes: Any, place: tuple[float, float], ink: dict[str, str], *, here: bool) -> None:
    """Draw a star: filled where it is, hollow where it was."""
    face = ink["star"] if here else "none"
    axes.plot(
        *place,
        marker="o",
        markersize=11,
        markerfacecolor=face,
        markeredgecolor=ink["star"],
        markeredgewidth=1.6,
    )


def draw_push(ink: dict[str, str]) -> Figure:
    """Four mounts across; before, after a push, with the drive stopped downward."""
    figure = Figure(figsize=(11.4, 9.6), facecolor=ink["paper"], layout="constrained")
    grid = figure.subplots(3, 4)
    for column, (title, letters) in enumerate(PICTURES.items()):
        south, west = toward(letters, "S"), toward(letters, "W")
        for row in range(3):
            axes = grid[row, column]
            axes.set_facecolor(ink["paper"])
            frame(axes, letters, ink)
            star(axes, (0, 0), ink, here=row == 0)
        grid[0, column].set_title(title, color=ink["ink"], fontsize=12)
        for row, way, colour in ((1, south, ink["go"]), (2, west, ink["run"])):
            end = (0.72 * way[0], 0.72 * way[1])
            arrow(grid[row, column], (0.12 * way[0], 0.12 * way[1]), (0.6 * way[0], 0.6 * way[1]), colour)
            star(grid[row, column], end, ink, here=True)
    for row, text in enumerate(
        ("before", "tube pushed NORTH:\nthe star goes SOUTH", "drive stopped:\nthe star runs WEST")
    ):
        grid[row, 0].text(
            -1.75, 0, text, rotation=90, ha="center", va="center", multialignment="center", fontweight="bold",
            color=(ink["ink"], ink["go"], ink["run"])[row],
        )  # fmt: skip
    figure.supxlabel(
        "The star came from N: that rim is north. Drifting toward N counts north +, toward S north -, toward E east +.\n"
        "Seen straight, as in a camera that is not mirrored. A mirror (star diagonal) swaps E and W and leaves the rest.",
        color=ink["ink"], fontsize=12,
    )  # fmt: skip
    return figure


def bolts(axes: Any, ink: dict[str, str], sides: tuple[str, str]) -> None:
    """Two opposing azimuth bolts from above, about to take the axis east; `sides` stand to the left and right."""
    axes.set(xlim=(-3.6, 3.6), ylim=(-2.4, 2.6), aspect="equal")
    east = 1 if sides[1] == "east" else -1
    axes.add_patch(Rectangle((-0.5, -0.6), 1, 1.2, facecolor="none", edgecolor=ink["ink"], linewidth=1.8))
    axes.text(0, 0, "head", ha="center", va="center", color=ink["ink"])
    arrow(axes, (0, 0.9), (1.5 * east, 0.9), ink["star"])
    axes.text(0, 1.15, "axis to the EAST", ha="center", color=ink["star"])
    for side in (-1, 1):
        axes.add_patch(
            Rectangle((0.5 if side > 0 else -1.9, -0.16), 1.4, 0.32, facecolor="none", edgecolor=ink["ink"])
        )
        axes.add_patch(
            Rectangle(
                (1.9 if side > 0 else -2.3, -0.5), 0.4, 1.0, facecolor=ink["faint"], edgecolor=ink["ink"]
            )
        )
        first = side == east
        axes.text(
            1.75 * side, -0.85, "1. loosen:\ncounter-\nclockwise" if first else "2. tighten:\nclockwise", ha="center", va="top",
            color=ink["go"] if first else ink["run"], fontweight="bold",
        )  # fmt: skip
        axes.text(3.3 * side, 1.9, sides[side > 0], ha="right" if side > 0 else "left", color=ink["ink"])
    far = "north" if east > 0 else "south"
    axes.text(0, 2.25, f"{far} (the pole)", ha="center", color=ink["ink"])


def turn(axes: Any, ink: dict[str, str]) -> None:
    """A knob seen from where the hand is: the arrow over the top goes to the right."""
    axes.set(xlim=(-3.0, 3.0), ylim=(-2.4, 2.6), aspect="equal")
    axes.add_patch(Circle((0, 0), 1.0, facecolor="none", edgecolor=ink["ink"], linewidth=1.8))
    for k in range(12):
        axes.plot(
            *[[r * f(k * pi / 6) for r in (0.88, 1.0)] for f in (cos, sin)], color=ink["ink"], linewidth=1
        )
    axes.text(0, 0, "the head,\nseen by you", ha="center", va="center", color=ink["ink"], fontsize=9.5)
    arrow(axes, (-1.0, 1.0), (1.0, 1.0), ink["run"], connectionstyle="arc3,rad=-0.45")
    axes.text(0, 1.75, "clockwise", ha="center", color=ink["run"], fontweight="bold")
    axes.text(
        0,
        -1.35,
        "on a right-handed thread it\ngoes in, away from you",
        ha="center",
        va="top",
        color=ink["ink"],
    )


def lift(axes: Any, ink: dict[str, str]) -> None:
    """The altitude knob from the side."""
    axes.set(xlim=(-3.0, 3.0), ylim=(-2.4, 2.6), aspect="equal")
    axes.add_patch(Polygon([(-2.2, -1.2), (2.2, -1.2), (2.2, -1.5), (-2.2, -1.5)], color=ink["faint"]))
    axes.plot([-1.8, 1.6], [-1.0, 1.4], color=ink["ink"], linewidth=6, solid_capstyle="round")
    arrow(axes, (1.75, 0.5), (1.35, 1.75), ink["star"], connectionstyle="arc3,rad=0.2")
    axes.text(1.0, 1.95, "axis UP\nlifts the load", ha="right", va="center", color=ink["star"])
    axes.add_patch(Rectangle((0.1, -1.2), 0.3, 1.35, facecolor="none", edgecolor=ink["ink"]))
    axes.text(0.6, -0.55, "the bolt\nbeneath pushes", ha="left", va="center", color=ink["run"])
    axes.text(
        0,
        -1.7,
        "axis DOWN lowers it:\nhold the load before you loosen",
        ha="center",
        va="top",
        color=ink["go"],
        fontweight="bold",
    )


def draw_knobs(ink: dict[str, str]) -> Figure:
    """Clockwise, the altitude bolt, and opposing azimuth bolts in both hemispheres."""
    figure = Figure(figsize=(10.4, 8.2), facecolor=ink["paper"], layout="constrained")
    grid = figure.subplots(2, 2)
    for axes in grid.ravel():
        axes.axis("off")
    turn(grid[0, 0], ink)
    lift(grid[0, 1], ink)
    bolts(grid[1, 0], ink, ("west", "east"))
    bolts(grid[1, 1], ink, ("east", "west"))
    for axes, title in zip(
        grid.ravel(),
        ("Clockwise is seen looking at the knob's head", "Altitude, from the side",
         "Azimuth from above, north of the equator", "Azimuth from above, south of the equator"),
        strict=True,
    ):  # fmt: skip
        axes.set_title(title, color=ink["ink"], fontsize=12)
    figure.supxlabel(
        "The bolt in the way is loosened first, then the other pushes. Here bolts push the head on the pole's side of its\n"
        "pivot; behind it, or where they sit in the head and push against a peg that stands still, the two change places.\n"
        "Look which yours is. The maker's manual decides.",
        color=ink["ink"], fontsize=12,
    )  # fmt: skip
    return figure


if __name__ == "__main__":
    write(push=draw_push, knobs=draw_knobs)
