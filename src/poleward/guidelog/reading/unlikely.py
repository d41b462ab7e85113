"""Columns that cannot be what the layout says: pulses that no guider sends, a place that nobody measured."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from poleward.errors import InputError, Note
from poleward.guidelog.reading import times
from poleward.guidelog.reading.section import Bools, Integers
from poleward.guidelog.reading.sift import UNREADABLE_SHARE, Draft
from poleward.sky.axis import Floats

SHORTEST_PULSE_MS = 10.0
"""A pulse moves a star by 0.01 arcsec a millisecond at most, so a guider whose longest one is shorter than this would
chase a tenth of an arcsecond: rather are they seconds, read as milliseconds."""
SAME_PULSES = 20
"""A guider whose longest pulse is one second has pushed the star by more than 100 arcsec after so many of one length in
one direction: it does not stay in the field, or the mount does not obey."""
ODD_PULSES, ODD_FACTOR = 15, 5.0
"""The median of fifteen pulses against that of all: at most 3.6 in 120 simulated sections with moves, play and glitches;
a digit too many makes it ten."""
STILL_ROWS = 20
"""Where the place mostly changes from row to row, it stays the same to the last digit with a chance of a half at most: in
twenty rows on end with one of a millionth. Written coarsely, it stays longer, and so many times longer is asked for."""


def check_north_pulses(columns: Mapping[str, Floats], where: str) -> None:
    """Refuse a column that cannot be of pulses: it would be taken for motion of the telescope."""
    pulses = columns.get("north_pulse")
    if pulses is None or not np.any(pulses):
        return
    if len(pulses) > times.STRAY_ROWS and np.all(pulses == pulses[0]):
        raise InputError(
            f"north_pulse is {pulses[0]:+g} ms in every row: a guider does not do that",
            "check which column holds the pulses",
            where,
        )
    if (longest := float(np.max(np.abs(pulses)))) < SHORTEST_PULSE_MS:
        raise InputError(
            f"the longest north_pulse is {longest:.2g} ms: a mount does not move in that",
            "check its unit",
            where,
        )


def note_odd_pulses(draft: Draft, rows: Integers, columns: Mapping[str, Floats], file: str) -> None:
    """Say where the same pulse stands in many rows on end, or pulses are all at once of another size."""
    pulses = columns.get("north_pulse")
    if pulses is None or not np.any(pulses):
        return

    def note(code: str, row: int, text: str) -> None:
        place = f"{file}:{draft.table.numbers[rows[row]]}"
        draft.notes.append(Note(code, f"{place}: {text}: if it was not, the result is wrong"))

    starts = np.flatnonzero(np.diff(pulses, prepend=np.nan) != 0)
    sizes = np.diff(np.append(starts, len(pulses))) * (pulses[starts] != 0)
    if (most := int(sizes.max())) >= SAME_PULSES:
        first = int(starts[sizes.argmax()])
        note("same-pulse", first, f"north_pulse is {pulses[first]:+g} ms in {most} rows on end")
    sent = np.flatnonzero(np.abs(pulses) > 1e-3)  # below a microsecond it is a garbled number
    if len(sent) >= 3 * ODD_PULSES:
        near = np.median(np.lib.stride_tricks.sliding_window_view(np.abs(pulses[sent]), ODD_PULSES), axis=1)
        times_usual = near / np.median(np.abs(pulses[sent]))
        if (largest := float(times_usual.max())) >= ODD_FACTOR:
            first = int(sent[np.argmax(times_usual >= ODD_FACTOR)])
            note(
                "odd-pulses",
                first,
                f"north_pulse is {largest:.0f} times as long as usual in the rows from here on",
            )


def lost_where_still(
    draft: Draft, rows: Integers, good: Bools, columns: Mapping[str, Floats], where: str
) -> Bools:
    """Return the rows with a star, less those that only repeat its place: nobody measured there, it has none.

    Raises
    ------
    InputError
        Most of them do.
    """
    seen, north = np.flatnonzero(good), columns["north"]
    starts = np.flatnonzero(np.diff(north[seen], prepend=np.nan) != 0)
    sizes = np.diff(np.append(starts, len(seen)))
    still = np.repeat(sizes >= STILL_ROWS * np.median(sizes), sizes)
    still[starts] = False
    if not still.any():
        return good
    line, count = draft.table.numbers[rows[seen[np.argmax(still)]]], int(still.sum())
    if count > UNREADABLE_SHARE * len(seen):
        raise InputError(
            f"the star's place stands still in {count} of {len(seen)} rows, the first at line {line}",
            "check which column holds it, and whether the camera ran",
            where,
        )
    place = f"{where.rpartition(':')[0]}:{line}"
    draft.notes.append(
        Note(
            "place-still",
            f"{place}: the star's place stands still in {count} rows, the first here: it is taken as lost there",
        )
    )
    for name in ("north", "east"):
        if name in columns:
            columns[name][seen[still]] = np.nan
    return good & np.isfinite(north)
