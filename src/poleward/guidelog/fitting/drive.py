"""What moved the telescope: a first look for backlash and guide rate, and whether the pulses are what they say."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from poleward.guidelog.fitting.correct import glitches, robust_sigma
from poleward.guidelog.fitting.noise import Covariance, Noise, covariance
from poleward.guidelog.fitting.parts import Drive, Linear, Part, Path, State, path_of, with_drive
from poleward.guidelog.fitting.search import START_RATIOS, START_TIMES_S, NoiseRows
from poleward.sky.pole import Pole

BACKLASH_GRID_MS = (0, 40, 80, 120, 160, 200, 250, 300, 350, 400, 500, 600, 800, 1000, 1300, 1700, 2200)
"""Where the search for the backlash looks first; its likelihood is smooth on the scale of one pulse, some 100 ms."""
RATE_GRID = (0.8, 1.2, 1.8, 2.7, 4.0, 5.5, 7.5, 9.0, 11.0, 13.5)
"""Guide rates tried where none was stated, arcsec/s: from a twentieth of the sidereal rate up to nine tenths."""
DRIVE_ROWS = 4000
"""That search uses so many rows in all, from the middle of each section, and at least `DRIVE_LEAST` of each.

They stay in a row: means of rows, that would do for the noise alone, hide which pulse answered to what.
"""
DRIVE_LEAST = 400
"""Of more than ten sections, ten spread over all of them search; the noise is then judged in each."""
SIGN_ROWS = 1200
"""Rows from the middle of a section by which the sign of its pulses is judged."""
SIGN_MARGIN = 12.0
"""Log-likelihood by which pulses turned round, or left out, must do better before they are not believed.

