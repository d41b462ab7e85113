"""Draw docs/signs.svg: the two errors as seen from behind the mount, in both hemispheres.

Run it from anywhere: ``python docs/drawings/signs.py``.
"""

from pathlib import Path

from matplotlib import rcParams
from matplotlib.figure import Figure

BLUE, VERMILION, GREEN = "#0072B2", "#D55E00", "#009E73"  # Okabe & Ito (2008)
rcParams["svg.hashsalt"] = "poleward"  # the same file each time

figure = Figure(figsize=(9, 4.2), layout="constrained")
for axes, title, east in zip(
    figure.subplots(1, 2),
    ("North of the equator: looking north at the pole", "South of the equator: looking south at the pole"),
    (1, -1),
    strict=True,
):
    axes.plot(0, 0, "k+", markersize=20, markeredgewidth=2)
    axes.annotate("pole", (0, 0), xytext=(-16 * east, 8), textcoords="offset points", ha="center")
    axes.plot(2 * east, 1.3, "o", color=BLUE, markersize=10)
    axes.annotate(
        "axis", (2 * east, 1.3), xytext=(0, 10), textcoords="offset points", ha="center", color=BLUE
    )
    arrow = {"arrowstyle": "-|>", "linewidth": 2, "mutation_scale": 16, "shrinkA": 0, "shrinkB": 0}
    axes.annotate("", xy=(2 * east, 0), xytext=(0, 0), arrowprops={**arrow, "color": VERMILION})
    axes.annotate("", xy=(2 * east, 1.22), xytext=(2 * east, 0), arrowprops={**arrow, "color": GREEN})
    axes.text(east, -0.3, "azimuth error A > 0\n(east)", ha="center", va="top", color=VERMILION)
    axes.text(
        2.15 * east, 0.6, "altitude\nerror e > 0\n(high)", ha="left" if east > 0 else "right", color=GREEN
    )
    axes.axhline(-1.7, color="0.4", linewidth=3)
    axes.text(0, -1.82, "horizon", ha="center", va="top", color="0.3")
    axes.text(3.3, -1.82, "east" if east > 0 else "west", ha="right", va="top", color="0.3")
    axes.text(-3.3, -1.82, "west" if east > 0 else "east", ha="left", va="top", color="0.3")
    axes.set(xlim=(-3.4, 3.4), ylim=(-2.2, 2.2), aspect="equal", title=title)
    axes.title.set_fontsize(10)
    axes.axis("off")
figure.savefig(Path(__file__).parent.parent / "signs.svg", metadata={"Date": None})
