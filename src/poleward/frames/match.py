"""Which star is which, in two pictures of one field; and the shift and turn between them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from poleward.sky.axis import Floats

Indices = NDArray[np.intp]

VOTERS = 40
"""The brightest of both pictures, each with each, vote for a shift: 1,600 votes, in a millisecond or two."""
NEAR = 3.0
"""Pixels within which votes agree: what a turn of a quarter of a degree moves a star 700 pixels from the centre."""
TURN_STARS = 3
LEAST_VOTES = 3
LEAST_SHARE = 0.3
"""Votes that count: of the fewer stars' number. 1,600 votes strewn over a picture agree by threes once in 25 pictures, and by
twelves never; under a cloud the few stars left must still do."""


@dataclass(frozen=True, eq=False)
class FieldMove:
    """How the field lies in each of F frames: place = centre + shift + turned(reference - centre).

    Attributes
    ----------
    shift : array (F, 2)
        x and y, pixels, of the reference's centre.
    turn : array (F,)
        Radians, from x toward y.
    shift_sigma : array (F, 2)
    turn_sigma : array (F,)
        By the stars' noise.
    """

    shift: Floats
    turn: Floats
    shift_sigma: Floats
    turn_sigma: Floats

    def places(self, frame: Indices, reference: Floats, centre: Floats) -> Floats:
        """Places (n, 2) of references (n, 2) in frames (n,)."""
        moved: Floats = centre + self.shift[frame] + _turned(reference - centre, self.turn[frame])
        return moved

    def references(self, frame: Indices, places: Floats, centre: Floats) -> Floats:
        """Return what `places` was given."""
        back: Floats = centre + _turned(places - centre - self.shift[frame], -self.turn[frame])
        return back


def _turned(offset: Floats, turn: Floats) -> Floats:
    cosine, sine = np.cos(turn), np.sin(turn)
    x, y = offset[:, 0], offset[:, 1]
    return np.column_stack([cosine * x - sine * y, sine * x + cosine * y])


def moves(
    reference: Floats, places: Floats, weight: Floats, frame: Indices, frames: int, centre: Floats
) -> FieldMove:
    """Least squares for the shift and turn of every frame, all at once.

    Parameters
    ----------
    reference, places : array (n, 2)
        Of each sighting of a star, pixels.
    weight : array (n,)
        One over the variance of each coordinate; zero leaves a sighting out.
    frame : int array (n,)
        In which frame it was.
    frames : int
        F.
    centre : array (2,)
        Of the picture.

    Returns
    -------
    FieldMove

    Notes
    -----
    For a rigid move the best turn follows from sums, without iterating: tan = sum w (u x v) / sum w (u . v), u and v the
    offsets from the weighted means (P. H. Schoenemann 1966, Psychometrika 31, 1, in a plane; status M).
    """

    def total(values: Floats) -> Floats:
        return np.bincount(frame, values, frames).astype(float)

    u, v = reference - centre, places - centre
    whole = np.maximum(total(weight), 1e-300)
    u_mean, v_mean = (np.column_stack([total(weight * side) / whole for side in both.T]) for both in (u, v))
    u, v = u - u_mean[frame], v - v_mean[frame]
    across = total(weight * (u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]))
    along = total(weight * np.sum(u * v, axis=1))
    # One star tells no turn, and of two one may be off: the move is then theirs, not that of the picture's centre.
    turns = np.bincount(frame[weight > 0], minlength=frames) >= TURN_STARS
    turn = np.where(turns, np.arctan2(across, along), 0.0)
    lever = np.where(turns, total(weight * np.sum(u * u, axis=1)), 0.0)
    # Of stars all at one place, or none, the turn stays unknown: a sigma of a million.
    turn_sigma = 1 / np.sqrt(np.maximum(lever, 1e-12))
    # A turn about the stars' mean moves the picture's centre, crosswise to the way between the two.
    crosswise = u_mean[:, ::-1] * np.where(turns, turn_sigma, 0.0)[:, None]
    return FieldMove(
        v_mean - _turned(u_mean, turn), turn, np.hypot(1 / np.sqrt(whole)[:, None], crosswise), turn_sigma
    )


def voted_shift(reference: Floats, places: Floats) -> tuple[Floats, int]:
    """Return the shift on which most pairs of two lists, brightest first, agree, and how many do.

    Parameters
    ----------
    reference, places : array (n, 2), (m, 2)
        The reference laid where it is expected: among equals the smaller shift wins.
    """
    from scipy.spatial import cKDTree

    few, many = reference[:VOTERS], places[:VOTERS]
    shifts = (many[None] - few[:, None]).reshape(-1, 2)
    votes = cKDTree(shifts).query_ball_point(shifts, NEAR, return_length=True)
    best = int(np.argmax(votes - 1e-6 * np.hypot(*shifts.T)))
    agree = np.hypot(*(shifts - shifts[best]).T) < NEAR
    # A pair's stars count once, however crowded the place.
    pairs = np.nonzero(agree.reshape(len(few), len(many)))
    count = min(len(set(pairs[0].tolist())), len(set(pairs[1].tolist())))
    return np.median(shifts[agree], axis=0), count


def pairs_of(reference: Floats, places: Floats, reach: float) -> tuple[Indices, Indices]:
    """Indices of the stars that are each other's nearest, within so many pixels."""
    from scipy.spatial import cKDTree

    away, near = cKDTree(reference).query(places)
    nearest, back = np.asarray(near, np.intp), np.asarray(cKDTree(places).query(reference)[1], np.intp)
    mine = np.flatnonzero((away < reach) & (back[nearest] == np.arange(len(places))))
    return nearest[mine], mine


def enough(votes: int, few: int, many: int) -> bool:
    """Whether so many votes of so many stars make a match."""
    return votes >= max(LEAST_VOTES, LEAST_SHARE * min(few, many, VOTERS))
