"""What a fit has to say: what it found out about the drive, what it could not, and what to check."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from poleward.errors import Note
from poleward.guidelog.fitting.answer import BENT, Fitted, far_off, unnoted_moves
from poleward.guidelog.fitting.fit import LIKELY_RATES
from poleward.guidelog.fitting.logsolution import SectionResult
from poleward.guidelog.fitting.parts import Drive, Part
from poleward.guidelog.fitting.unlike import ALL
from poleward.sky.axis import SIDEREAL_RATE, Floats

OPEN_RATE = 0.1
"""Relative sigma of a guide rate beyond which it is most of what is not known of the axis."""
HELD_SIGMAS = 5.0
"""Noise that is new in each row does not know the row before, and what lasts makes it alike. Of simulated watched nights of
1200 rows none was below -1; without their pulses guided ones were -7 to -15 where six tenths or more of an error were sent
back and the gears had no play, whatever the noise (with play of three times the seeing a star that is held shows nothing)."""
LEAST_PIECE = 20
"""Rows about a parabola, which takes three of them."""
MOST_SIDEREAL = 2.0
"""Mounts are guided at up to the sidereal rate (common practice, no source); beyond twice that no play or noise of the fit
makes up for it, and a unit is wrong."""


def fit_notes(found: Fitted, results: Sequence[SectionResult]) -> list[Note]:
    """Return what is to be said of a fit of some sections; what became of each of them stands in `results`."""
    notes = []
    for drive, sigma in zip(found.state.drives, found.drive_sigma, strict=True):
        notes += [*_drive_notes(drive), *_rate_notes(drive, sigma)]
    steps = unnoted_moves(found.parts)
    if steps:
        times = "once" if steps == 1 else f"{steps} times"
        notes.append(
            Note(
                "moves-not-noted",
                f"the star stood elsewhere from one row to the next {times}, and the log notes no move: a new level "
                "begins there; if such moves are noted somewhere, tell the layout (`shift`): small ones cannot be found",
            )
        )
    notes += _wind_notes(found.parts)
    if found.bent < BENT:
        notes.append(
            Note(
                "clock",
                f"sections bend as no axis error makes them (p = {found.bent:.2g}): flexure, or rows whose times are "
                "wrong; the intervals are widened",
            )
        )
    notes += [Note("section-unused", f"{each.label}: {each.reason}") for each in results if each.reason]
    watched = [part for part in found.parts if part.drive is None]
    if watched and _turning_back(watched) < -HELD_SIGMAS:
        notes.append(
            Note(
                "star-held",
                "stars of which no corrections north are logged are thrown back from row to row, as a guider does it and no "
                "noise: its pulses stand elsewhere, or nowhere, and the answer is far too small; name their column "
                "(`north_pulse`), or use a log in which they stand",
            )
        )
    if watched:
        notes.append(
            Note(
                "only-watched",
                "there are no corrections north in the log, so the stars are taken as only watched; had the mount been "
                "guided in declination all the same, the answer would be far too small",
            )
        )
    if found.factor > 1 and found.bent >= BENT:
        notes.append(
            Note(
                "scatter",
                f"the sections disagree by more than their uncertainties (p = {found.p_value:.2g}): the intervals are "
                f"widened {found.factor:.1f} times. If the axis moved between them, or a sign or a pointing is wrong, the answers "
                "one by one show it (--each night, file or section)",
            )
        )
    elif found.p_value is None and found.determination.determined == "both":
        notes.append(
            Note("no-check", "just enough sections for an answer: one more, elsewhere, would check them")
        )
    return notes


def _wind_notes(parts: Sequence[Part]) -> list[Note]:
    """Whether the noise is larger in bouts: an answer that takes account of it is none the worse, so the last thing said."""
    sizes = [float(np.max(part.scale)) for part in parts]
    if max(sizes) == 1:
        return []
    windy = [part.scale > math.sqrt(size) for part, size in zip(parts, sizes, strict=True)]
    share, times = np.mean(np.concatenate(windy)), np.median([size for size in sizes if size > 1])
    return [
        Note(
            "bouts",
            f"the star's scatter comes in bouts (wind?): {times:.1f} times as large in {100 * share:.0f} % of the rows, which "
            "count for less",
        )
    ]


def _turning_back(parts: Sequence[Part]) -> float:
    """Lag-1 correlation of places about a parabola in each piece, in sigmas of what has none (1 / sqrt(n))."""
    product, square, rows = 0.0, 0.0, 0
    for part in parts:
        piece = part.piece[part.kept]
        starts = np.flatnonzero(np.diff(piece, prepend=-1))
        seconds, north = part.track.seconds[part.kept], part.track.north_arcsec[part.kept]
        for low, high in pairwise([*starts.tolist(), len(piece)]):
            if high - low >= LEAST_PIECE:
                clock = (seconds[low:high] - seconds[low]) / np.ptp(seconds[low:high])
                off = north[low:high] - np.polyval(np.polyfit(clock, north[low:high], 2), clock)
                product += float(off[1:] @ off[:-1])
                square += float(off @ off)
                rows += high - low
    return math.sqrt(rows) * product / square if square > 0 else 0.0


def _drive_notes(drive: Drive) -> list[Note]:
    """What a drive does that its pulses do not say."""
    notes = []
    if drive.odd == ALL:
        notes.append(
            Note(
                "drive-unlike",
                "the drive does not do what its pulses say: what is left over knows the pulses, and no simple drive "
                "explains it; the uncertainties allow for pulses that are uneven, late, short or lost. Half an hour "
                "unguided in declination needs no pulses",
            )
        )
    if drive.early:
        notes.append(
            Note(
                "drive-early",
                "each pulse seems to stand in the row after the one that it answers to, and is taken so: check it, and "
                'tell the layout (answers = "before" in north_pulse)',
            )
        )
    if drive.mended:
        notes.append(
            Note(
                "pulses-mended",
                f"{drive.mended} pulses in declination do not answer to their rows as the others do (lost, another row's, or "
                "of the wrong sign), yet the rows say that the telescope moved as if they did: they are taken so, and the "
                "uncertainties widened; check the column of the pulses",
            )
        )
    if drive.dead_ms:
        notes.append(
            Note(
                "drive-dead",
                f"pulses shorter than about {drive.dead_ms:.0f} ms did not move the telescope: they are taken as not sent",
            )
        )
    if drive.odd == ("uneven",):
        notes.append(
            Note(
                "drive-uneven",
                "north and south pulses do not move the telescope equally far; how far each does is fitted too, which "
                "leaves little to tell the drift by. Half an hour unguided in declination would tell it without pulses",
            )
        )
    if drive.odd == ("short",):
        notes.append(Note("drive-short", "each pulse falls short by the same few ms; how many is fitted too"))
    return notes


def _rate_notes(drive: Drive, sigma: Floats) -> list[Note]:
    """What the log says of the guide rate."""
    stated, speed = math.isfinite(drive.sigma), drive.rate * drive.stated
    notes = []
    if speed > MOST_SIDEREAL * SIDEREAL_RATE:
        notes.append(
            Note(
                "guide-rate",
                f"a guide rate of {speed:.0f} arcsec/s is {speed / SIDEREAL_RATE:.2g} times sidereal, and mounts are guided "
                "at up to about sidereal: check the unit of the places and image_scale, or that of the "
                "pulses; the axis error may be as far off",
            )
        )
    if stated and bool(far_off(np.array([drive.rate]), [drive])[0]):
        return [
            *notes,
            Note(
                "guide-rate",
                f"the pulses moved the telescope {drive.rate:.2f} +/- {sigma[0]:.2f} times as far as the stated guide "
                f"rate of {drive.stated:g} arcsec/s says: that rate is wrong, or the image scale. With a wrong scale the "
                f"axis error is {1 / drive.rate:.2f} times what it is with a wrong rate; the answer stands between, and its "
                "uncertainties hold both: check them",
            ),
        ]
    if notes:
        return notes
    low, high = LIKELY_RATES[1]
    if not stated and drive.rate <= low:
        return [
            Note(
                "guide-rate",
                f"the pulses moved the telescope {drive.rate:.2g} arcsec/s, and guide rates are {low:g} to {high:g}: they are "
                "not what they say, or their unit or the image scale is wrong, and so is the axis error",
            )
        ]
    relative = float(sigma[0]) / drive.rate
    if relative <= OPEN_RATE:
        return []
    return [
        Note(
            "guide-rate-open",
            f"the log cannot tell the guide rate better than to {100 * relative:.0f} %, nor the axis error: state "
            "north_guide_rate and north_guide_rate_sigma in the layout if you know them, or leave half an hour unguided "
            "in declination",
        )
    ]
