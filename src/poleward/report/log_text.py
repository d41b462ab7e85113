"""What guide logs say as text: the verdict first, then sections, groups, and the guiding itself."""

from __future__ import annotations

import statistics
from collections.abc import Callable, Sequence
from datetime import datetime

from poleward.door.clock import zone_of
from poleward.errors import Note
from poleward.guidelog.fitting.logsolution import LogGroup, LogSolution, SectionResult
from poleward.report.style import Signs, decimals_for, paragraph, with_sigma
from poleward.report.text import verdict, what_to_turn
from poleward.sky.site import Site

MOST_LINES = 12
"""A table longer than this fills a terminal of 24 lines before the rest is said: then only the worst are shown."""
WORST = 5
"""How many of a long table are shown."""
SAME_NOTES = 3
"""Notes of one kind that are shown; of more, a count."""
DAY_S = 86400.0


def log_text(result: LogSolution, site: Site, signs: Signs) -> str:
    """Return all that there is to say about guide logs.

    Parameters
    ----------
    result : LogSolution
    site : Site
        Whose clock is shown.
    signs : Signs
        What the stream can show.
    """
    solution = result.solution
    blocks = [verdict(solution, signs, "logs")]
    if solution.moves:
        blocks.append(what_to_turn(solution))
    if len(result.groups) > 1:
        blocks.append(_groups(result, site, signs))
    blocks.append(_sections(result, site, signs))
    blocks.append(_agreement(result))
    blocks += [_guiding(result, signs), _notes(result)]
    return "\n\n".join(block for block in blocks if block)


def _signed(value: float, sigma: float, signs: Signs) -> str:
    places = decimals_for(sigma)
    text = f"{value:+.{places}f}"
    return f"{text[1:] if float(text) == 0 else text} {signs.plus_minus} {sigma:.{places}f}"


def _start(moment: datetime | None, site: Site) -> str:
    if moment is None:
        return "-"
    local = moment.astimezone(zone_of(site.timezone)) if site.timezone else moment
    return f"{local:%m-%d %H:%M}"


def _of(count: int, word: str) -> str:
    return f"{count} {word}" + ("s" if count != 1 else "")


def _groups(result: LogSolution, site: Site, signs: Signs) -> str:
    """One line per group, or the ones furthest from the mean."""
    groups = list(result.groups)
    title = "Group by group, in arcmin (east and up positive)"
    if len(groups) > MOST_LINES:
        far = sorted(groups, key=lambda group: _distance(group, result), reverse=True)[:WORST]
        title += f": of {len(groups)} the {WORST} furthest from the mean"
        groups = [group for group in groups if any(group is other for other in far)]
    width = max(len(group.name) for group in groups)
    lines = [title, f"  {'':<{width}}  {'azimuth':>15}  {'altitude':>15}  {'offset':>15}  sections"]
    for group in groups:
        solution = group.solution
        if solution is None:
            lines.append(paragraph(f"  {group.name:<{width}}  not used: {group.sections[0].reason}", "    "))
            continue
        cells = []
        for value, sigma in (
            (solution.azimuth_error_arcmin, solution.azimuth_sigma_arcmin),
            (solution.altitude_error_arcmin, solution.altitude_sigma_arcmin),
        ):
            known = value is not None and sigma is not None
            cells.append(_signed(value, sigma, signs) if known else "not determined")  # type: ignore[arg-type]
        both = solution.offset_arcmin is not None and solution.offset_sigma_arcmin is not None
        cells.append(with_sigma(solution.offset_arcmin, solution.offset_sigma_arcmin, signs) if both else "")  # type: ignore[arg-type]
        used = sum(not section.reason for section in group.sections)
        lines.append(
            f"  {group.name:<{width}}  " + "  ".join(f"{cell:>15}" for cell in cells) + f"  {used:>8}"
        )
    return "\n".join([*lines, *_trend(result, signs)])


def _distance(group: LogGroup, result: LogSolution) -> float:
    """How far a group's answer is from the mean, in its own sigmas; groups without one come first."""
    if group.solution is None:
        return float("inf")
    found = [0.0]
    for axis in ("azimuth", "altitude"):
        value, sigma = (getattr(group.solution, f"{axis}_{what}_arcmin") for what in ("error", "sigma"))
        mean = getattr(result.solution, f"{axis}_error_arcmin")
        if value is not None and mean is not None:
            found.append(abs(value - mean) / sigma)
    return max(found)


