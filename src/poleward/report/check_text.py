"""The check as text: the verdict first, then a line per target, then rates, and which axis would suit best."""

from __future__ import annotations

from collections.abc import Iterable

from poleward.report.style import (
    IN_DEGREES_ARCMIN,
    WIDTH,
    Signs,
    decimals_for,
    paragraph,
    seconds_text,
    signed_number,
)
from poleward.sky.axis import SIDEREAL_RATE
from poleward.sky.site import Site
from poleward.tonight.checked import Check, TargetCheck
from poleward.tonight.exposure import WIDEST_ARCMIN
from poleward.tonight.window import clock_time, day_text

LONGEST_NAME = 18
"""Letters of a name in the tables, so that they keep within 80."""
WORTH = 0.1
"""A guide star inside the frame is worth a line when it shortens the trail by a tenth of the limit."""


def check_text(result: Check, signs: Signs) -> str:
    """Return all that there is to say about a check."""
    site = result.site
    blocks = [_verdict(result, site, signs), _targets(result, site), _rates(result, site), _steady(result)]
    blocks += [_axes(result), _notes(result)]
    return "\n\n".join(block for block in blocks if block)


def name_cut(name: str, longest: int = LONGEST_NAME) -> str:
    """Return a target's name, cut where it would break the table; the record has it whole."""
    return name if len(name) <= longest else f"{name[: longest - 3]}..."


def _row(name: str, width: int, cells: Iterable[str]) -> str:
    return "  ".join([f"  {name_cut(name):<{width}}", *cells])


def _width(result: Check) -> int:
    return max(6, *(len(name_cut(target.target.name)) for target in result.targets))


def axis_words(result: Check, signs: Signs) -> str:
    """Return where the axis stands, in words."""
    axis = result.axis
    known, missing = [], []
    for name, value, index, sides in (
        ("azimuth", axis.azimuth_arcmin, 0, ("EAST", "WEST")),
        ("altitude", axis.altitude_arcmin, 1, ("HIGH", "LOW")),
    ):
        if value is None:
            missing.append(name)
            continue
        sigma = 0.0 if axis.covariance is None else axis.covariance[index][index] ** 0.5
        places = decimals_for(sigma) if sigma else 1
        doubt = f" {signs.plus_minus} {sigma:.{places}f}" if sigma else ""
        side = sides[0] if value > 0 else sides[1]
        if not sigma and round(value, places) == 0:
            side = f"off in {name}"
        if abs(value) >= IN_DEGREES_ARCMIN:
            doubt = f" {signs.plus_minus} {sigma / 60:.{decimals_for(sigma / 60)}f}" if sigma else ""
            places = decimals_for(sigma / 60) if sigma else 1
            known.append(f"{abs(value) / 60:.{places}f}{doubt} deg {side}")
        else:
            known.append(f"{abs(value):.{places}f}{doubt} arcmin {side}")
    words = f"{' and '.join(known)} of the {axis.reference}" if known else ""
    lost = f"{' and '.join(missing)} not known" if missing else ""
    return ", ".join(part for part in (words, lost) if part)


def _verdict(result: Check, site: Site, signs: Signs) -> str:
    count, passed = len(result.targets), sum(target.within is True for target in result.targets)
    unsure = [target for target in result.targets if target.within is None]
    failed = [target for target in result.targets if target.within is False]
    doubtful = [target for target in unsure if target.chance is not None and not target.problem]
    some = f"{passed} of {count} targets stay"
    if passed == count:
        several, one = f"YES: all {count} targets stay", "YES: the target stays"
    elif failed:
        several, one = f"NO: {some}", "NO: the target does not stay"
    elif doubtful:
        several, one = f"NOT SURE: {some} for certain", "NOT SURE whether the target stays"
    else:
        several, one = f"NOT ALL: {some}", "NO VERDICT whether the target stays"
    first = several if count > 1 else one
    line = f"{first} within {result.outfit.limit_pix:g} pixel{'s' if result.outfit.limit_pix != 1 else ''}, {result.outfit.kind}."
    lines = [line, paragraph(f"Axis: {axis_words(result, signs)}.", "  ")]
    starts = [target.window.start for target in result.targets if target.window.start is not None]
    days = dict.fromkeys(day_text(start, result.at, site) for start in sorted(starts))
    if days:
        lines.append(f"Windows begin on {' and '.join(days)}.")
    if doubtful and not failed:
        lines.append("A surer axis error would settle it: see poleward plan.")
    return "\n".join(lines)