Five sigmas. Of 420 guided sections of docs/experiments/log_nights.py none is refused as it is, with its guide rate
stated or not; turned round 97 % are refused, and with pulses a thousand times too large all of them.
"""


def rows_for_noise(part: Part, model: Linear) -> NoiseRows:
    """What the noise is found from: what A and e could do is free in each section, so that drift is no noise."""
    seconds = part.track.seconds[part.kept]
    columns = np.column_stack([model.bends, model.residuals])
    return NoiseRows(seconds, part.starts, columns, model.spread, part.noise.white_arcsec**2)


@dataclass(frozen=True)
class Trial:
    """A section, or its middle, with all laid out once that does not depend on the drive, so that many can be tried.

    Attributes
    ----------
    part : Part
    path : Path
    noises : tuple of Covariance
        Of which the likeliest is taken for each drive, never a fixed one: with the wrong noise a lazy telescope that
        ignores the pulses looks likelier than the one that answered to them.
    points : tuple of (float, float)
        Their (ratio, time).
    """

    part: Part
    path: Path
    noises: tuple[Covariance, ...]
    points: tuple[tuple[float, float], ...]

    @classmethod
    def of(cls, part: Part, rows: int, state: State, pole: Pole, times: Sequence[float]) -> Trial:
        """Lay out so many rows from a section's middle, with drifts by a state's axis error."""
        part = middle(part, rows)
        points = tuple((ratio, time) for time in times for ratio in START_RATIOS)
        seconds = part.track.seconds[part.kept]
        noises = tuple(covariance(seconds, part.starts, *point) for point in points)
        return cls(part, path_of(part, state, pole), noises, points)

    def likeliest(self, drive: Drive) -> tuple[float, Noise]:
        """Log-likelihood with a drive, and the noise that makes it so."""
        rows = rows_for_noise(self.part, with_drive(self.part, self.path, drive))
        normals = [rows.weighed(noise) for noise in self.noises]
        values = [normal.log_likelihood() for normal in normals]
        best = int(np.nanargmax(values))
        variance, (ratio, time) = normals[best].white_variance(), self.points[best]
        white = math.sqrt(variance) if variance > 0 else self.part.noise.white_arcsec
        return values[best], Noise(white, white * math.sqrt(ratio), time)


def find_drive(parts: Sequence[Part], drive: Drive, state: State, pole: Pole) -> tuple[Drive, list[Noise]]:
    """Find roughly the backlash of a drive, its rate if none was stated, and the noise of each of its sections."""
    rows = max(DRIVE_LEAST, DRIVE_ROWS // len(parts))
    trials = [Trial.of(part, rows, state, pole, START_TIMES_S) for part in parts]
    few = trials[:: math.ceil(len(trials) * DRIVE_LEAST / DRIVE_ROWS)]

    def best_of(candidates: Sequence[Drive]) -> Drive:
        return max(candidates, key=lambda tried: sum(trial.likeliest(tried)[0] for trial in few))

    if not math.isfinite(drive.sigma):
        drive = best_of(
            [replace(drive, rate=r, backlash_ms=b) for r in RATE_GRID for b in (0.0, 200.0, 500.0)]
        )
    reach = max(float(np.ptp(part.track.motor_ms)) for part in parts if part.track.motor_ms is not None)
    grid = [float(b) for b in BACKLASH_GRID_MS if b == 0 or b < reach]
    drive = best_of([replace(drive, backlash_ms=b) for b in grid])
    at = grid.index(drive.backlash_ms)
    low, high = grid[max(at - 1, 0)], grid[min(at + 1, len(grid) - 1)]
    if high > low:
        drive = best_of([replace(drive, backlash_ms=float(b)) for b in np.linspace(low, high, 11)])
    if not math.isfinite(drive.sigma):
        drive = best_of(
            [replace(drive, rate=drive.rate * f) for f in (0.8, 0.87, 0.93, 1.0, 1.07, 1.15, 1.24)]
        )
    return drive, [trial.likeliest(drive)[1] for trial in trials]


def middle(part: Part, rows: int) -> Part:
    """Return the same section with only so many rows, from its middle, in the fit."""
    kept = np.flatnonzero(part.kept)
    if len(kept) <= rows:
        return part
    first = (len(kept) - rows) // 2
    chosen = np.zeros(len(part.kept), bool)
    chosen[kept[first : first + rows]] = True
    return replace(part, kept=chosen)


def wrong_way(part: Part, drive: Drive | None, pole: Pole) -> str:
    """Why a section's pulses cannot be what they say, or nothing.

    The section is fitted with its pulses as they are, turned round, and left out. A wrong sign would not show
    otherwise: it makes a drift of its own, twice the one that the guider has pushed away.
    """
    if drive is None:
        return ""
    part = replace(part, kept=~glitches(part.track.north_arcsec))
    noise = Noise(max(robust_sigma(np.diff(part.track.north_arcsec[part.kept])) / 1.5, 1e-3), 1.0, 30.0)
    trial = Trial.of(replace(part, noise=noise), SIGN_ROWS, State(0.0, 0.0, ()), pole, START_TIMES_S[:3])
    rates = (1.0, 0.87, 1.15) if math.isfinite(drive.sigma) else RATE_GRID

    def likelihood(rate: float, backlash: float) -> float:
        return trial.likeliest(replace(drive, rate=rate, backlash_ms=backlash))[0]

    def best(sign: float, enough: float) -> float:
        found = -math.inf
        for rate in rates:
            for backlash in BACKLASH_GRID_MS:
                found = max(found, likelihood(sign * rate, backlash))
                if found > enough:
                    return found
        return found

    still = likelihood(0.0, 0.0)
    right = best(1.0, still)
    if right > still - SIGN_MARGIN:
        return ""
    turned = best(-1.0, math.inf)
    if turned > max(right, still) + SIGN_MARGIN:
        return (
            "its pulses move the star the wrong way: check `positive` of north and of north_pulse in the layout, "
            "and `reversed`"
        )
    if still > right + SIGN_MARGIN:
        return "its pulses do not move the star as they say: check their unit and the guide rate"
    return ""
