"""From the fit to what is said: determined or not, how sure, and how well the sections agree."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from poleward.guidelog.fitting.doubts import doubtful, shifts
from poleward.guidelog.fitting.fit import fit
from poleward.guidelog.fitting.lattice import layout_of
from poleward.guidelog.fitting.mixture import Mixture
from poleward.guidelog.fitting.parts import Drive, Part, State, curve
from poleward.guidelog.fitting.posterior import Posterior, moved_to
from poleward.guidelog.fitting.tables import table_of
from poleward.guidelog.fitting.unlike import clock_chi_square
from poleward.guidelog.reading.section import Bools
from poleward.sky.axis import ARCSEC, Floats, displacement
from poleward.sky.pole import Pole
from poleward.solving.around import Around
from poleward.solving.determine import AxisEstimate, Determination, blind, judge
from poleward.solving.estimate import DOUBT
from poleward.solving.least_squares import coverage_factor, p_value, scatter_factor

FAR_RATE = 0.18
"""A guide rate this much off the stated one is not the mount's doing: three sigmas of a rate stated without one. With moves
of 3 arcsec that nobody noted, one in six is as far off (docs/experiments/log_oddities.py), and the answer with it."""
NOISE_ALONE, NOISE_LIKE_IT = 1.15, 1.3
"""By how much sigmas are too small where the guide rate follows from what the noise looks like, no rate being stated, and
nothing known to move the telescope but its answers to that noise: from the cells of docs/experiments/log_nights.py. More so
where what lasts is weak and short, for that is just what a wrong rate makes, and where moves that nobody logged cut the track
to pieces: of nights 100 to 159 of its last kind 89 % had held, with a rms of 1.20."""
WEAK = 2.0
"""Weak and short: so large at most is what lasts over what is new, squared, times the rows that it lasts. It is 0.6 for 0.3
over 0.7 arcsec and three rows, and comes out up to 2; 3 and more for what lasts longer."""
UNSEEN = 1.6
"""By how much sigmas are too small where the star was moved and nobody noted it: for each move that stands out there is one
that does not (moves of 3 arcsec in docs/experiments/log_oddities.py). And where pulses were written down wrong, by a guider
whose law is not told to the last ms by the others (docs/experiments/log_guiders.py)."""
WELL_KNOWN = 0.04
"""A guide rate known better than this was told by more than that: by deliberate moves, for one."""
PLAY_TELLS = 5.0
"""Play seen by so many sigmas tells the rate too: a pulse that it swallows is unlike anything that noise does. Not so after
moves that are not undone, which leave the gears anywhere, in bouts of wind, or where a drive is odd in other ways too."""
BENT = 1e-4
"""Chance below which what is left over knows the clock; one honest log in ten thousand is widened for nothing."""
OPEN = 1e-6
"""Share of the prior on A and e that is left where the data determine both: it keeps a matrix regular, no more."""
TAILS = (0.025, 0.975)


@dataclass(frozen=True, eq=False)
class SectionRates:
    """What each section says for itself: mean drift rate of S sections, the axis' own curve for its shape.

    Attributes
    ----------
    fitted, measured, sigma : array (S,)
        Rates north, arcsec/min: by the axis fitted to all sections, and the section's own.
    east_fitted : array (S,)
        Rate east by the fitted axis.
    chi_square : float
        How much likelier the rows are when each section may have a rate of its own.
    """

    fitted: Floats
    measured: Floats
    sigma: Floats
    east_fitted: Floats
    chi_square: float


@dataclass(frozen=True, eq=False)
class Fitted:
    """A fit of some sections.

    Attributes
    ----------
    parts : tuple of Part
    state : State
        At the mean of what is possible.
    information : array (2, 2)
        On A and e, arcmin^-2, from the data alone, everything else integrated out.
    intervals : array (2, 2)
        In which A and e lie with 95 %: lows and highs, arcmin.
    drive_sigma : array (D, 2)
        Sigma of rate (in units of the stated one) and backlash (ms) of each drive.
    by_rate : array (D, 2)
        How A and e go with each guide rate: arcmin for one sigma of it.
    by_air : array (2,)
        The same for the air.
    determination : Determination
    lever : array (m, 2)
        See `determine.judge`.
    rates : SectionRates
    factor : float
        By which sigmas are widened.
    cover : float
        By which intervals are wider still, since few values tell that factor.
    p_value : float or None
    degrees_of_freedom : int
    bent : float
        Chance that sections bend with the clock as they do, if they do not.
    """

    parts: tuple[Part, ...]
    state: State
    information: Floats
    intervals: Floats
    drive_sigma: Floats
    by_rate: Floats
    by_air: Floats
    determination: Determination
    lever: Floats
    rates: SectionRates
    factor: float
    cover: float
    p_value: float | None
    degrees_of_freedom: int
    bent: float


def fit_sections(
    parts: Sequence[Part], drives: Sequence[Drive], pole: Pole, sky: Around | None = None
) -> Fitted:
    """Fit some sections with one axis, and judge what they determine and whether they agree.

    `sky` is as it might be; without it air and pointings are taken for exact.
    """
    prior = blind(pole)
    found = fit(parts, drives, pole, prior)
    held = found.mixture(prior)
    information = positive(np.linalg.inv(held.moments()[1]) - prior)
    lever = _lever(found.parts, found.state, pole)
    determination = judge(information, lever, pole)
    both = determination.determined == "both"
    # Where nothing is left open, nothing needs to be held.
    mixture = _doubted(found.mixture(prior, OPEN) if both else held, found.parts, found.state.drives)
    if unnoted_moves(found.parts) or any(drive.mended for drive in found.state.drives):
        mixture = mixture.scaled(UNSEEN)
    mean, sigma = mixture.moments()[0], mixture.drive_moments()[1]
    state = replace(moved_to(found, prior), azimuth=float(mean[0]), altitude=float(mean[1]))
    doubt = doubtful(found.parts, state, pole, sky or Around())
    moved = shifts(found.parts, state, pole, sigma[:, 0], prior, doubt)
    mixture = mixture.blurred(moved.T @ moved)
    if both:
        information = np.asarray(np.linalg.inv(mixture.moments()[1]))
    else:
        blurred = np.linalg.inv(np.linalg.inv(information + prior) + moved.T @ moved)
        information = positive(np.asarray(blurred - prior, np.float64))
    rates = section_rates(found, state, sigma[:, 0], pole, doubt.of(found.parts))
    free = max(0, len(parts) - determination.directions)
    chance = p_value(rates.chi_square, free)
    factor, cover = 1.0, 1.0
    if chance is not None and chance < DOUBT:
        factor, cover = scatter_factor(rates.chi_square, free), coverage_factor(free) / 2
    chi_square, bends = clock_chi_square(found.parts, state, pole, prior, doubt.of(found.parts))
    bent = p_value(chi_square, bends) or 0.0
    if bent < BENT:
        factor *= math.sqrt(chi_square / bends)
    wide = mixture.scaled(factor * cover)
    intervals = np.array([[wide.quantile(axis, share) for share in TAILS] for axis in range(2)])
    return Fitted(
        parts=found.parts,
        state=state,
        information=information,
        intervals=intervals,
        drive_sigma=sigma,
        by_rate=mixture.by_rate(),
        by_air=moved[0],
        determination=determination,
        lever=lever,
        rates=rates,
        factor=factor,
        cover=cover,
        p_value=chance,
        degrees_of_freedom=free,
        bent=bent,
    )


def _doubted(mixture: Mixture, parts: Sequence[Part], drives: Sequence[Drive]) -> Mixture:
    """Widen what follows from a guide rate that the noise alone tells, or that is not the stated one."""
    told, sigma = mixture.drive_moments()
    stated = np.array([math.isfinite(drive.sigma) for drive in drives], bool)
    open_rate = ~stated & (sigma[:, 0] > WELL_KNOWN * told[:, 0])
    plain = np.array([not drive.odd for drive in drives], bool)
    seen = told[:, 1] > PLAY_TELLS * sigma[:, 1]
    cut = any(part.piece[-1] > 0 for part in parts)
    steady = not cut and not any(np.any(part.scale > 1) for part in parts)
    if np.any(open_rate & ~(seen & plain & steady)):
        mixture = mixture.scaled(_by_noise_alone(parts, cut and not np.any(open_rate & seen)))
    for number in np.flatnonzero(stated & far_off(told[:, 0], drives)):
        mixture = mixture.or_scaled(int(number))
    return mixture


def _by_noise_alone(parts: Sequence[Part], cut: bool) -> float:
    """By how much sigmas are too small where the noise alone tells the guide rate; `cut`: of a track in pieces."""
    # Whether the noise of most sections is such as a guide rate that is not the true one would make.
    alike = [part.noise.ratio * part.noise.correlation_time_s < WEAK * part.track.cadence_s for part in parts]
    return NOISE_LIKE_IT if cut or 2 * sum(alike) > len(alike) else NOISE_ALONE


def unnoted_moves(parts: Sequence[Part]) -> int:
    """How often a star stood elsewhere from one row to the next, and the log notes no move."""
    return sum(int(part.piece[-1] - part.track.piece[-1]) for part in parts)


def far_off(rates: Floats, drives: Sequence[Drive]) -> Bools:
    """Which guide rates (D,), in units of the stated ones, are further off than a stated one ever is."""
    sigma = np.array([drive.sigma for drive in drives])
    return np.asarray(np.abs(rates - 1) > np.maximum(FAR_RATE, 3 * sigma))


def positive(information: Floats) -> Floats:
    """Return a symmetric matrix that is at least none in every direction."""
    strengths, directions = np.linalg.eigh(information)
    kept: Floats = (directions * np.maximum(strengths, 0.0)) @ directions.T
    return kept


def _lever(parts: Sequence[Part], state: State, pole: Pole) -> Floats:
    """Drift by each error on the sky against the fastest possible, in each step of the sections' grids."""
    levers = []
    for part in parts:
        _, by = curve(part, state, pole, part.grid_s)
        levers.append(np.diff(by, axis=0) / pole.on_sky / (60 * np.diff(part.turn))[:, None])
    return np.concatenate(levers)


