"""What a layout reads from a log, as text: sections, what holds for each, and their first rows, before any fit."""

from __future__ import annotations

import math

import numpy as np

from poleward.door.clock import zone_of
from poleward.guidelog.reading.reader import LogFile
from poleward.guidelog.reading.section import Section
from poleward.report.style import counted, paragraph
from poleward.sky.axis import Floats

FIRST_ROWS = 5
"""Rows of each section that are shown: enough to see signs and units; and the first of each kind that is not among them."""
MOST_SECTIONS = 12
"""Sections that are shown; those of one log are read alike."""


def proof_text(log: LogFile, layout: str, timezone: str) -> str:
    """Return what a layout of that name reads from a log; times are shown in a zone, empty: UTC."""
    refused = f", {len(log.refused)} refused" if log.refused else ""
    blocks = [f"{log.file} by {layout}: {counted(log.rows, 'row')}, {counted(len(log), 'section')}{refused}"]
    blocks += [_section(section, timezone) for section in log.sections[:MOST_SECTIONS]]
    if len(log) > MOST_SECTIONS:
        blocks.append(f"... and {counted(len(log) - MOST_SECTIONS, 'section')} more")
    notes = [*log.refused, *log.notes, *(note for section in log for note in section.notes)]
    lines = [paragraph(f"{_KINDS.get(note.code, 'note')}: {note.text}", "      ") for note in notes]
    return "\n\n".join([*blocks, "\n".join(lines)] if lines else blocks)


_KINDS = {"section-refused": "refused"}


def _section(section: Section, timezone: str) -> str:
    start = "not known: the log tells no date, or no time zone"
    if section.start is not None:
        zone = zone_of(timezone) if timezone else None
        start = f"{section.start.astimezone(zone) if zone else section.start:%Y-%m-%d %H:%M:%S} {timezone or 'UTC'}"
    lines = [
        f"{section.label} ({section.where})",
        f"  start       {start}",
        f"  pointed at  {_pointing(section)}",
        f"  rows        {_rows(section)}",
        f"  pulses      {_pulses(section)}",
    ]
    if section.image_scale_arcsec_per_pix is not None:
        at = section.told_at["image_scale"]
        lines.insert(3, f"  scale       {section.image_scale_arcsec_per_pix:g} arcsec/pix ({at})")
    if section.reversed:
        lines.append("  reversed    yes: signs are turned end for end")
    return "\n".join([*lines, "", *_table(section)])


def _pointing(section: Section) -> str:
    at = section.pointing
    if at.ra is not None and at.dec is not None:
        return f"right ascension {math.degrees(at.ra) / 15:.4f} h, dec {math.degrees(at.dec):+.3f} deg"
    if at.hour_angle is not None and at.dec is not None:
        hours = math.degrees(at.hour_angle) / 15
        side = "west" if hours >= 0 else "east"
        return f"hour angle {hours:+.3f} h ({side} of the meridian), dec {math.degrees(at.dec):+.3f} deg"
    assert at.azimuth is not None
    assert at.altitude is not None
    return f"azimuth {math.degrees(at.azimuth):.2f} deg, altitude {math.degrees(at.altitude):.2f} deg"


def _rows(section: Section) -> str:
    seen, count = int(section.good.sum()), len(section.seconds)
    parts = [f"{count}, the star seen in {seen}", f"{section.duration_s / 60:.1f} min"]
    if count > 1:
        parts.append(f"one every {float(np.median(np.diff(section.seconds))):.1f} s")
    if moved := int(section.moved.sum()):
        parts.append(f"placed anew {moved}x")
    return ", ".join(parts)


def _pulses(section: Section) -> str:
    """Pulses of both axes, their rates, and the row they answer to."""
    said = []
    for name in ("north", "east"):
        pulses: Floats | None = getattr(section, f"{name}_pulse_ms")
        rate: float | None = getattr(section, f"{name}_guide_rate_arcsec_per_s")
        rate_name = f"{name}_guide_rate"
        if pulses is None or not np.any(pulses):
            said.append(f"{name} none")
            continue
        sent = np.abs(pulses[pulses != 0])
        told = (
            "rate not stated, it is fitted"
            if rate is None
            else f"rate {rate:.3g} arcsec/s ({section.told_at[rate_name]})"
        )
        said.append(f"{name} {len(sent)} of {np.median(sent):.0f} ms (median), {told}")
    return f";\n{'':14}".join(said)


def _table(section: Section) -> list[str]:
    """The first rows, north and east positive; and further down the first pulse each way, lost star and new place."""
    columns: list[tuple[str, Floats | None, str]] = [
        ("seconds", section.seconds, "9.1f"),
        ("north arcsec", section.north_arcsec, "+12.2f"),
        ("east arcsec", section.east_arcsec, "+12.2f"),
        ("north pulse ms", section.north_pulse_ms, "+14.0f"),
        ("east pulse ms", section.east_pulse_ms, "+14.0f"),
    ]
    there = [(name, values, form) for name, values, form in columns if values is not None]
    lines = ["  ".join(f"{name:>{form.strip('+').split('.')[0]}}" for name, _, form in there)]
    kinds = [~section.good, section.moved]
    for pulses in (section.north_pulse_ms, section.east_pulse_ms):
        kinds += [] if pulses is None else [pulses > 0, pulses < 0]
    shown = {
        *range(min(FIRST_ROWS, len(section.seconds))),
        *(int(np.argmax(kind)) for kind in kinds if np.any(kind)),
    }
    last = -1
    for row in sorted(shown):
        if row > last + 1:
            lines.append("...")
        last = row
        cells = [_cell(float(values[row]), form) for _, values, form in there]
        mark = "" if section.good[row] else "star lost"
        mark = "placed anew" if section.moved[row] else mark
        lines.append("  ".join([*cells, mark]).rstrip())
    return [f"  {line}" for line in lines]


def _cell(value: float, form: str) -> str:
    width = form.strip("+").split(".")[0]
    if not math.isfinite(value):
        return f"{'-':>{width}}"
    text = f"{value:{form}}".strip()
    return f"{text.lstrip('+-') if float(text) == 0 else text:>{width}}"
