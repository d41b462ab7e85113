"""From numbers to what may be said: what is determined, and nothing else. Drifts and logs both end here."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from poleward.errors import Note
from poleward.sky.axis import ARCMIN, Floats, angle_between
from poleward.sky.pole import Pole
from poleward.sky.site import Site
from poleward.solving.determine import Determination, pointing_to_add
from poleward.solving.solution import FitSummary, FittedDrift, Move, Solution


@dataclass(frozen=True)
class Answer:
    """The errors of an axis as fitted, determined or not.

    Attributes
    ----------
    azimuth, altitude : float
        A and e, arcmin.
    covariance : array (2, 2)
        Of both, arcmin^2; where a direction is open, held by `determine.BLIND_ARCMIN`.
    determination : Determination
    pole : Pole
        That the errors refer to.
    """

    azimuth: float
    altitude: float
    covariance: Floats
    determination: Determination
    pole: Pole


def solution_from(
    answer: Answer, site: Site, fit: FitSummary, drifts: Sequence[FittedDrift], notes: Sequence[Note]
) -> Solution:
    """Put together a solution: what is not determined becomes None, and a pointing that would help is named."""
    name = answer.determination.determined
    both = name == "both"
    sigma = np.sqrt(np.diag(answer.covariance))
    azimuth = answer.azimuth if name in ("azimuth", "both") else None
    altitude = answer.altitude if name in ("altitude", "both") else None
    offset, offset_sigma = _offset(answer)
    said = list(notes)
    if not both:
        said.append(Note("add-pointing", pointing_to_add(answer.determination.worst, site).text))
    return Solution(
        pole=answer.pole,
        determined=name,
        azimuth_error_arcmin=azimuth,
        azimuth_sigma_arcmin=None if azimuth is None else float(sigma[0]),
        altitude_error_arcmin=altitude,
        altitude_sigma_arcmin=None if altitude is None else float(sigma[1]),
        correlation=float(answer.covariance[0, 1] / sigma[0] / sigma[1]) if both else None,
        offset_arcmin=offset if both else None,
        offset_sigma_arcmin=offset_sigma if both else None,
        site_latitude_deg=math.degrees(site.latitude_rad),
        combination=_combination(answer),
        fit=fit,
        drifts=tuple(drifts),
        moves=_moves(azimuth, altitude),
        warnings=tuple(said),
    )


def _moves(azimuth: float | None, altitude: float | None) -> tuple[Move, ...]:
    """Return the moves that undo the errors; the two knobs do not disturb each other's angle."""
    moves = []
    if azimuth is not None:
        moves.append(Move("azimuth", -azimuth, "west" if azimuth > 0 else "east"))
    if altitude is not None:
        moves.append(Move("altitude", -altitude, "down" if altitude > 0 else "up"))
    return tuple(moves)


def _offset(answer: Answer) -> tuple[float, float]:
    """Angle between axis and pole, and its sigma by linear propagation (JCGM 100:2008, eq. 13); arcmin."""
    pole = answer.pole
    axis = pole.axis(answer.azimuth, answer.altitude)
    angle = float(angle_between(axis.elevated, pole.direction))
    if angle < 1e-9:  # on the pole every direction is as good as another: take the widest
        return angle / ARCMIN, float(np.sqrt(np.linalg.eigvalsh(answer.covariance)[-1]))
    slopes = np.array([axis.d_azimuth @ pole.direction, axis.d_altitude @ pole.direction]) * -pole.hemisphere
    gradient = slopes / math.sin(angle)
    return angle / ARCMIN, float(np.sqrt(gradient @ answer.covariance @ gradient))


def _combination(answer: Answer) -> tuple[float, float, float, float] | None:
    """Where neither error is determined but one direction is: its weights, value and sigma."""
    found = answer.determination
    if found.determined != "neither" or found.directions == 0:
        return None
    weights = found.best * (1 if found.best[int(np.argmax(np.abs(found.best)))] > 0 else -1)
    on_sky = np.array([weights[0] * answer.pole.level, weights[1]])
    value = float(on_sky @ np.array([answer.azimuth, answer.altitude]))
    return float(weights[0]), float(weights[1]), value, float(np.sqrt(on_sky @ answer.covariance @ on_sky))
