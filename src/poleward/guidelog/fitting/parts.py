"""Sections as the fit sees them: curves, corrections and what they depend on, laid out about a state."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from poleward.guidelog.fitting.beliefs import STATED_SIGMA
from poleward.guidelog.fitting.correct import Track
from poleward.guidelog.fitting.noise import Integers, Noise
from poleward.guidelog.reading.section import Bools, Section
from poleward.sky.axis import ARCSEC, Floats, displacement
from poleward.sky.look import Sight, look
from poleward.sky.pole import Pole
from poleward.sky.site import Site

GRID_S = 300.0
"""Longest step of the grid on which the sky is asked.

The spline's error is h^4 D'''' / 384; for an axis 1 deg off D'''' is at most 3600 arcsec x (15.04 arcsec/s)^4, which
makes 2e-6 arcsec, and with the refraction of a star at 15 deg 1e-4 arcsec (tests/test_log_fit.py).
"""


@dataclass(frozen=True)
class Drive:
    """Guide rate and backlash that some sections share.

    Attributes
    ----------
    stated : float
        Guide rate stated, arcsec/s; 1 where none was.
    sigma : float
        Relative uncertainty of it known beforehand; infinite where none was stated.
    rate : float
        True rate in units of the stated one.
    backlash_ms : float
    early : bool
        A pulse belongs to the row before the one in which it stands.
    mended : int
        Pulses taken to be others than those written down; see `law`.
    dead_ms : float
        Shorter pulses do not move it.
    odd : tuple of str
        In which further ways it may differ from what its pulses say; see `oddities`.
    """

    stated: float
    sigma: float
    rate: float = 1.0
    backlash_ms: float = 0.0
    early: bool = False
    mended: int = 0
    dead_ms: float = 0.0
    odd: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class Part:
    """One section in the fit.

    Attributes
    ----------
    track : Track
    grid_s, turn : array (T,)
        Moments since the section's start, and the angle the drive has turned then, radians.
    seen : array (T, 3)
        Where the star is seen then.
    hour_angle, dec : float
        Of the star at the first of them, radians, apparent, of date, not refracted.
    drive : int or None
        Which drive of the state moved the telescope; None where only the stars were watched.
    kept : bool array (n,)
        Rows of the track with weight.
    gusts : bool array (n,)
        Of those without: the ones lost to gusts, not to glitches.
    piece : int array (n,)
        Pieces, found jumps included.
    noise : Noise
    scale : array (n,)
        How many times as large it is in each row: wind comes in bouts.
    """

    track: Track
    grid_s: Floats
    turn: Floats
    seen: Floats
    hour_angle: float
    dec: float
    drive: int | None
    kept: Bools
    gusts: Bools
    piece: Integers
    noise: Noise
    scale: Floats

    @property
    def starts(self) -> Integers:
        """First kept row of each piece, counted in kept rows."""
        piece = self.piece[self.kept]
        return np.flatnonzero(np.diff(piece, prepend=piece[:1] - 1)).astype(np.int64)


@dataclass(frozen=True)
class State:
    """The parameters: A and e, arcmin, and the drives."""

    azimuth: float
    altitude: float
    drives: tuple[Drive, ...]


def curve(part: Part, state: State, pole: Pole, seconds: Floats) -> tuple[Floats, Floats]:
    """Displacement north, arcsec, (n,), and its derivatives by A and e, arcsec/arcmin, (n, 2), at some moments."""
    from scipy.interpolate import CubicSpline

    first = np.broadcast_to(part.seen[0], part.seen.shape)
    moved = displacement(pole.axis(state.azimuth, state.altitude), first, part.seen, part.turn)
    table = np.column_stack([moved.north / ARCSEC, moved.north_by[:, :2] * 60])
    values = CubicSpline(part.grid_s, table)(seconds)
    return values[:, 0], values[:, 1:]


def left_over(part: Part, state: State, pole: Pole) -> tuple[Floats, Floats | None]:
    """What a state leaves of all rows of a section, levels and gears' rest apart, arcsec, (n,); and half of what is not known
    of the telescope's place while the gears' rest is not, (n,), where there are pulses."""
    place, _ = curve(part, state, pole, part.track.seconds)
    residuals = part.track.north_arcsec - place
    if part.drive is None:
        return residuals, None
    drive = state.drives[part.drive]
    middle, half = part.track.backlash(drive.backlash_ms)
    unit = drive.rate * drive.stated / 1000
    return residuals + unit * middle, unit * half


def prepare(
    sections: Sequence[Section], tracks: Sequence[Track], site: Site, rate_arcsec_per_s: float
) -> tuple[tuple[Part, ...], Sight]:
    """Look at the sky for some sections, each with its track; nothing is said of their drives yet.

    Parameters
    ----------
    sections : sequence of Section
    tracks : sequence of Track
    site : Site
    rate_arcsec_per_s : float
        Of the drive against the stars.
    """
    ends = np.array([track.seconds[-1] for track in tracks])
    moments = max(8, math.ceil(float(np.max(ends)) / GRID_S) + 1)
    grid = ends[:, None] * np.linspace(0, 1, moments)
    sight = look([section.pointing for section in sections], grid, site)
    parts = tuple(
        Part(
            track=track,
            grid_s=grid[i],
            turn=rate_arcsec_per_s * ARCSEC * grid[i],
            seen=sight.seen[i],
            hour_angle=float(sight.hour_angle[i]),
            dec=float(sight.dec[i]),
            drive=None,
            kept=np.ones(len(track.seconds), bool),
            gusts=np.zeros(len(track.seconds), bool),
            piece=track.piece,
            noise=Noise(1.0, 1.0, 30.0),
            scale=np.ones(len(track.seconds)),
        )
        for i, track in enumerate(tracks)
    )
    return parts, sight


def drive_of(section: Section, track: Track) -> Drive | None:
    """What a section tells of the drive that moved the telescope; None where only the stars were watched."""
    if not track.guided:
        return None
    rate = section.north_guide_rate_arcsec_per_s
    sigma = section.north_guide_rate_sigma_arcsec_per_s
    if not rate:
        return Drive(1.0, math.inf)
    return Drive(rate, STATED_SIGMA if sigma is None else max(sigma / abs(rate), 1e-6))


def share_drives(
    parts: Sequence[Part], told: Sequence[Drive | None]
) -> tuple[tuple[Part, ...], tuple[Drive, ...]]:
    """Give sections of which the same is told one drive between them."""
    drives = tuple(dict.fromkeys(drive for drive in told if drive is not None))
    numbered = (
        replace(part, drive=None if drive is None else drives.index(drive))
        for part, drive in zip(parts, told, strict=True)
    )
    return tuple(numbered), drives
