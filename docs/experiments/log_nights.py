"""Is `poleward log` honest on every kind of guided night? A designed table of cells, errors counted along the truth.

    python docs/experiments/log_nights.py [NIGHTS] [FIRST] [CELL ...]

Prints one line per cell: how many 95 % intervals hold the truth, the root mean square of the pulls (answer - truth) /
sigma, their mean along the truth (a positive one: the answers are too large), the median sigmas, and those over the
ones that the code before the integral gave on the same nights (`BEFORE`, made with commit e046787).

Every night: seeing 0.7 arcsec, a row every 3 s, corrections from 0.25 arcsec on, an axis 2 to 8 arcmin off in either
direction. What else differs stands in `CELLS`; 5 % off is either way, glitches are 1 % of the rows and 10 arcsec. There
is no air, and the pointings are exact and said to be: the doubts of both, which come on top, have tests of their own.
"""

from __future__ import annotations

import json
import math
import sys
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from poleward.guidelog.fitting.night import solve_log
from poleward.guidelog.reading.section import Section
from poleward.simulate.night import Guider, Scatter, Stretch, night
from poleward.sky.site import Air, Site

SITE = Site("47.1 deg", "8.4 deg", "560 m", Air(pressure="0 hPa"))
START = datetime(2024, 3, 10, 19, tzinfo=UTC)
BEFORE = Path(__file__).with_name("log_nights_before.json")


@dataclass(frozen=True)
class Cell:
    """One kind of night."""

    lasting_arcsec: float
    time_s: float
    share: float
    rate: str  # "right", "5 % off", "not stated"
    moves: str  # "none", "by pulses", "unlogged"
    play_ms: float
    shape: str  # "3 x 30 min", "1 x 2 h"
    glitches: str  # "none", "answered", "ignored"


CELLS = (
    Cell(0.0, 30, 0.6, "right", "none", 0, "3 x 30 min", "none"),
    Cell(0.0, 30, 0.6, "not stated", "none", 0, "3 x 30 min", "none"),
    Cell(0.0, 30, 0.3, "right", "none", 150, "3 x 30 min", "none"),
    Cell(0.0, 30, 0.6, "not stated", "unlogged", 0, "3 x 30 min", "answered"),
    Cell(0.0, 30, 0.9, "5 % off", "none", 400, "1 x 2 h", "ignored"),
    Cell(0.0, 30, 0.3, "not stated", "by pulses", 150, "3 x 30 min", "none"),
    Cell(0.0, 30, 0.9, "right", "by pulses", 0, "1 x 2 h", "answered"),
    Cell(0.3, 10, 0.3, "right", "none", 0, "1 x 2 h", "none"),
    Cell(0.3, 10, 0.6, "5 % off", "none", 150, "3 x 30 min", "answered"),
    Cell(0.3, 10, 0.9, "not stated", "by pulses", 400, "3 x 30 min", "ignored"),
    Cell(0.3, 10, 0.6, "not stated", "unlogged", 0, "1 x 2 h", "none"),
    Cell(0.3, 40, 0.9, "5 % off", "unlogged", 0, "3 x 30 min", "none"),
    Cell(0.3, 40, 0.3, "not stated", "none", 150, "1 x 2 h", "ignored"),
    Cell(0.3, 40, 0.6, "right", "by pulses", 0, "3 x 30 min", "none"),
    Cell(0.3, 100, 0.9, "right", "none", 150, "3 x 30 min", "answered"),
    Cell(0.3, 100, 0.6, "5 % off", "by pulses", 400, "1 x 2 h", "none"),
    Cell(0.3, 100, 0.3, "not stated", "unlogged", 400, "3 x 30 min", "none"),
    Cell(0.6, 10, 0.6, "right", "none", 0, "3 x 30 min", "none"),
    Cell(0.6, 10, 0.3, "5 % off", "unlogged", 150, "1 x 2 h", "answered"),
    Cell(0.6, 10, 0.9, "not stated", "none", 150, "3 x 30 min", "none"),
    Cell(0.6, 10, 0.6, "not stated", "by pulses", 0, "3 x 30 min", "none"),
    Cell(0.6, 40, 0.6, "not stated", "none", 0, "3 x 30 min", "none"),
    Cell(0.6, 40, 0.3, "right", "none", 400, "3 x 30 min", "ignored"),
    Cell(0.6, 40, 0.9, "5 % off", "by pulses", 150, "3 x 30 min", "answered"),
    Cell(0.6, 40, 0.6, "right", "unlogged", 150, "3 x 30 min", "none"),
    Cell(0.6, 40, 0.6, "not stated", "by pulses", 150, "3 x 30 min", "none"),
    Cell(0.6, 100, 0.6, "5 % off", "none", 0, "1 x 2 h", "none"),
    Cell(0.6, 100, 0.9, "not stated", "none", 0, "1 x 2 h", "answered"),
    Cell(0.6, 100, 0.3, "right", "by pulses", 150, "3 x 30 min", "none"),
    Cell(0.6, 100, 0.3, "not stated", "unlogged", 0, "3 x 30 min", "ignored"),
)


@dataclass(frozen=True)
class Drawn:
    """A night and its truth, arcmin."""

    truth: np.ndarray
    sections: tuple[Section, ...]


