"""What guide logs say as text: the verdict first, then sections, groups, and the guiding itself."""

from __future__ import annotations

import statistics
from collections.abc import Callable, Iterable, Sequence
from datetime import datetime

from poleward.door.clock import zone_of
from poleward.errors import Note
from poleward.guidelog.fitting.logsolution import LogSolution, SectionResult
from poleward.report.log_groups import agreement_text, groups_text, season_text, which_text
from poleward.report.moves_text import what_to_turn
from poleward.report.style import (
    WIDEST_NAME,
    Signs,
    counted,
    cut,
    decimals_for,
    paragraph,
    signed,
    with_sigma,
)
from poleward.report.text import verdict
from poleward.sky.site import Site

MOST_LINES = 12
"""A table longer than this fills a terminal of 24 lines before the rest is said: then only the worst are shown."""
WORST = 5
"""How many of a long table are shown."""
FIRST = (
    "pulses-empty", "star-held", "drive-unlike", "drive-early", "pulses-mended", "drive-dead", "drive-uneven",
    "drive-short", "guide-rate", "moves-not-noted", "clock", "scatter", "other-pace", "late-rows", "one-pointing-for-all",
    "same-pulse", "odd-pulses", "clock-set-back", "long-gap", "times-count", "below-horizon", "daylight",
)  # fmt: skip
"""Notes that stand above the answer: with any of them it hangs on something that the user should look at."""
REFUSED = ("section-refused", "file-refused")
"""Notes that stand where sections stand: what could not even be read."""
SAME_NOTES = 3
"""Notes of one kind that are shown; of more, a count."""


def log_text(result: LogSolution, signs: Signs) -> str:
    """Return all that there is to say about guide logs."""
    solution, site = result.solution, result.site
    blocks = [_first(result), "\n".join(filter(None, [verdict(solution, signs, "logs"), which_text(result)]))]
    if solution.moves:
        blocks.append(what_to_turn(solution))
    if len(result.groups) > 1:
        blocks += [groups_text(result, signs), season_text(result, signs)]
    blocks.append(_sections(result, site, signs))
    blocks.append(agreement_text(result, signs))
    blocks += [_guiding(result, signs), _notes(result)]
    return "\n\n".join(block for block in blocks if block)


def _first(result: LogSolution) -> str:
    """What must be read before the answer: the log is not what it seems."""
    return "\n".join(_by_kind(_said_first(result), "!"))


def _said_first(result: LogSolution) -> dict[Note, None]:
    """Notes that stand above the answer, those of the sections that it rests on among them."""
    own = [note for section in result.sections if not section.reason for note in section.notes]
    return dict.fromkeys(note for note in [*result.solution.warnings, *own] if note.code in FIRST)


def _start(moment: datetime | None, site: Site) -> str:
    if moment is None:
        return "-"
    local = moment.astimezone(zone_of(site.timezone)) if site.timezone else moment
    return f"{local:%m-%d %H:%M}"


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
        f"  {'':<{width}}  {'start':<11}  {'h':>7}  {'dec':>5}  alt   min  every  rows used",
    ]
    for section in sections:
        head = f"  {names(section):<{width}}  {_start(section.start, site):<11}"
        if section.reason:
            lines.append(paragraph(f"{head}  not used: {section.reason}", "    "))
        else:
            lines.append(f"{head}  {_pointing(section)}  {_length(section)}")
    if left:
        lines.append(f"  {counted(len(left), 'section')} not used, among them:")
        lines += [
            paragraph(f"    {names(section)}: {section.reason}", "      ") for section in left[:SAME_NOTES]
        ]
    refused = [note for note in result.solution.warnings if note.code in REFUSED]
    lines += [paragraph(f"  not used: {note.text}", "    ") for note in refused[:SAME_NOTES]]
    if len(refused) > SAME_NOTES:
        lines.append(f"  ... and {len(refused) - SAME_NOTES} more that cannot be read")
    lines += [
        "",
        "Drift north in arcsec a minute, corrections undone; off by: in sigmas; noise in",
        "  arcsec: new in each row + what lasts, and how long",
        f"  {'':<{width}}  {'north':>15}  fitted  off by  noise",
    ]
    lines += [f"  {names(section):<{width}}  {_numbers(section, signs)}" for section in used]
    return "\n".join(lines)


