"""Is this axis good enough tonight: every target's forecast, a verdict, and the axis that would suit them best."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import datetime
from typing import Any

import numpy as np

from poleward.errors import InputError, Note, UsageError
from poleward.sky.axis import Floats
from poleward.sky.look import low_pole_notes, poles_at
from poleward.sky.site import Site
from poleward.tonight.axis_record import AxisError
from poleward.tonight.checked import Check, TargetCheck
from poleward.tonight.exposure import Exposures, Field, Outfit, field_of
from poleward.tonight.forecast import (
    longest_exposure,
    rates,
    steady_rate,
    tolerance,
    trail,
)
from poleward.tonight.outlook import outlook
from poleward.tonight.targets import Target
from poleward.tonight.window import Window, window_of

SURE = 0.95
"""Chance at which a verdict is given; the usual 95 %. Between 5 and 95 % it is too uncertain to say."""
DRAWS = 512
"""Places of the axis, spread evenly over its uncertainty: a chance is then good to about 1 %."""
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
    """Forecast every target's pictures with this axis.

    Parameters
    ----------
    targets : sequence of Target
    site : Site
        With its longitude.
    axis : AxisError
    outfit : Outfit
    at : datetime
        Targets that name no window are taken in the first night after this moment.
    lowest_altitude_deg : float

    Returns
    -------
    Check

    Raises
    ------
    InputError, UsageError
        No target, no longitude, or a limit of nothing.
    """
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
        checked.append(_target_check(target, window, field, axis, outfit))
        if outfit.camera is not None and target.exposure_s <= window.length_s:
            exposures.append((target.name, Exposures(field, target.exposure_s, outfit, outfit.guided)))
    notes += _warnings(axis, outfit, site)
    apparent, true = poles_at(site)
    if axis.pole == "apparent":
        notes += low_pole_notes(site)
    return Check(
        axis,
        outfit,
        tuple(checked),
        outlook(exposures, site, axis.pole),
        apparent if axis.pole == "apparent" else true,
        tuple(notes),
    )


def _warnings(axis: AxisError, outfit: Outfit, site: Site) -> list[Note]:
    notes = []
    if outfit.camera is None:
        notes.append(
            Note(
                "no-camera",
                "without [camera] in the setup (focal_length, pixel_size, width, height) there are no trails in "
                "pixels, and no verdicts",
            )
        )
    if axis.values is None:
        notes.append(
            Note(
                "axis-undetermined",
                "the record does not determine both errors of the axis: only what does not depend on them is given",
            )
        )
    if axis.latitude_deg is not None:
        apart = abs(axis.latitude_deg - math.degrees(site.latitude_rad))
        if apart > OTHER_SITE_DEG:
            notes.append(
                Note(
                    "other-site",
                    f"the axis was measured at latitude {axis.latitude_deg:+.1f} deg, {apart:.1f} deg from this site",
                )
            )
    return notes


def _largest(values: Floats) -> float:
    """Largest in size, with its sign."""
    return float(values[int(np.argmax(np.abs(values)))])


def _target_check(
    target: Target, window: Window, field: Field, axis: AxisError, outfit: Outfit
) -> TargetCheck:
    """Forecast one target whose window is above the horizon."""
    exposure, error = target.exposure_s, axis.values
    problem = window.problem
    fits = exposure <= window.length_s
    if not fits:
        problem = f"the exposure of {exposure:g} s is longer than the window of {window.length_s:g} s"
    numbers: dict[str, Any] = {"pole_rate_arcsec_per_s": steady_rate(field, (0.0, 0.0))}
    if error is not None:
        rate = rates(field, outfit, error)
        numbers |= {
            "rotation_guided_arcmin_per_h": _largest(rate.rotation_guided),
            "rotation_unguided_arcmin_per_h": _largest(rate.rotation_unguided),
            "north_drift_arcsec_per_min": _largest(rate.north),
            "east_drift_arcsec_per_min": _largest(rate.east),
            "steady_rate_arcsec_per_s": steady_rate(field, error),
            "rates": rate,
        }
    if outfit.camera is None:
        return TargetCheck(target, window, problem=problem or "no camera", **numbers)
    if fits:
        numbers["tolerance_arcmin"] = tolerance(field, exposure, outfit)
    if error is None:
        return TargetCheck(target, window, problem=problem or "the axis is not determined", **numbers)
    numbers["longest_guided_s"] = longest_exposure(field, outfit, error, guided=True)
    numbers["longest_unguided_s"] = longest_exposure(field, outfit, error, guided=False)
    within = None
    if fits:
        numbers["trail_guided_pix"] = trail(field, exposure, outfit, error, guided=True)
        numbers["trail_unguided_pix"] = trail(field, exposure, outfit, error, guided=False)
        numbers["trail_inside_pix"] = trail(field, exposure, outfit, error, guided=True, inside=True)
        judged = numbers["trail_guided_pix"] if outfit.guided else numbers["trail_unguided_pix"]
        within = bool(judged <= outfit.limit_pix)
        if axis.covariance is not None:
            numbers["chance"] = _chance(Exposures(field, exposure, outfit, outfit.guided), axis)
            within = None if 1 - SURE < numbers["chance"] < SURE else numbers["chance"] >= SURE
    return TargetCheck(target, window, None if problem else within, problem, **numbers)


def _chance(exposures: Exposures, axis: AxisError) -> float:
    """Chance that the trail stays within the limit, the axis error being normal about its value.

    The trail is followed exactly at the value and to first order from there; the draws are the same every time.
    """
    error = axis.values
    assert error is not None
    vectors, slopes = exposures.linear(*error)
    # A sunflower of points of equal weight: radii of a 2-D normal distribution, turned by the golden angle.
    number = np.arange(DRAWS)
    radius = np.sqrt(-2 * np.log(1 - (number + 0.5) / DRAWS))
    angle = number * math.pi * (3 - math.sqrt(5))
    strengths, directions = np.linalg.eigh(np.asarray(axis.covariance))
    spread = directions * np.sqrt(np.maximum(strengths, 0.0))
    draws = (radius[:, None] * np.stack([np.cos(angle), np.sin(angle)], axis=-1)) @ spread.T
    worst = np.empty(DRAWS)
    for i, draw in enumerate(draws):
        worst[i] = np.max(np.sum((vectors + slopes @ draw) ** 2, axis=-1))
    return float(np.mean(worst <= exposures.outfit.limit_pix**2))
