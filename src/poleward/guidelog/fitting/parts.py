"""Sections as the fit sees them: curves, corrections and what they depend on, laid out about a state."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from poleward.guidelog.fitting.correct import Track
from poleward.guidelog.fitting.noise import Integers, Noise
from poleward.guidelog.reading.section import Bools
from poleward.sky.axis import ARCSEC, Floats, displacement
from poleward.sky.look import Sight, look
from poleward.sky.pole import Pole
from poleward.sky.site import Site

GRID_S = 300.0
"""Longest step of the grid on which the sky is asked.

The spline's error is h^4 D'''' / 384; for an axis 1 deg off D'''' is at most 3600 arcsec x (15.04 arcsec/s)^4, which
makes 2e-6 arcsec, and with the refraction of a star at 15 deg 1e-4 arcsec (tests/test_log_fit.py).
"""
STATED_SIGMA = 0.1
"""Relative sigma of a guide rate stated without one: a setting, not a measurement (common practice, no source)."""
SLOPE_STEP_MS = 4.0
"""Step of the derivative by the backlash, about its own uncertainty."""


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
    """

    stated: float
    sigma: float
    rate: float = 1.0
    backlash_ms: float = 0.0


@dataclass(frozen=True)
class Part:
    """One section in the fit.

    Attributes
    ----------
    track : Track
    grid_s, turn : array (T,)
        Moments since the section's start, and the angle the drive has turned then, radians.
    seen : array (T, 3)
        Where the star is seen then.
    drive : int or None
        Which `Drive` moved the telescope; None where only the stars were watched.
    kept : bool array (n,)
        Rows of the track with weight.
    gusts : bool array (n,)
        Of those without: the ones lost to gusts, not to glitches.
    piece : int array (n,)
        Pieces, found jumps included.
    noise : Noise
    """

    track: Track
    grid_s: Floats
    turn: Floats
    seen: Floats
    drive: int | None
    kept: Bools
    gusts: Bools
    piece: Integers
    noise: Noise

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


@dataclass(frozen=True)
class Linear:
    """One section's model about a state, its rows with weight: what a Gauss-Newton step needs.

    Attributes
    ----------
    columns : array (n, 2 or 4)
        Derivatives by A and e per arcmin and, with pulses, by the drive's rate and backlash.
    residuals : array (n,)
        Data less model, levels and gears' rest apart, arcsec.
    spread : array (n,) or None
        Half of what is not known of the telescope's place while the gears' rest is not.
    bends : array (n, 2)
        Two columns that span what A and e can do in the section, of like size and at right angles.
    """

    columns: Floats
    residuals: Floats
    spread: Floats | None
    bends: Floats


def curve(part: Part, state: State, pole: Pole, seconds: Floats) -> tuple[Floats, Floats]:
    """Displacement north, arcsec, (n,), and its derivatives by A and e, arcsec/arcmin, (n, 2), at some moments."""
    from scipy.interpolate import CubicSpline

    axis = pole.axis(state.azimuth, state.altitude)
    first = np.broadcast_to(part.seen[0], part.seen.shape)
    moved = displacement(axis, first, part.seen, part.turn)
    table = np.column_stack([moved.north / ARCSEC, moved.north_by[:, :2] * 60])
    values = CubicSpline(part.grid_s, table)(seconds)
    return values[:, 0], values[:, 1:]


@dataclass(frozen=True)
class Path:
    """A section's drift by an axis error, at its rows with weight: what does not depend on the drive.

    Attributes
    ----------
    place : array (n,)
        Displacement north, arcsec.
    by, bends : array (n, 2)
        Its derivatives by A and e per arcmin; see `Linear`.
    """

    place: Floats
    by: Floats
    bends: Floats


def path_of(part: Part, state: State, pole: Pole) -> Path:
    """Where a section's star drifts by an axis error."""
    place, by = curve(part, state, pole, part.track.seconds[part.kept])
    return Path(place, by, _bends(by))


def linear(
    part: Part, state: State, pole: Pole, *, by_backlash: bool = True, path: Path | None = None
) -> Linear:
    """Lay a section's model out about a state; without the derivative by the backlash it takes half the time.

    A search through drives, for which the drift stays the same, gives its `path`.
    """
    kept = part.kept
    path = path_of(part, state, pole) if path is None else path
    residuals = part.track.north_arcsec[kept] - path.place
    if part.drive is None:
        return Linear(path.by, residuals, None, path.bends)
    drive = state.drives[part.drive]
    middle, half = part.track.backlash(drive.backlash_ms)
    unit = drive.stated / 1000
    slope = np.zeros(len(middle))
    if by_backlash:
        wider, _ = part.track.backlash(drive.backlash_ms + SLOPE_STEP_MS)
        slope = -drive.rate * unit * (wider - middle) / SLOPE_STEP_MS
    columns = np.column_stack([path.by, -unit * middle[kept], slope[kept]])
    residuals = residuals + drive.rate * unit * middle[kept]
    return Linear(columns, residuals, drive.rate * unit * half[kept], path.bends)


def _bends(by: Floats) -> Floats:
    """Orthogonal columns for two curves that are almost the same line in a short section."""
    basis, _ = np.linalg.qr(np.column_stack([np.ones(len(by)), by]))
    columns: Floats = basis[:, 1:] * math.sqrt(len(basis))
    return columns


def prepare(
    tracks: Sequence[Track], site: Site, rate_arcsec_per_s: float
) -> tuple[tuple[Part, ...], tuple[Drive, ...], Sight]:
    """Look at the sky for all sections, and say which of them share a drive.

    Parameters
    ----------
    tracks : sequence of Track
    site : Site
    rate_arcsec_per_s : float
        Of the drive against the stars.

    Returns
    -------
    parts, drives, sight
        Sections with the same stated guide rate share a drive.
    """
    ends = np.array([track.seconds[-1] for track in tracks])
    moments = max(8, math.ceil(float(np.max(ends)) / GRID_S) + 1)
    grid = ends[:, None] * np.linspace(0, 1, moments)
    sight = look([track.section.pointing for track in tracks], grid, site)
    drives: dict[tuple[float, float], int] = {}
    parts = []
    for i, track in enumerate(tracks):
        number = None
        if track.guided:
            number = drives.setdefault(_drive_key(track), len(drives))
        count = len(track.seconds)
        parts.append(
            Part(
                track=track,
                grid_s=grid[i],
                turn=rate_arcsec_per_s * ARCSEC * grid[i],
                seen=sight.seen[i],
                drive=number,
                kept=np.ones(count, bool),
                gusts=np.zeros(count, bool),
                piece=track.piece,
                noise=Noise(1.0, 1.0, 30.0),
            )
        )
    return tuple(parts), tuple(Drive(stated, sigma) for stated, sigma in drives), sight


def _drive_key(track: Track) -> tuple[float, float]:
    """Stated guide rate and its relative sigma; (1, inf) without one."""
    rate = track.section.north_guide_rate_arcsec_per_s
    sigma = track.section.north_guide_rate_sigma_arcsec_per_s
    if not rate:
        return 1.0, math.inf
    return rate, STATED_SIGMA if sigma is None else max(sigma / abs(rate), 1e-6)
