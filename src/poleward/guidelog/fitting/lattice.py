"""Sections laid out about a state, and weighed at all noises and plays that matter."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from poleward.guidelog.fitting.beliefs import NOTHING_LASTS, noise_belief, play_belief
from poleward.guidelog.fitting.integral import Beliefs, Quadratic
from poleward.guidelog.fitting.noise import Noise
from poleward.guidelog.fitting.oddities import oddity_columns
from poleward.guidelog.fitting.parts import Drive, Part, State, curve
from poleward.guidelog.fitting.tables import NO_MEMORY, NormalTable, Rows, table_of
from poleward.sky.axis import Floats
from poleward.sky.pole import Pole

CELL = (0.5, 0.4)
"""Steps of the lattice of noises in log ratio and log time, for sections of 90 min in all: about one sigma there."""
CELL_S = 5400.0
FINEST = 0.3
LOWEST, HIGHEST = -5.5, 6.0
"""Log ratios looked at: lasting parts of a sixteenth of the new one up to twenty times; below, nothing lasts."""
LONGEST_SHARE = 0.5
"""Correlation times longer than this share of the section cannot be told from a drift."""
FAR = 6.0
"""A noise or a play this far in log-likelihood below the best is not looked at, nor are its neighbours."""
MANY = 6
"""With more sections than this, where to look is judged for all of them together only."""


def layout_of(
    part: Part, state: State, pole: Pole, plays: Floats, at: tuple[Floats, Floats] | None = None
) -> Rows:
    """Lay out a section's rows with weight about a state; `at` is what `curve` says of them, where that is known."""
    kept = part.kept
    seconds = part.track.seconds[kept]
    place, by = at or curve(part, state, pole, seconds)
    moved, unknown = (np.zeros((len(plays), len(seconds))) for _ in range(2))
    if part.drive is not None:
        drive = state.drives[part.drive]
        unit = drive.stated / 1000
        for number, play in enumerate(plays):
            middle, half = part.track.backlash(float(play))
            moved[number], unknown[number] = -unit * middle[kept], drive.rate * unit * half[kept]
        if drive.odd:
            by = np.column_stack([by, oddity_columns(part, drive, drive.odd).T])
    data, variance = part.track.north_arcsec[kept] - place, part.noise.white_arcsec**2
    there = np.flatnonzero(np.any(unknown, axis=0))
    return Rows(seconds, part.starts, by.T, data, moved, there, unknown[:, there], variance, part.scale[kept])


@dataclass(frozen=True)
class Weighed:
    """A drive's S sections at all noises and plays that matter, and what is believed of these beforehand."""

    tables: tuple[NormalTable, ...]
    beliefs: Beliefs

    def noises(self, shares: Floats) -> list[Noise]:
        """Each section's noise, from how likely it is each of the grid: (S, J)."""
        found = []
        ratio, time = np.exp(self.beliefs.noises).T
        for table, share in zip(self.tables, shares, strict=True):
            white2 = np.min(table.white_variance(), axis=1)
            lasts = np.append(share[:-1], 0.0) + 1e-12
            found.append(
                Noise(
                    math.sqrt(float(share @ white2)),
                    math.sqrt(float(share @ (white2 * ratio))),
                    math.exp(float(lasts @ np.log(time) / lasts.sum())),
                )
            )
        return found


