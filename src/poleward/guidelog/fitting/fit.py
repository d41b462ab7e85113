"""One model over all rows of all sections: exact drift curves, levels, guide rate, play, noise with a memory.

    star's place north = level of its piece + D(t; A, e) - rate z(t) / 1000 + noise

D is the exact displacement from `axis` for the directions of `sky`, on a grid of moments and by cubic spline
between them; z the telescope's own path in ms of pulse, behind a play (`correct`). The curves are nearly linear in A
and e, so they are laid out about a state; rate, play and noise are integrated over (`integral`), drive by drive.

The east axis is not used: a worm wheel's periodic error of 8 arcsec is a hundred times what A and e do there.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from poleward.guidelog.fitting.bouts import gauged
from poleward.guidelog.fitting.drive import (
    MOVE_ARCSEC,
    FirstLook,
    Scan,
    few,
    find_drive,
    first_guess,
    look_again,
    mended,
    own_row,
)
from poleward.guidelog.fitting.integral import Quadratic
from poleward.guidelog.fitting.lattice import layout_of
from poleward.guidelog.fitting.noise import Noise
from poleward.guidelog.fitting.parts import Drive, Part, State
from poleward.guidelog.fitting.posterior import Posterior, moved_to, posterior
from poleward.guidelog.fitting.sieve import sieve
from poleward.guidelog.fitting.tables import table_of
from poleward.guidelog.fitting.unlike import explained
from poleward.sky.axis import Floats
from poleward.sky.pole import Pole

ROUNDS = 2
"""How often rows are judged: once from afar, once with an answer that is almost the last one."""
ALIKE = 0.1
"""How much the size of a row's noise may change without another round, of itself."""
FIRST_SIGMAS = 4.5
FURTHER_SIGMAS = 4.0
"""How much a step must explain (see `sieve`) where a log as a whole is likelier for it, half the logarithm of its rows taken off for each (Schwarz 1978, Ann.
Statist. 6, 461), and once it is: there are more of them, then. None of 60 nights of docs/experiments/log_nights.py without
such moves has a step of 4.5 to try."""
RARE = 12.0
"""Log-likelihood by which a log whose pulses stand in the row after the one that they answer to must do better, and one in
which some pulses were written down wrong (two ways are tried). No honest log of docs/experiments/log_guiders.py is read so."""
OWN_SIGMAS = 0.0
"""How far that must stand out of what is left over before such a log is looked for; see `own_row`."""
LIKELY_RATES = ((0.5, 2.0), (1.5, 30.0))
"""Guide rates that such a log may have: in units of a stated one, or arcsec/s, a tenth to twice the sidereal rate."""


def joined(part: Part) -> Part:
    """Return a section in which noted moves begin no new level: the pulses of the log made them."""
    track = replace(part.track, piece=part.track.stretch)
    return replace(part, track=track, piece=track.stretch)


def start(
    parts: Sequence[Part], number: int | None, state: State, pole: Pole, prior: Floats
) -> tuple[list[Part], Drive | None]:
    """Look for a drive and the noise of its sections first, and find out how its pulses are to be read.

    Whether noted moves were made by its pulses: where the guider goes to the star's new place itself, the track with
    pulses undone does not jump there; and nothing tells the guide rate better than such a move. And whether a pulse
    stands in the row it answers to, or in the one after it; and whether some were written down wrong.
    """
    where = _Where(number, state, pole, prior)
    best = where.read(parts)
    if number is not None and any(len(np.unique(part.piece)) > 1 + part.track.stretch[-1] for part in parts):
        best = max(best, where.read([joined(part) for part in parts], like=best.found), key=_likelier)
    known = number is None or parts[0].track.row_known
    if not known and own_row(where.scan(best.parts), best.found) > OWN_SIGMAS:
        moved = [replace(part, track=part.track.answering(early=True)) for part in best.parts]
        rival = where.read(moved, early=True)
        if likely_rate(rival.found.drive):
            best = max(best, rival, key=_likelier)
    if number is not None:
        best = max([best, *where.mended(best, parts)], key=_likelier)
    best = _cut(best, where)
    return [replace(part, noise=scaled(best.found.noise, part.noise)) for part in best.parts], best.drive


def _cut(best: _Reading, where: _Where) -> _Reading:
    """Return a reading with levels that begin where the star stands elsewhere though nobody noted it, as far as they pay.

    Such steps look like noise that lasts, and like a guide rate that is too large; so they are looked for with a rate
    and a noise that know nothing of them.
    """
    state, number = where.state, where.number
    plain_noise = best.parts[0].noise.shape[None]
    plainly = look_again(where.scan(best.parts), plain_noise, best.found.plays).drive
    drives = tuple(
        replace(drive, rate=1.0 if math.isfinite(drive.sigma) else drive.rate)
        for drive in (plainly if i == number and plainly else each for i, each in enumerate(state.drives))
    )
    first = _levels(best.parts)
    for least in (FIRST_SIGMAS, FURTHER_SIGMAS, FURTHER_SIGMAS):
        there = approach(best.parts, replace(state, drives=drives), where.pole, where.prior)
        cut = [sieve(part, there, where.pole, least) for part in best.parts]
        levels, rows = _levels(cut), max(int(np.sum(part.kept)) for part in cut)
        if levels <= _levels(best.parts):
            break
        cost = (levels - first) * math.log(rows) / 2
        rival = where.read(cut, cost, early=best.early, mended=best.mended)
        if rival.log < best.log:
            break
        best = rival
    return best


