"""Is this axis good enough tonight: every target's forecast, a verdict, and the axis that would suit them best."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import datetime
from typing import Any

import numpy as np

from poleward.errors import InputError, Note, UsageError
from poleward.sky.axis import Floats
from poleward.sky.doubt import low_pole_notes
from poleward.sky.look import poles_at
from poleward.sky.site import Site, zone_notes
from poleward.tonight.axis_record import AxisError
from poleward.tonight.chance import SURE, trails_of
from poleward.tonight.checked import Check, TargetCheck
from poleward.tonight.exposure import Exposures, Field, Outfit, field_of
from poleward.tonight.forecast import Rates, longest_exposure, rates, steady_rate, tolerance
from poleward.tonight.outlook import outlook
from poleward.tonight.targets import Target
from poleward.tonight.window import Window, window_of

OTHER_SITE_DEG = 0.5
"""A record measured this far away in latitude was made elsewhere: hundreds of metres would not matter, 50 km do not fit."""


def check(
    targets: Sequence[Target],
    site: Site,
    axis: AxisError,
    outfit: Outfit,
    *,
    at: datetime,
    lowest_altitude_deg: float = 20.0,
) -> Check:
    """Forecast every target's pictures with this axis, as `poleward.check` does of what is written with units.

    Raises
    ------
    InputError, UsageError
        No target, no longitude, or a limit of nothing.
    """
    _refused(targets, site, outfit)
    notes: list[Note] = []
    checked: list[TargetCheck] = []
    exposures: list[tuple[str, Exposures]] = []
    for target in targets:
        window = window_of(target, site, at, lowest_altitude_deg)
        notes += window.notes
        if window.start is None or window.below_horizon:
            checked.append(TargetCheck(target, window, problem=window.problem))
            continue
        field = field_of(target, window, outfit, site, axis.pole)
        notes += [note for note in field.notes if note not in notes]
        judged = None
        if outfit.camera is not None and target.exposure_s <= window.length_s:
            judged = Exposures(field, target.exposure_s, outfit, outfit.guided)
            exposures.append((target.name, judged))
        checked.append(_target_check(target, window, field, axis, outfit, judged))
    notes += [*_warnings(axis, outfit, site), *zone_notes(site, at)]
    apparent, true = poles_at(site)
    pole, suited = apparent if axis.pole == "apparent" else true, outlook(exposures, site, axis.pole)
    return Check(axis, outfit, tuple(checked), suited, at, pole, site, tuple(notes))


def _refused(targets: Sequence[Target], site: Site, outfit: Outfit) -> None:
    if not targets:
        raise InputError("there is no target to check", "name a targets table, or give --target")
    if not outfit.limit_pix > 0:
        raise UsageError(
            f"limit on the trail: {outfit.limit_pix:g} pixels, allowed is more than 0",
            "what counts as a round star, e.g. 1 pix",
        )
    if site.longitude_rad is None:
        raise InputError(
            "targets need the site's longitude", "give --longitude or [site] longitude (east positive)"
        )


def _warnings(axis: AxisError, outfit: Outfit, site: Site) -> list[Note]:
    notes = low_pole_notes(site) if axis.pole == "apparent" else []
    if outfit.camera is None:
        text = (
            "without [camera] in the setup (focal_length, pixel_size, width, height) there are no trails in "
            "pixels, and no verdicts"
        )
        notes.append(Note("no-camera", text))
    if axis.values is None:
        text = "the record does not determine both errors of the axis: only what does not depend on them is given"
        notes.append(Note("axis-undetermined", text))
    if axis.latitude_deg is not None:
        apart = abs(axis.latitude_deg - math.degrees(site.latitude_rad))
        if apart > OTHER_SITE_DEG:
            text = f"the axis was measured at latitude {axis.latitude_deg:+.1f} deg, {apart:.1f} deg from this site"
            notes.append(Note("other-site", text))
    return notes


def _largest(values: Floats) -> int:
    """Index of the largest in size."""
    return int(np.argmax(np.abs(values)))


def _target_check(
    target: Target, window: Window, field: Field, axis: AxisError, outfit: Outfit, judged: Exposures | None
) -> TargetCheck:
    """Forecast one target whose window is above the horizon; `judged`: its exposures, where there are any."""
    exposure, error = target.exposure_s, axis.values
    problem = window.problem
    if exposure > window.length_s:
        problem = f"the exposure of {exposure:g} s is longer than the window of {window.length_s:g} s"
    elif outfit.camera is None:
        problem = problem or "no camera"
    numbers: dict[str, Any] = {"pole_rate_arcsec_per_s": steady_rate(field, (0.0, 0.0))}
    if judged is not None:
        numbers["tolerance_arcmin"] = tolerance(judged)
    if error is None:
        return TargetCheck(target, window, problem=problem or "the axis is not determined", **numbers)
    largest, numbers["rates"] = _rates(field, outfit, error)
    numbers |= {"steady_rate_arcsec_per_s": steady_rate(field, error), **largest}
    if outfit.camera is not None:
        for guided in (True, False):
            name = "guided" if guided else "unguided"
            numbers[f"longest_{name}_s"] = longest_exposure(field, outfit, error, guided=guided)
    if judged is None:
        return TargetCheck(target, window, problem=problem, **numbers)
    for guided in (True, False):
        name = f"trail_{'guided' if guided else 'unguided'}"
        trails = Exposures(field, exposure, outfit, guided).trails(*error)
        numbers[f"{name}_pix"] = float(trails.max())
        numbers["largest_at_s"] |= {name: float(judged.begins[_largest(trails)]) + exposure / 2}
    numbers["trail_inside_pix"] = Exposures(field, exposure, outfit, True, inside=True).trail(*error)
    followed = trails_of(judged, axis)
    numbers["trails"] = followed
    if axis.covariance is not None:
        numbers["chance"] = followed.chance
    if problem:
        return TargetCheck(target, window, problem=problem, **numbers)
    within = None if 1 - SURE < followed.chance < SURE else followed.chance >= SURE
    return TargetCheck(target, window, within, passes_s=followed.passes(), **numbers)


def _rates(field: Field, outfit: Outfit, error: tuple[float, float]) -> tuple[dict[str, Any], Rates]:
    """Rates all through the window; of each the largest in size, with its sign, and the second at which it is reached."""
    found = rates(field, outfit, error)
    numbers: dict[str, Any] = {}
    moments = {}
    for name, unit, values in (
        ("rotation_guided", "arcmin_per_h", found.rotation_guided),
        ("rotation_unguided", "arcmin_per_h", found.rotation_unguided),
        ("shear_guided", "arcmin_per_h", found.shear),
        ("north_drift", "arcsec_per_min", found.north),
        ("east_drift", "arcsec_per_min", found.east),
    ):
        worst = _largest(values)
        numbers[f"{name}_{unit}"] = float(values[worst])
        moments[name] = float(found.seconds[worst])
    return {**numbers, "largest_at_s": moments}, found
