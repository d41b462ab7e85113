"""Guide logs to the axis error: all sections together, or night by night, file by file, section by section."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta
from typing import Any

import numpy as np

from poleward.errors import InputError, Note, UsageError
from poleward.guidelog.fitting.answer import Fitted, estimate_of, fit_sections, solution_of
from poleward.guidelog.fitting.correct import Track, track
from poleward.guidelog.fitting.drive import wrong_way
from poleward.guidelog.fitting.guiding import guiding_notes, guiding_of
from poleward.guidelog.fitting.logsolution import LogGroup, LogSolution, SectionResult, joined, unused
from poleward.guidelog.fitting.parts import prepare
from poleward.guidelog.reading.section import Section
from poleward.sky.axis import Floats, azimuth_altitude
from poleward.sky.look import TOO_LOW_DEG, Sight, altitude_notes
from poleward.sky.pole import pole_name
from poleward.sky.site import Site
from poleward.solving.least_squares import coverage_factor
from poleward.solving.solution import FitSummary, FittedDrift
from poleward.solving.solver import drive_rate_of

LEAST_ROWS = 40
"""Rows with a star that a section needs: three numbers for the noise and three for the drift, with some to spare."""
LEAST_S = 120.0
"""A shorter section says nothing: an axis 10 arcmin off moves a star 5 arcsec in it, and so does the wind."""
FAR_RATE = 0.3
"""A guide rate this much off the stated one is not the mount's doing: three sigmas of a rate stated without one."""
LOW_SLACK_DEG = 0.05
"""The last row of a section cut at the limit stands on it, give or take a row."""
EACH = ("all", "night", "file", "section")


def solve_log(
    sections: Sequence[Section],
    site: Site,
    *,
    pole: str = "apparent",
    drive_rate: Any = "sidereal",
    each: str = "all",
    allow_low: bool = False,
) -> LogSolution:
    """Find the axis error in guide logs.

    Parameters
    ----------
    sections : sequence of Section
        From `read_log`.
    site : Site
    pole : {"apparent", "true"}
        The pole that the errors are given against.
    drive_rate : str or Quantity
        ``sidereal``, ``king``, ``solar`` or a rate.
    each : {"all", "night", "file", "section"}
        What is fitted together. The axis stands still within each; between them it may have been moved, and the
        `solution` of the whole is then their weighted mean with a test of whether they agree.
    allow_low : bool
        Use sections below 10 deg too, where refraction is not well known.

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
    check_options(pole, each)
    rate = drive_rate_of(drive_rate)
    done = [
        solve_group(name, group, site, pole, rate, allow_low)
        for name, group in groups_of(sections, site, each).items()
    ]
    return answer_of(done, site)


def check_options(pole: str, each: str) -> None:
    """Refuse a `pole` or an `each` that does not exist."""
    pole_name(pole)
    if each not in EACH:
        raise UsageError(f"each: '{each}', allowed is {', '.join(EACH[:-1])} or {EACH[-1]}")


def groups_of(sections: Sequence[Section], site: Site, each: str) -> dict[str, list[Section]]:
    """Return what is fitted together, by name, in the order of the first section of each."""
    groups: dict[str, list[Section]] = {}
    for section in sections:
        groups.setdefault(_group_name(section, site, each), []).append(section)
    return groups


def answer_of(done: Sequence[LogGroup], site: Site) -> LogSolution:
    """Put solved groups together; see `solve_log`."""
    if not any(group.solution is not None for group in done):
        reasons = [result.reason for group in done for result in group.sections]
        raise InputError(
            f"no section can be used: {reasons[0]}" if reasons else "there is no section to use",
            "the other sections' reasons are much the same" if len(set(reasons)) > 1 else "",
            done[0].sections[0].where if reasons else "",
        )
    return joined(tuple(done), site)


def _group_name(section: Section, site: Site, each: str) -> str:
    if each == "all":
        return "all sections"
    if each == "file" or (each == "night" and section.start is None):
        return section.file
    if each == "night":
        assert section.start is not None
        # A night has the date of its evening: days change at local mean noon, whatever the clocks say.
        turn = (site.longitude_rad or 0.0) * 86400 / (2 * math.pi) - 43200
        return f"{(section.start + timedelta(seconds=turn)):%Y-%m-%d}"
    return f"{section.file} {section.label}"


def solve_group(
    name: str, sections: Sequence[Section], site: Site, pole: str, rate: float, allow_low: bool
) -> LogGroup:
    """Fit what belongs together; `rate` is the drive's, arcsec/s. See `solve_log`."""
    tracks = [track(section) for section in sections]
    reasons: list[str] = [_too_little(each) for each in tracks]
    fine = [i for i, reason in enumerate(reasons) if not reason]
    if not fine:
        return LogGroup(name, _first(sections), None, None, _results(tracks, reasons, {}))
    parts, drives, sight = prepare([tracks[i] for i in fine], site, rate)
    sunk: list[Note] = []
    if not allow_low:
        for place, i in enumerate(fine):
            tracks[i], note = _above(tracks[i], sight, place, parts[place].grid_s)
            sunk += note
        if sunk:
            parts, drives, sight = prepare([tracks[i] for i in fine], site, rate)
    against = sight.pole(pole)
    for place, i in enumerate(fine):
        reasons[i] = _too_low(sight, place, allow_low) or wrong_way(parts[place], drives, against)
    kept = [place for place, i in enumerate(fine) if not reasons[i]]
    used = [fine[place] for place in kept]
    if not used:
        return LogGroup(name, _first(sections), None, None, _results(tracks, reasons, {}))
    chosen = [parts[place] for place in kept]
    numbers = sorted({part.drive for part in chosen if part.drive is not None})
    chosen = [
        part if part.drive is None else replace(part, drive=numbers.index(part.drive)) for part in chosen
    ]
    found = fit_sections(chosen, [drives[number] for number in numbers], against)
    shown = {i: (found, place) for place, i in enumerate(used)}
    results = _results(tracks, reasons, shown)
    notes = [
        *sight.notes,
        *sunk,
        *altitude_notes(sight, site, [sections[fine[place]].label for place in kept], kept),
    ]
    notes += _fit_notes(found, results)
    drifts = [_drift(found, place, sight, kept[place], tracks[i]) for place, i in enumerate(used)]
    solution = solution_of(estimate_of(found), site, against, _summary(found), drifts, notes)
    return LogGroup(name, _first(sections), solution, estimate_of(found), results, against, found)


