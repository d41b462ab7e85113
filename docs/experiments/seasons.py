"""Is a knock dated to the night, and does a settling pier keep its word? Simulated seasons of 30 nights, known truth.

    python docs/experiments/seasons.py [SEASONS]

Each night gives an axis with an honest covariance (0.1 to 0.5 arcmin, its two errors correlated by up to 0.9), clouds take
every third night. The pier settles by 0 to 0.2 arcmin a night in any direction, at another rate after a knock of 1 to 10
arcmin. Counted cell by cell: quiet seasons in which a knock is seen; knocks dated to the very night, by their size in
sigmas of the less certain of the two nights around them; how often the 95 % intervals hold of the place on the last night,
of the settling since and before, and of the knock itself. Prints the tables of docs/season.md.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from poleward.guidelog.fitting.season import Season, season_of

NIGHTS = 30
SIZES = (5.0, 7.0, 10.0, np.inf)
PLACES = {"first two": (1, 2), "between": (3, NIGHTS - 3), "last two": (NIGHTS - 2, NIGHTS - 1)}


@dataclass(frozen=True)
class Told:
    """A season and what is true of it."""

    days: np.ndarray
    points: np.ndarray
    covariance: np.ndarray
    truth: np.ndarray
    rates: np.ndarray
    knock: int | None = None

    @property
    def size(self) -> float:
        """The knock in sigmas of the less certain of the two nights around it."""
        jump = self.truth[self.knock] - self.truth[self.knock - 1]
        return min(
            float(np.sqrt(jump @ np.linalg.solve(self.covariance[i], jump)))
            for i in (self.knock - 1, self.knock)
        )


def direction(rng: np.random.Generator) -> np.ndarray:
    angle = rng.uniform(0, 2 * np.pi)
    return np.array([np.cos(angle), np.sin(angle)])


def draw(rng: np.random.Generator, knock: int | None, claimed: float = 1.0, bad: int = 0) -> Told:
    """One season; the nights claim `claimed` times what they scatter, and some are off by 2 to 8 arcmin."""
    days = np.sort(rng.choice(NIGHTS * 3 // 2, NIGHTS, replace=False)) + rng.normal(0, 0.05, NIGHTS)
    sigma = rng.uniform(0.1, 0.5, (NIGHTS, 2))
    covariance = np.einsum("ni,nj->nij", sigma, sigma)
    covariance[:, [0, 1], [1, 0]] *= rng.uniform(-0.9, 0.9, NIGHTS)[:, None]
    rates = np.array([rng.uniform(0, 0.2) * direction(rng) for _ in range(2)])
    truth = rng.normal(0, 5, 2) + days[:, None] * rates[0]
    if knock is not None:
        truth[knock:] += rng.uniform(1, 10) * direction(rng)
        truth[knock:] += (days[knock:, None] - days[knock]) * (rates[1] - rates[0])
    points = truth + np.einsum("nij,nj->ni", np.linalg.cholesky(covariance), rng.normal(size=(NIGHTS, 2)))
    for night in rng.choice(NIGHTS, bad, replace=False):
        points[night] += rng.uniform(2, 8) * direction(rng)
    return Told(days, points, covariance * claimed**2, truth, rates, knock)


def pulls(season: Season, told: Told) -> dict[str, np.ndarray]:
    """(answer - truth) / sigma of what the season says."""
    now, changed = season.spells[-1], told.knock is not None
    found = {"place now": (now.place - told.truth[now.last]) / now.sigmas[:2]}
    if now.rate is not None:
        found["settling now"] = (now.rate - told.rates[int(changed)]) / now.sigmas[2:]
    if changed and len(season.knocks) == 1:
        before, knock = season.spells[0], season.knocks[0]
        if before.rate is not None:
            found["settling before"] = (before.rate - told.rates[0]) / before.sigmas[2:]
        if (knock.before, knock.after) == (told.knock - 1, told.knock):
            jump = told.truth[told.knock] - told.truth[told.knock - 1]
            found["knock"] = (knock.jump - jump) / knock.sigmas
    return found


def covered(found: list[dict[str, np.ndarray]]) -> str:
    cells = []
    for what in ("place now", "settling now", "settling before", "knock"):
        some = np.array([each[what] for each in found if what in each])
        cells.append(f"{100 * np.mean(np.abs(some) < 1.96):.1f} %" if len(some) >= 20 else "-")
    return " | ".join(cells)


def main(seasons: int) -> None:
    rng = np.random.default_rng(2026)
    print(
        "| seasons without a knock | one is seen | or the first or last night is wrong | set aside | place now | settling now |"
    )
    print("| --- | --- | --- | --- | --- | --- |")
    for name, options in (
        ("honest nights", {}),
        ("nights scatter 1.3 times what they claim", {"claimed": 1 / 1.3}),
        ("two nights off by 2 to 8 arcmin", {"bad": 2}),
    ):
        found, seen, doubtful, aside = [], 0, 0, 0
        for _ in range(seasons):
            told = draw(rng, None, **options)
            season = season_of(told.days, told.points, np.linalg.inv(told.covariance))
            seen += any(knock.alone is None for knock in season.knocks)
            doubtful += bool(season.knocks) and all(knock.alone is not None for knock in season.knocks)
            aside += len(season.aside)
            found.append(pulls(season, told))
        cells = " | ".join(covered(found).split(" | ")[:2])
        print(
            f"| {name} | {100 * seen / seasons:.1f} % | {100 * doubtful / seasons:.1f} % | {aside / seasons:.2f} | {cells} |",
            flush=True,
        )
    print(
        "\n| knock | of nights | dated to the night | dated within its limits | place now | settling now | settling before | knock |"
    )
    print("| --- | --- | --- | --- | --- | --- | --- | --- |")
    results = []
    for _ in range(seasons):
        told = draw(rng, int(rng.integers(1, NIGHTS)))
        season = season_of(told.days, told.points, np.linalg.inv(told.covariance))
        exact = [(knock.before, knock.after) for knock in season.knocks] == [(told.knock - 1, told.knock)]
        within = any(knock.before < told.knock <= knock.after for knock in season.knocks)
        results.append((told, exact, within, pulls(season, told)))
    cells = [(f"{a:.0f} to {b:.0f} sigma", "all", (a, b), (1, NIGHTS - 1)) for a, b in pairwise(SIZES)]
    cells += [("above 5 sigma", name, (5.0, np.inf), place) for name, place in PLACES.items()]
    cells += [
        ("above 5 sigma", "all", (5.0, np.inf), (1, NIGHTS - 1)),
        ("any size", "all", (0.0, np.inf), (1, NIGHTS - 1)),
    ]
    for size, place, (least, most), (first, last) in cells:
        some = [each for each in results if least <= each[0].size < most and first <= each[0].knock <= last]
        exact, within = (100 * np.mean([each[i] for each in some]) for i in (1, 2))
        print(
            f"| {size} | {place}: {len(some)} | {exact:.1f} % | {within:.1f} % | {covered([each[3] for each in some])} |"
        )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 2000)