def _pointing(section: SectionResult) -> str:
    if section.hour_angle_h is None or section.dec_deg is None or section.altitude_deg is None:
        return f"{'':>19}"
    return f"{section.hour_angle_h:>+6.2f}h  {section.dec_deg:>+5.1f}  {section.altitude_deg:>3.0f}"


def _length(section: SectionResult) -> str:
    rows = f"{section.rows_used}/{section.rows}"
    return f"{section.duration_s / 60:>4.0f}  {section.cadence_s:>3.1f} s  {rows:>9}"


def _names(result: LogSolution) -> Callable[[SectionResult], str]:
    """How sections are called: with their file where there are several."""
    if len({section.file for section in result.sections}) > 1:
        return lambda section: cut(f"{section.file} {section.label}", WIDEST_NAME)
    return lambda section: cut(section.label, WIDEST_NAME)


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
    text = f"{signed(rate, sigma, signs):>15}  {fitted:>+6.{decimals_for(sigma)}f}  {_pull(section):>+6.1f}"
    return (
        f"{text}  {noise.white_arcsec:.2f} + {noise.correlated_arcsec:.2f}, {noise.correlation_time_s:.0f} s"
    )


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
        f"  {'':<{width}}  {'guide rate':>13}  {'backlash':>12}  {'scatter':>7}  {'still':>5}  fought  lag-1",
    ]
    for section in guided:
        rate = with_sigma(
            section.guide_rate_arcsec_per_s or 0.0, section.guide_rate_sigma_arcsec_per_s or 0.0, signs
        )
        play = with_sigma(section.backlash_ms or 0.0, section.backlash_sigma_ms or 0.0, signs)
        lines.append(f"  {names(section):<{width}}  {rate:>13}  {play:>12}  {_own(section)}")
    lines.append(
        paragraph(
            "  guide rate in arcsec/s, backlash in ms of pulse; scatter of the star in arcsec, and what it would still be "
            "without drift and without corrections; share of all corrections that only fought the drift; lag-1: correlation "
            "of each correction with the next, well below zero where the next takes it back",
            "  ",
        )
    )
    return "\n".join(lines)


def _own(section: SectionResult) -> str:
    guiding = section.guiding
    assert guiding is not None
    share = "-" if guiding.drift_share is None else f"{100 * guiding.drift_share:.0f} %"
    lag = "-" if guiding.north_lag_one is None else f"{guiding.north_lag_one:+.2f}"
    return f"{guiding.rms_arcsec:>7.2f}  {guiding.rms_still_arcsec:>5.2f}  {share:>6}  {lag:>5}"


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
    # These stand above, in the verdict or in the tables.
    said, first = ("add-pointing", "section-unused", "knock", *REFUSED), _said_first(result)
    own = [note for section in result.sections for note in section.notes]
    every = dict.fromkeys([*result.solution.warnings, *own])
    return "\n".join(
        _by_kind([note for note in every if note.code not in said and note not in first], "note:")
    )


def _by_kind(notes: Iterable[Note], mark: str) -> list[str]:
    kinds: dict[str, list[Note]] = {}
    for note in notes:
        kinds.setdefault(note.code, []).append(note)
    lines, indent = [], " " * (len(mark) + 1)
    for alike in kinds.values():
        shown = alike if len(alike) <= SAME_NOTES + 1 else alike[:SAME_NOTES]
        lines += [paragraph(f"{mark} {note.text}", indent) for note in shown]
        if len(shown) < len(alike):
            lines.append(f"{indent}... and {len(alike) - len(shown)} more notes like this one")
    return lines
