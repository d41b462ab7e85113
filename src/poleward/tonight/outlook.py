"""Which axis would suit tonight's targets: with refraction none is perfect everywhere.

To first order in the axis error every trail is a vector that shifts with it; the longest of many such vectors is a
convex function of the two errors. So there is one best axis, and the axes with which all targets pass form one
convex patch. The trails quoted for the choices are exact again.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from poleward.sky.axis import Floats
from poleward.sky.look import poles_at
from poleward.sky.site import Site
from poleward.tonight.exposure import WIDEST_ARCMIN, Exposures, reach

LOOKS_ARCMIN = (60.0, 15.0, 4.0)
"""Half widths of the looks, each with the trails followed anew from the best axis of the one before: an axis a degree
off, which a low target may ask for, is too far for first order from the pole (tests/test_check.py)."""
WORTH = 0.01
"""An axis off the poles is named only where it shortens the worst trail by a hundredth, and by a hundredth of the limit:
less is not seen, and where trails hardly depend on the axis the best one lies anywhere."""
ZOOM, ROUNDS = 0.35, 9
"""A look narrows to this part about the best of 11 by 11 axes: to a hundredth of an arcminute in the first look. It must
keep more than the neighbours of the best, 0.2."""
OUTLINE = 72
"""Points of an outline, 5 deg apart."""


@dataclass(frozen=True)
class Choice:
    """One way to set the axis: errors against the reference, and the longest trail that they leave, over all targets, at the worst
    moment and corner.
    """

    label: str
    azimuth_arcmin: float
    altitude_arcmin: float
    worst_trail_pix: float
    worst_target: str


@dataclass(frozen=True, eq=False)
class Outlook:
    """The choices (true pole, apparent pole, best), and the outlines (D, 2) of axis errors (azimuth, altitude, arcmin) with which
    targets pass: all together, None when there is no such axis, and each target alone that can pass at all.
    """

    choices: tuple[Choice, ...] = ()
    together: Floats | None = None
    alone: tuple[tuple[str, Floats], ...] = ()


def outlook(exposures: Sequence[tuple[str, Exposures]], site: Site, pole: str) -> Outlook:
    """Compare true pole, apparent pole and the best axis, and outline what passes; errors refer to the pole of that name.

    `exposures` are the targets' names and exposures, judged as they are to be judged.
    """
    if not exposures:
        return Outlook()
    level = exposures[0][1].field.pole.level
    limit = exposures[0][1].outfit.limit_pix
    together = [one for _, one in exposures]
    up = pole_lift(site)
    poles = [
        ("true pole", 0.0, -up if pole == "apparent" else 0.0),
        ("apparent pole", 0.0, 0.0 if pole == "apparent" else up),
    ]
    best = _best(together, level)
    _, *near = min(poles, key=lambda one: _worst(together, (one[1], one[2])))
    at_pole = _worst(together, (near[0], near[1]))
    shown = best if _worst(together, best) < at_pole - WORTH * max(limit, at_pole) else near
    places = [*poles, ("best tonight", *shown)]
    choices = []
    for label, azimuth, altitude in places:
        trails = [one.trail(azimuth, altitude) for _, one in exposures]
        worst = int(np.argmax(trails))
        choices.append(Choice(label, azimuth, altitude, trails[worst], exposures[worst][0]))
    alone = []
    for name, one in exposures:
        patch = _outline([one], _best([one], level), level, limit)
        if patch is not None:
            alone.append((name, patch))
    return Outlook(tuple(choices), _outline(together, best, level, limit), tuple(alone))


def pole_lift(site: Site) -> float:
    """How far refraction lifts the pole, arcmin."""
    seen, true = poles_at(site)
    return 60 * (seen.altitude_deg - true.altitude_deg)


def _worst(exposures: Sequence[Exposures], error: tuple[float, float]) -> float:
    return max(one.trail(*error) for one in exposures)


def _best(exposures: Sequence[Exposures], level: float) -> tuple[float, float]:
    """Axis error (azimuth, altitude; arcmin) at which the longest trail is shortest."""
    best = (0.0, 0.0)
    for half in LOOKS_ARCMIN:
        parts = [one.linear(*best) for one in exposures]
        vectors = np.concatenate([part[0].reshape(-1, 2) for part in parts])
        slopes = np.concatenate([part[1].reshape(-1, 2, 2) for part in parts])
        step = _shortest(vectors, slopes, level, half)
        tried = best[0] + step[0], best[1] + step[1]
        if _worst(exposures, tried) < _worst(exposures, best):
            best = tried
    return best


def _shortest(vectors: Floats, slopes: Floats, level: float, half: float) -> tuple[float, float]:
    """Step (azimuth, altitude; arcmin) within a half width at which the longest of the vectors is shortest."""
    centre, first = np.zeros(2), half
    unit = np.linspace(-1, 1, 11)
    grid = np.stack(np.meshgrid(unit, unit, indexing="ij"), axis=-1).reshape(-1, 2) / np.array([level, 1.0])
    # The square of each vector's length, as a polynomial in the step.
    at, bent = np.einsum("vij,vi->vj", slopes, vectors), np.einsum("vij,vik->vjk", slopes, slopes)
    square = np.column_stack(
        [np.sum(vectors**2, axis=1), 2 * at, bent[:, 0, 0], 2 * bent[:, 0, 1], bent[:, 1, 1]]
    )
    for _ in range(ROUNDS):
        tried = centre + half * grid
        a, e = tried.T
        powers = np.stack([np.ones_like(a), a, e, a * a, a * e, e * e])
        # Where one step does away with all of it, rounding may leave less than nothing.
        worst = np.sqrt(np.maximum(np.max(square @ powers, axis=0), 0.0))
        # Where it hardly matters, the smaller step.
        size = 1e-7 * worst.max() * np.hypot(tried[:, 0] * level, tried[:, 1]) / first
        centre = tried[int(np.argmin(worst + size))]
        half *= ZOOM
    return float(centre[0]), float(centre[1])


def _outline(
    exposures: Sequence[Exposures], centre: tuple[float, float], level: float, limit: float
) -> Floats | None:
    angle = np.linspace(0, 2 * math.pi, OUTLINE + 1)
    directions = np.stack([np.cos(angle) / level, np.sin(angle)], axis=-1)
    far = np.full(OUTLINE + 1, WIDEST_ARCMIN)
    for one in exposures:
        far = np.minimum(far, reach(*one.linear(*centre), limit, directions))
    return None if not far.all() else np.array(centre) + far[:, None] * directions
