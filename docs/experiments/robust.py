"""What --robust makes of blunders of all sizes, and of sigmas that were stated too small.

    python docs/experiments/robust.py [SETS]

Its table stands in docs/accuracy.md; tests/test_advice.py repeats a part. Drifts are made with astropy and scipy
(tests/nights.py), with normal errors of 1.5 arcsec. Both fits are made as `solve` makes them, without the words around
them.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2] / "tests"))
from nights import AXIS_DEG, SIGMA_ARCSEC, cramer_rao_arcmin, five_minutes, noisy_sets, site_of

from poleward.solving import estimate
from poleward.solving.estimate import doubts, fit_axis, robustly
from poleward.solving.how import how_of

estimate.STARTS_DEG = ()  # far starts take half the time and find nothing else here
CASES = (
    (4, 0, 1), (4, 6, 1), (4, 20, 1), (5, 0, 1), (5, 3, 1), (5, 4.5, 1), (5, 6, 1), (5, 20, 1), (8, 0, 1), (8, 3, 1),
    (8, 4.5, 1), (8, 6, 1), (8, 20, 1), (4, 0, 3), (5, 0, 3), (8, 0, 3), (8, 20, 3),
)  # fmt: skip
"""Pointings, size of one blunder in true sigmas, how many times too small the sigmas are stated."""


def held(found, factor: float, wider: float) -> list[bool]:
    """Whether A and e lie within one sigma, then within two, of a fit."""
    estimate = found.widened(factor)
    off, sigma = np.abs(estimate.point - 60 * np.array(AXIS_DEG)), np.sqrt(np.diag(estimate.covariance))
    return [*(off < sigma), *(off < wider * sigma)]


def row(count: int, size: float, share: float, sets: int) -> None:
    watched = five_minutes(count)
    site, bound = site_of(watched.place), cramer_rao_arcmin(watched)
    how = how_of("apparent", "sidereal", "1 arcsec", False, False, False, "0.5 deg")
    inside, errors = {"plain": [], "--robust": []}, {"plain": [], "--robust": []}
    blunder, stated = size * SIGMA_ARCSEC, SIGMA_ARCSEC / share
    for drifts, _ in noisy_sets(watched, sets, 300 + count, blunder=blunder, stated=stated):
        model = how.model(drifts, site)
        plain = fit_axis(model)
        for name, found in (("plain", plain), ("--robust", robustly(model, plain) or plain)):
            doubt = doubts(model, found, from_scatter=False)
            inside[name].append(held(found, doubt.factor, doubt.coverage_factor))
            errors[name].append((found.axis.point - 60 * np.array(AXIS_DEG)) / bound)
    for name, each in inside.items():
        shares = " | ".join(f"{100 * part:.0f}" for part in np.mean(each, axis=0))
        rms = " | ".join(f"{one:.2f}" for one in np.sqrt(np.mean(np.square(errors[name]), axis=0)))
        print(f"| {count} | {size} | {share} | {name} | {shares} | {rms} |", flush=True)


if __name__ == "__main__":
    sets = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    print(
        "| pointings | blunder, sigma | sigmas too small | fit | 68.3 %: A | e | 95.4 %: A | e | rms / bound: A | e |"
    )
    print("| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |")
    for case in CASES:
        row(*case, sets)
