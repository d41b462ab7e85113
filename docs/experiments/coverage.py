"""Do the stated intervals hold the truth as often as they say? Thousands of simulated sets through the whole solve.

    python docs/experiments/coverage.py

Takes some ten minutes on one core. Its tables stand in docs/accuracy.md; tests/test_coverage.py repeats a part.
Drifts are made with astropy and scipy (tests/nights.py, tests/truth.py), normal errors of 1.5 arcsec on each.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2] / "tests"))
from nights import SIGMA_ARCSEC, blamed, cramer_rao_arcmin, five_minutes, noisy_sets, site_of, tally

from poleward import solve

SETS = 2000
FEWER = 500


def per_cent(shares: np.ndarray) -> str:
    return " | ".join(f"{100 * share:.1f}" for share in shares)


def intervals() -> None:
    print("\n| pointings | 68.3 %: A | e | 95.4 %: A | e | rms / bound: A | e | widened |")
    print("| --- | --- | --- | --- | --- | --- | --- | --- |")
    for count, east in ((2, False), (3, False), (4, False), (8, False), (3, True), (4, True)):
        watched = five_minutes(count)
        site = site_of(watched.place)
        found = [
            solve(drifts, site)
            for drifts, _ in noisy_sets(watched, SETS, seed=100 + count + 50 * east, east=east)
        ]
        result = tally(found)
        ratio = result.rms / cramer_rao_arcmin(watched, east=east)
        widened = np.mean([solution.fit.sigma_source == "scatter" for solution in found])
        print(
            f"| {count}{' with east' if east else ''} | {per_cent(result.cover(1))} | {per_cent(result.cover(2))} | "
            f"{ratio[0]:.3f} | {ratio[1]:.3f} | {100 * widened:.1f} % |",
            flush=True,
        )


def blunders() -> None:
    print(
        "\n| pointings | blunder, sigma | named alone | named with one other | wrong one named | nothing named |"
    )
    print("| --- | --- | --- | --- | --- | --- |")
    for count in (4, 5, 8):
        watched = five_minutes(count)
        site = site_of(watched.place)
        for size in (0, 5, 10, 20):
            alone = with_other = wrong = 0
            for drifts, bad in noisy_sets(
                watched, FEWER, seed=200 + count + size, blunder=size * SIGMA_ARCSEC
            ):
                names = blamed(solve(drifts, site))
                alone += names == [bad] and size > 0
                with_other += len(names) == 2 and bad in names and size > 0
                wrong += bool(names) and (bad not in names or size == 0)
            rest = FEWER - alone - with_other - wrong
            print(f"| {count} | {size} | {alone} | {with_other} | {wrong} | {rest} |", flush=True)


def sigma_too_small() -> None:
    print("\n| pointings | stated sigma | fit | 68.3 %: A | e | 95.4 %: A | e | widened |")
    print("| --- | --- | --- | --- | --- | --- | --- | --- |")
    for count in (3, 4, 8):
        watched = five_minutes(count)
        site = site_of(watched.place)
        for share in (3, 1):
            for name, options in (
                ("plain", {}),
                ("from scatter", {"from_scatter": True}),
            ):
                if share == 1 and "from_scatter" not in options:
                    continue
                sets = noisy_sets(watched, FEWER, seed=400 + count, stated=SIGMA_ARCSEC / share)
                found = [solve(drifts, site, **options) for drifts, _ in sets]
                result = tally(found)
                widened = np.mean([solution.fit.sigma_source == "scatter" for solution in found])
                print(
                    f"| {count} | 1/{share} of the truth | {name} | {per_cent(result.cover(1))} | "
                    f"{per_cent(result.cover(2))} | {100 * widened:.0f} % |",
                    flush=True,
                )


if __name__ == "__main__":
    intervals()
    blunders()
    sigma_too_small()
