"""The track of a section as a chart shows it: as logged, with the corrections undone, and the fit."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from poleward.guidelog.fitting.noise import Integers, covariance, levelled
from poleward.guidelog.fitting.parts import Part, State, curve, left_over
from poleward.guidelog.reading.section import Bools, Section
from poleward.sky.axis import Floats
from poleward.sky.pole import Pole


@dataclass(frozen=True, eq=False)
class Trace:
    """One section's rows with a star.

    Attributes
    ----------
    file, label : str
    guided : bool
        Whether there were corrections to undo.
    seconds : array (n,)
        Since the section's start.
    logged_arcsec : array (n,)
        The star's place north as logged, less its mean.
    undone_arcsec : array (n,)
        The same with the corrections undone and each piece on its level: the drift, from zero.
    fitted_arcsec : array (n,)
        Drift by the fitted axis, from zero.
    kept : bool array (n,)
        Rows with weight.
    starts : int array (p,)
        First row of each piece.
    """

    file: str
    label: str
    guided: bool
    seconds: Floats
    logged_arcsec: Floats
    undone_arcsec: Floats
    fitted_arcsec: Floats
    kept: Bools
    starts: Integers

    @property
    def residual_arcsec(self) -> Floats:
        """Undone less fitted, (n,)."""
        return self.undone_arcsec - self.fitted_arcsec


def trace_of(section: Section, part: Part, state: State, pole: Pole) -> Trace:
    """Return the track of a section that was used."""
    track = part.track
    fitted, _ = curve(part, state, pole, track.seconds)
    whole = replace(part, kept=np.ones(len(part.kept), bool))
    residuals, spread = left_over(whole, state, pole)
    # Levels as the fit has them: rows set aside must not pull them, so they get next to no weight.
    weights = np.where(part.kept, 1.0, 1e-6)
    matrix = covariance(track.seconds, whole.starts, part.noise.ratio, part.noise.correlation_time_s, weights)
    left = levelled(matrix, residuals, spread, part.noise.white_arcsec**2)
    fitted = fitted - fitted[0]
    logged = track.north_arcsec
    return Trace(
        file=section.file,
        label=section.label,
        guided=track.guided,
        seconds=track.seconds,
        logged_arcsec=logged - float(np.mean(logged[part.kept])),
        undone_arcsec=fitted + left,
        fitted_arcsec=fitted,
        kept=part.kept,
        starts=whole.starts,
    )