@dataclass
class _Lattice:
    """Noises on a lattice, looked at from a first one outward as far as they are likely."""

    layouts: Iterable[Rows]
    beliefs: Beliefs
    step: Floats
    low: Floats
    last: tuple[int, int]
    cadence_s: float
    tables: list[list[NormalTable]] = field(default_factory=list)
    plain: list[NormalTable] = field(default_factory=list)
    heights: dict[tuple[int, int], Floats] = field(default_factory=dict)

    @classmethod
    def of(cls, layouts: Iterable[Rows], times: Sequence[Floats], beliefs: Beliefs) -> _Lattice:
        lengths = [float(each[-1] - each[0]) for each in times]
        step = np.array(CELL) * np.clip(math.sqrt(CELL_S / sum(lengths)), FINEST, 1.0)
        cadence = max(float(np.median(np.diff(each))) for each in times)
        low = np.array([LOWEST, math.log(cadence)])
        high = np.array([HIGHEST, max(math.log(LONGEST_SHARE * max(lengths)), low[1])])
        last = np.floor((high - low) / step).astype(int)
        return cls(layouts, beliefs, step, low, (int(last[0]), int(last[1])), cadence)

    def around(self, noise: Noise) -> list[tuple[int, int]]:
        """The place nearest to a noise, and its neighbours: they are looked at whatever it says."""
        at = np.clip(np.rint((noise.shape - self.low) / self.step), 0, self.last).astype(int)
        return [(int(at[0]), int(at[1])), *self._beside(int(at[0]), int(at[1]))]

    def _beside(self, i: int, k: int) -> list[tuple[int, int]]:
        beside = ((i + 1, k), (i - 1, k), (i, k + 1), (i, k - 1))
        return [at for at in beside if 0 <= at[0] <= self.last[0] and 0 <= at[1] <= self.last[1]]

    @property
    def points(self) -> Floats:
        return np.array(list(self.heights)) * self.step + self.low

    def chances(self, noises: Floats) -> Floats:
        found = noise_belief(noises, float(np.prod(self.step)), self.cadence_s)
        return np.asarray(found + math.log(1 - NOTHING_LASTS))

    def look(self, places: Sequence[tuple[int, int]]) -> None:
        noises = np.array(places) * self.step + self.low
        if self.plain:
            tables = [table_of(each, noises) for each in self.layouts]
        else:
            # Along with the first of them, where nothing lasts: to lay sections out costs as much as to weigh them.
            both = [table_of(each, np.vstack([noises, self.beliefs.noises])) for each in self.layouts]
            tables, self.plain = ([table.some(at) for table in both] for at in (slice(-1), slice(-1, None)))
        here = replace(self.beliefs, noises=noises, noise=self.chances(noises))
        each = [Quadratic.of(table) for table in tables]
        heights = [Quadratic.total(each).outlook(here)[0].max(axis=1)]
        if 1 < len(each) <= MANY:
            heights += [part.outlook(here)[0].max(axis=1) for part in each]
        self.tables.append(tables)
        self.heights |= dict(zip(places, np.array(heights).T, strict=True))

    def next(self) -> list[tuple[int, int]]:
        """Neighbours not yet looked at of all that is likely, for all sections or for one."""
        best = np.max(np.array(list(self.heights.values())), axis=0)
        likely = (at for at, height in self.heights.items() if np.any(height > best - FAR))
        found = dict.fromkeys(near for at in likely for near in self._beside(*at))
        return [at for at in found if at not in self.heights]


def beliefs_of(plays: Floats, drive: Drive | None, prior: Floats, centre: Floats) -> Beliefs:
    """What is believed where nothing lasts; a lattice adds noises. Oddities of the drive are 0 +/- 1."""
    nothing = np.array([math.log(NOTHING_LASTS)])
    sigma, odd = (None, 0) if drive is None else (drive.sigma, len(drive.odd))
    whole = np.eye(2 + odd)
    whole[:2, :2] = prior
    middle = np.concatenate([centre, np.zeros(odd)])
    return Beliefs(np.log([NO_MEMORY]), nothing, plays, play_belief(plays), sigma, whole, middle)


def weigh(layouts: Iterable[Rows], times: Sequence[Floats], beliefs: Beliefs, first: Noise) -> Weighed:
    """Weigh sections at noises from a first one outward, as far as they are likely; and where nothing lasts.

    Their layouts, with the times of their rows, are walked over once for each round, and may be made anew for it.
    """
    lattice = _Lattice.of(layouts, times, beliefs)
    places = lattice.around(first)
    while places:
        lattice.look(places)
        places = lattice.next()
    batches = [*lattice.tables, lattice.plain]
    points = lattice.points
    noises = np.vstack([points, beliefs.noises])
    chances = np.append(lattice.chances(points), beliefs.noise)
    tables = tuple(
        NormalTable(
            np.concatenate([batch[i].matrix for batch in batches]),
            np.concatenate([batch[i].log_det for batch in batches]),
            batches[0][i].free,
        )
        for i in range(len(lattice.plain))
    )
    return Weighed(tables, replace(beliefs, noises=noises, noise=chances))
