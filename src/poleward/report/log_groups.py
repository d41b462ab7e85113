"""What several groups of guide logs say as text: one by one, over a season, and whether they agree."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from poleward.guidelog.fitting.logsolution import Agreement, LogSolution
from poleward.guidelog.fitting.season import Season
from poleward.report.style import WIDEST_NAME, Signs, counted, cut, paragraph, signed, with_sigma
from poleward.sky.axis import Floats
from poleward.solving.fitted import FitSummary
from poleward.solving.solution import Solution, errors_of

MOST_GROUPS = 12
"""A table longer than this fills a terminal of 24 lines before the rest is said: then only some are shown."""
LAST = 5
"""How many of a long table are shown where there is no season that tells which ones matter."""


def which_text(result: LogSolution) -> str:
    """Which of several answers the axis is: the place on the last night, the mean, or the last one."""
    if result.agreement is None:
        return ""
    count = counted(sum(group.solution is not None for group in result.groups), "answer")
    if result.season is None:
        if result.agreement.mean is not None:
            return f"This is the mean of {count} that agree."
        return paragraph(
            f"This is the last of {count} that do NOT agree: the axis has moved, or a sign or the pointing of one group "
            "is wrong."
        )
    spell = result.season.spells[-1]
    how = "that answer alone" if spell.count == 1 else f"the line through {counted(spell.count, 'answer')}"
    text = f"So it stood on {result.groups[spell.last].name}, by {how}"
    if result.season.knocks:
        knock = result.season.knocks[-1]
        before, after = result.groups[knock.before].name, result.groups[knock.after].name
        text += f" since it was knocked, or turned, between {before} and {after}"
        text += ", unless that answer is wrong" if spell.count == 1 else ""
    return paragraph(f"{text}.")


def groups_text(result: LogSolution, signs: Signs) -> str:
    """One line per group, or the ones that tell most."""
    groups = list(result.groups)
    title = "Group by group, in arcmin (east and up positive)"
    if len(groups) > MOST_GROUPS:
        title += f": of {len(groups)} "
        if result.season is None:
            groups = groups[-LAST:]
            title += f"the last {LAST}"
        else:
            spells = result.season.spells
            shown = {
                *result.season.aside,
                *(night for spell in spells for night in (spell.first, spell.last)),
            }
            groups = [groups[night] for night in sorted(shown)]
            title += "the first and last of each spell, and what was set aside"
    width = min(max(len(group.name) for group in groups), WIDEST_NAME)
    lines = [
        paragraph(title, "  "),
        f"  {'':<{width}}  {'azimuth':>14}  {'altitude':>14}  {'offset':>14}  sections",
    ]
    for group in groups:
        solution = group.solution
        if solution is None:
            lines.append(
                paragraph(
                    f"  {cut(group.name, width):<{width}}  not used: {group.sections[0].reason}", "    "
                )
            )
            continue
        cells = _both(solution, signs)
        both = solution.offset_arcmin is not None and solution.offset_sigma_arcmin is not None
        cells.append(with_sigma(solution.offset_arcmin, solution.offset_sigma_arcmin, signs) if both else "")  # type: ignore[arg-type]
        used = sum(not section.reason for section in group.sections)
        lines.append(
            f"  {cut(group.name, width):<{width}}  "
            + "  ".join(f"{cell:>14}" for cell in cells)
            + f"  {used:>8}"
        )
    return "\n".join(lines)


def _both(solution: Solution, signs: Signs) -> list[str]:
    """Azimuth and altitude error with their sigmas."""
    known = errors_of(solution)
    return [
        signed(*known[name], signs) if name in known else "not determined" for name in ("azimuth", "altitude")
    ]


def season_text(result: LogSolution, signs: Signs) -> str:
    """Where the axis stands now and since when, how it moves, and when it was knocked."""
    season, groups = result.season, result.groups
    if season is None:
        return ""

    def cells(values: Floats, sigmas: Floats) -> list[str]:
        return [signed(value, sigma, signs) for value, sigma in zip(values, sigmas, strict=True)]

    rows: list[tuple[str, Sequence[str]]] = []
    for number, spell in enumerate(season.spells):
        if number:
            knock = season.knocks[number - 1]
            unless = "" if knock.alone is None else f", or {groups[knock.alone].name} is wrong"
            rows.append(
                (f"KNOCKED after {groups[knock.before].name}, before {groups[knock.after].name}{unless}", ())
            )
            rows.append(("  by", cells(knock.jump, knock.sigmas)))
        first, last = groups[spell.first].name, groups[spell.last].name
        span = first if spell.count == 1 else f"{first} to {last}"
        rows.append((f"{span}: {counted(spell.count, 'answer')}", ()))
        place = "  it stands at" if spell is season.spells[-1] else "  in the end it stood at"
        rows.append((place, cells(spell.place, spell.sigmas[:2])))
        if spell.rate is not None:
            certain = np.any(np.abs(spell.rate) > 2 * spell.sigmas[2:])
            name = "  it settles, a day, by" if certain else "  a day, not certain, by"
            rows.append((name, cells(spell.rate, spell.sigmas[2:])))
    lines = [
        "Over the season, in arcmin (east and up positive)",
        f"  {'':<24}  {'azimuth':>15}  {'altitude':>15}",
    ]
    for name, numbers in rows:
        lines.append(f"  {name:<24}" + "".join(f"  {number:>15}" for number in numbers))
    return "\n".join(line.rstrip() for line in lines)


def agreement_text(result: LogSolution, signs: Signs) -> str:
    """Whether sections, or groups, agree, and where the uncertainties are from."""
    test: FitSummary | Agreement = result.agreement or result.solution.fit
    rows = sum(group.solution.fit.values for group in result.groups if group.solution is not None)
    if result.agreement is None:
        things = counted(result.solution.fit.measurements, "section")
    else:
        things = counted(sum(group.solution is not None for group in result.groups), "answer")
    text = _checked(things, test, "")
    if result.agreement is not None and result.agreement.mean is not None and result.season is not None:
        text += " Their mean: azimuth {}, altitude {}.".format(*_both(result.agreement.mean, signs))
    if result.season is not None:
        nights = counted(len(result.season.nights) - len(result.season.aside), "answer")
        text += " " + _checked(nights, result.season, " about the season's lines")
    return paragraph(f"{text} Uncertainties: from the scatter of {rows} rows, its memory included.")


def _checked(things: str, test: FitSummary | Agreement | Season, about: str) -> str:
    if test.p_value is None:
        return (
            f"{things}, none to spare{about}: nothing checks {'it' if things.startswith('1 ') else 'them'}."
        )
    agree = "they agree" if test.p_value >= 0.01 else "they do NOT agree"
    chance = f"p = {test.p_value:.2g}" if test.p_value >= 1e-99 else "p < 1e-99"
    numbers = f"chi-square {test.chi_square:.1f}, {chance}"
    return f"{things}, {counted(test.degrees_of_freedom, 'value')} to spare: {agree}{about} ({numbers})."
