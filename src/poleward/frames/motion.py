"""How fast a followed field moves, and how sure that is: generalised least squares with a noise that has a memory.

All stars of a picture shake together, by the air, the wind and the drive, far more than their centres are uncertain: the
stars' scatter says nothing of it, and only the series of pictures does. Its noise is that of the guide logs: one part
new in each picture, one that lasts. A few dozen pictures tell that memory badly, so all that are possible are
weighed, each with its own slope, and the sigma holds what they say together. Pointings of one run have the same mount,
camera and night: each hears what the others say of the noise's shape.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from poleward.frames.match import Indices
from poleward.guidelog.fitting.noise import Covariance, Integers, Noise, covariance, standardised
from poleward.guidelog.fitting.tables import NO_MEMORY
from poleward.sky.axis import Floats

LEAST_FRAMES = 3
BEND_FRAMES = 6
BEND_S = 300.0
"""In longer runs the path may bend: by 0.2 arcsec then for an axis a degree off, by 2 arcsec in a quarter of an hour. In
shorter ones a bend would hide most of what tells the noise's memory, and is less than a tenth of the seeing."""
OUTLIER = 4.5
"""As in a guide log: pictures so many sigmas off what all others say are left out; gusts."""
RATIOS = np.log(10.0) * np.arange(-1.6, 4.1, 0.7)
STEP_TIME = 1.0
"""Noises looked at: (lasting / new)^2 from 0.025 to 10,000, and times from two pictures to four times the run. Five times as
fine moves no sigma by more than 0.02 of itself."""
LASTING = (np.log([0.7, 45.0]), np.array([1.5, 1.2]))
NOTHING_LASTS = 0.2
"""What is believed beforehand of log (lasting / new)^2 and log time (s), middle and standard deviation, and the chance that
nothing lasts. Wider and more often lasting than for a guide log: no guide rate here imitates a memory, and two
minutes say so little of one that the belief decides (docs/experiments/frames.py, its table of noises)."""
OF_ITS_OWN = 0.3
"""Chance that a pointing shakes in a way of its own: behind a wall, another wind. Worst 95 % interval of a windy pointing beside
a calm one, of bare series of twelve noises: 78 % at 0, 84 at 0.3, 86 alone; alike pointings gain nearly the same at 0 and 0.3
(docs/experiments/frames.py, noise)."""
DRIVE_ARCSEC = 10.0
DRIVE_PERIODS_S = (240.0, 360.0, 480.0, 640.0)
"""A worm wheel's error, from its middle, and how long its turn takes on common mounts (common practice, no source)."""


@dataclass(frozen=True)
class Pace:
    """How fast something changes.

    Attributes
    ----------
    rate : float
        Mean over the run, units of the values per second.
    sigma : float
        Half the width of the interval that holds 95 % over 1.96: few pictures have more than a normal
        distribution beyond.
    noise : Noise
        The likeliest, in units of the values.
    used : int array (n,)
        The pictures that were used.
    """

    rate: float
    sigma: float
    noise: Noise
    used: Indices


Series = tuple[Floats, Floats, Floats]
"""Of one pointing: `seconds` (n,), rising, three at least; `values` (n,), pixels, arcsec or radians; `sigmas` (n,) of them by the
stars' noise alone, which weigh the pictures against each other: how noisy the series is it says itself."""


def pace(seconds: Floats, values: Floats, sigmas: Floats) -> Pace:
    """Fit the mean rate of one series; as `paces`."""
    return paces([(seconds, values, sigmas)])[0]


