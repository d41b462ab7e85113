"""The guider's own law, pulse = a + b place + c place before + ...: pulses that break it may have been written down wrong."""

from __future__ import annotations

import math

import numpy as np

from poleward.guidelog.fitting.correct import Track, robust_sigma
from poleward.guidelog.reading.section import Bools
from poleward.sky.axis import Floats

LAW_PULSES = 20
"""Steps from pulse to pulse by which a law is judged at least: four for each of its numbers."""
LAST_PLACES = 5
"""A guider may answer to the last places, not only to the last."""
PASSES = 20
LEAST_MS = 0.5
"""How often deviations are weighed anew, and the least that counts: pulses are written in whole ms."""
BREAKS_SIGMAS = 6.0
BREAKS_SHARE = 0.15
"""A pulse breaks the law where it is so many robust sigmas off it, and by so much of what it should be: a pulse of 20 ms is
rounded by 3 %. Generous on both sides, since the rows decide (docs/experiments/log_guiders.py)."""
SMALLEST = 1.2
"""None sent breaks it only where one so much longer than the shortest twentieth was due: guiders let small errors be."""


def readings(track: Track, kept: Bools, early: bool = False) -> tuple[tuple[Floats, int], ...]:
    """Return what the pulses may have been if some were written down wrong, ms (N,), and how many; in two ways.

    Those that break the guider's law are as the law has them; or those that push the star on where the law pushes it back
    have lost their sign, whatever their size.

    Parameters
    ----------
    track : Track
        With pulses, and pieces that know where the star was placed anew.
    kept : bool array (n,)
        Its rows with weight: a guider need not answer to a glitch.
    early : bool
        A pulse answers to the row before its own.
    """
    assert track.pulse_ms is not None
    pulse, (due, spread) = track.pulse_ms, _law(track, kept, early)
    sent = pulse != 0
    least = float(np.quantile(np.abs(pulse[sent]), 0.05)) if np.any(sent) else math.inf
    off, size = np.abs(pulse - due), np.abs(due)
    breaks = (off > np.maximum(BREAKS_SIGMAS * spread, BREAKS_SHARE * size)) & (
        sent | (size > SMALLEST * least)
    )
    against = (pulse * due < 0) & (size > least)
    lawful = np.where(breaks, np.where(size > least, due, 0.0), pulse)
    turned = np.where(against, -pulse, pulse)
    return (lawful, int(np.sum(breaks))), (turned, int(np.sum(against)))


def _law(track: Track, kept: Bools, early: bool) -> tuple[Floats, float]:
    """Return the pulse that is due in each row, ms, NaN where nobody knows, (N,); and how far pulses are from it.

    By least absolute deviations, which wrong pulses do not bend: of steps from pulse to pulse on those of the last places
    (a step does not know where the star is held), and of what is left in each piece.
    """
    assert track.pulse_ms is not None
    pulse, count = track.pulse_ms, len(track.pulse_ms)
    seen = np.zeros(count, bool)
    place, piece = np.zeros(count), np.zeros(count)
    seen[track.rows], place[track.rows], piece[track.rows] = kept, track.north_arcsec, track.piece
    rows = np.flatnonzero(seen)
    place, piece = place[rows], piece[rows]
    back = np.arange(len(rows))[:, None] - np.arange(LAST_PLACES)
    places = place[np.maximum(back, np.searchsorted(piece, piece)[:, None])]
    rows = rows + int(early)  # in which the pulse that answers stands
    inside = rows < count
    rows, places, piece = rows[inside], places[inside], piece[inside]
    due = np.full(count, np.nan)
    sent = np.flatnonzero(pulse[rows] != 0)
    same = np.diff(piece[sent]) == 0
    if np.sum(same) < LAW_PULSES:
        return due, 0.0
    told = places @ _least_deviations(np.diff(places[sent], axis=0)[same], np.diff(pulse[rows[sent]])[same])
    for each in np.unique(piece[sent]):
        mine, here = sent[piece[sent] == each], piece == each
        due[rows[here]] = told[here] + np.median(pulse[rows[mine]] - told[mine])
    return due, robust_sigma((pulse - due)[rows[sent]])


def _least_deviations(columns: Floats, values: Floats) -> Floats:
    """Return the coefficients (m,) of columns (n, m) that make the sum of absolute deviations least, by weighing anew.

    Schlossmacher 1973, J. Am. Stat. Assoc. 68, 857.
    """
    weight = np.ones(len(values))
    found: Floats = np.zeros(columns.shape[1])
    for _ in range(PASSES):
        found = np.asarray(np.linalg.lstsq(columns * weight[:, None], values * weight, rcond=1e-8)[0], float)
        left = np.abs(values - columns @ found)
        weight = np.maximum(left, LEAST_MS) ** -0.5
    return found
