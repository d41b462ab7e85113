"""Which rows of a section have weight, and where new levels begin that nobody noted."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from poleward.errors import InputError
from poleward.guidelog.fitting.correct import WINDOW, jumps, robust_sigma
from poleward.guidelog.fitting.noise import (
    Covariance,
    covariance,
    lasting,
    levelled,
    standardised,
    stepped,
)
from poleward.guidelog.fitting.parts import Part, State, left_over
from poleward.guidelog.reading.section import Bools
from poleward.sky.axis import Floats
from poleward.sky.pole import Pole

OUTLIER_SIGMAS = 4.5
"""Rows further than this from what all other rows say lose their weight; of good rows 7 in a million do."""
GUST_SIGMAS = 5.0
"""Stretches whose lasting part is this far out lose their weight: wind, a cable, a hand on the tripod."""
STEP_SIGMAS = 5.5
"""A step that explains so much begins a new level though nobody noted it: a false one in some thousand sections, and it
costs little. A deliberate move of 3 arcsec in a noise of 0.7 new and 0.5 lasting stands out by 6."""
MOST_STEPS = 40
"""Steps found in a section at most; a star that jumps more often is not guided."""
LEAST_LEFT = 20
"""Rows less levels that must keep their weight: three numbers for the noise, three for the drift and two for the gears, with
some to spare. Half of what a section needs at all: more are never lost to glitches, gusts and steps of a star."""
EDGE = 0.1
"""A bout begins or ends where the size of the noise changes so much from one row to the next."""
NO_WEIGHT = 1e-6
"""Of rows set aside, while they are judged: no influence on others, and far from the rounding of doubles."""


def sieve(part: Part, state: State, pole: Pole, least: float = STEP_SIGMAS) -> Part:
    """Judge all rows anew: which have weight, and where new levels begin at jumps.

    A row is judged by what is left of it after everything else is known, never by its place as logged: a guider answers
    to a glitch, and rows thrown out for being far off then would be those that show how far the telescope moves. Steps
    begin a level where they explain so many sigmas at least. An InputError where next to nothing is left.
    """
    model = left_over(part, state, pole)
    kept = np.flatnonzero(part.kept)
    piece = part.piece.copy()
    for first in jumps(model[0][kept], piece[kept], part.scale[kept]):
        piece[kept[first] :] += 1
    judged = replace(part, piece=piece)
    odd = part.drive is not None and bool(state.drives[part.drive].odd)
    for _ in range(MOST_STEPS):
        judged, step = _judged(judged, model, least)
        # What an odd drive does beside its pulses is not in the model here, and must not be cut to pieces.
        if step is None or odd:
            break
        piece = judged.piece.copy()
        piece[step:] += 1
        judged = replace(judged, piece=piece)
    rows = int(np.sum(judged.kept))
    if rows - len(judged.starts) < LEAST_LEFT:
        raise InputError(
            f"{rows} of its {len(judged.kept)} rows are left when glitches and steps are set aside: the star's places do not "
            "scatter as measurements do; check the columns of place and time"
        )
    return judged


def _judged(part: Part, model: tuple[Floats, Floats | None], least: float) -> tuple[Part, int | None]:
    """Judge the rows of a section once, by what is left over of all; and the row at which a step would explain most."""
    noise, scale = part.noise, part.scale
    residuals = model[0] / scale
    spread = None if model[1] is None else model[1] / scale
    every = replace(part, kept=np.ones(len(part.kept), bool))

    def weighed(kept: Bools) -> tuple[Covariance, Floats]:
        weights = np.where(kept, 1.0, NO_WEIGHT)
        rows = part.track.seconds, every.starts
        matrix = covariance(*rows, noise.ratio, noise.correlation_time_s, weights)
        return matrix, levelled(matrix, residuals, spread, noise.white_arcsec**2, scale)

    matrix, left = weighed(part.kept)
    wild = np.abs(standardised(matrix, left, noise.white_arcsec)) > OUTLIER_SIGMAS
    slow = lasting(matrix, left)
    gust = np.abs(slow) > GUST_SIGMAS * max(robust_sigma(slow), 0.1 * noise.white_arcsec)
    judged = replace(part, kept=~(wild | gust), gusts=gust & ~wild)
    matrix, left = weighed(judged.kept)
    # What lasts grows at once where a bout begins, and nobody knows to the row where that is.
    change = np.abs(np.diff(np.log(scale), prepend=math.log(scale[0])))
    edge = np.convolve(change > EDGE, np.ones(WINDOW), "same") > 0
    steps = np.where(judged.kept & ~edge, np.abs(stepped(matrix, left, noise.white_arcsec, scale)), 0.0)
    best = int(np.argmax(steps))
    return judged, best if steps[best] > least else None
