"""The plan as text: what to time first, then what it gives, then the textbook beside it."""

from __future__ import annotations

from poleward.planning.planned import Plan, PlannedPointing, Proposal
from poleward.report.style import Signs, paragraph, seconds_text
from poleward.sky.site import Site
from poleward.tonight.window import clock_time


def minutes_text(minutes: float) -> str:
    """Return minutes as ``3m05s``, to the nearest second."""
    return seconds_text(round(60 * minutes))


def arcmin_text(arcmin: float) -> str:
    """Return an angle with two digits, never as a power of ten."""
    return f"{arcmin:.2g}" if 1e-4 <= arcmin < 99.5 else f"{arcmin:.0f}"


def plan_text(result: Plan, site: Site, signs: Signs) -> str:
    """Return all that there is to say about a plan.

    Parameters
    ----------
    result : Plan
    site : Site
        Whose clock is shown.
    signs : Signs
    """
    best = result.proposal
    count = {2: "Two", 3: "Three"}[len(best.pointings)]
    first = f"{count} timings, {minutes_text(best.total_minutes)} in all, tell the axis to {arcmin_text(best.sigma_arcmin)} arcmin."
    if not best.reaches:
        first += f" That is NOT the {arcmin_text(result.wanted_arcmin)} arcmin wanted."
    lines = [
        first,
        f"(1 sigma, in any direction on the sky; wanted {arcmin_text(result.wanted_arcmin)} arcmin: {result.wanted_why})",
        "",
        *_pointings(best, site),
        "",
        _expected(best, signs),
        "",
        *_textbook(result, site, signs),
        "",
        paragraph(_reading(result)),
    ]
    if result.warnings:
        lines.append("")
        lines += [paragraph(f"note: {note.text}", "      ") for note in result.warnings]
    return "\n".join(lines)


def _pointings(proposal: Proposal, site: Site) -> list[str]:
    lines = [
        f"  {'':<2}  {'start':>11}  {'hour angle':>10}  {'dec':>6}  {'azimuth':>7}  {'altitude':>8}  {'time it':>7}"
    ]
    for number, one in enumerate(proposal.pointings, 1):
        start = "" if one.start is None else clock_time(one.start, site)
        lines.append(
            f"  {number}.  {start:>11}  {one.hour_angle_h:>+8.2f} h  {one.dec_deg:>+6.1f}  {one.azimuth_deg:>7.0f}"
            f"  {one.altitude_deg:>8.0f}  {minutes_text(one.minutes):>7}"
        )
        lines += [f"      {text}" for text in (one.words, star_text(one)) if text]
    return lines


def star_text(one: PlannedPointing) -> str:
    """Return where the nearest bright star stands."""
    star = one.star
    if star is None:
        return ""
    return (
        f"{star.name} is {star.separation_deg:.0f} deg away, at azimuth {star.azimuth_deg:.0f}, "
        f"altitude {star.altitude_deg:.0f}"
    )


def _expected(proposal: Proposal, signs: Signs) -> str:
    return (
        f"Expected: azimuth error {signs.plus_minus} {proposal.azimuth_sigma_arcmin:.2f} arcmin (an angle of azimuth), "
        f"altitude error {signs.plus_minus} {proposal.altitude_sigma_arcmin:.2f} arcmin."
    )


def _textbook(result: Plan, site: Site, signs: Signs) -> list[str]:
    book = result.textbook
    if book is None:
        return [
            "The common choice (meridian near the celestial equator, then low in the east or west) is not open here."
        ]
    longer = book.total_minutes - result.proposal.total_minutes
    if book.reaches:
        verdict = minutes_text(book.total_minutes)
        if longer > 0.05:
            verdict += f", {minutes_text(longer)} longer"
        elif longer < -0.05:
            verdict += f", {minutes_text(-longer)} shorter, but two timings do not check each other"
    else:
        verdict = (
            f"gives {arcmin_text(book.sigma_arcmin)} arcmin at best, in {minutes_text(book.total_minutes)}"
        )
    lines = [
        paragraph(
            f"The common choice, meridian near the celestial equator and low in the east or west: {verdict}."
        )
    ]
    for one in book.pointings:
        lines.append(
            f"      {one.hour_angle_h + 0.0:>+6.2f} h  dec {one.dec_deg + 0.0:>+5.1f}  altitude {one.altitude_deg:>3.0f}"
            f"  {minutes_text(one.minutes):>7}  {one.label}"
        )
    lines.append(f"      {_expected(book, signs)}")
    return lines


def _reading(result: Plan) -> str:
    reader = result.reader
    if reader.cadence_s is None:
        how = f"Counted with {reader.scatter_arcsec:g} arcsec per reading, at the beginning and the end"
    else:
        how = (
            f"Counted with {reader.scatter_arcsec:.2g} arcsec of scatter per frame, a frame every "
            f"{reader.cadence_s:g} s and a straight line through them"
        )
    return f"{how}; slewing and centring between pointings; and refraction known to a tenth."
