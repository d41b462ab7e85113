"""Frames that each have a WCS of their own: the field's motion read off the headers, no star looked for."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from poleward.frames.onsky import directions_at, middle_of, pixels_at
from poleward.frames.shot import Shot
from poleward.frames.track import FieldTrack
from poleward.sky.axis import Floats

LEAST_NOISE_PIX = 0.02
"""No header's WCS is better: a hundredth of a star's width."""


def own_track(shots: Sequence[Shot]) -> FieldTrack | None:
    """Follow a place in the sky, the middle of the first frame, through each frame's own WCS.

    Parameters
    ----------
    shots : sequence of Shot
        By time, of one size.

    Returns
    -------
    FieldTrack or None
        In pixels as they are stored; its stars are the middle and four places about it. None where a frame has no
        WCS, or all have the same, which then says nothing of the motion.
    """
    if any(shot.wcs is None for shot in shots):
        return None
    shape = (shots[0].height, shots[0].width)
    x, y = middle_of(shape)
    corners = np.array([[x, y], [1.5 * x, y], [0.5 * x, y], [x, 1.5 * y], [x, 0.5 * y]])
    directions = directions_at(shots[0].wcs, corners)
    places = np.stack([pixels_at(shot.wcs, directions) for shot in shots])
    if not np.all(np.isfinite(places)) or np.ptp(places, axis=0).max() < 1e-3:
        return None
    arms = places[:, 1:] - places[:, :1]
    first = arms[0, :, 0] + 1j * arms[0, :, 1]
    turned = np.sum((arms[..., 0] + 1j * arms[..., 1]) * first.conj(), axis=1)
    shift, turn = places[:, 0] - [x, y], np.unwrap(np.angle(turned))
    lever = min(shape) / 4
    return FieldTrack(
        tuple(shot.source for shot in shots),
        np.array([shot.middle.timestamp() for shot in shots]),
        shift[:, 0],
        shift[:, 1],
        turn,
        _noise(shift[:, 0], LEAST_NOISE_PIX),
        _noise(shift[:, 1], LEAST_NOISE_PIX),
        _noise(turn, LEAST_NOISE_PIX / lever),
        np.zeros(len(shots), np.intp),
        corners,
        shape,
    )


def _noise(values: Floats, least: float) -> Floats:
    """One sigma of each value, from the second differences of most (white noise gives them sqrt(6) times as much)."""
    seconds = np.diff(values, 2)
    sigma = 1.4826 * float(np.median(np.abs(seconds))) / np.sqrt(6) if len(seconds) else 0.0
    return np.full(len(values), max(sigma, least))
