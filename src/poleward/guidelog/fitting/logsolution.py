"""What guide logs say: one frozen result for the whole run, and its record."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from poleward.door.record import record_of
from poleward.door.show import Shown
from poleward.errors import Note
from poleward.guidelog.fitting.correct import Track
from poleward.guidelog.fitting.guiding import Guiding
from poleward.guidelog.fitting.noise import Noise
from poleward.guidelog.fitting.parts import Part
from poleward.guidelog.fitting.season import Season
from poleward.guidelog.fitting.trace import Trace
from poleward.guidelog.reading.section import Section
from poleward.sky.axis import Floats, azimuth_altitude
from poleward.sky.site import Site
from poleward.solving.determine import AxisEstimate
from poleward.solving.solution import Solution


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


@dataclass(frozen=True, eq=False)
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
    by_rate : mapping of (float, float) to array (2,)
        How A and e go with what groups share, arcmin for one sigma: each guide rate, by what is stated of it and how
        sure, and the air, by its doubt and zero.
    """

    name: str
    start: datetime | None
    solution: Solution | None
    estimate: AxisEstimate | None
    sections: tuple[SectionResult, ...]
    traces: tuple[Trace, ...] = ()
    by_rate: Mapping[tuple[float, float], Floats] = field(default_factory=dict)

    def to_record(self) -> dict[str, Any]:
        """Return its name, its start and its axis."""
        return {**record_of(self, ("name", "start")), "axis": _axis(self.solution)}


@dataclass(frozen=True)
class Agreement:
    """Whether several groups share one axis.

    Attributes
    ----------
    chi_square : float
        Of the groups' answers about their weighted mean.
    degrees_of_freedom : int
    p_value : float or None
        None without a degree of freedom.
    mean : Solution or None
        None where they disagree: the mean of different axes is none.
    """

    chi_square: float
    degrees_of_freedom: int
    p_value: float | None
    mean: Solution | None

    def to_record(self) -> dict[str, Any]:
        """Return plain numbers, and the mean's axis."""
        record = record_of(self, ("chi_square", "degrees_of_freedom", "p_value"))
        return {**record, "mean": _axis(self.mean)}


@dataclass(frozen=True, repr=False)
class LogSolution(Shown):
    """What guide logs say.

    Attributes
    ----------
    solution : Solution
        Of the one group; of several the place where the axis stands on the last night of a season, their mean where
        there is no season and they agree, else that of the last group.
    groups : tuple of LogGroup
    agreement : Agreement or None
        Of two groups or more.
    season : Season or None
        Of three nights or more that know both errors and their dates; its nights are the groups' numbers.
    """

    solution: Solution
    groups: tuple[LogGroup, ...]
    agreement: Agreement | None = None
    season: Season | None = None

    def __repr__(self) -> str:
        """Return both errors and what they come from on one line."""
        used = sum(not section.reason for section in self.sections)
        return f"<LogSolution: {self.solution!r}, {used} of {len(self.sections)} sections used>"

    @property
    def site(self) -> Site:
        """Where the logs were made."""
        return self.solution.site

    @property
    def sections(self) -> tuple[SectionResult, ...]:
        """All sections, in the order of their groups."""
        return tuple(section for group in self.groups for section in group.sections)

    def to_record(self) -> dict[str, Any]:
        """Return the record: that of a solution, with the sections, and how the groups go together."""
        return {
            **self.solution.to_record(),
            **record_of(self, ("sections", "groups", "agreement")),
            "season": None if self.season is None else _season_record(self.season, self.groups),
        }


def _axis(solution: Solution | None) -> Any:
    return None if solution is None else solution.to_record()["axis"]


def _season_record(season: Season, groups: Sequence[LogGroup]) -> dict[str, Any]:
    """Return plain numbers with their units in the names; nights by their groups' names."""

    def both(values: Floats, sigmas: Floats, unit: str) -> dict[str, float]:
        return {
            f"{name}_{what}{unit}": float(numbers[i])
            for i, name in enumerate(("azimuth", "altitude"))
            for what, numbers in (("", values), ("sigma_", sigmas))
        }

    return {
        "spells": [
            {
                "first": groups[spell.first].name,
                "last": groups[spell.last].name,
                "groups": spell.count,
                "on_last": both(spell.place, spell.sigmas[:2], "arcmin"),
                "change": None
                if spell.rate is None
                else both(spell.rate, spell.sigmas[2:], "arcmin_per_day"),
            }
            for spell in season.spells
        ],
        "knocks": [
            {
                "after": groups[knock.before].name,
                "before": groups[knock.after].name,
                "jump": both(knock.jump, knock.sigmas, "arcmin"),
                "certain": knock.alone is None,
            }
            for knock in season.knocks
        ],
        "aside": [groups[night].name for night in season.aside],
        **record_of(season, ("chi_square", "degrees_of_freedom", "p_value", "factor")),
    }
