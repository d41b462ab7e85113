"""Many nights of one mount: a pier that settles, and is knocked now and then.

Between knocks the axis moves along a straight line, each such spell with a line of its own; at a knock it jumps.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from poleward.guidelog.fitting.answer import positive
from poleward.guidelog.fitting.knocks import Account, Nights, account_of, dates
from poleward.sky.axis import Floats
from poleward.solving.estimate import DOUBT
from poleward.solving.least_squares import p_value, scatter_factor

LEAST_NIGHTS = 3
"""Two nights make a line, a third one can speak against it."""
NAMED = 0.95
"""A knock is dated to the fewest nights that hold it with this probability."""


@dataclass(frozen=True, eq=False)
class Spell:
    """Nights between two knocks, and the straight line through them.

    Attributes
    ----------
    first, last : int
        Its nights, by number, both included.
    count : int
        How many of them were used.
    values : array (4,)
        A and e on its last night, arcmin, and how they change, arcmin per day.
    covariance : array (4, 4)
        Of these; zero for the change where there is one night only.
    """

    first: int
    last: int
    count: int
    values: Floats
    covariance: Floats

    @property
    def place(self) -> Floats:
        """A and e on its last night, arcmin, (2,)."""
        return self.values[:2]

    @property
    def rate(self) -> Floats | None:
        """How A and e change, arcmin per day, (2,); None for fewer nights than can speak against a line."""
        return self.values[2:] if self.count >= LEAST_NIGHTS else None

    @property
    def sigmas(self) -> Floats:
        """Standard uncertainties of place and rate, (4,)."""
        sigmas: Floats = np.sqrt(np.diag(self.covariance))
        return sigmas

    def at(self, days: float) -> tuple[Floats, Floats]:
        """A and e so many days after its last night, and their standard uncertainties, arcmin, (2,) each."""
        reach = np.hstack([np.eye(2), days * np.eye(2)])
        return reach @ self.values, np.sqrt(np.diag(reach @ self.covariance @ reach.T))


@dataclass(frozen=True, eq=False)
class Knock:
    """A jump of the axis.

    Attributes
    ----------
    before, after : int
        The nights between which it happened, by number; neighbours where its date is certain.
    jump, sigmas : array (2,)
        Of A and e, arcmin, from the last night before to the first one after, and its standard uncertainties.
    alone : int or None
        The night, the season's first or last, that alone tells of it, and may be wrong itself; None where two do.
    """

    before: int
    after: int
    jump: Floats
    sigmas: Floats
    alone: int | None = None

    def numbered(self, numbers: Sequence[int]) -> Knock:
        """Return it with other numbers for the nights."""
        alone = None if self.alone is None else numbers[self.alone]
        return replace(self, before=numbers[self.before], after=numbers[self.after], alone=alone)


@dataclass(frozen=True, eq=False)
class Season:
    """What some nights say together.

    Attributes
    ----------
    spells : tuple of Spell
        The last one tells where the axis stands now, and since when.
    knocks : tuple of Knock
        One fewer.
    nights : tuple of int
        All nights, by number, in time.
    aside : tuple of int
        Those of them that say something that no other night does.
    chi_square, degrees_of_freedom, p_value : float, int, float or None
        Of the nights used about the lines.
    factor : float
        By which all uncertainties are widened, since the nights scatter more than they claim.
    """

    spells: tuple[Spell, ...]
    knocks: tuple[Knock, ...]
    nights: tuple[int, ...]
    aside: tuple[int, ...]
    chi_square: float
    degrees_of_freedom: int
    p_value: float | None
    factor: float

    def numbered(self, numbers: Sequence[int]) -> Season:
        """Return the same with other numbers for the nights."""
        return replace(
            self,
            spells=tuple(replace(s, first=numbers[s.first], last=numbers[s.last]) for s in self.spells),
            knocks=tuple(knock.numbered(numbers) for knock in self.knocks),
            nights=tuple(numbers[night] for night in self.nights),
            aside=tuple(numbers[night] for night in self.aside),
        )


def common_part(shares: Floats) -> Floats:
    """What the covariance of a sum of n shares (n, m) lacks if they all err the same way, not each its own: (m, m)."""
    total = np.sum(shares, axis=0)
    return positive(np.outer(total, total) - shares.T @ shares)


def season_of(days: Floats, points: Floats, information: Floats, shared: Sequence[Floats] = ()) -> Season:
    """Find where the axis stands now, how it moved there, and how sure that is.

    Parameters
    ----------
    days : array (n,)
        Times of the nights, rising; n is at least `LEAST_NIGHTS`.
    points : array (n, 2)
        A and e, arcmin.
    information : array (n, 2, 2)
        Inverse covariances, arcmin^-2.
    shared : sequence of array (n, 2)
        How one sigma of something that all nights share, such as a guide rate, moves their points, arcmin. It is not
        averaged away.
    """
    nights = Nights(days, points, information)
    account = account_of(nights)
    lines = [nights.line(rows) for rows in account.spells]
    square = sum(line.square for line in lines)
    free = sum(max(0, 2 * len(rows) - 4) for rows in account.spells)
    agree = p_value(square, free)
    factor = scatter_factor(square, free) if agree is not None and agree < DOUBT else 1.0
    spells = []
    for rows, line in zip(account.spells, lines, strict=True):
        covariance = line.covariance * factor**2
        for moved in shared:
            covariance = covariance + common_part(nights.shares(rows, moved))
        spells.append(Spell(int(rows[0]), int(rows[-1]), len(rows), line.values, covariance))
    knocks = tuple(_knock(nights, account, number, tuple(spells)) for number in range(len(account.begins)))
    every = tuple(range(len(days)))
    aside = tuple(sorted(set(every) - set(account.used.tolist())))
    return Season(tuple(spells), knocks, every, aside, square, free, agree, factor)


def _knock(nights: Nights, account: Account, number: int, spells: tuple[Spell, ...]) -> Knock:
    """What became of the axis at a knock, from its last night before to its first one after."""
    where, likely = dates(nights, account.around(account.begins[number]), account.ends)
    order = np.argsort(-likely)
    near = np.sort(where[order[: 1 + int(np.searchsorted(np.cumsum(likely[order]), NAMED))]])
    before, after = spells[number : number + 2]
    there, sigmas = after.at(float(nights.days[after.first] - nights.days[after.last]))
    last = int(account.used[np.searchsorted(account.used, near[0]) - 1])
    alone = next((spell.last for spell in (before, after) if spell.count == 1), None)
    return Knock(last, int(near[-1]), there - before.place, np.hypot(sigmas, before.sigmas[:2]), alone)
