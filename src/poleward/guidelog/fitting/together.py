"""Groups that were fitted apart: do they share one axis, how did it move, and where does it stand now."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from poleward.errors import Note
from poleward.guidelog.fitting.answer import positive
from poleward.guidelog.fitting.logsolution import Agreement, LogGroup, LogSolution
from poleward.guidelog.fitting.season import LEAST_NIGHTS, Season, common_part, season_of
from poleward.sky.axis import Floats
from poleward.sky.site import Site
from poleward.solving.determine import AxisEstimate, blind, judge
from poleward.solving.estimate import DOUBT
from poleward.solving.fitted import FitSummary
from poleward.solving.least_squares import coverage_factor, p_value
from poleward.solving.solution import Solution, solution_from

DAY_S = 86400.0
NIGHT_DAYS = 0.5
"""Groups that begin further apart than this belong to different nights."""


@dataclass(frozen=True)
class _Solved:
    """A group with an answer, and its number among all groups."""

    number: int
    group: LogGroup
    solution: Solution
    estimate: AxisEstimate

    @property
    def days(self) -> float | None:
        start = self.group.start
        return None if start is None else start.timestamp() / DAY_S


def joined(groups: tuple[LogGroup, ...], site: Site) -> LogSolution:
    """One result for the whole run; one group at least has an answer."""
    solved = [
        _Solved(i, each, each.solution, each.estimate)
        for i, each in enumerate(groups)
        if each.solution is not None and each.estimate is not None
    ]
    if len(solved) == 1:
        return LogSolution(solved[0].solution, groups)
    if all(each.days is not None for each in solved):
        solved.sort(key=lambda each: each.days or 0.0)
    agreement = _agreement(solved, site)
    season = _season(solved)
    said = list(dict.fromkeys(note for each in solved for note in each.solution.warnings))
    said = [note for note in said if note.code != "no-check"]
    if season is not None:
        solution = _now(season, {each.number: each for each in solved}, site)
        said += _season_notes(season, groups)
    else:
        solution = agreement.mean or solved[-1].solution
    if agreement.mean is None:
        said.insert(0, _moved(solved, season))
    drifts = tuple(drift for each in solved for drift in each.solution.drifts)
    return LogSolution(replace(solution, drifts=drifts, warnings=tuple(said)), groups, agreement, season)


def _summary(parts: Sequence[_Solved], square: float, free: int, coverage: float) -> FitSummary:
    return FitSummary(
        measurements=sum(each.solution.fit.measurements for each in parts),
        values=sum(each.solution.fit.values for each in parts),
        chi_square=square,
        degrees_of_freedom=free,
        p_value=p_value(square, free),
        sigma_source="scatter",
        # Where a group's own uncertainties come from few sections, those of all together do.
        coverage_factor_95=max(coverage, *(each.solution.fit.coverage_factor_95 for each in parts)),
    )


def _shared(solved: Sequence[_Solved]) -> list[Floats]:
    """How one sigma of each guide rate that several groups share moves their answers, (n, 2) each."""
    told = [each.group.by_rate for each in solved]
    zero = np.zeros(2)
    return [
        np.array([by_rate.get(rate, zero) for by_rate in told])
        for rate in dict.fromkeys(rate for by_rate in told for rate in by_rate)
    ]


def _agreement(solved: Sequence[_Solved], site: Site) -> Agreement:
    """Test whether the groups share one axis; their mean if they do."""
    estimates = [each.estimate for each in solved]
    pole = estimates[0].pole
    total = np.sum([each.information for each in estimates], axis=0)
    pulled = np.sum([each.information @ each.point for each in estimates], axis=0)
    lever = np.concatenate([each.lever for each in estimates])
    found = judge(total, lever, pole)
    held = total if found.directions == 2 else total + blind(pole)
    mean = np.linalg.solve(held, pulled)
    square = sum(float((e.point - mean) @ e.information @ (e.point - mean)) for e in estimates)
    free = sum(each.determination.directions for each in estimates) - found.directions
    summary = _summary(solved, square, free, 2.0)
    chance = summary.p_value
    if chance is not None and chance < DOUBT:
        return Agreement(square, free, chance, None)
    covariance = np.linalg.inv(held)
    lacking = [
        common_part(np.einsum("nij,nj,ik->nk", [e.information for e in estimates], moved, covariance))
        for moved in _shared(solved)
    ]
    if lacking:  # what held the mean where an error is open is no information
        total = positive(np.linalg.inv(covariance + np.sum(lacking, axis=0)) - (held - total))
    joint = AxisEstimate(float(mean[0]), float(mean[1]), total, found, lever, pole)
    return Agreement(square, free, chance, solution_from(joint, site, summary, (), ()))


def _season(solved: Sequence[_Solved]) -> Season | None:
    """What the nights say together, by the numbers of their groups; None where there are too few."""
    known = [each for each in solved if each.solution.determined == "both" and each.days is not None]
    days = np.array([each.days for each in known], np.float64)
    if np.sum(np.diff(days) > NIGHT_DAYS) < LEAST_NIGHTS - 1:
        return None
    points = np.array([each.estimate.point for each in known])
    information = np.array([each.estimate.information for each in known])
    return season_of(days, points, information, _shared(known)).numbered([each.number for each in known])


def _now(season: Season, solved: dict[int, _Solved], site: Site) -> Solution:
    """Where the axis stands on the last night: by its spell's line, or by that night alone."""
    spell = season.spells[-1]
    last = solved[spell.last]
    if spell.count == 1 and season.factor == 1:
        return last.solution
    members = [
        each for number, each in solved.items() if number in season.nights[season.nights.index(spell.first) :]
    ]
    information = np.asarray(np.linalg.inv(spell.covariance[:2, :2]), np.float64)
    azimuth, altitude = (float(value) for value in spell.place)
    place = replace(
        last.estimate, azimuth=azimuth, altitude=altitude, information=information, intervals=None
    )
    free = season.degrees_of_freedom
    coverage = coverage_factor(free) if season.factor > 1 else 2.0
    return solution_from(place, site, _summary(members, season.chi_square, free, coverage), (), ())


def _moved(solved: Sequence[_Solved], season: Season | None) -> Note:
    text = f"the {len(solved)} answers disagree: the axis has moved, or a sign or the pointing of one group is wrong"
    if season is None:
        text += f"; the axis and the moves are those of the last one, {solved[-1].group.name}"
    return Note("axis-moved", text)


def _season_notes(season: Season, groups: Sequence[LogGroup]) -> list[Note]:
    """What a user should know of a season: knocks, nights set aside, and how well the rest agree."""
    notes = []
    for knock in season.knocks:
        azimuth, altitude = knock.jump
        notes.append(
            Note(
                "knock",
                f"between {groups[knock.before].name} and {groups[knock.after].name} the axis was knocked or turned: by "
                f"{azimuth:+.1f} arcmin in azimuth, {altitude:+.1f} in altitude (east and up positive)",
            )
        )
        if knock.alone is not None:
            since = knock.alone == season.spells[-1].last
            notes.append(
                Note(
                    "one-night",
                    f"only {groups[knock.alone].name} tells of what {'has been since' if since else 'was before'} the knock: "
                    f"{'one night more tells whether it was one' if since else 'it was one'}, or that night is wrong",
                )
            )
    notes += [
        Note("night-aside", f"{groups[night].name} stands where no other night does: it is set aside")
        for night in season.aside
    ]
    if season.factor > 1:
        notes.append(
            Note(
                "scatter",
                f"the nights scatter about their lines by more than their uncertainties: the "
                f"intervals are widened {season.factor:.1f} times",
            )
        )
    return notes