def paces(several: Sequence[Series]) -> list[Pace]:
    """Fit the mean rates of series, one for each pointing, that most likely share the shape of their noise.

    Raises
    ------
    ValueError
        One has fewer than three pictures.
    """
    from scipy.special import logsumexp

    if not several:
        return []
    shortest = min(len(seconds) for seconds, _, _ in several)
    if shortest < LEAST_FRAMES:
        raise ValueError(f"a rate and its noise need {LEAST_FRAMES} pictures, here are {shortest}")
    noises, belief = _noises([seconds for seconds, _, _ in several])
    fits, useds = zip(*(_without_gusts(series, noises, belief) for series in several), strict=True)
    # With some chance the others' noise is any that is believed in, and says nothing of this one's.
    said = [
        np.logaddexp(
            math.log(1 - OF_ITS_OWN) + fit.height, math.log(OF_ITS_OWN) + logsumexp(fit.height + belief)
        )
        for fit in fits
    ]
    found = []
    for fit, used, own in zip(fits, useds, said, strict=True):
        fit.weigh_noises(belief + sum(said) - own)
        rate, sigma = fit.rate()
        found.append(Pace(rate, sigma, fit.noise(), used))
    return found


def _without_gusts(series: Series, noises: Floats, belief: Floats) -> tuple[_Fit, Indices]:
    """Fit one series, and leave out pictures that are far off what all others say."""
    count = len(series[0])
    used = np.arange(count)
    while True:
        seconds, values, sigmas = (each[used] for each in series)
        fit = _Fit(seconds, values, sigmas, noises)
        fit.weigh_noises(belief)
        off = np.abs(fit.pulls())
        worst = int(np.argmax(off))
        if off[worst] < OUTLIER or count - len(used) >= count // 5:
            return fit, used
        used = np.delete(used, worst)


def _noises(several: Sequence[Floats]) -> tuple[Floats, Floats]:
    """Noises looked at, log ratio and log time (k, 2), and the belief in each, a log (k,); the last has no memory."""
    cadence = min(float(np.median(np.diff(seconds))) for seconds in several)
    span = max(_span(seconds) for seconds in several)
    times = np.arange(math.log(2 * cadence), math.log(max(4 * span, 4 * cadence)), STEP_TIME)
    noises = np.stack([each.ravel() for each in np.meshgrid(RATIOS, times, indexing="ij")], axis=1)
    cell = float(RATIOS[1] - RATIOS[0]) * STEP_TIME
    off = (noises - LASTING[0]) / LASTING[1]
    belief = -0.5 * np.sum(off**2, axis=1) - math.log(2 * math.pi * float(np.prod(LASTING[1])) / cell)
    return (
        np.concatenate([noises, np.log([NO_MEMORY])]),
        np.append(math.log(1 - NOTHING_LASTS) + belief, math.log(NOTHING_LASTS)),
    )


def drive_sigma(seconds: Floats) -> float:
    """Sigma of an east rate, arcsec/s, by a worm wheel's error whose phase nobody knows.

    A part of a wave looks like a steady drift: a few minutes of pictures cannot tell, however little they scatter. Root
    mean square over phases and usual periods of the slope that `pace` finds in a wave of usual height.

    Parameters
    ----------
    seconds : array (n,)
        Of the pictures used.
    """
    columns = _path(seconds)
    slope = np.linalg.pinv(columns)[1] / _span(seconds)
    waves = [
        abs(slope @ np.exp(2j * math.pi * (seconds - seconds[0]) / period)) for period in DRIVE_PERIODS_S
    ]
    return DRIVE_ARCSEC * float(np.sqrt(np.mean(np.square(waves)) / 2))


def _span(seconds: Floats) -> float:
    return float(seconds[-1] - seconds[0]) or 1.0


def _path(seconds: Floats) -> Floats:
    """Columns (n, 2 or 3): a place, the mean motion over the run, a bend."""
    t = (seconds - (seconds[0] + seconds[-1]) / 2) / _span(seconds)
    columns = [np.ones(len(t)), t]
    if len(t) >= BEND_FRAMES and _span(seconds) > BEND_S:
        columns.append(t * t)
    return np.column_stack(columns)