def _trend(result: LogSolution, signs: Signs) -> list[str]:
    trend = result.trend
    if trend is None:
        return []
    starts = [group.start for group in result.groups if group.start is not None]
    short = (max(starts) - min(starts)).total_seconds() < 2 * DAY_S
    unit, factor = ("an hour", 1 / 24) if short else ("a day", 1.0)
    pairs = {
        "azimuth": (trend.azimuth_arcmin_per_day * factor, trend.azimuth_sigma_arcmin_per_day * factor),
        "altitude": (trend.altitude_arcmin_per_day * factor, trend.altitude_sigma_arcmin_per_day * factor),
    }
    words = ", ".join(f"{name} {_signed(*pair, signs)}" for name, pair in pairs.items())
    certain = any(abs(value) > 2 * sigma for value, sigma in pairs.values())
    return [f"  Trend, arcmin {unit}: {words}" + ("" if certain else " (none that is certain)")]


def _sections(result: LogSolution, site: Site, signs: Signs) -> str:
    """Two lines per section, where it looked and what it says, or of many the ones that fit worst."""
    sections, many = list(result.sections), ""
    used = [section for section in sections if not section.reason]
    left = []
    if len(sections) > MOST_LINES:
        many = f": of {len(sections)} the {WORST} that fit worst"
        left = [section for section in sections if section.reason]
        sections = used = sorted(used, key=lambda section: abs(_pull(section)), reverse=True)[:WORST]
    names = _names(result)
    width = max(len(names(section)) for section in sections)
    lines = [
        f"Sections{many} (start: {site.timezone or 'UTC'}; where they pointed then)",
        f"  {'':<{width}}  {'start':<11}  hour angle    dec  altitude   min  every  rows used",
    ]
    for section in sections:
        head = f"  {names(section):<{width}}  {_start(section.start, site):<11}"
        if section.reason:
            lines.append(paragraph(f"{head}  not used: {section.reason}", "    "))
        else:
            lines.append(f"{head}  {_pointing(section)}  {_length(section)}")
    if left:
        lines.append(f"  {_of(len(left), 'section')} not used, among them:")
        lines += [
            paragraph(f"    {names(section)}: {section.reason}", "      ") for section in left[:SAME_NOTES]
        ]
    lines += [
        "",
        "Drift north in arcsec a minute, corrections undone; off by: in sigmas; noise in arcsec: new in each row",
        "  + what lasts, and how long",
        f"  {'':<{width}}  {'north':>15}  fitted  off by  noise",
    ]
    lines += [f"  {names(section):<{width}}  {_numbers(section, signs)}" for section in used]
    return "\n".join(lines)


def _pointing(section: SectionResult) -> str:
    if section.hour_angle_h is None or section.dec_deg is None or section.altitude_deg is None:
        return f"{'':>27}"
    return f"{section.hour_angle_h:>+8.2f} h  {section.dec_deg:>+5.1f}  {section.altitude_deg:>8.0f}"


def _length(section: SectionResult) -> str:
    rows = f"{section.rows_used}/{section.rows}"
    return f"{section.duration_s / 60:>4.0f}  {section.cadence_s:>3.1f} s  {rows:>9}"


def _names(result: LogSolution) -> Callable[[SectionResult], str]:
    """How sections are called: with their file where there are several."""
    if len({section.file for section in result.sections}) > 1:
        return lambda section: f"{section.file} {section.label}"
    return lambda section: section.label


def _pull(section: SectionResult) -> float:
    assert section.north_rate_arcsec_per_min is not None
    assert section.north_rate_fitted_arcsec_per_min is not None
    off = section.north_rate_arcsec_per_min - section.north_rate_fitted_arcsec_per_min
    return off / (section.north_rate_sigma_arcsec_per_min or 1.0)


def _numbers(section: SectionResult, signs: Signs) -> str:
    rate, sigma = section.north_rate_arcsec_per_min, section.north_rate_sigma_arcsec_per_min
    fitted, noise = section.north_rate_fitted_arcsec_per_min, section.noise
    assert rate is not None
    assert sigma is not None
    assert fitted is not None
    assert noise is not None
    text = f"{_signed(rate, sigma, signs):>15}  {fitted:>+6.{decimals_for(sigma)}f}  {_pull(section):>+6.1f}"
    return (
        f"{text}  {noise.white_arcsec:.2f} + {noise.correlated_arcsec:.2f}, {noise.correlation_time_s:.0f} s"
    )


