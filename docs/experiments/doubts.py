"""Do intervals hold when the air is not as stated and the hour angles were read off a circle?

    python docs/experiments/doubts.py [SETS]

2,000 sets a row through the whole solve, five to ten minutes on one core; its table stands in docs/accuracy.md, and
tests/test_advice.py repeats a part. Drifts are made with astropy and scipy (tests/nights.py).
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2] / "tests"))
from nights import LOW, POINTINGS, doubtful_sets, site_of, tally
from truth import Place

from poleward import solve

CASES = (
    ("4 above 27 deg", POINTINGS[4], 1.5, (0.3, -0.2)),
    ("4 above 27 deg", POINTINGS[4], 0.3, (0.6, -0.4)),
    ("2 above 27 deg", POINTINGS[2], 0.3, (0.6, -0.4)),
    ("4, two of them at 17 and 22 deg", LOW, 0.3, (0.3, -0.2)),
    ("8 above 27 deg", POINTINGS[8], 0.5, (0.6, -0.4)),
)
"""Pointings, sigma of a drift, axis."""


def row(name: str, pointings, sigma: float, axis, sets: int) -> None:
    site = site_of(Place(47.0))
    made = list(doubtful_sets(pointings, sets, 500, sigma=sigma, axis_deg=axis))
    found = tally([solve(drifts, site) for drifts in made], axis)
    shares = " | ".join(f"{100 * share:.1f}" for share in (*found.cover(1), *found.cover(2)))
    print(f"| {name} | {sigma} | {60 * np.hypot(*axis):.0f} | {shares} |", flush=True)


if __name__ == "__main__":
    sets = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    print("\n| pointings | sigma of a drift, arcsec | axis off, arcmin | 68.3 %: A | e | 95.4 %: A | e |")
    print("| --- | --- | --- | --- | --- | --- | --- |")
    for case in CASES:
        row(*case, sets)
