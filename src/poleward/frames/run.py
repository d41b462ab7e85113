"""Scale, angle and mirror of a camera from frames: the stars' run with the drive stopped, and a nudge north."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from poleward.errors import InputError
from poleward.frames.follow import follow
from poleward.frames.match import enough, moves, pairs_of, voted_shift
from poleward.frames.motion import LEAST_FRAMES
from poleward.frames.track import Sighting
from poleward.frames.trail import StarTrails
from poleward.sky.axis import Floats
from poleward.sky.orient import CameraFound, Run, orientation

CLOCK_SIGMA_S = 0.05
"""Of a frame's time against the others': what a computer's stamp on a frame is worth (common practice, no source)."""
WHOLE_SECONDS_SIGMA_S = 0.29
"""Of stamps in whole seconds: 1 / sqrt(12)."""
AIR_PIX = 0.5
"""Of a place in one short exposure, by the air that shakes all stars alike: an arcsecond at 2 arcsec a pixel (common
practice, no source). With three frames or more the run itself tells."""
UNEVEN = 3.0
"""Pixels by which the stars may be off an even run, and in shares of it:"""
UNEVEN_SHARE = 0.03
REACH = 3.0
"""Pixels within which a star is found again once the shift is known."""


def camera_by_run(drive_off: Sequence[Sighting], nudge: Sequence[Sighting], dec_rad: float) -> CameraFound:
    """Return how the camera lies on the sky.

    Parameters
    ----------
    drive_off : sequence of Sighting
        Two at least, by time, all of them while the drive stood still: the stars run west.
    nudge : sequence of Sighting
        Two at least, the first before and the last after the telescope was nudged north with the drive on.
    dec_rad : float
        Of the stars of the run.

    Returns
    -------
    CameraFound
        y is counted with the rows of the file, which is called ``up``.

    Raises
    ------
    InputError
        The stars are not the same, did not run evenly, or ran too short.
    """
    seconds = np.array([seen.middle_s for seen in drive_off])
    shift, sigma = _ran(drive_off, seconds)
    apart = seconds - seconds[0]
    whole = bool(np.allclose(apart, np.round(apart), atol=1e-3))
    clock = WHOLE_SECONDS_SIGMA_S if whole else CLOCK_SIGMA_S
    return _found(Run(*shift, float(apart[-1]), dec_rad), sigma, clock, nudge)


def camera_by_trail(
    trails: StarTrails, exposure_s: float, nudge: Sequence[Sighting], dec_rad: float
) -> CameraFound:
    """Return the same from the trails of one exposure with the drive stopped throughout.

    A trail tells the angle up to half a turn: the stars of the nudge's frames must have stood at one of its ends.
    """
    way, sigma = None, max(trails.scatter, AIR_PIX)
    for seen in (nudge[-1], nudge[0]):
        try:
            way = trails.began_at(seen.stars)
            break
        except InputError:
            if seen is nudge[0]:
                raise
    assert way is not None
    return _found(Run(float(way[0]), float(way[1]), exposure_s, dec_rad), sigma, CLOCK_SIGMA_S, nudge)


def _found(run: Run, sigma: float, clock: float, nudge: Sequence[Sighting]) -> CameraFound:
    """Put run and nudge together; complaints name the options."""
    push = moved_between(nudge[0], nudge[-1], "--nudge-north")
    hints = {
        "--run": "let the stars run for longer, with nothing but the drive stopped",
        "--push": "nudge the telescope north, farther, with the drive on and nothing else moved",
    }
    try:
        return orientation(
            run, (float(push[0]), float(push[1])), rows="up", sigma_pix=sigma, clock_sigma_s=clock
        )
    except InputError as error:
        option = {"--run": "--drive-off", "--push": "--nudge-north"}[error.where]
        raise InputError(error.message, hints[error.where], option) from None


def _ran(drive_off: Sequence[Sighting], seconds: Floats) -> tuple[tuple[float, float], float]:
    """Return the way x, y from the first frame to the last, and one sigma of a place, pixels."""
    if len(drive_off) < LEAST_FRAMES:
        x, y = moved_between(drive_off[0], drive_off[-1], "--drive-off")
        return (float(x), float(y)), AIR_PIX
    tracks = follow(drive_off).tracks
    if len(tracks) != 1 or len(tracks[0].seconds) < LEAST_FRAMES:
        raise InputError(
            "the stars do not run through these frames together",
            "give only frames that were taken while the drive stood still, in a few seconds each",
            "--drive-off",
        )
    track = tracks[0]
    t = track.seconds - np.mean(track.seconds)
    places = np.column_stack([track.x, track.y])
    rate = t @ places / (t @ t)
    off = places - np.mean(places, axis=0) - t[:, None] * rate
    span = float(seconds[-1] - seconds[0])
    way = float(np.hypot(*rate)) * span
    worst = float(np.hypot(*off.T).max())
    if worst > max(UNEVEN, UNEVEN_SHARE * way):
        raise InputError(
            f"the stars did not run evenly: {worst:.1f} of {way:.0f} pixels off",
            "give only frames that were taken while the drive stood still",
            "--drive-off",
        )
    # Of the way, by the fit; a place at either end has a share of sqrt(1/2) in it. Never better than the centres.
    scatter = float(np.sqrt(np.sum(off**2) / (2 * max(len(t) - 2, 1))))
    sigma = max(scatter, float(np.median(track.x_sigma))) * span / float(np.sqrt(2 * (t @ t)))
    return (float(rate[0]) * span, float(rate[1]) * span), sigma


def moved_between(first: Sighting, last: Sighting, where: str) -> Floats:
    """Return how far x, y (2,) the stars have moved from one picture to another, pixels.

    Raises
    ------
    InputError
        The two do not show the same stars.
    """
    before, after = (np.column_stack([seen.stars.x, seen.stars.y]) for seen in (first, last))
    shift, votes = voted_shift(before, after)
    known, mine = pairs_of(before + shift, after, REACH)
    if not enough(votes, len(before), len(after)) or len(mine) < LEAST_FRAMES:
        raise InputError(
            f"{first.source} and {last.source} do not show the same stars",
            "the field must stay in the picture, and nothing else may move",
            where,
        )
    centre = (np.array(first.stars.shape[::-1], float) - 1) / 2
    weight = 1 / (last.stars.noise[mine] ** 2 + first.stars.noise[known] ** 2 + 0.01)
    found = moves(before[known], after[mine], weight, np.zeros(len(mine), np.intp), 1, centre)
    return np.asarray(found.shift[0], float)