def _word(target: TargetCheck) -> str:
    return ("-" if target.problem else "?") if target.within is None else "yes" if target.within else "NO"


def _deciding(target: TargetCheck, result: Check, site: Site) -> str:
    """Return the one number that decides, and when the target passes if it does not always."""
    if target.problem:
        return target.problem
    kind = result.outfit.kind
    trail, longest = getattr(target, f"trail_{kind}_pix"), getattr(target, f"longest_{kind}_s")
    worst = _hour(target, target.largest_at_s[f"trail_{kind}"], site)
    text = f"trails {trail:.2f} of {result.outfit.limit_pix:g} pix at {worst}"
    if target.within is None and target.chance is not None:
        text += f"; {100 * target.chance:.0f} % chance to stay within"
    elif not target.within:
        text += f": expose {seconds_text(longest)} at most"
    if target.within or target.passes_s is None:
        return text
    spans = [
        f"from {_hour(target, begin, site)} to {_hour(target, end, site)}" for begin, end in target.passes_s
    ]
    return f"{text}; passes {' and '.join(spans)}" if spans else f"{text}; passes at no hour of its window"


def _targets(result: Check, site: Site) -> str:
    width = _width(result)
    lines = [f"  {'':<{width}}  {'':<3}  {'exposure':>8}  {'from':>11}  {'for':>6}  what decides"]
    for target in result.targets:
        start = target.window.start
        begin = "" if start is None else clock_time(start, site)
        length = "" if start is None else seconds_text(target.window.length_s)
        row = (
            f"  {name_cut(target.target.name):<{width}}  {_word(target):<3}  {seconds_text(target.target.exposure_s):>8}"
            f"  {begin:>11}  {length:>6}  "
        )
        first, *more = paragraph(_deciding(target, result, site), width=WIDTH - len(row)).split("\n")
        lines += [row + first, *(" " * len(row) + line for line in more)]
    shown = [target for target in result.targets if target.tolerance_arcmin is not None]
    if shown:
        lines += ["", "At the frame's worst corner and the window's worst moment"]
        kind = result.outfit.kind
        lines.append(
            f"  {'':<{width}}  {'trail [pix]':^18}  {'longest exposure':^18}  {'axis may be off,':>17}"
        )
        lines.append(
            f"  {'':<{width}}  {'guided':>8}  {'unguided':>8}  {'guided':>8}  {'unguided':>8}  "
            f"{f'{kind} [arcmin]':>17}"
        )
        lines += [_numbers(target, width) for target in shown]
        if any(_is_capped(target) for target in shown):
            lines.append("  (> : as long as the window)")
        lines += _inside(result)
    return "\n".join(lines)


def _is_capped(target: TargetCheck) -> bool:
    return target.window.length_s in (target.longest_guided_s, target.longest_unguided_s)


def _numbers(target: TargetCheck, width: int) -> str:
    cells = []
    for value in (target.trail_guided_pix, target.trail_unguided_pix):
        cells.append(f"{'-' if value is None else f'{value:.2f}':>8}")
    for value in (target.longest_guided_s, target.longest_unguided_s):
        capped = "> " if value == target.window.length_s else ""
        cells.append(f"{'-' if value is None else capped + seconds_text(value):>8}")
    tolerance = target.tolerance_arcmin
    assert tolerance is not None
    shown = f"{tolerance:.1f}" if tolerance < 100 else f"{tolerance:.0f}"
    cells.append(f"{f'> {shown}' if tolerance >= WIDEST_ARCMIN else shown:>17}")
    return _row(target.target.name, width, cells)


