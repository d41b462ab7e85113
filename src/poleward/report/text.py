"""The solution as text: the verdict first, then what to turn, then why."""

from __future__ import annotations

from poleward.report.moves_text import what_to_turn
from poleward.report.style import (
    IN_DEGREES_ARCMIN,
    Signs,
    angle_text,
    counted,
    decimals_for,
    is_uneven,
    paragraph,
    with_sigma,
)
from poleward.report.timings_table import timings_table
from poleward.sky.axis import STELLAR_RATE
from poleward.solving.solution import CONTRADICTION, Solution, errors_of

DRIFT_PER_ARCMIN = STELLAR_RATE * 60 * 60
"""Fastest drift that one arcminute of offset makes, arcsec per minute: 0.2625 (outside-checks F)."""


def solution_text(solution: Solution, signs: Signs) -> str:
    """Return all that there is to say about a solution."""
    blocks = [verdict(solution, signs)]
    if solution.moves:
        blocks.append(what_to_turn(solution))
    blocks.append(timings_table(solution))
    blocks.append(_agreement(solution, signs))
    if notes := notes_text(solution):
        blocks.append(notes)
    return "\n\n".join(blocks)


def notes_text(solution: Solution, *said: str) -> str:
    """Return the notes that neither the verdict holds nor, by their codes, what was `said` already."""
    notes = [note for note in solution.warnings if note.code not in ("add-pointing", CONTRADICTION, *said)]
    return "\n".join(paragraph(f"note: {note.text}", "      ") for note in notes)


def verdict(solution: Solution, signs: Signs, measured: str = "timings") -> str:
    """Return where the axis stands, or what is known of it; `measured` names what the solution is made of."""
    stands = _as_it_stands(solution, signs, measured)
    warned = [note.text for note in solution.warnings if note.code == CONTRADICTION]
    if not warned:
        return stands
    doubt = paragraph(f"{warned[0][0].upper()}{warned[0][1:]}.")
    return f"{doubt}\n(docs: time-by-eye.md#when-timings-disagree)\n\nAs they stand:\n{stands}"


def _as_it_stands(solution: Solution, signs: Signs, measured: str) -> str:
    pole = solution.reference
    if solution.determined != "both":
        return _half_verdict(solution, signs, measured)
    assert solution.offset_arcmin is not None
    assert solution.offset_sigma_arcmin is not None
    most, sigma = solution.offset_arcmin, solution.offset_sigma_arcmin
    if most < 2 * sigma:
        most += solution.fit.coverage_factor_95 * sigma
        limit = (
            f"{most:.{decimals_for(sigma)}f} arcmin" if most < IN_DEGREES_ARCMIN else f"{most / 60:.1f} deg"
        )
        text = f"The axis is within {limit} of the {pole} (95 %) and may stand on it:"
        lines = [paragraph(text, "  ")]
    else:
        lines = [f"The axis stands {angle_text(most, sigma, signs, _largest(solution))} from the {pole}:"]
    lines += _errors(solution, signs)
    lines.append(paragraph(_left_so(solution, most)))
    return "\n".join(lines)


def _left_so(solution: Solution, most_arcmin: float) -> str:
    """Say what an axis so far off does to stars, and what the air does beside it."""
    text = f"Left so, the axis makes stars drift up to {_two(DRIFT_PER_ARCMIN * most_arcmin)} arcsec a minute in declination"
    shown = [f"{_two(rate)} at {altitude:.0f} deg" for altitude, rate in solution.air_drift if rate >= 0.005]
    return f"{text}; the air adds up to {' and '.join(shown)} altitude." if shown else f"{text}."


def _two(value: float) -> str:
    """Return two digits, and never an exponent."""
    return f"{value:.2g}" if value < 99.5 else f"{value:.0f}"


def _half_verdict(solution: Solution, signs: Signs, measured: str) -> str:
    words = {
        "azimuth": ("Only the azimuth error is determined:", "altitude"),
        "altitude": ("Only the altitude error is determined:", "azimuth"),
        "neither": (f"These {measured} determine neither error of the axis.", ""),
    }
    first, missing = words[solution.determined]
    lines = [first, *_errors(solution, signs)]
    if missing:
        lines.append(f"  {missing:<9} not determined; the uncertainty allows for it being a degree off")
    advice = [note.text for note in solution.warnings if note.code == "add-pointing"]
    lines += [paragraph(f"To learn the rest, {text}.", "  ") for text in advice]
    if advice:
        lines.append("  (docs: two-hour-angles.md#what-one-timing-tells)")
    if solution.combination is not None:
        known = solution.combination
        fixed = (
            f"  (What they do fix: {known.azimuth_on_sky_weight:+.2f} x azimuth error (on the sky) "
            f"{known.altitude_weight:+.2f} x altitude error "
            f"= {with_sigma(known.value_arcmin, known.sigma_arcmin, signs)} arcmin)"
        )
        lines.append(paragraph(fixed, "   "))
    return "\n".join(lines)