def _first(sections: Sequence[Section]) -> Any:
    starts = [section.start for section in sections if section.start is not None]
    return min(starts) if starts else None


def _too_little(each: Track) -> str:
    """Why a section cannot be used, or nothing."""
    count = len(each.rows)
    if count < LEAST_ROWS:
        return f"{count} rows with a star, needed are {LEAST_ROWS}"
    levels = int(each.piece[-1]) + 1
    if count - levels < LEAST_ROWS:
        return f"{count} rows with a star in {levels} pieces, which leaves nothing to measure a drift by"
    if np.ptp(each.north_arcsec) == 0:
        return "the star's place never changes: these are not measurements"
    duration = float(each.seconds[-1] - each.seconds[0])
    if duration < LEAST_S:
        return f"{duration:.0f} s long, needed are {LEAST_S:.0f} s"
    return ""


def _above(each: Track, sight: Sight, place: int, grid_s: Floats) -> tuple[Track, list[Note]]:
    """Leave out the rows in which a star that stood high enough has come down too far."""
    height = np.degrees(azimuth_altitude(sight.seen[place])[1])
    if height.min() < 0 or height.min() >= TOO_LOW_DEG:
        return each, []
    low = np.interp(each.section.seconds, grid_s, height) < TOO_LOW_DEG
    count = int(np.sum(low[each.rows]))
    if count > len(each.rows) - LEAST_ROWS:
        return each, []
    label = each.section.label
    return track(replace(each.section, good=each.section.good & ~low)), [
        Note("low-rows", f"{label}: {count} rows below {TOO_LOW_DEG:.0f} deg are not used")
    ]


