"""Drifts of camera frames as text: a line for each pointing, what they are from, what was left out."""

from __future__ import annotations

import math

from poleward.door.clock import iso
from poleward.frames.field_drift import FieldDrift
from poleward.frames.framedrifts import FrameDrifts
from poleward.report.camera_text import camera_text
from poleward.report.style import Signs, counted, paragraph, signed

LABEL_WIDTH = 12
SOURCES = (
    ("time", "times"),
    ("exposure", "exposures"),
    ("ra", "pointings"),
    ("hour_angle", "pointings"),
    ("azimuth", "pointings"),
)
"""Keywords that are told, and of what."""
PLACES = (
    ("hour_angle", "hour angle (h)", 15, 2),
    ("ra", "ra (h)", 15, 2),
    ("dec", "dec (deg)", 1, 1),
    ("azimuth", "azimuth (deg)", 1, 1),
    ("altitude", "altitude (deg)", 1, 1),
)
"""Coordinates of a pointing: name, heading, degrees in the unit shown, decimals."""


def frames_text(found: FrameDrifts, signs: Signs) -> str:
    """Return all that there is to say about drifts measured in frames."""
    used = sum(one.frames_used for one in found.pointings)
    head = f"{counted(len(found.pointings), 'pointing')}, {used} of {found.frames} frames used"
    columns = f"{'UTC':>8} {'min':>4} {'used':>4} {'stars':>5} {'north':>13} {'east':>11} {'turn':>14}"
    lines = [
        paragraph(f"{head}. Drifts over the time (arcsec), turn of the field (arcmin):"),
        f"  {'':{LABEL_WIDTH}} {columns}",
        *(_line(one, signs) for one in found.pointings),
    ]
    blocks = ["\n".join(lines), _places(found), paragraph(_noise(found, signs)), _camera(found)]
    told = {
        of: [found.keywords[name] for name, what in SOURCES if what == of and name in found.keywords]
        for _, of in SOURCES
    }
    said = "; ".join(f"{what} by {', '.join(names)}" for what, names in told.items() if names)
    blocks.append(paragraph(f"From the headers: {said}."))
    if found.camera is not None:
        blocks.append(camera_text(found.camera, signs))
    blocks += [paragraph(f"note: {note.text}", "      ") for note in found.warnings]
    return "\n\n".join(blocks)


def _places(found: FrameDrifts) -> str:
    """Where each pointing was taken to be, so that a wrong unit is seen."""
    told = [place for place in PLACES if any(_angle(one, place[0]) is not None for one in found.pointings)]
    lines = [f"  {'pointed at':{LABEL_WIDTH}} {' '.join(heading for _, heading, _, _ in told)}"]
    for one in found.pointings:
        cells = []
        for name, heading, unit, decimals in told:
            angle = _angle(one, name)
            sign = "+" if name in ("hour_angle", "dec") else ""
            text = "-" if angle is None else f"{math.degrees(angle) / unit:{sign}.{decimals}f}"
            cells.append(f"{text:>{len(heading)}}")
        lines.append(f"  {_label(one)} {' '.join(cells)}")
    return "\n".join(lines)


def _angle(one: FieldDrift, name: str) -> float | None:
    """Radians; the hour angle also where it follows from the site."""
    if name == "hour_angle":
        return None if one.hour_angle_h is None else math.radians(15 * one.hour_angle_h)
    angle: float | None = getattr(one.pointing, name)
    return angle


def _label(one: FieldDrift) -> str:
    label = one.label if len(one.label) <= LABEL_WIDTH else f"{one.label[: LABEL_WIDTH - 2]}.."
    return f"{label:{LABEL_WIDTH}}"


def _line(one: FieldDrift, signs: Signs) -> str:
    stars = f"{one.stars:5d}" if one.stars else "    -"
    turn = "not measured"
    if one.rotation_arcmin is not None and one.rotation_sigma_arcmin is not None:
        turn = signed(one.rotation_arcmin, one.rotation_sigma_arcmin, signs)
    return (
        f"  {_label(one)} {iso(one.start)[11:19]} {one.duration_s / 60:4.1f} {one.frames_used:4d} {stars} "
        f"{signed(one.north_arcsec, one.north_sigma_arcsec, signs):>13} "
        f"{signed(one.east_arcsec, one.east_sigma_arcsec, signs):>11} "
        f"{turn:>14}"
    )


def _noise(found: FrameDrifts, signs: Signs) -> str:
    jitter = max(one.jitter_arcsec for one in found.pointings)
    return (
        f"All stars of a frame shake together, by up to {jitter:.1f} arcsec from frame to frame: that, not how many stars there "
        f"are, makes the {signs.plus_minus}. East holds the drive's periodic error too, of which a few minutes cannot tell "
        "the phase."
    )


def _camera(found: FrameDrifts) -> str:
    """One line for each way in which the camera lies on the sky."""
    lines: dict[str, list[str]] = {}
    for one in found.pointings:
        hand = "mirrored" if one.on_sky.hand < 0 else "not mirrored"
        text = (
            f"A pixel is {one.on_sky.scale_arcsec / one.side:.3g} arcsec, rows grow toward {one.on_sky.position_angle_deg:.1f} deg "
            f"from north through east, {hand}: {one.on_sky.source}."
        )
        lines.setdefault(text, []).append(one.label)
    if len(lines) == 1:
        return paragraph(next(iter(lines)))
    return "\n".join(paragraph(f"{', '.join(labels)}: {text}", "  ") for text, labels in lines.items())
