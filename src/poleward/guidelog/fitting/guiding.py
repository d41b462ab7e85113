"""What the guiding tells about itself: does it help, what is it busy with, does it overshoot."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from poleward.errors import Note
from poleward.guidelog.fitting.correct import Track
from poleward.guidelog.fitting.noise import Integers, Noise
from poleward.guidelog.reading.section import Bools, Section
from poleward.sky.axis import Floats

FAST_S = 2.0
"""Exposures that follow each other faster chase the seeing (common practice, no source)."""
OVERSHOOT = -0.35
"""Lag-1 correlation of the corrections below which each is largely taken back by the next.

A guider that sends back a share a of every error, on a star that only scatters, has a lag-1 correlation of -a / 2
(derived in docs/noise-model.md): -0.35 is seven tenths of every error, seeing included.
"""
LEAST_PULSES = 50
"""Corrections needed to say so: the correlation's own sigma is then 0.14."""


@dataclass(frozen=True)
class Guiding:
    """One section's guiding.

    Attributes
    ----------
    rms_arcsec : float
        Scatter of the star's place north about its levels, as logged.
    rms_still_arcsec : float
        What it would be without drift and without corrections: the noise alone.
    drift_share : float or None
        Part of all north corrections that did nothing but push the drift away: net over gross. None without pulses.
    north_lag_one, east_lag_one : float or None
        Lag-1 autocorrelation of the corrections; well below zero where each is taken back by the next.
    """

    rms_arcsec: float
    rms_still_arcsec: float
    drift_share: float | None
    north_lag_one: float | None
    east_lag_one: float | None


def guiding_of(section: Section, track: Track, kept: Bools, piece: Integers, noise: Noise) -> Guiding:
    """Sum up a section's guiding.

    Parameters
    ----------
    section : Section
    track : Track
        Of it.
    kept, piece : bool array (n,), int array (n,)
        Rows with weight, and the pieces of all.
    noise : Noise
    """
    places = track.north_arcsec[kept]
    starts = np.flatnonzero(np.diff(piece[kept], prepend=-1))
    lengths = np.diff(np.append(starts, len(places)))
    means = np.add.reduceat(places, starts) / lengths
    rms = float(np.sqrt(np.mean((places - np.repeat(means, lengths)) ** 2)))
    still = float(np.hypot(noise.white_arcsec, noise.correlated_arcsec))
    north = _pulses(section.north_pulse_ms)
    east = _pulses(section.east_pulse_ms)
    share = None if north is None else float(abs(np.sum(north)) / np.sum(np.abs(north)))
    return Guiding(
        rms, still, share, None if north is None else lag_one(north), None if east is None else lag_one(east)
    )


def _pulses(pulse: Floats | None) -> Floats | None:
    """Corrections of one axis where there are enough of them to speak about."""
    if pulse is None:
        return None
    whole = np.nan_to_num(pulse)
    return whole if np.count_nonzero(whole) >= LEAST_PULSES else None


def guiding_notes(section: Section, track: Track, guiding: Guiding) -> list[Note]:
    """What a user might want to change, for one section."""
    notes = []
    if section.north_pulse_ms is None and section.east_pulse_ms is not None:
        notes.append(
            Note(
                "no-north-pulses",
                f"{section.label}: it has pulses in east and no column of pulses in north: it is taken as not guided in "
                "declination; if it was, the answer is too small",
            )
        )
    pulsed = guiding.north_lag_one is not None or guiding.east_lag_one is not None
    if pulsed and track.cadence_s < FAST_S:
        notes.append(
            Note(
                "fast-cadence",
                f"{section.label}: a row every {track.cadence_s:.1f} s; below {FAST_S:.0f} s guiding chases the seeing "
                "(common practice, no source)",
            )
        )
    for axis, value in (("north", guiding.north_lag_one), ("east", guiding.east_lag_one)):
        if value is not None and value < OVERSHOOT:
            notes.append(
                Note(
                    "overshoot",
                    f"{section.label}: corrections in {axis} are largely taken back by the next "
                    f"(lag-1 correlation {value:.2f}): a smaller share of the error, or longer exposures",
                )
            )
    return notes


def lag_one(values: Floats) -> float:
    """Lag-1 autocorrelation of n values as NIST certifies it: sum (y_i - m)(y_i+1 - m) / sum (y_i - m)^2."""
    off = values - np.mean(values)
    whole = float(off @ off)
    return float(off[:-1] @ off[1:]) / whole if whole > 0 else 0.0
