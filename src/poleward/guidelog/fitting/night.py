"""Guide logs to the axis error: all sections together, or night by night, file by file, section by section."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from typing import TYPE_CHECKING, Any, Literal, get_args

import numpy as np

from poleward.door.clock import zone_of
from poleward.errors import InputError, UsageError, WrongTypeError
from poleward.guidelog.fitting.answer import Fitted, estimate_of
from poleward.guidelog.fitting.choose import Candidate, choose
from poleward.guidelog.fitting.fitnotes import fit_notes
from poleward.guidelog.fitting.guiding import guiding_notes, guiding_of
from poleward.guidelog.fitting.logsolution import LogGroup, LogSolution, SectionResult, unused
from poleward.guidelog.fitting.survivors import fit_chosen
from poleward.guidelog.fitting.together import joined
from poleward.guidelog.fitting.trace import trace_of
from poleward.guidelog.reading.copies import without_copies
from poleward.guidelog.reading.section import Section
from poleward.sky.axis import azimuth_altitude
from poleward.sky.doubt import air_doubt
from poleward.sky.pole import PoleName, pole_name
from poleward.sky.site import Site, site_of
from poleward.solving.fitted import FitSummary, FittedDrift
from poleward.solving.how import drive_rate_of, pointing_error_deg
from poleward.solving.solution import solution_from

if TYPE_CHECKING:
    from astropy.coordinates import EarthLocation

    from poleward.door.quantity import Value

Each = Literal["all", "night", "file", "section"]


@dataclass(frozen=True)
class Wanted:
    """How to solve; see `solve_log`.

    Raises
    ------
    UsageError
        A `pole`, a `drive_rate` or an `each` that does not exist; a `pointing_error` out of range.
    """

    pole: PoleName = "apparent"
    drive_rate: Any = "sidereal"
    each: Each = "all"
    allow_low: bool = False
    pointing_error: Any = "0.5 deg"

    def __post_init__(self) -> None:
        """Check."""
        pole_name(self.pole)
        drive_rate_of(self.drive_rate)
        pointing_error_deg(self.pointing_error)
        *some, last = get_args(Each)
        if self.each not in (*some, last):
            raise UsageError(f"each: '{self.each}', allowed is {', '.join(some)} or {last}")


def solve_log(
    sections: Sequence[Section],
    site: Site | EarthLocation,
    *,
    pole: PoleName = "apparent",
    drive_rate: Value = "sidereal",
    each: Each = "all",
    allow_low: bool = False,
    pointing_error: Value = "0.5 deg",
) -> LogSolution:
    """Find the axis error in guide logs.

    Parameters
    ----------
    sections : sequence of Section
        From `read_log`.
    site : Site or EarthLocation
        A longitude is only needed for right ascensions.
    pole : {"apparent", "true"}
        The pole that the errors are given against.
    drive_rate : str or Quantity
        ``sidereal``, ``king``, ``solar`` or a rate.
    each : {"all", "night", "file", "section"}
        What is fitted together. The axis stands still within each; between them it may have moved: see
        `LogSolution` for what the `solution` of the whole is then.
    allow_low : bool
        Use sections below 10 deg too, where refraction is not well known.
    pointing_error : str or Quantity
        Standard uncertainty of hour angles and azimuths; right ascensions have none.

    Returns
    -------
    LogSolution

    Raises
    ------
    InputError
        No section can be used.
    UsageError
        An option outside what is allowed.
    """
    site, (sections, twice) = site_of(site), without_copies(_sections(sections))
    wanted = Wanted(pole, drive_rate, each, allow_low, pointing_error)
    groups = groups_of(sections, site, each)
    answer = answer_of([solve_group(name, group, site, wanted) for name, group in groups.items()], site)
    return replace(answer, solution=replace(answer.solution, warnings=(*twice, *answer.solution.warnings)))


def _sections(given: Any) -> Sequence[Section]:
    if not (isinstance(given, Sequence) and all(isinstance(one, Section) for one in given)):
        raise WrongTypeError(
            "sections", given, "a LogFile or a sequence of Section", "poleward.read_log reads them from a log"
        )
    return given


def groups_of(sections: Sequence[Section], site: Site, each: str) -> dict[str, list[Section]]:
    """Return what is fitted together, by name, in the order of the first section of each."""
    groups: dict[str, list[Section]] = {}
    for section in sections:
        name = _group_name(section, site, each)
        if each == "section":
            name = _unlike(name, night_of(section, site), groups)
        groups.setdefault(name, []).append(section)
    return groups


def night_of(section: Section, site: Site) -> str:
    """Return the date of the evening: days change at noon, by the longitude, else by the time zone's clocks.

    The sky's noon comes first: a zone is a matter of law, and many a computer at a telescope is set to UTC.
    """
    if section.start is None:
        return ""
    local = section.start
    if site.longitude_rad is not None:
        # 350 deg and -10 deg are one place: within half a turn of Greenwich.
        local += timedelta(days=math.remainder(site.longitude_rad, 2 * math.pi) / (2 * math.pi))
    elif site.timezone:
        local = local.astimezone(zone_of(site.timezone))
    return f"{local - timedelta(hours=12):%Y-%m-%d}"


def _group_name(section: Section, site: Site, each: str) -> str:
    if each == "all":
        return "all sections"
    if each == "night":
        return night_of(section, site) or section.file
    return section.file if each == "file" else f"{section.file} {section.label}"


def _unlike(name: str, date: str, taken: Mapping[str, object]) -> str:
    """Return a name that no section has yet: sections of one label are told apart by their night, then counted."""
    if name in taken and date:
        name = f"{name}, {date}"
    unlike, number = name, 2
    while unlike in taken:
        unlike, number = f"{name} ({number})", number + 1
    return unlike


def answer_of(done: Sequence[LogGroup], site: Site) -> LogSolution:
    """Put solved groups together; see `solve_log`."""
    if not any(group.solution is not None for group in done):
        reasons = [result.reason for group in done for result in group.sections]
        raise InputError(
            f"no section can be used: {reasons[0]}" if reasons else "there is no section to use",
            ("the other sections' reasons are much the same; " if len(set(reasons)) > 1 else "")
            + "docs: log-keys.md#what-a-damaged-log-does",
            done[0].sections[0].where if reasons else "",
        )
    return joined(tuple(done), site)


def solve_group(
    name: str, sections: Sequence[Section], site: Site, wanted: Wanted, *, traced: bool = True
) -> LogGroup:
    """Fit what belongs together, with or without its traces; see `solve_log`."""
    start = min((section.start for section in sections if section.start is not None), default=None)
    chosen = choose(sections, site, wanted.pole, drive_rate_of(wanted.drive_rate), wanted.allow_low)
    chosen, found = fit_chosen(chosen, site, pointing_error_deg(wanted.pointing_error))
    left = [unused(each.section, each.track, each.part, each.reason) for each in chosen.candidates]
    used, pole = chosen.used, chosen.pole
    if found is None or pole is None:
        return LogGroup(name, start, None, None, tuple(left))
    shown = iter([_result(each, found, place) for place, each in enumerate(used)])
    results = tuple(each if each.reason else next(shown) for each in left)
    drifts = [_drift(each, found, place) for place, each in enumerate(used)]
    traces = [
        trace_of(each.section, part, found.state, pole)
        for each, part in zip(used if traced else (), found.parts if traced else (), strict=True)
    ]
    notes = [*chosen.notes, *fit_notes(found, results)]
    estimate = estimate_of(found, pole)
    solution = solution_from(estimate, site, _summary(found, used, site, wanted), drifts, notes)
    by_rate = {
        (drive.stated, drive.sigma): along
        for drive, along in zip(found.state.drives, found.by_rate, strict=True)
    }
    # One air for all groups, as far as its doubt goes.
    by_rate[air_doubt(site.air), 0.0] = found.by_air
    return LogGroup(name, start, solution, estimate, results, tuple(traces), by_rate)


def _result(each: Candidate, found: Fitted, place: int) -> SectionResult:
    """What became of a section that was used, the one at this place of the fit."""
    part, section = found.parts[place], each.section
    guiding = guiding_of(section, each.track, part.kept, part.piece, part.noise)
    rate = rate_sigma = backlash = backlash_sigma = None
    if part.drive is not None:
        drive, sigma = found.state.drives[part.drive], found.drive_sigma[part.drive]
        rate, rate_sigma = drive.rate * drive.stated, float(sigma[0]) * drive.stated
        backlash, backlash_sigma = drive.backlash_ms, float(sigma[1])
    return replace(
        unused(section, each.track, part, ""),
        rows_used=int(np.sum(part.kept)),
        glitches=int(np.sum(~part.kept & ~part.gusts)),
        gust_rows=int(np.sum(part.gusts)),
        levels=int(part.piece[-1]) + 1,
        north_rate_arcsec_per_min=float(found.rates.measured[place]),
        north_rate_sigma_arcsec_per_min=float(found.rates.sigma[place]) * found.factor,
        north_rate_fitted_arcsec_per_min=float(found.rates.fitted[place]),
        noise=part.noise,
        guide_rate_arcsec_per_s=rate,
        guide_rate_sigma_arcsec_per_s=rate_sigma,
        backlash_ms=backlash,
        backlash_sigma_ms=backlash_sigma,
        guiding=guiding,
        notes=(*section.notes, *guiding_notes(section, each.track, guiding)),
    )


def _drift(each: Candidate, found: Fitted, place: int) -> FittedDrift:
    """One section as a timing: its mean rate over its length."""
    part, rates = found.parts[place], found.rates
    minutes = float(each.track.seconds[-1] - each.track.seconds[0]) / 60
    return FittedDrift(
        label=each.section.label,
        used=True,
        hour_angle_h=math.degrees(part.hour_angle) / 15,
        dec_deg=math.degrees(part.dec),
        altitude_deg=math.degrees(float(azimuth_altitude(part.seen[0])[1])),
        duration_s=60 * minutes,
        north_arcsec=float(rates.measured[place]) * minutes,
        north_fitted_arcsec=float(rates.fitted[place]) * minutes,
        north_sigma_arcsec=float(rates.sigma[place]) * found.factor * minutes,
        east_arcsec=None,
        east_fitted_arcsec=float(rates.east_fitted[place]) * minutes,
        east_sigma_arcsec=None,
        weight=1.0,
    )


def _summary(found: Fitted, used: Sequence[Candidate], site: Site, wanted: Wanted) -> FitSummary:
    circles = any(each.section.pointing.ra is None for each in used)
    return FitSummary(
        measurements=len(found.parts),
        values=sum(int(np.sum(part.kept)) for part in found.parts),
        chi_square=found.rates.chi_square,
        degrees_of_freedom=found.degrees_of_freedom,
        p_value=found.p_value,
        sigma_source="scatter",
        coverage_factor_95=2 * found.cover,
        refraction_doubt=air_doubt(site.air),
        pointing_doubt_deg=pointing_error_deg(wanted.pointing_error) if circles else 0.0,
    )
