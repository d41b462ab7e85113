"""Drives that do not quite do what their pulses say, and the clock: columns by which what is left over is asked.

Every column is made of pulses sent before its row, never of those that answer to it: a guider's pulse knows the noise
of the row that it answers to.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from poleward.guidelog.fitting.parts import Drive, Part
from poleward.sky.axis import Floats

SIGMA = {"uneven": 0.1, "late": 0.5, "small": 0.5, "reversal": 1.0, "short": 1.0}
"""How far each may be off: north and south pulses by so much of themselves; the last pulse not yet arrived, or short ones
not obeyed, by so much of themselves; so much of `UNIT_MS` lost at each reversal, or by each pulse."""
UNIT_MS = 30.0
TILT = 0.1
"""Step of the derivatives by what is lost through the play, in what it is of each pulse."""


def oddity_columns(part: Part, drive: Drive, names: tuple[str, ...]) -> Floats:
    """How a section's star would move, arcsec, for one sigma of each oddity: (q, n), rows with weight."""
    track, kept = part.track, part.kept
    assert track.pulse_ms is not None
    assert track.motor_ms is not None
    pulse = np.where(np.abs(track.pulse_ms) < drive.dead_ms, 0.0, track.pulse_ms)
    sent = pulse if drive.early else np.concatenate([[0.0], pulse[:-1]])
    size, sign = np.abs(sent), np.sign(sent)
    found = np.empty((len(names), int(np.sum(kept))))
    middle = track.backlash(drive.backlash_ms)[0] if names else sent
    for number, name in enumerate(names):
        if name == "late":
            path = sent[track.rows]
        else:
            # Through the play, as the telescope has it.
            tilted = track.tilted(TILT * np.cumsum(_each(name, sent, size, sign)))
            path = (tilted.backlash(drive.backlash_ms)[0] - middle) / TILT
        found[number] = -SIGMA[name] * drive.rate * drive.stated / 1000 * path[kept]
    return found


def _each(name: str, sent: Floats, size: Floats, sign: Floats) -> Floats:
    """What a pulse lacks, ms (N,)."""
    if name == "uneven":
        return size
    if name == "small":
        return np.where(size < np.median(size[size > 0]), sent, 0.0) if np.any(size) else sent
    if name == "short":
        return UNIT_MS * sign
    last = sign[np.maximum.accumulate(np.where(sign != 0, np.arange(len(sign)), 0))]
    before = np.concatenate([[0.0], last[:-1]])
    return np.where((sign != 0) & (before != 0) & (sign != before), UNIT_MS * sign, 0.0)


def row_column(part: Part, drive: Drive) -> Floats:
    """How a section's star would move, arcsec, if each pulse were sent before its own row, (n,), rows with weight."""
    early = part.track.answering(drive.dead_ms, early=True)
    path = early.backlash(drive.backlash_ms)[0] - part.track.backlash(drive.backlash_ms)[0]
    return np.asarray(-drive.rate * drive.stated / 1000 * path[part.kept])


def stands_out(
    matrix: Floats, free: Sequence[int], held: Floats, asked: Sequence[int], rate: float
) -> Floats:
    """How far each asked column stands out of what is left over, in sigmas: (q,).

    Parameters
    ----------
    matrix : array (m + 2, m + 2)
        Normal equations (`tables`) in units of the noise: common columns, path, data.
    free, held : sequence of int, array (f, f)
        Columns that give way as far as what is known of them lets them; each asked one is asked for itself.
    asked : sequence of int
    rate : float
        At which the path is undone.
    """
    free, asked = list(free), list(asked)
    pulled = matrix[:-1, -1] - rate * matrix[:-1, -2]
    cross = matrix[np.ix_(asked, free)] @ np.linalg.inv(matrix[np.ix_(free, free)] + held)
    score = pulled[asked] - cross @ pulled[free]
    whole = np.diag(matrix)[asked]
    spread = whole - np.einsum("ij,ij->i", cross, matrix[np.ix_(asked, free)])
    return np.where(spread > 1e-9 * whole, score / np.sqrt(np.maximum(spread, 1e-300)), 0.0)


def clock_columns(seconds: Floats) -> Floats:
    """Second and third Legendre polynomial along a section: bends that no axis makes, (2, n)."""
    x = 2 * (seconds - seconds[0]) / (seconds[-1] - seconds[0]) - 1
    return np.stack([1.5 * x**2 - 0.5, 2.5 * x**3 - 1.5 * x])
