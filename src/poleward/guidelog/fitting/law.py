"""The guider's own law, pulse = a + b place: pulses that break it may have been written down wrong."""

from __future__ import annotations

import numpy as np

from poleward.guidelog.fitting.correct import Track, robust_sigma
from poleward.guidelog.reading.section import Bools
from poleward.sky.axis import Floats

LAW_PULSES = 10
"""Steps from pulse to pulse by which a law is judged at least: a median of so many is known to a third."""
BREAKS_SIGMAS = 6.0
BREAKS_SHARE = 0.15
"""A pulse breaks the law where it is so many robust sigmas off it, and by so much of what it should be."""
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
    least = float(np.quantile(np.abs(pulse[sent]), 0.05))
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

    b is the weighted median of the slopes from pulse to pulse (b alone does not know where the star is held), a the median
    of what is left in each piece.
    """
    assert track.pulse_ms is not None
    pulse = track.pulse_ms
    place, piece = np.full(len(pulse), np.nan), np.zeros(len(pulse))
    place[track.rows], piece[track.rows] = np.where(kept, track.north_arcsec, np.nan), track.piece
    if early:
        place, piece = (np.concatenate([[np.nan], each[:-1]]) for each in (place, piece))
    sent = np.flatnonzero((pulse != 0) & np.isfinite(place))
    run = np.diff(place[sent])
    same = (np.diff(piece[sent]) == 0) & (run != 0)
    if np.sum(same) < LAW_PULSES:
        return np.full(len(pulse), np.nan), 0.0
    slope, weight = np.diff(pulse[sent])[same] / run[same], np.abs(run[same])
    order = np.argsort(slope)
    heavy = np.cumsum(weight[order])
    due = slope[order][np.searchsorted(heavy, heavy[-1] / 2)] * place
    held = np.full(len(pulse), np.nan)
    for each in np.unique(piece[sent]):
        mine = sent[piece[sent] == each]
        held[piece == each] = np.median(pulse[mine] - due[mine])
    due = due + held
    return due, robust_sigma((pulse - due)[sent])
