"""What guide logs say: one frozen result for the whole run, and its record."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np

from poleward.door.record import record_of
from poleward.errors import Note
from poleward.guidelog.fitting.correct import Track
from poleward.guidelog.fitting.guiding import Guiding
from poleward.guidelog.fitting.noise import Noise
from poleward.guidelog.fitting.parts import Part
from poleward.guidelog.fitting.trace import Trace
from poleward.guidelog.reading.section import Section
from poleward.sky.axis import azimuth_altitude
from poleward.sky.site import Site
from poleward.solving.determine import AxisEstimate, blind, judge
from poleward.solving.estimate import DOUBT
from poleward.solving.least_squares import p_value, scatter_factor
from poleward.solving.solution import FitSummary, Solution, solution_from


@dataclass(frozen=True)
class SectionResult:
    """What became of one section.

    Attributes
    ----------
    file, label, where : str
        As in `Section`.
    start : datetime or None
    hour_angle_h, dec_deg, altitude_deg : float or None
        Where it pointed at its first row: apparent, of date, west positive; altitude as seen. None where nobody looked.
    duration_s, cadence_s : float
        From the first row with a star to the last; median time between rows.
    reversed : bool
    rows, rows_used : int
        In the log, and with weight in the fit.
    reason : str
        Why it was not used; empty where it was. All that follows is then None or zero.
    glitches, gust_rows : int
        Rows that lost their weight: alone, and in stretches.
    levels : int
        Pieces with a level of their own.
    north_rate_arcsec_per_min, north_rate_sigma_arcsec_per_min : float or None
        Mean drift, corrections undone.
    north_rate_fitted_arcsec_per_min : float or None
        The same by the fitted axis.
    noise : Noise or None
    guide_rate_arcsec_per_s, guide_rate_sigma_arcsec_per_s : float or None
        Found in the log, where corrections were undone; shared by all sections with the same stated rate.
    backlash_ms, backlash_sigma_ms : float or None
    guiding : Guiding or None
    notes : tuple of Note
    """

    file: str
    label: str
    where: str
    start: datetime | None
    duration_s: float
    cadence_s: float
    reversed: bool
    rows: int
    rows_used: int = 0
    reason: str = ""
    glitches: int = 0
    gust_rows: int = 0
    levels: int = 0
    north_rate_arcsec_per_min: float | None = None
    north_rate_sigma_arcsec_per_min: float | None = None
    north_rate_fitted_arcsec_per_min: float | None = None
    noise: Noise | None = None
    guide_rate_arcsec_per_s: float | None = None
    guide_rate_sigma_arcsec_per_s: float | None = None
    backlash_ms: float | None = None
    backlash_sigma_ms: float | None = None
    guiding: Guiding | None = None
    notes: tuple[Note, ...] = ()
    hour_angle_h: float | None = None
    dec_deg: float | None = None
    altitude_deg: float | None = None

    def to_record(self) -> dict[str, Any]:
        """Return plain numbers with their units in the names."""
        record = record_of(self)
        notes = record.pop("notes")
        return {**record, "used": not self.reason, "reason": self.reason or None, "warnings": notes}


def unused(section: Section, track: Track, part: Part | None, reason: str) -> SectionResult:
    """Return the result of a section about which nothing has been found yet but, with a part, where it pointed."""
    seconds = track.seconds
    return SectionResult(
        file=section.file,
        label=section.label,
        where=section.where,
        start=section.start,
        duration_s=float(seconds[-1] - seconds[0]) if len(seconds) else 0.0,
        cadence_s=track.cadence_s,
        reversed=section.reversed,
        rows=len(section.seconds),
        reason=reason,
        notes=section.notes,
        hour_angle_h=math.degrees(part.hour_angle) / 15 if part else None,
        dec_deg=math.degrees(part.dec) if part else None,
        altitude_deg=math.degrees(float(azimuth_altitude(part.seen[0])[1])) if part else None,
    )


@dataclass(frozen=True)
class LogGroup:
    """What was fitted together: all, a night, a file or a section.

    Attributes
    ----------
    name : str
    start : datetime or None
        Of its first section that has one.
    solution : Solution or None
        None where no section could be used.
    estimate : AxisEstimate or None
    sections : tuple of SectionResult
    traces : tuple of Trace
        Of the sections that were used, for charts; empty where they were not kept.
    """

    name: str
    start: datetime | None
    solution: Solution | None
    estimate: AxisEstimate | None
    sections: tuple[SectionResult, ...]
    traces: tuple[Trace, ...] = ()

    def to_record(self) -> dict[str, Any]:
        """Return its name, its start and its axis."""
        axis = None if self.solution is None else self.solution.to_record()["axis"]
        return {**record_of(self, ("name", "start")), "axis": axis}


@dataclass(frozen=True)
class Trend:
    """How the axis error changes from group to group, arcmin per day, with sigmas."""

    azimuth_arcmin_per_day: float
    azimuth_sigma_arcmin_per_day: float
    altitude_arcmin_per_day: float
    altitude_sigma_arcmin_per_day: float


@dataclass(frozen=True)
class LogSolution:
    """What guide logs say.

    Attributes
    ----------
    solution : Solution
        Of the whole: of the one group, or the weighted mean of several.
    groups : tuple of LogGroup
    trend : Trend or None
        Over three groups or more that know both errors and their dates.
    """

    solution: Solution
    groups: tuple[LogGroup, ...]
    trend: Trend | None = None

    @property
    def sections(self) -> tuple[SectionResult, ...]:
        """All sections, in the order of their groups."""
        return tuple(section for group in self.groups for section in group.sections)

    def to_record(self) -> dict[str, Any]:
        """Return the record: that of a solution, with the sections and, where there are several, the groups."""
        return {**self.solution.to_record(), **record_of(self, ("sections", "groups", "trend"))}


def trend_of(groups: Sequence[LogGroup]) -> Trend | None:
    """Straight lines through the groups' errors against time, weighted by their sigmas."""
    known = [
        g
        for g in groups
        if g.start is not None and g.solution is not None and g.solution.determined == "both"
    ]
    if len(known) < 3:
        return None
    days = np.array([group.start.timestamp() / 86400 for group in known if group.start is not None])
    if np.ptp(days) == 0:
        return None
    numbers: list[float] = []
    for axis in ("azimuth", "altitude"):
        value = np.array([getattr(group.solution, f"{axis}_error_arcmin") for group in known])
        weight = np.array([getattr(group.solution, f"{axis}_sigma_arcmin") for group in known]) ** -2.0
        off = days - np.sum(weight * days) / np.sum(weight)
        square = float(np.sum(weight * off**2))
        numbers += [float(np.sum(weight * off * value)) / square, square**-0.5]
    return Trend(*numbers)


