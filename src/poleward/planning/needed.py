"""How well the axis must be known for tonight's targets."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from poleward.door.clock import later
from poleward.errors import InputError, Note
from poleward.planning.wishes import COARSEST_ARCMIN
from poleward.sky.site import Site
from poleward.tonight.chance import Trails
from poleward.tonight.exposure import Exposures, Outfit, field_of
from poleward.tonight.forecast import tolerance
from poleward.tonight.targets import Target
from poleward.tonight.window import clock_time, window_of

RAYLEIGH_95 = math.sqrt(-2 * math.log(0.05))
"""Radius, in sigmas, that holds 95 % of a round normal distribution in two dimensions."""


@dataclass(frozen=True)
class Needed:
    """How well the axis must be known.

    Parameters
    ----------
    accuracy_arcmin : float
        The standard uncertainty that tonight's targets need.
    name : str
        The target that decides.
    notes : tuple of Note
        Of the targets that are left out, and why.
    """

    accuracy_arcmin: float
    name: str
    notes: tuple[Note, ...]


def needed_accuracy(
    targets: Sequence[Target], site: Site, outfit: Outfit, *, at: datetime, lowest_altitude_deg: float
) -> Needed:
    """Return the accuracy that tonight's targets need, guided or unguided as the outfit says.

    An axis put where a measurement says it should be is off by that measurement's error: the smallest tolerance must
    hold 95 % of it, sqrt(-2 ln 0.05) = 2.45 standard uncertainties (of a round normal distribution in two dimensions).

    Targets that bear more get the coarsest accuracy that `plan` takes. Targets that no axis can help are left out,
    with a note that says why and from when to when they would pass.

    Raises
    ------
    InputError
        No target is left.
    """
    if outfit.camera is None:
        raise InputError(
            "what the targets need depends on the camera", "give [camera] in the setup, or --accuracy"
        )
    found: list[tuple[float, str]] = []
    notes: list[Note] = []
    for target in targets:
        bears, why = _borne(target, site, outfit, at, lowest_altitude_deg)
        if bears:
            found.append((bears, target.name))
        else:
            notes.append(Note("left-out", f"{target.name} is left out: {why}"))
    if not found:
        raise InputError(
            "; ".join(note.text for note in notes),
            "shorten the exposure, change the window, or state --accuracy",
            targets[0].where if len(targets) == 1 else "",
        )
    smallest, name = min(found)
    return Needed(min(smallest / RAYLEIGH_95, COARSEST_ARCMIN), name, tuple(notes))


def _borne(
    target: Target, site: Site, outfit: Outfit, at: datetime, lowest_altitude_deg: float
) -> tuple[float, str]:
    """Offset of the axis that a target bears, arcmin; none, with the reason, where no axis helps."""
    window = window_of(target, site, at, lowest_altitude_deg)
    if window.problem:
        return 0.0, window.problem
    if target.exposure_s > window.length_s:
        why = f"its exposure of {target.exposure_s:g} s is longer than its window of {window.length_s:g} s"
        return 0.0, why
    exposures = Exposures(
        field_of(target, window, outfit, site, "apparent"), target.exposure_s, outfit, outfit.guided
    )
    bears = tolerance(exposures)
    if bears:
        return bears, ""
    trails = exposures.trails(0.0, 0.0)
    at_pole = Trails(exposures.begins, target.exposure_s, outfit.limit_pix, trails, trails[None, :])
    assert window.start is not None
    spans = [
        " to ".join(clock_time(later(window.start, second), site) for second in one)
        for one in at_pole.passes()
    ]
    why = f"{outfit.kind}, it trails {np.max(trails):.2f} of {outfit.limit_pix:g} pix even with the axis on the pole"
    return 0.0, (
        f"{why}; it would pass from {' and from '.join(spans)}"
        if spans
        else f"{why}; it passes at no hour of its window"
    )
