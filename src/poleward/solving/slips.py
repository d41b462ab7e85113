"""Slips of the pen that make honest timings contradict each other: which one, set right, would make them agree."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace

from poleward.sky.site import Site
from poleward.timings.rows import LONGEST_S, Drift

Slip = tuple[str, Sequence[Drift], Site]
"""What was slipped, in words, and the timings and the site with it set right."""


def slips(drifts: Sequence[Drift], names: dict[int, str], site: Site) -> Iterator[Slip]:
    """Each slip that people make, set right: one sign or unit of one timing, or a sign that all share.

    Parameters
    ----------
    drifts : sequence of Drift
    names : dict
        Names of the timings that may be at fault, by their place.
    site : Site
    """
    for i, name in names.items():
        for words, fixed in _of_one(drifts[i]):
            yield f"{words} of {name}", [fixed if j == i else one for j, one in enumerate(drifts)], site
    if any(drift.pointing.hour_angle is not None for drift in drifts):
        turned = [_turned(drift) for drift in drifts]
        yield "the sign of all hour angles (west is positive)", turned, site
    latitude = f"{-math.degrees(site.latitude_rad)} deg"
    yield "the sign of the latitude (north is positive)", drifts, replace(site, latitude=latitude)


def _of_one(drift: Drift) -> Iterator[tuple[str, Drift]]:
    if drift.north_arcsec is not None:
        yield "the sign of north", replace(drift, north_arcsec=-drift.north_arcsec)
    if drift.east_arcsec is not None:
        yield "the sign of east", replace(drift, east_arcsec=-drift.east_arcsec)
    if drift.rotation_arcmin is not None:
        yield "the sign of rotation", replace(drift, rotation_arcmin=-drift.rotation_arcmin)
    if drift.pointing.hour_angle is not None:
        yield "the sign of the hour angle (west is positive)", _turned(drift)
    for words, factor in (("the minutes, read as seconds,", 60.0), ("the seconds, read as minutes,", 1 / 60)):
        if drift.duration_s * factor <= LONGEST_S:
            yield words, replace(drift, duration_s=drift.duration_s * factor)


def _turned(drift: Drift) -> Drift:
    at = drift.pointing
    if at.hour_angle is None:
        return drift
    return replace(drift, pointing=replace(at, hour_angle=-at.hour_angle))
