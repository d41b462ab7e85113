"""Catalogue and pictures of a field fitted together, and how noisy each sighting of a star is."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from poleward.frames.match import TURN_STARS, FieldMove, Indices, moves
from poleward.guidelog.reading.section import Bools
from poleward.sky.axis import Floats

LEAST_FRAMES = 3
"""A star, or a pointing, that fewer pictures show tells no motion and its noise."""
OUTLIER = 4.0
"""Sightings so many sigmas off are cut: one of 16,000 good ones."""
ROUNDS = 30
CLOSE = 1e-4
"""Catalogue and pictures are fitted in turn until no picture moves by more than so many pixels."""
FAR = 4.685
"""Of a star's way against the others', in its sigmas: where it counts no more (Tukey's biweight, J. W. Tukey 1977; the
constant that keeps 95 % of what good stars say, M). A hot pixel or a neighbour that the star slides past pulls its
centre along for a minute, a sigma or two in each picture: too little to be seen there, too much for the turn."""
ANY_NOISE = 0.01
"""Pixels, beside what background and photons make: the air between two stars, unlike pixels."""


@dataclass(frozen=True, eq=False)
class FieldRows:
    """All sightings of stars in a field's pictures, one a row.

    Attributes
    ----------
    places : array (n, 2)
        Pixels.
    frame, name : int array (n,)
        Which picture, and which star of the catalogue.
    behind, photons : array (n,)
        Noise as in `Stars`.
    """

    places: Floats
    frame: Indices
    name: Indices
    behind: Floats
    photons: Floats


@dataclass(frozen=True, eq=False)
class StarWays:
    """Sightings without what all stars of their picture share, one a row.

    Attributes
    ----------
    offset : array (n, 2)
        From the field's centre, pixels.
    weight : array (n,)
        1 / pixels^2.
    frame, name : int array (n,)
        Which picture, and which star.
    """

    offset: Floats
    weight: Floats
    frame: Indices
    name: Indices

    def part(self, chosen: Indices) -> StarWays:
        """Return those in some of the pictures, rising, which are counted anew."""
        mine = np.isin(self.frame, chosen)
        frame = np.searchsorted(chosen, self.frame[mine])
        return StarWays(self.offset[mine], self.weight[mine], frame, self.name[mine])

    def turn_rate(self, seconds: Floats) -> tuple[float, float] | None:
        """Return how fast the field turns, radians per second from x toward y, and one sigma of it; None of two stars.

        Each star's own way is fitted by a straight line, and one turn to all ways. The stars' disagreement is its
        noise: what shakes all of them does not turn them.
        """
        from scipy.special import stdtrit

        span = float(seconds[-1] - seconds[0])
        t = ((seconds - seconds[0]) / span)[self.frame]
        count = np.bincount(self.name)

        def total(values: Floats) -> Floats:
            return np.bincount(self.name, self.weight * values, len(count)).astype(float)

        whole = np.maximum(total(np.ones(len(t))), 1e-300)
        t = t - (total(t) / whole)[self.name]
        known = total(t * t)
        good = count >= max(LEAST_FRAMES, len(seconds) // 2)
        good &= known > 1e-12 * np.max(known)
        way, place = (
            np.stack([total(factor * side) / below for side in self.offset.T], axis=1)[good]
            for factor, below in ((t, np.where(good, known, 1.0)), (np.ones(len(t)), whole))
        )
        if len(way) < TURN_STARS:
            return None
        turn, sigma, free = _turn_of(way, place, known[good])
        # A few stars have more than a normal distribution beyond.
        return turn / span, sigma / span * float(stdtrit(free, 0.975)) / 1.959964


def _turn_of(way: Floats, place: Floats, known: Floats) -> tuple[float, float, int]:
    """Return the turn of ways (n, 2) at places (n, 2), each known to 1 / known (n,), its sigma, and values to spare."""
    weight = known.copy()
    for _ in range(ROUNDS):
        arm, along = (each - weight @ each / weight.sum() for each in (place, way))
        lever = float(weight @ np.sum(arm**2, axis=1))
        turn = float(weight @ (arm[:, 0] * along[:, 1] - arm[:, 1] * along[:, 0])) / lever
        off = np.hypot(*(along - turn * np.column_stack([-arm[:, 1], arm[:, 0]])).T) * np.sqrt(known)
        # Half of normal ways lie within sqrt(2 ln 2); the stars' own noise is the least.
        scale = max(1.0, float(np.median(off)) / math.sqrt(2 * math.log(2)))
        weight = known * np.maximum(1 - (off / (FAR * scale)) ** 2, 0.0) ** 2
    return turn, scale / math.sqrt(lever), max(2 * int(np.count_nonzero(weight)) - 3, 1)


def adjusted(
    rows: FieldRows, reference: Floats, frames: int, centre: Floats
) -> tuple[Floats, FieldMove, Floats]:
    """Fit places of the catalogue's stars and moves of the pictures to all sightings.

    Parameters
    ----------
    rows : FieldRows
    reference : array (m, 2)
        The catalogue, to begin with.
    frames : int
    centre : array (2,)

    Returns
    -------
    reference : array (m, 2)
    move : FieldMove
        Of the frames.
    weight : array (n,)
        Of the sightings, 1 / pixels^2; zero where one does not move as the others do.
    """
    variance = rows.behind**2 + rows.photons**2 + ANY_NOISE**2
    weight = 1 / variance
    for _ in range(3):
        reference, move = _alternate(rows, reference, weight, frames, centre)
        off = rows.places - move.places(rows.frame, reference[rows.name], centre)
        variance = _noise(rows, off, variance, weight > 0)
        pull = np.max(np.abs(off), axis=1) / np.sqrt(variance)
        weight = np.where((pull < OUTLIER) & ~_stands_still(rows, off), 1 / variance, 0.0)
    reference, move = _alternate(rows, reference, weight, frames, centre)
    return reference, move, weight


def _alternate(
    rows: FieldRows, reference: Floats, weight: Floats, frames: int, centre: Floats
) -> tuple[Floats, FieldMove]:
    """Pictures by the catalogue, the catalogue by the pictures, until both stay."""
    reference, before = reference.copy(), np.full((frames, 2), np.inf)
    for _ in range(ROUNDS):
        move = moves(reference[rows.name], rows.places, weight, rows.frame, frames, centre)
        if np.max(np.abs(move.shift - before)) < CLOSE:
            break
        before = move.shift
        back = move.references(rows.frame, rows.places, centre)
        total = np.bincount(rows.name, weight, len(reference))
        for axis in (0, 1):
            mean = np.bincount(rows.name, weight * back[:, axis], len(reference)) / np.maximum(total, 1e-300)
            reference[:, axis] = np.where(total > 0, mean, reference[:, axis])
    return reference, move


def _noise(rows: FieldRows, off: Floats, variance: Floats, used: Bools) -> Floats:
    """Variance of each sighting: so much of the background's, of the photons', and of something that all have."""
    from scipy.optimize import nnls

    parts = np.column_stack([rows.behind**2, rows.photons**2, np.full(len(off), ANY_NOISE**2)])
    # Fits to a star's or a picture's few sightings leave less than there was.
    share = 1 - np.minimum(
        0.5, 1 / np.bincount(rows.name)[rows.name] + 1 / np.bincount(rows.frame)[rows.frame]
    )
    square = np.mean(off**2, axis=1) / share
    calm = used & (square < (OUTLIER**2) * variance)
    if np.count_nonzero(calm) < 10:
        return variance
    amount, _ = nnls(parts[calm] / variance[calm, None], square[calm] / variance[calm])
    found: Floats = parts @ amount
    return np.maximum(found, 1e-8)


def _stands_still(rows: FieldRows, off: Floats) -> Bools:
    """Sightings of what stays on its pixel while the field moves: hot pixels."""
    count = np.maximum(np.bincount(rows.name), 1)

    def spread(values: Floats) -> Floats:
        mean = np.stack([np.bincount(rows.name, each) / count for each in values.T], axis=1)
        return np.sqrt(np.bincount(rows.name, np.sum((values - mean[rows.name]) ** 2, axis=1)) / count)

    field, still = spread(off), spread(rows.places)
    result: Bools = ((still < 0.5 * field) & (count >= LEAST_FRAMES))[rows.name]
    return result