def draw(cell: Cell, number: int, guider: dict | None = None, scatter: dict | None = None) -> Drawn:
    """Return night `number` of a cell; always the same one."""
    rng = np.random.default_rng([20261125, CELLS.index(cell) if cell in CELLS else 99, number])
    size, angle = rng.uniform(2, 8), rng.uniform(0, 2 * math.pi)
    truth = np.array([size * math.cos(angle) / math.cos(SITE.latitude_rad), size * math.sin(angle)])
    off = 0.05 * rng.choice([-1, 1]) if cell.rate == "5 % off" else 0.0
    how = {
        "stated_rate": 7.5,
        "true_rate": 7.5 * (1 + off),
        "backlash_ms": float(cell.play_ms),
        "share_sent_back": cell.share,
        "least_arcsec": 0.25,
        "move_every_s": 0.0 if cell.moves == "none" else 600.0,
        "moves_by_pulses": cell.moves == "by pulses",
        "answers_glitches": cell.glitches != "ignored",
    }
    guide = Guider(**{**how, **(guider or {})})
    stated = cell.rate != "not stated"
    if cell.shape == "1 x 2 h":
        stretches = [Stretch(0, 7200, -1.5, 20.0, 3.0, guide, rate_stated=stated)]
    else:
        places = ((-3.5, 20.0), (0.3, 50.0), (3.0, 10.0))
        stretches = [
            Stretch(2100 * i, 1800, hour, dec, 3.0, guide, rate_stated=stated)
            for i, (hour, dec) in enumerate(places)
        ]
    glitches = 0.0 if cell.glitches == "none" else 0.01
    noise = Scatter(0.7, cell.lasting_arcsec, cell.time_s, glitch_share=glitches, **(scatter or {}))
    return Drawn(truth, night(SITE, *truth, stretches, START, noise, rng))


@dataclass(frozen=True)
class Outcome:
    """What was said of one night beside its truth: arcmin, (2,) each, and intervals (2, 2)."""

    truth: np.ndarray
    answer: np.ndarray
    sigma: np.ndarray
    interval: np.ndarray

    @property
    def pull(self) -> np.ndarray:
        return (self.answer - self.truth) / self.sigma

    @property
    def along(self) -> np.ndarray:
        """Pulls along the truth: too large is positive, wherever the axis stands."""
        return self.pull * np.sign(self.truth)

    @property
    def held(self) -> np.ndarray:
        return (self.interval[:, 0] <= self.truth) & (self.truth <= self.interval[:, 1])


def outcome(drawn: Drawn) -> Outcome:
    """Solve one night."""
    s = solve_log(drawn.sections, SITE, pointing_error="0 deg").solution
    answer, sigma = (
        np.array([getattr(s, f"{axis}_{what}_arcmin") for axis in ("azimuth", "altitude")], float)
        for what in ("error", "sigma")
    )
    interval = np.array([s.azimuth_interval_95_arcmin, s.altitude_interval_95_arcmin], float)
    return Outcome(drawn.truth, answer, sigma, interval)


def line(number: int, cell: Cell, found: list[Outcome], before: list[list[float]]) -> str:
    """Return one cell's line of the table; `before` are sigmas of A and e of its first nights."""
    pulls, along = np.array([each.pull for each in found]), np.array([each.along for each in found])
    median = np.median([each.sigma for each in found], axis=0)
    both = [(each.sigma, old) for each, old in zip(found, before, strict=False) if old]
    ratios = np.median([new for new, _ in both], axis=0) / np.median([old for _, old in both], axis=0)
    ratio = " | ".join(f"{v:.2f}" for v in ratios) if both else "- | -"
    held = 100 * np.mean([each.held for each in found])
    lasting = f"{cell.lasting_arcsec:g} over {cell.time_s:g} s" if cell.lasting_arcsec else "none"
    return (
        f"| {number} | {lasting} | {cell.share:g} | {cell.rate} | {cell.moves} | {cell.play_ms:g} | {cell.shape} "
        f"| {cell.glitches} | {held:.0f} % | {np.sqrt(np.mean(pulls**2)):.2f} | {np.mean(along):+.2f} "
        f"| {median[0]:.2f}' | {median[1]:.2f}' | {ratio} |"
    )


def main(nights: int, first: int, cells: list[int]) -> None:
    before = json.loads(BEFORE.read_text(encoding="utf-8")) if BEFORE.exists() else {}
    print(
        "| | lasting | sent back | rate | moves | play, ms | sections | glitches | held | rms | along the truth "
        "| sigma A | sigma e | over before: A | e |\n" + "| --- " * 15 + "|"
    )
    everything = []
    for number in cells:
        cell = CELLS[number]
        found = [outcome(draw(cell, night_)) for night_ in range(first, first + nights)]
        everything += found
        print(line(number, cell, found, before.get(str(number), [])[first:]), flush=True)
    pulls, along = (np.array([getattr(each, what) for each in everything]) for what in ("pull", "along"))
    held = 100 * np.mean([each.held for each in everything])
    print(
        f"\n{len(everything)} nights: held {held:.1f} %, rms {np.sqrt(np.mean(pulls**2)):.2f}, along the truth "
        f"{np.mean(along):+.2f}, beyond 3 sigma {100 * np.mean(np.abs(pulls) > 3):.1f} %"
    )


if __name__ == "__main__":
    main(
        int(sys.argv[1]) if len(sys.argv) > 1 else 60,
        int(sys.argv[2]) if len(sys.argv) > 2 else 0,
        [int(word) for word in sys.argv[3:]] or list(range(len(CELLS))),
    )
