"""How well the axis must be known for tonight's targets."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import datetime

from poleward.errors import InputError
from poleward.planning.plan import COARSEST_ARCMIN
from poleward.sky.site import Site
from poleward.tonight.exposure import Outfit, field_of
from poleward.tonight.forecast import tolerance
from poleward.tonight.targets import Target
from poleward.tonight.window import window_of

RAYLEIGH_95 = math.sqrt(-2 * math.log(0.05))
"""Radius, in sigmas, that holds 95 % of a round normal distribution in two dimensions."""


def needed_accuracy(
    targets: Sequence[Target], site: Site, outfit: Outfit, *, at: datetime, lowest_altitude_deg: float
) -> tuple[float, str]:
    """Return the standard uncertainty, arcmin, that tonight's targets need, and the target that decides.

    An axis put where a measurement says it should be is off by that measurement's error: the smallest tolerance must
    hold 95 % of it, sqrt(-2 ln 0.05) = 2.45 standard uncertainties (of a round normal distribution in two dimensions).

    Targets that bear more get the coarsest accuracy that `plan` takes.

    Raises
    ------
    InputError
        No target can be judged, or one tolerates no offset at all.
    """
    if outfit.camera is None:
        raise InputError(
            "what the targets need depends on the camera", "give [camera] in the setup, or --accuracy"
        )
    found = []
    for target in targets:
        window = window_of(target, site, at, lowest_altitude_deg)
        if window.start is None or window.below_horizon or target.exposure_s > window.length_s:
            continue
        field = field_of(target, window, outfit, site, "apparent")
        found.append((tolerance(field, target.exposure_s, outfit), target))
    if not found:
        raise InputError("no target can be judged", "check their windows, or state --accuracy")
    smallest, target = min(found, key=lambda one: one[0])
    if smallest == 0:
        raise InputError(
            f"{target.name}: refraction alone trails longer than the limit, whatever the axis",
            "shorten its exposure, or state --accuracy",
            target.where,
        )
    return min(smallest / RAYLEIGH_95, COARSEST_ARCMIN), target.name