def _too_low(sight: Sight, place: int, allow_low: bool) -> str:
    lowest = math.degrees(float(np.min(azimuth_altitude(sight.seen[place])[1])))
    lowest += LOW_SLACK_DEG * (not allow_low and lowest >= 0)
    if lowest < 0:
        return f"the star is {-lowest:.1f} deg below the horizon: check hour angle, dec, latitude and time"
    if lowest < TOO_LOW_DEG and not allow_low:
        return f"the star stands at {lowest:.1f} deg, allowed is {TOO_LOW_DEG:.0f} deg or more"
    return ""


def _results(
    tracks: Sequence[Track], reasons: Sequence[str], shown: dict[int, tuple[Fitted, int]]
) -> tuple[SectionResult, ...]:
    return tuple(
        unused(each, reasons[i]) if i not in shown else _result(each, *shown[i])
        for i, each in enumerate(tracks)
    )


def _result(each: Track, found: Fitted, place: int) -> SectionResult:
    part = found.parts[place]
    guiding = guiding_of(each, part.kept, part.piece, part.noise)
    rate = rate_sigma = backlash = backlash_sigma = None
    if part.drive is not None:
        drive, sigma = found.state.drives[part.drive], found.drive_sigma[part.drive]
        rate, rate_sigma = drive.rate * drive.stated, float(sigma[0]) * drive.stated
        backlash, backlash_sigma = drive.backlash_ms, float(sigma[1])
    return replace(
        unused(each, ""),
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
        notes=(*each.section.notes, *guiding_notes(each.section, each, guiding)),
    )


def _drift(found: Fitted, place: int, sight: Sight, row: int, each: Track) -> FittedDrift:
    """One section as a timing: its mean rate over its length."""
    minutes = float(each.seconds[-1] - each.seconds[0]) / 60
    return FittedDrift(
        label=each.section.label,
        used=True,
        hour_angle_h=math.degrees(float(sight.hour_angle[row])) / 15,
        dec_deg=math.degrees(float(sight.dec[row])),
        altitude_deg=math.degrees(float(sight.altitude[row])),
        duration_s=60 * minutes,
        north_arcsec=float(found.rates.measured[place]) * minutes,
        north_fitted_arcsec=float(found.rates.fitted[place]) * minutes,
        north_sigma_arcsec=float(found.rates.sigma[place]) * found.factor * minutes,
        east_arcsec=None,
        east_fitted_arcsec=float(found.rates.east_fitted[place]) * minutes,
        east_sigma_arcsec=None,
        weight=1.0,
    )


def _summary(found: Fitted) -> FitSummary:
    return FitSummary(
        measurements=len(found.parts),
        values=sum(int(np.sum(part.kept)) for part in found.parts),
        chi_square=found.rates.chi_square,
        degrees_of_freedom=found.degrees_of_freedom,
        p_value=found.p_value,
        sigma_source="scatter",
        coverage_factor_95=coverage_factor(found.degrees_of_freedom) if found.factor > 1 else 2.0,
    )


def _fit_notes(found: Fitted, results: Sequence[SectionResult]) -> list[Note]:
    notes = [Note("section-unused", f"{each.label}: {each.reason}") for each in results if each.reason]
    if any(part.drive is None for part in found.parts):
        notes.append(
            Note(
                "only-watched",
                "there are no corrections north in the log, so the stars are taken as only watched; had the mount been "
                "guided in declination all the same, the answer would be far too small",
            )
        )
    for drive, sigma in zip(found.state.drives, found.drive_sigma, strict=True):
        if math.isfinite(drive.sigma) and abs(drive.rate - 1) > max(FAR_RATE, 3 * drive.sigma):
            notes.append(
                Note(
                    "guide-rate",
                    f"the pulses moved the telescope {drive.rate:.2f} +/- {sigma[0]:.2f} times as far as the stated "
                    f"guide rate of {drive.stated:g} arcsec/s says: check it, and the image scale",
                )
            )
    if found.factor > 1:
        notes.append(
            Note(
                "scatter",
                f"the sections disagree by more than their uncertainties (p = {found.p_value:.2g}): the intervals are "
                f"widened {found.factor:.1f} times",
            )
        )
    elif found.p_value is None:
        notes.append(
            Note("no-check", "just enough sections for an answer: one more, elsewhere, would check them")
        )
    return notes