def joined(groups: tuple[LogGroup, ...], site: Site) -> LogSolution:
    """One result for the whole run."""
    solved = [group for group in groups if group.solution is not None]
    if len(groups) == 1:
        assert groups[0].solution is not None
        return LogSolution(groups[0].solution, groups, None)
    estimates = [group.estimate for group in solved if group.estimate is not None]
    pole = estimates[0].pole
    total = sum((each.information for each in estimates), np.zeros((2, 2)))
    pulled = sum((each.information @ each.point for each in estimates), np.zeros(2))
    found = judge(total, np.concatenate([each.lever for each in estimates]), pole)
    held = total if found.directions == 2 else total + blind(pole)
    mean = np.linalg.solve(held, pulled)
    square = sum(float((e.point - mean) @ e.information @ (e.point - mean)) for e in estimates)
    free = sum(each.determination.directions for each in estimates) - found.directions
    chance = p_value(square, free)
    doubtful = chance is not None and chance < DOUBT
    factor = scatter_factor(square, free) if doubtful else 1.0
    notes = [note for group in solved for note in group.solution.warnings if note.code != "no-check"]  # type: ignore[union-attr]
    if doubtful:
        notes.append(
            Note(
                "axis-moved",
                f"the {len(solved)} answers disagree (p = {chance:.2g}): the axis has moved between them; the mean's "
                f"intervals are widened {factor:.1f} times",
            )
        )
    joint = AxisEstimate(float(mean[0]), float(mean[1]), total / factor**2, found, np.zeros((0, 2)), pole)
    drifts = [drift for group in solved for drift in group.solution.drifts]  # type: ignore[union-attr]
    summary = FitSummary(
        len(drifts), sum(_values(group.solution) for group in solved), square, free, chance, "scatter"
    )
    solution = solution_from(joint, site, summary, drifts, list(dict.fromkeys(notes)))
    return LogSolution(solution, groups, trend_of(solved))


def _values(solution: Solution | None) -> int:
    return 0 if solution is None else solution.fit.values
