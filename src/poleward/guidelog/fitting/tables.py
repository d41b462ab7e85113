"""Normal equations of one section at many noises and plays at once: what the integral over them adds up.

With the noise's shape and the play of the gears given, everything else is linear: the axis error about a state, the
guide rate, the level of each piece and what is not known of the gears' rest at its beginning. The last two are
eliminated piece by piece (`noise`); what remains is a small matrix for each noise and play. All plays are columns of
one table, which is weighed once per noise.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from poleward.guidelog.fitting.noise import Covariance, Integers, covariance
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
    unknown : array (P, n)
        Half of what is not known of that path, while the gears' rest is not.
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
    columns = np.empty((1 + many + 1 + 2 * plays, rows))
    columns[0] = 1.0
    columns[1 : 1 + many] = layout.common
    columns[1 + many] = layout.data
    columns[2 + many : 2 + many + plays] = layout.moved
    columns[2 + many + plays :] = layout.unknown
    # The levels take up any constant, and small numbers keep more digits than large ones.
    lengths = np.diff(np.append(layout.starts, rows))
    known = columns[1 : 2 + many + plays]
    known -= np.repeat(np.add.reduceat(known, layout.starts, axis=1) / lengths, lengths, axis=1)
    columns /= layout.scale
    laid = _Laid(layout.starts, columns, many, layout.variance)
    matrix = np.empty((len(noises), plays, many + 2, many + 2))
    log_det = np.empty((len(noises), plays))
    for number, (ratio, time) in enumerate(np.exp(noises)):
        weigh = covariance(layout.seconds, layout.starts, ratio, time)
        matrix[number], log_det[number] = laid.weighed(weigh)
    return NormalTable(matrix, log_det, rows - len(layout.starts))


class _Laid:
    """A section's columns (k, n): ones, m common ones, the data, P paths and P halves of what is not known of them."""

    def __init__(self, starts: Integers, columns: Floats, many: int, variance: float) -> None:
        self.starts, self.columns, self.many, self.variance = starts, columns, many, variance
        self.plays = plays = (len(columns) - 2 - many) // 2
        paths = 2 + many + np.arange(plays)
        # Of each play: its half, the common columns, its path, the data.
        self.asked = np.column_stack(
            [paths + plays, *np.tile(np.arange(1, 1 + many), (plays, 1)).T, paths, np.full(plays, 1 + many)]
        )
        self.even = bool(np.all(columns[0] == 1.0))
        halves = columns[2 + many + plays :]
        self.open = np.flatnonzero(np.any(halves, axis=0))
        piece = np.searchsorted(starts, self.open, side="right") - 1
        self.first = np.flatnonzero(np.diff(piece, prepend=-1))
        self.piece, self.half = piece[self.first], halves[:, None, self.open]

    def _sums(self, solved: Floats) -> tuple[Floats, Floats, Floats]:
        """Products with the columns (P, m + 2, m + 2), sums by pieces (k, p), and of products with halves (P, m + 3, p')."""
        known, paths = slice(1, 2 + self.many), slice(2 + self.many, 2 + self.many + self.plays)
        both = self.columns[known] @ solved[1 : paths.stop].T
        found = np.empty((self.plays, self.many + 2, self.many + 2))
        place = [*range(self.many), self.many + 1]
        found[:, *np.ix_(place, place)] = both[:, : self.many + 1]
        found[:, place, self.many] = found[:, self.many, place] = both[:, self.many + 1 :].T
        found[:, self.many, self.many] = np.einsum("ij,ij->i", self.columns[paths], solved[paths])
        level = np.add.reduceat(solved if self.even else solved * self.columns[0], self.starts, axis=1)
        if not self.open.size:
            return found, level, np.zeros((self.plays, self.many + 3, 0))
        there = solved[:, self.open][self.asked] * self.half
        return found, level, np.add.reduceat(there, self.first, axis=2)

    def weighed(self, weigh: Covariance) -> tuple[Floats, Floats]:
        """(matrix (P, m + 2, m + 2), log det (P,)) by one noise: what each piece has for itself is taken out."""
        matrix, level, shares = self._sums(weigh.solve_rows(self.columns))
        mine = level[self.asked]
        matrix -= (mine[:, 1:] / level[0]) @ mine[:, 1:].transpose(0, 2, 1)
        log_det = np.full(self.plays, weigh.log_det + float(np.sum(np.log(level[0]))))
        if self.open.size:
            # Only pieces with rows where the gears' rest is open have any of it.
            mine, whole = mine[:, :, self.piece], level[0, self.piece]
            left = shares - mine * (mine[:, :1] / whole)
            own, cross = left[:, 0] + self.variance, left[:, 1:]
            matrix -= (cross / own[:, None]) @ cross.transpose(0, 2, 1)
            log_det += np.sum(np.log(own / self.variance), axis=1)
        return (matrix + matrix.transpose(0, 2, 1)) / 2, log_det
