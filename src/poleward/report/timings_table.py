"""The table of a solution's timings: one line a timing, or one a value where more than the north drift was measured."""

from __future__ import annotations

from poleward.report.style import paragraph, signed_number
from poleward.solving.fitted import FittedDrift
from poleward.solving.solution import Solution

WIDEST_LABEL, NARROW_LABEL = 24, 19
"""A longer label is cut in the table, which must fit a terminal; the second where east drifts or rotations stand in it."""

UNUSED = "  not used"


def timings_table(solution: Solution) -> str:
    """Return the table."""
    drifts, head = solution.drifts, f"{'h':>7}  {'dec':>5}  {'alt':>3}  {'min':>4}  "
    kinds = [("north", "north"), ("east", "east"), ("rotation", "turn")]
    shown = [kind for kind in kinds[1:] if any(_value(drift, kind[0])[0] is not None for drift in drifts)]
    shown = [kinds[0], *shown] if shown else []
    width = max([len(drift.label) for drift in drifts] + [4])
    unused = max((len(UNUSED) for drift in drifts if not drift.used), default=0)
    width = min(width, (NARROW_LABEL if shown else WIDEST_LABEL) - unused)
    units = "drift in arcsec" + (", turn of the field in arcmin" if kinds[2] in shown else "")
    lines = [
        paragraph(f"Timings (hour angle h; altitude; minutes; {units}; how far off, in sigmas)"),
        f"  {'':<{width}}  {head}"
        + (f"{'':<5}  {'seen':>7}  {'fitted':>7}" if shown else f"{'north':>7}  {'fitted':>7}")
        + f"  {'off':>5}",
    ]
    for number, drift in enumerate(drifts, 1):
        name = (drift.label or str(number))[:width]
        line = f"  {name:<{width}}  {drift.hour_angle_h:>+6.2f}h  {drift.dec_deg:>+5.1f}"
        line += f"  {drift.altitude_deg:>3.0f}  {drift.duration_s / 60:>4.1f}"
        end = "" if drift.used else UNUSED
        if not shown:
            lines.append((line + _component(drift, *_value(drift, "north")) + end).rstrip())
            continue
        for what, word in shown:
            if what == "north" or _value(drift, what)[0] is not None:
                lines.append(f"{line}  {word:<5}{_component(drift, *_value(drift, what))}{end}".rstrip())
                line, end = " " * len(line), ""
    return "\n".join(lines)


def _value(drift: FittedDrift, what: str) -> tuple[float | None, float | None, float | None]:
    """Measured, fitted and how far off, of ``north``, ``east`` or ``rotation``."""
    if what == "rotation":
        return drift.rotation_arcmin, drift.rotation_fitted_arcmin, drift.rotation_pull
    if what == "east":
        return drift.east_arcsec, drift.east_fitted_arcsec, drift.east_pull
    return drift.north_arcsec, drift.north_fitted_arcsec, drift.pull


def _component(drift: FittedDrift, measured: float | None, fitted: float | None, pull: float | None) -> str:
    told = ["" if value is None else signed_number(value, 2) for value in (measured, fitted)]
    off = "" if pull is None or not drift.used else signed_number(pull, 1)
    return f"  {told[0]:>7}  {told[1]:>7}  {off:>5}"
