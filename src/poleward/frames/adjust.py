"""Catalogue and pictures of a field fitted together, and how noisy each sighting of a star is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from poleward.frames.match import FieldMove, Indices, moves
from poleward.guidelog.reading.section import Bools
from poleward.sky.axis import Floats

LEAST_FRAMES = 3
"""A star, or a pointing, that fewer pictures show tells no motion and its noise."""
OUTLIER = 4.0
"""Sightings so many sigmas off are cut: one of 16,000 good ones."""
ROUNDS = 30
CLOSE = 1e-4
"""Catalogue and pictures are fitted in turn until no picture moves by more than so many pixels."""
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
