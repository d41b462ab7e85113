"""Normal equations of one section at many noises and plays at once: what the integral over them adds up.

With the noise's shape and the play of the gears given, everything else is linear: the axis error about a state, the
guide rate, the level of each piece and what is not known of the gears' rest at its beginning. The last two are
eliminated piece by piece (`noise`); what remains is a small matrix for each noise and play. All plays are columns of
one table, which is weighed once per noise.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from poleward.guidelog.fitting.forecast import Forecast, forecast
from poleward.guidelog.fitting.noise import Integers
from poleward.sky.axis import Floats

NO_MEMORY = (1e-6, 30.0)
"""Ratio and time of a noise of which nothing lasts: 0.001 of the white part."""


@dataclass(frozen=True, eq=False)
class Rows:
    """What the n rows of a section with weight depend on, laid out about a state; P plays are tried.

    Attributes
    ----------
    seconds : array (n,)
    starts : int array (p,)
        First row of each piece.
    common : array (m, n)
        Derivatives by what all sections share: A and e per arcmin, and whatever else is to be tried.
    data : array (n,)
        The star's place less the state's drift, corrections not yet undone, arcsec.
    moved : array (P, n)
        Minus the telescope's path by the pulses, at the stated guide rate, arcsec.
    open : int array (k,)
        Rows at which the gears' rest is not known.
    unknown : array (P, k)
        Half of what is not known of that path there.
    variance : float
        White variance, arcsec^2, roughly: the weight of what is known of that half's share, 0 +/- 1.
    scale : array (n,) or float
        How many times as large the noise is in each row.
    """

    seconds: Floats
    starts: Integers
    common: Floats
    data: Floats
    moved: Floats
    open: Integers
    unknown: Floats
    variance: float
    scale: Floats | float = 1.0

    def beside(self, columns: Floats) -> Rows:
        """Return them with further columns (k, n) after the common ones."""
        return replace(self, common=np.vstack([self.common, columns]))


@dataclass(frozen=True, eq=False)
class NormalTable:
    """Normal equations of a section at J noises and P plays.

    Attributes
    ----------
    matrix : array (J, P, m + 2, m + 2)
        Of the common columns, the telescope's path and the data, in units of the white variance.
    log_det : array (J, P)
        Of the rows' covariance and of what was eliminated.
    free : int
        Rows less levels.
    """

    matrix: Floats
    log_det: Floats
    free: int

    def some(self, noises: slice) -> NormalTable:
        """Return it at these noises."""
        return replace(self, matrix=self.matrix[noises], log_det=self.log_det[noises])

    def profile(self, rates: Floats) -> Floats:
        """Log-likelihood at guide rates (R,), all else fitted to each, noise included: (J, P, R)."""
        data = self.matrix[..., :, -1, None] - rates * self.matrix[..., :, -2, None]
        square = data[..., -1, :] - rates * data[..., -2, :]
        inner, cross = self.matrix[..., :-2, :-2], data[..., :-2, :]
        scale = np.sqrt(np.maximum(np.einsum("...ii->...i", inner), 1e-300))
        whole = inner / scale[..., :, None] / scale[..., None, :] + 1e-9 * np.eye(inner.shape[-1])
        cross = cross / scale[..., None]
        square = square - np.einsum("...ir,...ir->...r", np.linalg.solve(whole, cross), cross)
        result: Floats = -0.5 * (self.free * np.log(np.maximum(square, 1e-300)) + self.log_det[..., None])
        return result

    def white_variance(self) -> Floats:
        """White variance that suits each noise and play best, everything else fitted along: (J, P), arcsec^2."""
        inner, cross = self.matrix[..., :-1, :-1], self.matrix[..., :-1, -1]
        scale = np.sqrt(np.maximum(np.einsum("...ii->...i", inner), 1e-300))
        # Columns of nothing (no pulses, a play that swallows all) and twins take no degree of freedom that counts.
        whole = inner / scale[..., :, None] / scale[..., None, :] + 1e-9 * np.eye(inner.shape[-1])
        found = np.linalg.solve(whole, (cross / scale)[..., None])[..., 0]
        square = self.matrix[..., -1, -1] - np.einsum("...i,...i->...", found, cross / scale)
        fitted = np.sum(np.einsum("...ii->...i", inner) > 0, axis=-1)
        result: Floats = np.maximum(square, 1e-12 * self.matrix[..., -1, -1]) / (self.free - fitted)
        return np.maximum(result, 1e-12)


def table_of(layout: Rows, noises: Floats) -> NormalTable:
    """Weigh a section by noises (J, 2): log ratio and log time of each."""
    rows, many, plays = len(layout.seconds), len(layout.common), len(layout.moved)
    columns = np.vstack([np.ones(rows), layout.common, layout.data, layout.moved])
    # The levels take up any constant, and small numbers keep more digits than large ones.
    lengths = np.diff(np.append(layout.starts, rows))
    columns[1:] -= np.repeat(np.add.reduceat(columns[1:], layout.starts, axis=1) / lengths, lengths, axis=1)
    columns /= layout.scale
    laid = _Laid(layout, columns)
    matrix = np.empty((len(noises), plays, many + 2, many + 2))
    log_det = np.empty((len(noises), plays))
    for number, (ratio, time) in enumerate(np.exp(noises)):
        told = forecast(layout.seconds, layout.starts, ratio, time)
        matrix[number], log_det[number] = laid.weighed(told)
    return NormalTable(matrix, log_det, rows - len(layout.starts))


class _Laid:
    """A section's columns (k, n): ones, m common ones, the data, P paths; and the halves of what is not known of the paths."""

    def __init__(self, layout: Rows, columns: Floats) -> None:
        self.starts, self.columns, self.variance = layout.starts, columns, layout.variance
        self.room = np.empty((2, *columns.shape))
        self.many, self.plays = many, plays = len(layout.common), len(layout.moved)
        # Of each play: the common columns, its path, the data.
        self.asked = np.column_stack(
            [
                *np.tile(np.arange(1, 1 + many), (plays, 1)).T,
                2 + many + np.arange(plays),
                np.full(plays, 1 + many),
            ]
        )
        # Only the first rows of some pieces have anything of the halves.
        piece = np.searchsorted(self.starts, layout.open, side="right") - 1
        self.piece = np.unique(piece)
        after = layout.open[np.searchsorted(piece, self.piece, side="right") - 1] + 1
        lengths = after - self.starts[self.piece]
        self.first = np.cumsum(lengths) - lengths
        shift = self.starts[self.piece] - self.first
        self.near = np.arange(int(np.sum(lengths))) + np.repeat(shift, lengths)
        self.half = np.zeros((plays, len(self.near)))
        self.half[:, np.searchsorted(self.near, layout.open)] = layout.unknown
        self.half *= columns[0, self.near]

    def weighed(self, told: Forecast) -> tuple[Floats, Floats]:
        """(matrix (P, m + 2, m + 2), log det (P,)) by one noise: what each piece has for itself is taken out."""
        new = told.new(self.columns, self.room)
        level = np.add.reduceat(np.multiply(new, new[0], out=self.room[0]), self.starts, axis=1)
        mine = level[self.asked]
        matrix = self._products(new) - (mine / level[0]) @ mine.transpose(0, 2, 1)
        log_det = np.full(self.plays, told.log_det + float(np.sum(np.log(level[0]))))
        if self.near.size:
            there, half = new[:, self.near], told.within(self.near).new(self.half)
            own, share = (np.add.reduceat(each, self.first, axis=1) for each in (half**2, there[0] * half))
            cross = np.add.reduceat(there[self.asked] * half[:, None], self.first, axis=2)
            part = share / level[0, self.piece]
            own, cross = own - share * part + self.variance, cross - mine[:, :, self.piece] * part[:, None]
            matrix -= (cross / own[:, None]) @ cross.transpose(0, 2, 1)
            log_det += np.sum(np.log(own / self.variance), axis=1)
        return (matrix + matrix.transpose(0, 2, 1)) / 2, log_det

    def _products(self, new: Floats) -> Floats:
        """Products of what is new in the columns of each play: (P, m + 2, m + 2)."""
        known, paths = slice(1, 2 + self.many), slice(2 + self.many, None)
        both = new[known] @ new[1:].T
        found = np.empty((self.plays, self.many + 2, self.many + 2))
        place = [*range(self.many), self.many + 1]
        found[:, *np.ix_(place, place)] = both[:, : self.many + 1]
        found[:, place, self.many] = found[:, self.many, place] = both[:, self.many + 1 :].T
        found[:, self.many, self.many] = np.einsum("ij,ij->i", new[paths], new[paths])
        return found
