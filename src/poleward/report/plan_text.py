"""The plan as text: what to time first, then what it gives, then the common choice beside it."""

from __future__ import annotations

import csv
import io
from datetime import UTC

from poleward.door.clock import zone_of
from poleward.planning.planned import Plan, PlannedPointing, Proposal
from poleward.report.style import WIDTH, Signs, dec_text, paragraph, ra_text, seconds_text
from poleward.sky.doubt import air_doubt
from poleward.sky.site import Site
from poleward.tonight.window import clock_time, day_text


def minutes_text(minutes: float) -> str:
    """Return minutes as ``3m05s``, to the nearest second."""
    return seconds_text(round(60 * minutes))


def arcmin_text(arcmin: float) -> str:
    """Return an angle with two digits, never as a power of ten."""
    return f"{arcmin:.2g}" if 1e-4 <= arcmin < 99.5 else f"{arcmin:.0f}"


def plan_text(result: Plan, signs: Signs) -> str:
    """Return all that there is to say about a plan."""
    site = result.site
    best = result.proposal
    count = {2: "Two", 3: "Three"}[len(best.pointings)]
    wanted = arcmin_text(result.wanted_arcmin)
    first = f"{count} timings, {minutes_text(best.total_minutes)} in all, tell the axis to {arcmin_text(best.sigma_arcmin)} arcmin."
    if not best.reaches:
        first += f" That is NOT the {wanted} arcmin wanted."
    lines = [
        paragraph(first),
        paragraph(
            f"(1 sigma, in any direction on the sky; wanted {wanted} arcmin: {result.wanted_why})", " "
        ),
    ]
    if result.time is not None:
        lines.append(
            f"It begins on {day_text(result.time, result.time, site)}, at {clock_time(result.time, site)}."
        )
    lines += [
        "",
        *_pointings(best, site),
        "",
        paragraph(_expected(best, signs), "  "),
        "",
        *_common_choice(result, signs),
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
        told = (one.words, hand_control_text(one), star_text(one))
        lines += [f"      {paragraph(text, ' ' * 8, WIDTH - 6)}" for text in told if text]
    return lines


def hand_control_text(one: PlannedPointing) -> str:
    """Return what to type into a hand control, to the tenth of a minute and the minute of arc that such things take."""
    if one.ra_h is None or one.icrs_dec_deg is None:
        return ""
    return f"in a hand control: RA {ra_text(one.ra_h)}, dec {dec_text(one.icrs_dec_deg)} (J2000)"


def star_text(one: PlannedPointing) -> str:
    """Return where the nearest bright star stands."""
    star = one.star
    if star is None or not star.separation_deg:
        return ""
    return (
        f"point by {star.name}, {star.separation_deg:.0f} deg away, at azimuth {star.azimuth_deg:.0f}, "
        f"altitude {star.altitude_deg:.0f}"
    )


def _expected(proposal: Proposal, signs: Signs) -> str:
    return (
        f"Expected: azimuth error {signs.plus_minus} {proposal.azimuth_sigma_arcmin:.2f} arcmin (an angle of azimuth), "
        f"altitude error {signs.plus_minus} {proposal.altitude_sigma_arcmin:.2f} arcmin."
    )


def _common_choice(result: Plan, signs: Signs) -> list[str]:
    book = result.common_choice
    if book is None:
        return [
            paragraph(
                "The common choice (meridian near the celestial equator, then low in the east or west) is not open here.",
            )
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
            f"The common choice, meridian near the celestial equator and low in the east or west: {verdict}.",
        )
    ]
    for one in book.pointings:
        lines.append(
            f"      {one.hour_angle_h + 0.0:>+6.2f} h  dec {one.dec_deg + 0.0:>+5.1f}  altitude {one.altitude_deg:>3.0f}"
            f"  {minutes_text(one.minutes):>7}  {one.label}"
        )
    lines.append(f"      {paragraph(_expected(book, signs), ' ' * 8, WIDTH - 6)}")
    return lines


def _reading(result: Plan) -> str:
    reader, longer = result.reader, result.star_minutes
    if reader.cadence_s is None:
        how = f"Counted with {reader.scatter_arcsec:g} arcsec per reading, at the beginning and the end"
    else:
        lasting = f"{reader.lasting_arcsec:.2g} arcsec that last for {reader.lasting_s:.2g} s"
        how = (
            f"Counted with {reader.scatter_arcsec:.2g} arcsec of scatter per frame"
            + (f", {lasting}" if reader.lasting_arcsec else "")
            + f", a frame every {reader.cadence_s:.2g} s and a straight line through them"
        )
    doubt = air_doubt(result.site.air)
    air = f"; and refraction known to {100 * doubt:.0f} %" if doubt else ""
    text = f"{how}; slewing and centring between pointings{air}."
    if longer is not None and longer > 0:
        text += (
            f" Stars that are there take {minutes_text(longer)} longer than the best places in the sky would."
        )
    return text


def plan_table(result: Plan, site: Site) -> str:
    """Return a drift table (CSV) with all that the plan knows: only the drifts are left blank.

    By eye the stars stand in it by name, by camera the places by right ascension; without a clock by hour angle.
    """
    rows = []
    for number, one in enumerate(result.proposal.pointings, 1):
        row: dict[str, object] = {"label": f"{number} {one.label}"}
        if one.start is not None:
            zone = zone_of(site.timezone) if site.timezone else UTC
            row["time"] = one.start.astimezone(zone).isoformat(timespec="seconds")
        row["duration [s]"] = round(60 * one.minutes)
        if one.star is not None and not one.star.separation_deg:
            row["star"] = one.star.name
        elif one.ra_h is not None and one.icrs_dec_deg is not None:
            row |= {"ra [deg]": f"{15 * one.ra_h:.4f}", "dec [deg]": f"{one.icrs_dec_deg:.4f}"}
        else:
            row |= {"hour_angle [hourangle]": f"{one.hour_angle_h:.4f}", "dec [deg]": f"{one.dec_deg:.4f}"}
        rows.append({**row, "north [arcsec]": ""})
    text = io.StringIO()
    writer = csv.DictWriter(text, list(rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue()
