"""Does a drive do what its pulses say? What is left over must not know them; where it does, the few drives that exist
are tried, and where none explains it, every way in which a drive may be odd is left open."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from poleward.guidelog.fitting.drive import MOVE_ARCSEC, NOISES, Scan, few
from poleward.guidelog.fitting.lattice import FAR, layout_of
from poleward.guidelog.fitting.oddities import SIGMA, clock_columns, stands_out
from poleward.guidelog.fitting.parts import Drive, Part, State
from poleward.guidelog.fitting.posterior import Posterior, moved_to
from poleward.guidelog.fitting.tables import table_of
from poleward.sky.axis import Floats
from poleward.sky.pole import Pole

KNOWN_SIGMAS = 4.0
"""What is left over knows the pulses where a column made of them stands out so far: one honest log in 3000, for five."""
ASKED_SIGMAS = 2.5
"""Below this no odd drive is tried: it could not make the rows likelier by more than half the square of it."""
DEAD_MS = (15.0, 20.0, 30.0, 40.0, 50.0, 60.0, 80.0, 100.0, 130.0, 170.0, 220.0)
"""Lengths below which pulses may not move a drive; up to half of the pulses' own."""
BETTER = 5.0
"""Log-likelihood by which an odd drive must do better than a plain one: there are few of them."""
ALL = tuple(SIGMA)


def probed(found: Posterior, number: int, pole: Pole, prior: Floats) -> Floats:
    """How far each column of `oddities` stands out of what a drive's sections left over, in sigmas: (q,)."""
    state, mixture = moved_to(found, prior), found.mixture(prior)
    drive = state.drives[number]
    asked = replace(drive, odd=ALL)
    there = replace(state, drives=tuple(asked if i == number else d for i, d in enumerate(state.drives)))
    size = 2 + len(ALL)
    matrix = np.zeros((size + 2, size + 2))
    for part in found.parts:
        if part.drive == number:
            layout = layout_of(part, there, pole, np.array([drive.backlash_ms]))
            matrix += table_of(layout, part.noise.shape[None]).matrix[0, 0] / part.noise.white_arcsec**2
    # Axis error and rate give way as far as they may; the columns do not.
    known = [2 + ALL.index(name) for name in drive.odd]
    held = np.eye(3 + len(known))
    held[:2, :2], held[2, 2] = prior, mixture.drive_moments()[1][number, 0] ** -2.0
    told = stands_out(matrix, [0, 1, size, *known], held, range(2, size), drive.rate)
    told[[at - 2 for at in known]] = 0.0
    return told


def clock_chi_square(
    parts: Sequence[Part], state: State, pole: Pole, prior: Floats, beside: Sequence[Floats]
) -> tuple[float, int]:
    """How far sections bend as no axis makes them, each with an axis error and a level of its own: chi-square, freedom.

    `beside` is what each may do beside that, (k, n) for one sigma: the doubts of the air and of its pointing.
    """
    total = 0.0
    for part, further in zip(parts, beside, strict=True):
        drive = None if part.drive is None else state.drives[part.drive]
        layout = layout_of(part, state, pole, np.array([0.0 if drive is None else drive.backlash_ms]))
        layout = layout.beside(np.vstack([further, clock_columns(layout.seconds)]))
        matrix = table_of(layout, part.noise.shape[None]).matrix[0, 0] / part.noise.white_arcsec**2
        size = len(matrix) - 4
        held = matrix[:-2, :-2].copy()
        held[:2, :2] += prior
        held[range(2, size), range(2, size)] += 1.0
        pulled = matrix[:-2, -1] - (0.0 if drive is None else drive.rate) * matrix[:-2, -2]
        own, both = slice(0, size), slice(size, size + 2)
        cross = held[both, own] @ np.linalg.inv(held[own, own])
        left = held[both, both] - cross @ held[own, both]
        score = pulled[both] - cross @ pulled[own]
        total += float(score @ np.linalg.solve(left + 1e-9 * np.diag(np.diag(held[both, both])), score))
    return total, 2 * len(parts)


def explained(found: Posterior, number: int, pole: Pole, prior: Floats) -> tuple[list[Part], State] | None:
    """Find the odd drive that explains the rows better than the one at hand; None: there is none, and none is needed."""
    state = moved_to(found, prior)
    drive = state.drives[number]
    if drive.odd == ALL:
        return None
    told = float(np.max(np.abs(probed(found, number, pole, prior))))
    if told < ASKED_SIGMAS:
        return None
    rivals = _rivals([part for part in found.parts if part.drive == number], number, state, pole, prior)
    if told > KNOWN_SIGMAS:
        rivals.append((BETTER, replace(drive, odd=ALL)))
    gain, best = max(rivals, key=lambda rival: rival[0], default=(0.0, drive))
    if gain < BETTER:
        return None
    parts = [_answering(part, best) if part.drive == number else part for part in found.parts]
    return parts, replace(state, drives=tuple(best if i == number else d for i, d in enumerate(state.drives)))


def _answering(part: Part, drive: Drive) -> Part:
    """Return a section whose drive is an odd one. Steps that were found are taken back: it was the drive that made them."""
    return replace(part, track=part.track.answering(drive.dead_ms, drive.early), piece=part.track.piece)


def _rivals(
    whole: Sequence[Part], number: int, state: State, pole: Pole, prior: Floats
) -> list[tuple[float, Drive]]:
    """Odd drives, and how much likelier each makes the rows, in log evidence."""
    drive, parts = state.drives[number], few(whole)
    if drive.odd:
        return []
    reach = max(
        float(np.max(np.abs(part.track.pulse_ms))) for part in parts if part.track.pulse_ms is not None
    )
    odd = [replace(drive, odd=(name,)) for name in ("uneven", "short")]
    if not drive.dead_ms:
        odd += [replace(drive, dead_ms=dead) for dead in DEAD_MS if dead < reach / 2]
    plays = np.unique(np.maximum(drive.backlash_ms + np.linspace(-60, 60, 7), 0.0))
    heights = []
    noises = NOISES
    for each in (drive, *odd):
        read = tuple(parts if each is drive else (_answering(part, each) for part in parts))
        there = replace(state, drives=tuple(each if i == number else d for i, d in enumerate(state.drives)))
        height, _ = Scan(read, number, there, pole, prior).outlook(noises, plays)
        top = float(np.max(height))
        heights.append(top + math.log(float(np.sum(np.exp(height - top)))))
        if each is drive:
            # Noises that are out of the question with the drive at hand stay so.
            noises = NOISES[np.max(height, axis=1) > top - FAR]
    steps = sum(len(np.unique(part.piece)) - len(np.unique(part.track.piece)) for part in parts)
    heights[0] -= steps * math.log(MOVE_ARCSEC * math.sqrt(max(len(part.kept) for part in parts)))
    return [(height - heights[0], each) for height, each in zip(heights[1:], odd, strict=True)]
