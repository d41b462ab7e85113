"""Rows made independent: each less what those after it say of it, in time linear in the rows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from poleward.guidelog.fitting.noise import Integers, memory, precision_of
from poleward.sky.axis import Floats


@dataclass(frozen=True, eq=False)
class Forecast:
    """What the rows after it say of each row, all of one weight: what is new in a row is independent of all others.

    This is the filter of R. E. Kalman (1960, J. Basic Eng. 82, 35) run from the end; its pivots make it a solution of a
    matrix of two diagonals. A column that is nothing but in the first rows of a piece stays so.

    Attributes
    ----------
    kept, gain : array (n-1,)
        Of the forecast of the row after, and of that row, in the forecast of a row.
    scale : array (n,)
        One over the standard deviation of what is new in it, in units of the white one.
    """

    kept: Floats
    gain: Floats
    scale: Floats

    @property
    def log_det(self) -> float:
        """Of V."""
        return -2 * float(np.sum(np.log(self.scale)))

    def new(self, table: Floats, room: Floats | None = None) -> Floats:
        """What is new in the rows of a table (k, n), in sigmas: products of these are those with V^-1 between.

        In the second half of some room (2, k, n), if given: fresh memory costs more than what is done in it.
        """
        from scipy.linalg.lapack import dtbtrs

        found: Floats
        spare, found = np.empty((2, *table.shape)) if room is None else room
        told = spare.reshape(-1)[: table[:, 1:].size].reshape(table[:, 1:].shape)
        np.multiply(table[:, 1:], self.gain, out=told)
        band = np.ones((len(self.kept), 2))
        band[1:, 0] = -self.kept[:-1]
        turned, _ = dtbtrs(band.T, told.T, diag="U", overwrite_b=True)
        np.subtract(table[:, :-1], turned.T, out=found[:, :-1])
        found[:, -1] = table[:, -1]
        found *= self.scale
        return found

    def within(self, rows: Integers) -> Forecast:
        """Return it for columns that are nothing but in these rows, the first ones of some pieces."""
        kept, gain = (np.where(np.diff(rows) == 1, each[rows[:-1]], 0.0) for each in (self.kept, self.gain))
        return Forecast(kept, gain, self.scale[rows])


def forecast(seconds: Floats, starts: Integers, ratio: float, time_s: float) -> Forecast:
    """Return what foretells rows (n,) of one weight; see `covariance`."""
    from scipy.linalg.lapack import dpttrf

    kept, lost = memory(seconds, starts, time_s)
    precision, beside = precision_of(kept, lost, ratio)
    pivots, _, _ = dpttrf((precision + 1)[::-1].copy(), beside[::-1].copy())
    # A pivot knows the row before, too; less that, it is what is known of what lasts: one over its variance.
    gain = 1 / (pivots[-2::-1] + kept * beside)
    variance = np.append(1 + ratio * lost + kept**2 * gain, 1 + ratio)
    return Forecast(kept * (1 - gain), kept * gain, variance**-0.5)
