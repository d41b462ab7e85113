"""Slips of the pen that make honest timings contradict each other: which one, set right, would make them agree."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import timedelta

from poleward.sky.site import Site
from poleward.timings.rows import LONGEST_S, Drift

ZONES_OFF_H = (-1, 1, -2, 2)
"""What summer time, UTC taken for the time of Europe, and the like make of a clock."""
Slip = tuple[str, Sequence[Drift], Site]
"""What was slipped, in words, and the timings and the site with it set right."""


def slips(drifts: Sequence[Drift], names: dict[int, str], site: Site) -> Iterator[Slip]:
    """Each slip that people make, set right: one sign or unit of one timing, or a sign that all share.

    `names` are those of the timings that may be at fault, by their place.
    """
    for i, name in names.items():
        for words, fixed in _of_one(drifts[i], name):
            yield words, [fixed if j == i else one for j, one in enumerate(drifts)], site
    if any(drift.pointing.hour_angle is not None for drift in drifts):
        yield "all hour angles the other way (west is positive)", [_turned(drift) for drift in drifts], site
    latitude = f"{-math.degrees(site.latitude_rad)} deg"
    yield "the latitude's other sign (north is positive)", drifts, replace(site, latitude=latitude)
    if any(drift.pointing.ra is not None for drift in drifts):
        if site.longitude_rad is not None:
            longitude = f"{-math.degrees(site.longitude_rad)} deg"
            yield "the longitude's other sign (east is positive)", drifts, replace(site, longitude=longitude)
        for hours in ZONES_OFF_H:
            words = f"all times {abs(hours)} h {'earlier' if hours < 0 else 'later'} (the zone of the clock)"
            yield words, [_later(drift, hours) for drift in drifts], site


def _of_one(drift: Drift, name: str) -> Iterator[tuple[str, Drift]]:
    if drift.north_arcsec is not None:
        yield f"the north drift of '{name}' the other way", replace(drift, north_arcsec=-drift.north_arcsec)
    if drift.east_arcsec is not None:
        yield f"the east drift of '{name}' the other way", replace(drift, east_arcsec=-drift.east_arcsec)
    if drift.rotation_arcmin is not None:
        yield (
            f"the rotation of '{name}' the other way",
            replace(drift, rotation_arcmin=-drift.rotation_arcmin),
        )
    if drift.pointing.hour_angle is not None:
        yield f"the hour angle of '{name}' the other way (west is positive)", _turned(drift)
    for words, factor in (("minutes, not seconds", 60.0), ("seconds, not minutes", 1 / 60)):
        if drift.duration_s * factor <= LONGEST_S:
            longer = replace(drift, duration_s=drift.duration_s * factor)
            yield f"the duration of '{name}' in {words}", longer


def _turned(drift: Drift) -> Drift:
    at = drift.pointing
    if at.hour_angle is None:
        return drift
    return replace(drift, pointing=replace(at, hour_angle=-at.hour_angle))


def _later(drift: Drift, hours: int) -> Drift:
    at = drift.pointing
    if at.ra is None or at.time is None:
        return drift
    return replace(drift, pointing=replace(at, time=at.time + timedelta(hours=hours)))
