"""One style for all drawings: two inks, arrows, and each drawing written in light and in dark beside the pages."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from matplotlib import rcParams
from matplotlib.figure import Figure
from matplotlib.patches import FancyArrowPatch

DOCS = Path(__file__).parent.parent
rcParams["svg.hashsalt"] = "poleward"  # the same file each time
rcParams["font.size"] = 11
# Okabe & Ito (2008), the darker ones on light paper, the lighter on dark.
LIGHT = {
    "paper": "#FFFFFF",
    "ink": "#1A1A1A",
    "faint": "#6E6E6E",
    "star": "#0072B2",
    "go": "#B34700",
    "run": "#00785A",
}
DARK = {
    "paper": "#14171A",
    "ink": "#E8E8E8",
    "faint": "#8C9196",
    "star": "#56B4E9",
    "go": "#F0A35E",
    "run": "#4FC3A1",
}


def sheet(ink: dict[str, str], width: float, height: float, rows: int, columns: int) -> tuple[Figure, Any]:
    """Return an empty figure and its panels, without axes, in a row-by-column array."""
    figure = Figure(figsize=(width, height), facecolor=ink["paper"], layout="constrained")
    panels = figure.subplots(rows, columns, squeeze=False)
    for axes in panels.ravel():
        axes.set_facecolor(ink["paper"])
        axes.axis("off")
        axes.set_aspect("equal")
    return figure, panels


def arrow(axes: Any, start: tuple[float, float], end: tuple[float, float], colour: str, **more: Any) -> None:
    """Draw one."""
    look = {"arrowstyle": "-|>", "mutation_scale": 18, "linewidth": 2.2, "shrinkA": 0, "shrinkB": 0, **more}
    axes.add_patch(FancyArrowPatch(start, end, color=colour, **look))


def write(**drawings: Callable[[dict[str, str]], Figure]) -> None:
    """Write each by its name, in both inks."""
    for name, draw in drawings.items():
        for ending, ink in (("", LIGHT), ("-dark", DARK)):
            path = DOCS / f"{name.replace('_', '-')}{ending}.svg"
            draw(ink).savefig(path, metadata={"Date": None}, bbox_inches="tight", pad_inches=0.15)