def _largest(solution: Solution) -> float:
    """Largest angle of the verdict, arcmin: all of them are told in one unit."""
    told = (solution.offset_arcmin, solution.azimuth_error_arcmin, solution.azimuth_sigma_arcmin,
            solution.altitude_error_arcmin, solution.altitude_sigma_arcmin)  # fmt: skip
    return max(abs(each) for each in told if each is not None)


def _errors(solution: Solution, signs: Signs) -> list[str]:
    """Return a line for each error that is determined."""
    intervals = {
        "azimuth": solution.azimuth_interval_95_arcmin,
        "altitude": solution.altitude_interval_95_arcmin,
    }
    lines = []
    for name, (value, sigma) in errors_of(solution).items():
        far, sides = ("too far", ("EAST", "WEST")) if name == "azimuth" else ("too", ("HIGH", "LOW"))
        size = angle_text(abs(value), sigma, signs, _largest(solution))
        line = f"  {name:<9} {size} {far} {sides[0 if value > 0 else 1]}"
        lines.append(line + _unlike_sides(value, sigma, sides, intervals[name]))
    return lines


def _unlike_sides(
    value: float, sigma: float, sides: tuple[str, str], interval: tuple[float, float] | None
) -> str:
    """Where the truth lies with 95 %, if it may be much further off on one side than on the other."""
    if interval is None or not is_uneven(value, interval):
        return ""
    places = decimals_for(sigma)
    ends = sorted(interval, key=lambda end: end * value)  # the one nearer to the pole, or beyond it, first
    near, far = (
        f"{abs(end):.{places}f}" + (f" {sides[0] if end > 0 else sides[1]}" if ends[0] * ends[1] < 0 else "")
        for end in ends
    )
    return f" (95 %: {near} to {far})"


def agreed(solution: Solution) -> str:
    """Return whether the timings agree, in a sentence."""
    fit = solution.fit
    count, spare = counted(fit.measurements, "timing"), counted(fit.degrees_of_freedom, "value")
    if fit.p_value is None or fit.measurements < 2:
        return f"{count}, none to spare: nothing checks them."
    said = "they agree" if fit.p_value >= 0.01 else "they do NOT agree"
    text = f"{count}, {spare} to spare: {said} "
    return text + f"(chi-square {fit.chi_square:.1f}, p = {fit.p_value:.2g})."


def _agreement(solution: Solution, signs: Signs) -> str:
    fit = solution.fit
    source = {
        "stated": "Uncertainties: as stated in the table.",
        "assumed": f"Uncertainties: assumed, {solution.reading_error_arcsec or 0:g} arcsec per reading (--reading-error).",
        "scatter": "Uncertainties: from the scatter of the timings.",
    }[fit.sigma_source]
    if fit.coverage_factor_95 > 2.05:
        source += f" For 95 % multiply every {signs.plus_minus} by {fit.coverage_factor_95:.1f}."
    if fit.refraction_doubt or fit.pointing_doubt_deg or fit.drive_doubt_arcsec:
        known = [f"refraction to {100 * fit.refraction_doubt:.0f} %"] if fit.refraction_doubt else []
        known += [f"pointings to {fit.pointing_doubt_deg:g} deg"] if fit.pointing_doubt_deg else []
        known += [f"the drive's turn to {fit.drive_doubt_arcsec:g} arcsec"] if fit.drive_doubt_arcsec else []
        source += f" Taken as known: {', '.join(known)}."
    lines = [f"{agreed(solution)} {source}"]
    rate, sigma = fit.drive_rate_error_arcsec_per_s, fit.drive_rate_error_sigma_arcsec_per_s
    if rate is not None and sigma is not None:
        lines.append(_drive(60 * rate, 60 * sigma, signs))
    return "\n".join(paragraph(line) for line in lines)


def _drive(rate: float, sigma: float, signs: Signs) -> str:
    """What the east drifts say of the drive; arcsec a minute."""
    if abs(rate) <= 2 * sigma:
        within = abs(rate) + 2 * sigma
        return f"Seen from the east drifts, the drive's rate is right to {_two(within)} arcsec a minute."
    way = "fast" if rate > 0 else "slow"
    return f"Seen from the east drifts, the drive runs {with_sigma(abs(rate), sigma, signs)} arcsec a minute {way}."
