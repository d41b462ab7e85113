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
from dataclasses import replace

import numpy as np

from poleward.guidelog.fitting.correct import jumps, robust_sigma
from poleward.guidelog.fitting.drive import Scan, few, find_drive, first_guess
from poleward.guidelog.fitting.integral import Quadratic
from poleward.guidelog.fitting.lattice import layout_of
from poleward.guidelog.fitting.noise import (
    Covariance,
    Noise,
    cleared,
    covariance,
    lasting,
    standardised,
    stepped,
)
from poleward.guidelog.fitting.parts import Drive, Linear, Part, State, linear
from poleward.guidelog.fitting.posterior import Posterior, moved_to, posterior
from poleward.guidelog.fitting.tables import table_of
from poleward.guidelog.fitting.unlike import explained
from poleward.guidelog.reading.section import Bools
from poleward.sky.axis import Floats
from poleward.sky.pole import Pole

OUTLIER_SIGMAS = 4.5
"""Rows further than this from what all other rows say lose their weight; of good rows 7 in a million do."""
GUST_SIGMAS = 5.0
"""Stretches whose lasting part is this far out lose their weight: wind, a cable, a hand on the tripod."""
ROUNDS = 2
"""How often rows are judged: once from afar, once with an answer that is almost the last one."""
STEP_SIGMAS = 5.5
"""A step that explains so much begins a new level though nobody noted it: a false one in some thousand sections, and it
costs little. A deliberate move of 3 arcsec in a noise of 0.7 new and 0.5 lasting stands out by 6."""
MOST_STEPS = 40
"""Steps found in a section at most; a star that jumps more often is not guided."""
NO_WEIGHT = 1e-6
"""Of rows set aside, while they are judged: no influence on others, and far from the rounding of doubles."""
MOVE_ARCSEC = 5.0
"""How far a star is moved on purpose, roughly: what a jump is worth that is not there."""
RARE = 12.0
"""Log-likelihood by which a log whose pulses stand in the row after the one that they answer to must do better."""
LIKELY_RATES = ((0.5, 2.0), (1.5, 30.0))
"""Guide rates that such a log may have: in units of a stated one, or arcsec/s, a tenth to twice the sidereal rate."""


def sieve(part: Part, state: State, pole: Pole) -> Part:
    """Judge all rows anew: which have weight, and where new levels begin at jumps.

    A row is judged by what is left of it after everything else is known, never by its place as logged: a guider answers
    to a glitch, and rows thrown out for being far off then would be those that show how far the telescope moves.
    """
    whole = replace(part, kept=np.ones(len(part.kept), bool))
    model = linear(whole, state, pole)
    kept = np.flatnonzero(part.kept)
    piece = part.piece.copy()
    for first in jumps(model.residuals[kept], piece[kept]):
        piece[kept[first] :] += 1
    judged = replace(part, piece=piece)
    odd = part.drive is not None and bool(state.drives[part.drive].odd)
    for _ in range(MOST_STEPS):
        judged, step = _judged(judged, model)
        # What an odd drive does beside its pulses is not in the model here, and must not be cut to pieces.
        if step is None or odd:
            break
        piece = judged.piece.copy()
        piece[step:] += 1
        judged = replace(judged, piece=piece)
    return judged


def _judged(part: Part, model: Linear) -> tuple[Part, int | None]:
    """Judge the rows of a section once, by a model of all of them; and the row at which a step would explain most."""
    noise = part.noise
    every = replace(part, kept=np.ones(len(part.kept), bool))

    def weighed(kept: Bools) -> tuple[Covariance, Floats]:
        weights = np.where(kept, 1.0, NO_WEIGHT)
        rows = part.track.seconds, every.starts
        matrix = covariance(*rows, noise.ratio, noise.correlation_time_s, weights)
        return matrix, cleared(matrix, model.residuals, model.spread, noise.white_arcsec**2)

    matrix, left = weighed(part.kept)
    wild = np.abs(standardised(matrix, left, noise.white_arcsec)) > OUTLIER_SIGMAS
    slow = lasting(matrix, left)
    gust = np.abs(slow) > GUST_SIGMAS * max(robust_sigma(slow), 0.1 * noise.white_arcsec)
    judged = replace(part, kept=~(wild | gust), gusts=gust & ~wild)
    matrix, left = weighed(judged.kept)
    steps = np.where(judged.kept, np.abs(stepped(matrix, left, noise.white_arcsec)), 0.0)
    best = int(np.argmax(steps))
    return judged, best if steps[best] > STEP_SIGMAS else None


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
    stands in the row it answers to, or in the one after it.
    """
    rivals = [list(parts)]
    if number is not None and any(len(np.unique(part.piece)) > 1 + part.track.stretch[-1] for part in parts):
        rivals.append([joined(part) for part in parts])
    best = max((_rival(mine, number, state, pole, prior, 0.0) for mine in rivals), key=lambda rival: rival[0])
    if number is not None and not parts[0].track.row_known:
        read = [replace(part, track=part.track.answering(early=True)) for part in best[1]]
        rival = _rival(read, number, state, pole, prior, RARE, early=True)
        if likely_rate(rival[2]):
            best = max(best, rival, key=lambda rival: rival[0])
    # Steps nobody noted look like noise that lasts, and like a guide rate that is too large; so they are looked for
    # with a noise and a rate that know nothing of them, and must pay for themselves.
    drives = tuple(
        replace(drive, rate=1.0 if math.isfinite(drive.sigma) else drive.rate)
        for drive in (best[2] if i == number and best[2] else each for i, each in enumerate(state.drives))
    )
    there = approach(best[1], replace(state, drives=drives), pole, prior)
    cut = [sieve(part, there, pole) for part in best[1]]
    steps = sum(len(new.starts) - len(old.starts) for new, old in zip(few(cut), few(best[1]), strict=True))
    if steps > 0:
        rows = max(int(np.sum(part.kept)) for part in cut)
        early = best[2] is not None and best[2].early
        rival = _rival(cut, number, state, pole, prior, RARE * early + steps * math.log(rows), early=early)
        best = max(best, rival, key=lambda rival: rival[0])
    _, chosen, drive, noise = best
    return [replace(part, noise=scaled(noise, part.noise)) for part in chosen], drive


def likely_rate(drive: Drive | None) -> bool:
    """Whether a drive moves about as far as drives do: pulses read in the wrong row know the noise of theirs, and with next
    to no motion at all they explain anything."""
    if drive is None:
        return False
    low, high = LIKELY_RATES[0] if math.isfinite(drive.sigma) else LIKELY_RATES[1]
    return low < drive.rate < high


def _rival(
    parts: list[Part],
    number: int | None,
    state: State,
    pole: Pole,
    prior: Floats,
    cost: float,
    *,
    early: bool = False,
) -> tuple[float, list[Part], Drive | None, Noise]:
    """Log evidence of one way to read some sections, less what it costs; the sections, their drive and noise."""
    some = few(parts)
    drive, noise, log = find_drive(Scan(tuple(some), number, state, pole, prior))
    log -= math.log(MOVE_ARCSEC) * sum(len(part.starts) - 1 for part in some) + cost
    return log, parts, drive and replace(drive, early=early), noise


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
        judged = [sieve(part, state, pole) for part in now]
        if found is not None and all(_same(*pair) for pair in zip(now, judged, strict=True)):
            break
        found = posterior(judged, state, pole, prior)
        now, state = list(found.parts), moved_to(found, prior)
    assert found is not None
    return found


def _same(old: Part, new: Part) -> bool:
    return np.array_equal(old.kept, new.kept) and np.array_equal(old.piece, new.piece)


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
