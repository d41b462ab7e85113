"""How close may two pointings be, and how far from the meridian a single one, before an answer misleads?

    python docs/experiments/conditioning.py

The reason behind LEAST_LEVER, BLIND_ARCMIN and CLEAR_FRACTION in poleward.solving.determine. A minute or two; its tables
stand in docs/accuracy.md. Drifts are made with astropy and scipy (tests/nights.py, tests/truth.py).
"""

from __future__ import annotations

import math
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2] / "tests"))
from nights import night, site_of
from truth import Place

from poleward import Drifts, solve
from poleward.solving import determine

PLACE = Place(47.0)
LEVEL = math.cos(math.radians(PLACE.latitude_deg))


def shifted(rows, hours):
    return Drifts.from_rows(
        {**row, "hour_angle": row["hour_angle"] + hour} for row, hour in zip(rows, hours, strict=True)
    )


def two_stars() -> None:
    """Exact drifts, hour angles wrong by one degree, the two in opposite ways: what that does to the answer."""
    shipped = determine.LEAST_LEVER
    print("\n| apart, minutes | lever | error, part of the axis error | sigma / drift sigma | solve says |")
    print("| --- | --- | --- | --- | --- |")
    for minutes in (4, 8, 12, 16, 20, 23, 26, 30, 45, 60, 90, 120, 180, 240, 360):
        half = minutes / 120
        # The middle of a five-minute timing stands 2.5 minutes later; take both stars about the meridian.
        watched = night(PLACE, [(-half - 2.5 / 60, 5), (half - 2.5 / 60, 5)], 300)
        site = site_of(PLACE)
        lever = math.sin(math.radians(15 * half))
        worst = 0.0
        for direction in np.radians(np.arange(0, 180, 15)):
            # An axis half a degree off on the sky, in every direction.
            a, e = 0.5 * math.cos(direction) / LEVEL, 0.5 * math.sin(direction)
            rows = watched.rows(watched.drifts(a, e), "hour_angle", sigma=1.5)
            determine.LEAST_LEVER = 0.0
            for sign in (-1, 1):
                solution = solve(shifted(rows, (sign / 15, -sign / 15)), site)
                if solution.determined == "both":
                    off = math.hypot(
                        LEVEL * (solution.azimuth_error_arcmin - 60 * a),
                        solution.altitude_error_arcmin - 60 * e,
                    )
                    worst = max(worst, off / 30)
            determine.LEAST_LEVER = shipped
        honest = solve(shifted(rows, (0, 0)), site)
        # One star's drift alone fixes its own direction to sigma / (rate x time).
        print(
            f"| {minutes} | {lever:.3f} | {worst:.2f} | {1 / (math.sqrt(2) * math.sin(math.radians(15 * half))):.1f} | "
            f"{honest.determined} |",
            flush=True,
        )


def one_star() -> None:
    """One star off the meridian, axes drawn at random with 60' on the sky in each direction."""
    generator = np.random.default_rng(7)
    axes = generator.normal(size=(400, 2)) * determine.BLIND_ARCMIN / 60
    print(
        "\n| from the meridian, minutes | solve says | stated sigma, arcmin on the sky | rms error | within 1 sigma |"
    )
    print("| --- | --- | --- | --- | --- |")
    shipped = determine.CLEAR_FRACTION
    for minutes in (0, 10, 20, 30, 45, 58, 75, 90):
        watched = night(PLACE, [(minutes / 60 - 2.5 / 60, 5)], 300)
        site = site_of(PLACE)
        said, errors, sigmas = set(), [], []
        for on_sky, e in axes:
            drifts = watched.drifts(on_sky / LEVEL, e)
            table = watched.table(drifts, "hour_angle", sigma=1.5)
            said.add(solve(table, site).determined)
            # All that is said up to 90 minutes; more would take the altitude for known, too.
            determine.CLEAR_FRACTION = 0.5
            solution = solve(table, site)
            determine.CLEAR_FRACTION = shipped
            errors.append(LEVEL * (solution.azimuth_error_arcmin - 60 * on_sky / LEVEL))
            sigmas.append(LEVEL * solution.azimuth_sigma_arcmin)
        within = np.mean(np.abs(errors) < np.array(sigmas))
        print(
            f"| {minutes} | {' or '.join(sorted(said))} | {np.mean(sigmas):.1f} | "
            f"{math.sqrt(np.mean(np.square(errors))):.1f} | {100 * within:.0f} % |",
            flush=True,
        )


if __name__ == "__main__":
    two_stars()
    one_star()