def _levels(parts: Sequence[Part]) -> int:
    return sum(len(part.starts) for part in few(parts))


def likely_rate(drive: Drive | None) -> bool:
    """Whether a drive moves about as far as drives do: pulses read in the wrong row know the noise of theirs, and with next
    to no motion at all they explain anything."""
    if drive is None:
        return False
    low, high = LIKELY_RATES[0] if math.isfinite(drive.sigma) else LIKELY_RATES[1]
    return low < drive.rate < high


@dataclass(frozen=True, eq=False)
class _Reading:
    """One way to read some sections, its log evidence less what it costs, and what a first look found."""

    log: float
    parts: list[Part]
    found: FirstLook
    early: bool
    mended: int

    @property
    def drive(self) -> Drive | None:
        return self.found.drive and replace(self.found.drive, early=self.early, mended=self.mended)


def _likelier(reading: _Reading) -> float:
    return reading.log


@dataclass(frozen=True, eq=False)
class _Where:
    """What all ways to read the sections of a drive have in common."""

    number: int | None
    state: State
    pole: Pole
    prior: Floats

    def scan(self, parts: Sequence[Part]) -> Scan:
        return Scan(tuple(few(parts)), self.number, self.state, self.pole, self.prior)

    def mended(self, best: _Reading, parts: Sequence[Part]) -> list[_Reading]:
        """Read pulses that break the guider's law in the ways there are; `parts` know where the star was placed anew."""
        each = [mended(part, whole.track, best.early) for part, whole in zip(best.parts, parts, strict=True)]
        found = []
        for way in zip(*each, strict=True):
            count = sum(broken for _, broken in way)
            rival = count and self.read([part for part, _ in way], early=best.early, mended=count)
            if rival and likely_rate(rival.found.drive):
                found.append(rival)
        return found

    def read(
        self,
        parts: Sequence[Part],
        cost: float = 0.0,
        *,
        like: FirstLook | None = None,
        early: bool = False,
        mended: int = 0,
    ) -> _Reading:
        """Look at one; only where another that says much the same has been found, if there is one."""
        scan = self.scan(parts)
        found = look_again(scan, like.noises, like.plays) if like else find_drive(scan)
        levels = sum(len(part.starts) - 1 for part in scan.parts)
        log = found.log - math.log(MOVE_ARCSEC) * levels - cost - RARE * (early + (mended > 0))
        return _Reading(log, list(parts), found, early, mended)


def scaled(noise: Noise, like: Noise) -> Noise:
    """Return a noise as large as another."""
    size = like.white_arcsec / noise.white_arcsec
    return Noise(size * noise.white_arcsec, size * noise.correlated_arcsec, noise.correlation_time_s)


def approach(parts: Sequence[Part], state: State, pole: Pole, prior: Floats) -> State:
    """Gauss-Newton steps in A and e alone: the way from afar, where noise and drive cannot be judged yet."""
    for _ in range(8):
        at = np.array([state.azimuth, state.altitude])
        matrix, vector = prior.copy(), -prior @ at
        for part in parts:
            drive = None if part.drive is None else state.drives[part.drive]
            plays = np.array([0.0 if drive is None else drive.backlash_ms])
            noises = part.noise.shape[None]
            found = Quadratic.of(table_of(layout_of(part, state, pole, plays), noises))
            rate = 0.0 if drive is None else drive.rate
            matrix += found.block[0, 0, :2, :2]
            vector += found.a[0, 0, :2] - rate * found.b[0, 0, :2]
        step = np.linalg.solve(matrix, vector)
        state = replace(state, azimuth=float(at[0] + step[0]), altitude=float(at[1] + step[1]))
        if np.all(np.abs(step) < 0.1 / np.sqrt(np.diag(matrix))):
            break
    return state


def settled(parts: Sequence[Part], state: State, pole: Pole, prior: Floats) -> Posterior:
    """Judge the rows and integrate, until no row changes its weight or twice."""
    now, found = list(parts), None
    for _ in range(ROUNDS):
        judged = [sieve(gauged(part, state, pole), state, pole) for part in now]
        if found is not None and all(_same(*pair) for pair in zip(now, judged, strict=True)):
            break
        found = posterior(judged, state, pole, prior)
        now, state = list(found.parts), moved_to(found, prior)
    assert found is not None
    return found


def _same(old: Part, new: Part) -> bool:
    rows = np.array_equal(old.kept, new.kept) and np.array_equal(old.piece, new.piece)
    return rows and np.allclose(old.scale, new.scale, rtol=ALIKE)


def fit(parts: Sequence[Part], drives: Sequence[Drive], pole: Pole, prior: Floats) -> Posterior:
    """Fit everything.

    Parameters
    ----------
    parts : sequence of Part
    drives : sequence of Drive
    pole : Pole
    prior : array (2, 2)
        Information on A and e beforehand, about zero.
    """
    state = State(0.0, 0.0, tuple(drives))
    now = [first_guess(part) for part in parts]
    told = list(drives)
    for number in (None, *range(len(drives))):
        mine = [i for i, part in enumerate(now) if part.drive == number]
        if mine:
            group, drive = start([now[i] for i in mine], number, state, pole, prior)
            if number is not None and drive is not None:
                told[number] = drive
            for i, part in zip(mine, group, strict=True):
                now[i] = part
    state = approach(now, replace(state, drives=tuple(told)), pole, prior)
    found = settled(now, state, pole, prior)
    for number in range(len(drives)):
        while (better := explained(found, number, pole, prior)) is not None:
            now, state = better
            found = settled(now, state, pole, prior)
    return found
