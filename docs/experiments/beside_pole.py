"""Two or three timings, one of a star nearer to the pole than the axis may be: is a wrong answer ever printed as sure?

    python docs/experiments/beside_pole.py [SETS]

The reason behind APART, BENT and BEYOND in poleward.solving.rivals; a minute and a half for 500 sets. The truth is astropy's
(tests/truth.py): one star 0.2 to 3 deg from the pole, the others 3 to 30 deg, an axis 5 to 150 arcmin off, 60 to 600 s, drifts
read to 1.4 arcsec, four latitudes. Sets with a star under 10 deg are drawn again.
"""

from __future__ import annotations

import math
import sys
from collections import Counter
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2] / "tests"))

from nights import night, site_of
from truth import Place

from poleward import InputError, solve


def one(rng: np.random.Generator) -> tuple[int, str, list[float]]:
    """Return how many timings, what was said of them, and the pulls of both errors if both were printed."""
    latitude, count = float(rng.choice([-47, -20, 35, 60])), int(rng.choice([2, 2, 3]))
    side = math.copysign(1, latitude)
    off = [math.exp(rng.uniform(math.log(0.2), math.log(3))), *rng.uniform(3, 30, count - 1)]
    watched = night(
        Place(latitude),
        [(float(rng.uniform(-12, 12)), side * (90 - d)) for d in off],
        float(rng.choice([60, 300, 600])),
    )
    far, way = math.exp(rng.uniform(math.log(5), math.log(150))), rng.uniform(0, 2 * math.pi)
    truth = far * math.cos(way) / math.cos(math.radians(latitude)), far * math.sin(way)
    drifts = watched.drifts(truth[0] / 60, truth[1] / 60)
    noisy = drifts + rng.normal(0, math.sqrt(2), drifts.shape)
    found = solve(
        watched.table(noisy, "ra", sigma=math.sqrt(2)), site_of(watched.place), pointing_error="0 deg"
    )
    if any(note.code == "two-answers" for note in found.warnings):
        return count, "several answers", []
    if found.determined != "both":
        return count, "not both errors", []
    return (
        count,
        "both errors",
        [
            (found.azimuth_error_arcmin - truth[0]) / found.azimuth_sigma_arcmin,
            (found.altitude_error_arcmin - truth[1]) / found.altitude_sigma_arcmin,
        ],
    )


def main(sets: int) -> None:
    rng, said, pulls = np.random.default_rng(79), Counter[tuple[int, str]](), []
    while sum(said.values()) < sets:
        try:
            count, what, both = one(rng)
        except InputError:
            continue
        said[count, what] += 1
        pulls += [both] if both else []
    for (count, what), times in sorted(said.items()):
        print(f"{count} timings, {what}: {times}")
    sizes = np.abs(pulls)
    for sigmas in (1, 2, 3, 4):
        azimuth, altitude = 100 * np.mean(sizes < sigmas, axis=0)
        print(f"within {sigmas} sigma: azimuth {azimuth:.1f} %, altitude {altitude:.1f} %")
    print(f"largest: {sizes.max():.1f} sigma")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 500)