def _inside(result: Check) -> list[str]:
    """Say what a guide star inside the frame would gain."""
    lines = []
    for target in result.targets:
        inside, aside = target.trail_inside_pix, target.trail_guided_pix
        if inside is None or aside is None or aside - inside < WORTH * result.outfit.limit_pix:
            continue
        lines.append(
            paragraph(
                f"  {target.target.name}: with the guide star at the frame's centre the guided trail would be "
                f"{inside:.2f} instead of {aside:.2f} pix.",
                "    ",
            )
        )
    return lines


def _rates(result: Check, site: Site) -> str:
    shown = [target for target in result.targets if target.north_drift_arcsec_per_min is not None]
    if not shown:
        return ""
    width = _width(result)
    lines = [
        "Largest rates in the window, and when; of a mount that only tracks unless guided",
        f"  {'':<{width}}  {'rotation [arcmin/h]':^20}  {'by the air':>10}  {'drift [arcsec/min]':^20}".rstrip(),
        f"  {'':<{width}}  {'guided':>9}  {'unguided':>9}  {'guided':>10}  {'north':>9}  {'east':>9}",
    ]
    for target in shown:
        cells = [
            (
                f"{signed_number(value or 0.0, 2)}" if name != "shear_guided" else f"{value or 0.0:.2f}",
                name,
                size,
            )
            for value, name, size in (
                (target.rotation_guided_arcmin_per_h, "rotation_guided", 9),
                (target.rotation_unguided_arcmin_per_h, "rotation_unguided", 9),
                (target.shear_guided_arcmin_per_h, "shear_guided", 10),
                (target.north_drift_arcsec_per_min, "north_drift", 9),
                (target.east_drift_arcsec_per_min, "east_drift", 9),
            )
        ]
        when = [(_hour(target, target.largest_at_s[name], site), size) for _, name, size in cells]
        lines.append(_row(target.target.name, width, [f"{text:>{size}}" for text, _, size in cells]))
        lines.append(_row("", width, [f"{text:>{size}}" for text, size in when]))
    lines.append(
        paragraph(
            "  Rotation is the mean over all directions in the field; the air adds so much in one direction and takes "
            "it off across, which no axis mends.",
            "  ",
        )
    )
    return "\n".join(lines)


def _hour(target: TargetCheck, second: float, site: Site) -> str:
    """Hour and minute of a second of the window, without the zone that stands at its beginning."""
    return clock_time(target.moment(second), site).split()[0]


def _steady(result: Check) -> str:
    shown = [target for target in result.targets if target.steady_rate_arcsec_per_s is not None]
    if not shown:
        return ""
    width = _width(result)
    lines = ["Steady drive rate [arcsec/s]", f"  {'':<{width}}  {'this axis':>11}  {'on the pole':>11}"]
    for target in shown:
        rates = (target.steady_rate_arcsec_per_s, target.pole_rate_arcsec_per_s)
        lines.append(_row(target.target.name, width, [f"{rate or 0.0:>11.4f}" for rate in rates]))
    lines.append(
        paragraph(
            f"  It leaves no east drift between the window's ends, in this air; on the {result.axis.reference} "
            f"it is refraction's doing alone. The stars' own is {SIDEREAL_RATE:.4f}, the drive runs at "
            f"{result.outfit.rate_arcsec_per_s:.4f}.",
            "  ",
        )
    )
    return "\n".join(lines)


def _axes(result: Check) -> str:
    if not result.outlook.choices:
        return ""
    kind = result.outfit.kind
    lines = [
        f"Which axis would suit these targets (errors against the {result.axis.reference}, arcmin)",
        f"  {'':<13}  {'azimuth':>8}  {'altitude':>8}  worst trail, {kind}",
    ]
    for choice in result.outlook.choices:
        lines.append(
            f"  {choice.label:<13}  {signed_number(choice.azimuth_arcmin, 1):>8}  {signed_number(choice.altitude_arcmin, 1):>8}  "
            f"{choice.worst_trail_pix:.2f} pix ({name_cut(choice.worst_target)})"
        )
    if result.outlook.together is None:
        lines.append(
            "  There is no axis with which all of them pass: shorten the exposures, or start them higher up."
        )
    return "\n".join(lines)


def _notes(result: Check) -> str:
    return "\n".join(paragraph(f"note: {note.text}", "      ") for note in result.warnings)