def section_rates(
    found: Posterior, state: State, rate_sigma: Floats, pole: Pole, beside: Sequence[Floats]
) -> SectionRates:
    """Each section's own rate, and whether they agree within what is known of the drives (D,) that they share.

    `beside` is what the air, which they share too, and its own pointing do to each, (2, n) for one sigma.

    A section that disagrees has noise of another size once it may go its own way: so its noise here is the one found
    with every section's drift free.
    """
    count = len(found.parts)
    own, variance = np.empty(count), np.empty(count)
    by_axis, by_rate = np.empty((count, 2)), np.zeros((count, len(state.drives)))
    by_sky = np.empty((count, 2))
    by_odd: list[tuple[int | None, Floats]] = []
    for i, (part, noise, further) in enumerate(zip(found.parts, found.apart, beside, strict=True)):
        drive = None if part.drive is None else state.drives[part.drive]
        layout = layout_of(part, state, pole, np.array([0.0 if drive is None else drive.backlash_ms]))
        common = np.vstack([layout.seconds / 60, layout.common[2:], further])
        along, *odd, air, aside, path, data = table_of(
            replace(layout, common=common), noise.shape[None]
        ).matrix[0, 0, 0]
        if drive is not None and part.drive is not None:
            data, by_rate[i, part.drive] = data - drive.rate * path, -path / along
        own[i], variance[i] = data / along, noise.white_arcsec**2 / along
        by_odd.append((part.drive, np.array(odd) / along))
        by_sky[i] = air / along, aside / along
        ends = part.track.seconds[[0, -1]]
        by_axis[i] = np.diff(curve(part, state, pole, ends)[1], axis=0)[0] / np.diff(ends) * 60
    doubt = np.diag(variance + by_sky[:, 1] ** 2) + np.outer(by_sky[:, 0], by_sky[:, 0])
    doubt += (by_rate * rate_sigma**2) @ by_rate.T
    # What a drive may do beside its pulses, 0 +/- 1 of each oddity, its sections share too.
    for i, (mine, odd) in enumerate(by_odd):
        for k, (other, also) in enumerate(by_odd):
            doubt[i, k] += float(odd @ also) if mine == other else 0.0
    held = np.linalg.inv(doubt)
    # The axis may give way as far as all sections let it; its prior only keeps what they leave open regular.
    give = np.linalg.solve(by_axis.T @ held @ by_axis + blind(pole) * OPEN, by_axis.T @ held @ own)
    left = own - by_axis @ give
    fitted, east = _fitted_rates(found.parts, state, pole)
    return SectionRates(fitted, fitted + own, np.sqrt(np.diag(doubt)), east, float(left @ held @ left))


def _fitted_rates(parts: Sequence[Part], state: State, pole: Pole) -> tuple[Floats, Floats]:
    """Mean rates north and east of each section by the fitted axis, arcsec/min."""
    north, east = [], []
    axis = pole.axis(state.azimuth, state.altitude)
    for part in parts:
        seconds = part.track.seconds[[0, -1]]
        ends, _ = curve(part, state, pole, seconds)
        north.append((ends[1] - ends[0]) / (seconds[1] - seconds[0]) * 60)
        moved = displacement(axis, part.seen[:1], part.seen[-1:], part.turn[-1:])
        east.append(float(moved.east[0]) / ARCSEC / part.grid_s[-1] * 60)
    return np.array(north), np.array(east)


def estimate_of(found: Fitted, pole: Pole) -> AxisEstimate:
    """Return the axis error of one fit."""
    state, information = found.state, found.information / found.factor**2
    return AxisEstimate(
        state.azimuth, state.altitude, information, found.determination, found.lever, pole, found.intervals
    )