class _Fit:
    """One series at all noises."""

    def __init__(self, seconds: Floats, values: Floats, sigmas: Floats, noises: Floats) -> None:
        self.seconds, self.columns, self.noises = seconds, _path(seconds), noises
        self.values = values - np.mean(values)
        self.free = len(seconds) - self.columns.shape[1]
        self.weights = _weights(self.values, sigmas)
        self.starts: Integers = np.zeros(1, np.int64)
        slopes, spreads, heights = zip(*(self._at(noise) for noise in self.noises), strict=True)
        self.slope, self.spread, self.height = np.array(slopes), np.array(spreads), np.array(heights)

    def weigh_noises(self, others: Floats) -> None:
        """Give each noise its share, by this series and the log of what else is known of it (k,)."""
        height = self.height + others
        self.share = np.exp(height - np.max(height))
        self.share /= self.share.sum()

    def _weigh(self, noise: Floats) -> Covariance:
        ratio, time = np.exp(noise)
        return covariance(self.seconds, self.starts, float(ratio), float(time), self.weights)

    def _at(self, noise: Floats) -> tuple[float, float, float]:
        """Slope over the run, its spread (Student's t), and log likelihood by residuals alone (REML)."""
        weigh = self._weigh(noise)
        inner, found, off = self._line(weigh)
        variance = max(float(off @ weigh.solve(off[:, None])[:, 0]), 1e-30) / self.free
        height = -0.5 * (weigh.log_det + float(np.linalg.slogdet(inner)[1]) + self.free * math.log(variance))
        return float(found[1]), math.sqrt(variance * float(np.linalg.inv(inner)[1, 1])), height

    def _line(self, weigh: Covariance) -> tuple[Floats, Floats, Floats]:
        """Information on the path's coefficients, the coefficients, and what is left of the values."""
        solved = weigh.solve(self.columns)
        inner = self.columns.T @ solved
        found: Floats = np.asarray(np.linalg.solve(inner, solved.T @ self.values), float)
        return inner, found, self.values - self.columns @ found

    def pulls(self) -> Floats:
        """How far each picture is from what all others say, in sigmas (n,)."""
        weigh = self._weigh(self.noises[np.argmax(self.share)])
        pull = standardised(weigh, self._line(weigh)[2], 1.0)
        # The scale of most pictures, else one gust hides itself in it.
        scale = 1.4826 * float(np.median(np.abs(pull)))
        if self.free < BEND_FRAMES or scale == 0:
            return np.zeros(len(pull))
        return pull / scale

    def rate(self) -> tuple[float, float]:
        """Mean and sigma of a mixture of Student's t."""
        from scipy.optimize import brentq
        from scipy.special import stdtr

        middle = float(self.share @ self.slope)
        widest = float(np.max(np.abs(self.slope - middle))) + 1e3 * float(np.max(self.spread))

        def outside(half: float) -> float:
            below, above = (
                stdtr(self.free, (side - self.slope) / self.spread) for side in (middle - half, middle + half)
            )
            return float(self.share @ (below + 1 - above)) - 0.05

        half = brentq(outside, 0.0, widest, xtol=1e-9 * widest)
        span = _span(self.seconds)
        return middle / span, float(half) / 1.959964 / span

    def noise(self) -> Noise:
        """Return the likeliest noise."""
        best = int(np.argmax(self.share))
        ratio, time = np.exp(self.noises[best])
        weigh = self._weigh(self.noises[best])
        off = self._line(weigh)[2]
        white = math.sqrt(float(off @ weigh.solve(off[:, None])[:, 0]) / self.free)
        return Noise(white, white * math.sqrt(ratio), float(time))


def _weights(values: Floats, sigmas: Floats) -> Floats:
    """Pictures with few stars, under a cloud, count less: variance of the stars' noise and of what shakes all alike."""
    stars = sigmas**2
    if len(values) < BEND_FRAMES:
        return np.ones(len(values))
    second = np.diff(values, 2)
    common = max((1.4826 * float(np.median(np.abs(second)))) ** 2 / 6 - float(np.median(stars)), 0.0)
    variance = common + np.maximum(stars, 1e-3 * np.median(stars) + 1e-300)
    result: Floats = np.median(variance) / variance
    return result
