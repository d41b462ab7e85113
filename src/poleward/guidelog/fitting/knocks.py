"""Where a series of nights breaks: knocks, and nights that say something that no other night does.

They are found step by step: of all that could be done next (a knock somewhere, a night set aside) the one is taken that
chance would explain least, until chance explains the rest. The chance is a chi-square of the fall in the sum of squares,
times the number of things tried (Bonferroni). Nights whose answers scatter more than they claim are allowed to (`excess`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from poleward.guidelog.fitting.noise import Integers
from poleward.sky.axis import Floats

CHANCE = 0.02
"""A knock, or a bad night, must be less likely by chance than this, all places tried: docs/experiments/seasons.py."""
LEAST_FOR_EXCESS = 8
"""Of fewer nights the scatter says too little to widen what is claimed."""
RATES = (0.03, 0.1, 0.3, 1.0, 3.0)
"""How fast piers settle, arcmin a day, rms of each error: from hardly to by a degree in a month, each as likely as the next.

What a season's own lines say of it decides among them; with one of them given, dates come out the same to a few in a
hundred (docs/experiments/seasons.py)."""
MOST_ASIDE = 0.2
"""Share of the nights that may be set aside: of more it cannot be said which are the bad ones."""


@dataclass(frozen=True, eq=False)
class Line:
    """A straight line through n nights.

    Attributes
    ----------
    square : float
        Sum of squares left over.
    values : array (4,)
        A and e on the last of them, and how they change a day; a single night has no change.
    information : array (4, 4)
        Of these; zero where there is none.
    drops : array (n,)
        By how much the sum of squares falls without each night.
    """

    square: float
    values: Floats
    information: Floats
    drops: Floats

    @property
    def covariance(self) -> Floats:
        """Of the values, (4, 4)."""
        return np.asarray(np.linalg.pinv(self.information, hermitian=True), np.float64)


def _excess(days: Floats, points: Floats, covariance: Floats) -> float:
    """By how much the nights' variances are too small: from each night against the line through its neighbours.

    By their lower quartile, which of a chi-square with two degrees of freedom is 2 ln(4/3): a bad night spoils three of
    these, so that two in twelve would spoil a median.
    """
    if len(days) < LEAST_FOR_EXCESS:
        return 1.0
    share = (days[1:-1] - days[:-2]) / np.maximum(days[2:] - days[:-2], 1e-9)
    off = points[1:-1] - points[:-2] - share[:, None] * (points[2:] - points[:-2])
    before, after = (1 - share)[:, None, None] ** 2, share[:, None, None] ** 2
    spread = covariance[1:-1] + before * covariance[:-2] + after * covariance[2:]
    squares = np.einsum("ni,nij,nj->n", off, np.linalg.inv(spread), off)
    return max(1.0, float(np.quantile(squares, 0.25)) / (2 * math.log(4 / 3)))


class Nights:
    """Nights laid out for many lines: whitened, so that every sum of squares is a chi-square."""

    def __init__(self, days: Floats, points: Floats, information: Floats) -> None:
        self.days = days
        self.root = np.linalg.cholesky(information).transpose(0, 2, 1)
        self.data = np.einsum("nij,nj->ni", self.root, points)
        self.excess = _excess(days, points, np.asarray(np.linalg.inv(information), np.float64))
        self._lines: dict[bytes, Line] = {}

    def line(self, rows: Integers) -> Line:
        """The best line through some nights."""
        key = rows.tobytes()
        if key not in self._lines:
            self._lines[key] = self._fitted(rows)
        return self._lines[key]

    def shares(self, rows: Integers, moved: Floats) -> Floats:
        """What each night adds to the line through some of them when its point is moved (N, 2): (n, 4)."""
        root, days = self.root[rows], self.days[rows] - self.days[rows[-1]]
        pulled = np.einsum("nji,nj->ni", root, np.einsum("nij,nj->ni", root, moved[rows]))
        pulls = np.concatenate([pulled, pulled * days[:, None]], axis=1)
        return np.asarray(pulls @ self.line(rows).covariance, np.float64)

    def log_chance(self, fall: Floats, values: Integers) -> Floats:
        """Logarithm of the chance that a sum of squares falls so far by two or four more values.

        Of a chi-square, in closed form since the values are even (Abramowitz & Stegun 1964, 26.4.21): scipy's
        logarithm is minus infinity from 1500 on, and knocks are larger.
        """
        half = np.maximum(fall, 0.0) / self.excess / 2
        result: Floats = -half + np.log1p(half * (values > 2))
        return result

    def log_evidence(self, rows: Integers) -> Floats:
        """Log likelihood of some nights on one line, any place alike and each of `RATES` in its turn: (R,).

        The integral over a Gaussian: its peak times the root of the covariance's
        determinant, and the density of the rate found under a rate that is normal about zero.
        """
        line, of = self.line(rows), 2 if np.ptp(self.days[rows]) == 0 else 4
        covariance = np.linalg.inv(line.information[:of, :of]) * self.excess
        peak = -line.square / self.excess / 2 + np.linalg.slogdet(covariance)[1] / 2
        if of == 2:
            return np.full(len(RATES), peak)
        spread = covariance[2:, 2:] + np.square(RATES)[:, None, None] * np.eye(2)
        rate = line.values[2:]
        far = np.einsum("i,rij,j->r", rate, np.linalg.inv(spread), rate)
        return np.asarray(peak - far / 2 - np.linalg.slogdet(spread)[1] / 2, np.float64)

    def _fitted(self, rows: Integers) -> Line:
        root, days = self.root[rows], self.days[rows] - self.days[rows[-1]]
        columns = np.concatenate([root, root * days[:, None, None]], axis=2)
        design = columns.reshape(-1, 4)[:, : 4 if np.ptp(days) > 0 else 2]
        basis, triangle = np.linalg.qr(design)
        data = self.data[rows].reshape(-1)
        left = (data - basis @ (basis.T @ data)).reshape(-1, 2)
        values = np.zeros(4)
        values[: design.shape[1]] = np.linalg.solve(triangle, basis.T @ data)
        information = np.zeros((4, 4))
        information[: design.shape[1], : design.shape[1]] = triangle.T @ triangle
        # Cook & Weisberg 1982, section 2.2; a night on which the line hangs alone has nothing left over.
        hat = np.einsum("nia,nja->nij", *2 * [basis.reshape(len(rows), 2, -1)])
        spare = np.eye(2) - hat
        drops = np.einsum("ni,nij,nj->n", left, np.linalg.pinv(spare, rcond=1e-9, hermitian=True), left)
        return Line(float(np.sum(left**2)), values, information, drops)


@dataclass(frozen=True)
class Account:
    """Which nights are used (rising), and which of them begin a new spell."""

    used: Integers
    begins: tuple[int, ...] = ()

    @property
    def spells(self) -> list[Integers]:
        """Nights from one knock to the next."""
        return list(np.split(self.used, np.searchsorted(self.used, self.begins)))

    @property
    def ends(self) -> tuple[int, int]:
        """First and last night of all."""
        return int(self.used[0]), int(self.used[-1])

    def around(self, begin: int) -> Integers:
        """Nights of the two spells on both sides of a knock."""
        number = self.begins.index(begin)
        return np.concatenate(self.spells[number : number + 2])

    def without(self, night: int) -> Account:
        """Set a night aside; a spell that began with it begins with the next one."""
        left = self.used[self.used != night]
        moved = (begin if begin != night else int(left[left > night][0]) for begin in self.begins)
        return Account(left, tuple(moved))


def cuts(nights: Nights, rows: Integers, ends: tuple[int, int]) -> tuple[Integers, Floats]:
    """First nights after a knock within some nights, and the log chance of each.

    A spell of a single night is a bad night, but at the season's ends, where nothing can tell.
    """
    at = [
        q
        for q in range(1, len(rows))
        if len(rows) > 2 and (q > 1 or rows[0] == ends[0]) and (q < len(rows) - 1 or rows[-1] == ends[1])
    ]
    whole = nights.line(rows).square
    fall = np.array([whole - nights.line(rows[:q]).square - nights.line(rows[q:]).square for q in at])
    values = np.array([min(4, 2 * q) + min(4, 2 * (len(rows) - q)) - 4 for q in at])
    return rows[at].astype(np.int64), nights.log_chance(fall, values)


def dates(nights: Nights, rows: Integers, ends: tuple[int, int]) -> tuple[Integers, Floats]:
    """First nights after a knock within some nights, and the probability of each, if there was one."""
    where, _ = cuts(nights, rows, ends)
    parts = [np.split(rows, np.searchsorted(rows, [first])) for first in where]
    logs = np.array([nights.log_evidence(before) + nights.log_evidence(after) for before, after in parts])
    chances = np.sum(np.exp(logs - np.max(logs)), axis=1)
    return where, chances / np.sum(chances)


def _best_step(nights: Nights, account: Account) -> tuple[float, Account]:
    """The knock or the bad night that chance explains least: (log chance, all tried; how things stand with it)."""
    ends = account.ends
    found, tried = [], 0
    for rows in account.spells:
        where, chances = cuts(nights, rows, ends)
        tried += len(where)
        if len(where):
            best = int(np.argmin(chances))
            begins = tuple(sorted((*account.begins, int(where[best]))))
            found.append((float(chances[best]), Account(account.used, begins)))
        if len(rows) > 2:
            chances = nights.log_chance(nights.line(rows).drops, np.full(len(rows), 2))
            chances[(rows == ends[0]) | (rows == ends[1])] = 0.0
            tried += len(rows)
            best = int(np.argmin(chances))
            # A knock that explains as much is the simpler story.
            found.append((float(chances[best]) + 1e-6, account.without(int(rows[best]))))
    if not found:
        return 0.0, account
    chance, better = min(found, key=lambda each: each[0])
    return chance + float(np.log(tried)), better


def _polished(nights: Nights, account: Account) -> Account:
    """Move each knock to its best date between its neighbours; drop one that chance explains after all."""
    for begin in account.begins:
        others = tuple(each for each in account.begins if each != begin)
        where, chances = cuts(nights, account.around(begin), account.ends)
        if not len(where) or float(np.min(chances)) + np.log(len(account.used)) > math.log(CHANCE):
            return _polished(nights, replace(account, begins=others))
        where, likely = dates(nights, account.around(begin), account.ends)
        best = int(where[int(np.argmax(likely))])
        account = replace(account, begins=tuple(sorted((*others, best))))
    return account


def account_of(nights: Nights) -> Account:
    """Find the knocks and the bad nights, the least likely by chance first."""
    account, count = Account(np.arange(len(nights.days))), len(nights.days)
    for _ in range(count):
        chance, better = _best_step(nights, account)
        if chance > math.log(CHANCE) or count - len(better.used) > MOST_ASIDE * count:
            break
        account = _polished(nights, better)
    return _polished(nights, account)