def _agreement(result: LogSolution) -> str:
    fit = result.solution.fit
    several = len(result.groups) > 1
    count = sum(group.solution is not None for group in result.groups) if several else fit.measurements
    things = _of(count, "answer" if several else "section")
    if fit.p_value is None:
        text = f"{things}, none to spare: nothing checks them."
    else:
        agree = "they agree" if fit.p_value >= 0.01 else "they do NOT agree"
        text = f"{things}, {_of(fit.degrees_of_freedom, 'value')} to spare: {agree} "
        text += f"(chi-square {fit.chi_square:.1f}, p = {fit.p_value:.2g})."
    return paragraph(f"{text} Uncertainties: from the scatter of {fit.values} rows, its memory included.")


def _guiding(result: LogSolution, signs: Signs) -> str:
    """What the guiding tells about itself."""
    guided = [section for section in result.sections if section.backlash_ms is not None]
    if not guided:
        return ""
    if len(guided) > MOST_LINES:
        return _guiding_in_short(guided)
    names = _names(result)
    width = max(len(names(section)) for section in guided)
    lines = [
        "Guiding in declination, as the log itself tells it",
        f"  {'':<{width}}  {'guide rate':>13}  {'backlash':>12}  {'scatter':>7}  {'still':>5}  {'fought drift':>12}  lag-1",
    ]
    for section in guided:
        rate = with_sigma(
            section.guide_rate_arcsec_per_s or 0.0, section.guide_rate_sigma_arcsec_per_s or 0.0, signs
        )
        play = with_sigma(section.backlash_ms or 0.0, section.backlash_sigma_ms or 0.0, signs)
        lines.append(f"  {names(section):<{width}}  {rate:>13}  {play:>12}  {_own(section)}")
    lines += [
        "  guide rate in arcsec/s, backlash in ms of pulse; scatter of the star in arcsec, and what it would",
        "  still be without drift and without corrections; share of all corrections that only fought the drift;",
        "  lag-1: correlation of each correction with the next, well below zero where the next takes it back",
    ]
    return "\n".join(lines)


def _own(section: SectionResult) -> str:
    guiding = section.guiding
    assert guiding is not None
    share = "-" if guiding.drift_share is None else f"{100 * guiding.drift_share:.0f} %"
    lag = "-" if guiding.north_lag_one is None else f"{guiding.north_lag_one:+.2f}"
    return f"{guiding.rms_arcsec:>7.2f}  {guiding.rms_still_arcsec:>5.2f}  {share:>12}  {lag:>5}"


def _guiding_in_short(guided: Sequence[SectionResult]) -> str:
    own = [section.guiding for section in guided if section.guiding is not None]
    median = {
        "scatter": statistics.median(each.rms_arcsec for each in own),
        "still": statistics.median(each.rms_still_arcsec for each in own),
        "play": statistics.median(section.backlash_ms or 0.0 for section in guided),
    }
    shares = [each.drift_share for each in own if each.drift_share is not None]
    text = (
        f"Guiding in declination, medians of {len(guided)} sections: backlash {median['play']:.0f} ms; scatter "
        f"{median['scatter']:.2f} arcsec, without drift and corrections it would be {median['still']:.2f}"
    )
    if shares:
        text += f"; {100 * statistics.median(shares):.0f} % of all corrections only fought the drift"
    return paragraph(f"{text}.", "  ")


def _notes(result: LogSolution) -> str:
    """All notes; of those of one kind a few and a count."""
    said = ("add-pointing", "section-unused")  # these stand in the verdict and in the table
    kinds: dict[str, list[Note]] = {}
    own = [note for section in result.sections for note in section.notes]
    for note in dict.fromkeys([*result.solution.warnings, *own]):
        if note.code not in said:
            kinds.setdefault(note.code, []).append(note)
    lines = []
    for notes in kinds.values():
        shown = notes if len(notes) <= SAME_NOTES + 1 else notes[:SAME_NOTES]
        lines += [paragraph(f"note: {note.text}", "      ") for note in shown]
        if len(shown) < len(notes):
            lines.append(f"      ... and {len(notes) - len(shown)} more notes like this one")
    return "\n".join(lines)
