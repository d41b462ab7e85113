"""The noise model against dense matrices and simulated noise; against published values in test_log_outside.py."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.linalg import block_diag
from scipy.stats import multivariate_normal

from poleward.guidelog.fitting import noise
from poleward.guidelog.fitting.forecast import forecast
from poleward.guidelog.fitting.integral import Beliefs, Quadratic, integrate
from poleward.guidelog.fitting.lattice import beliefs_of, weigh
from poleward.guidelog.fitting.mixture import quantile
from poleward.guidelog.fitting.tables import Rows, table_of


def laid(seconds, starts, columns, moved=None, unknown=None, variance=1.0):
    """Rows with these regressors, the data last; with no pulses unless there are."""
    nothing = np.zeros((1, len(seconds)))
    moved, unknown = (nothing if each is None else each for each in (moved, unknown))
    there = np.flatnonzero(np.any(unknown, axis=0))
    return Rows(
        seconds,
        np.asarray(starts),
        columns[:, :-1].T,
        columns[:, -1],
        moved,
        there,
        unknown[:, there],
        variance,
    )


def dense(seconds, starts, ratio, time, weights):
    """V from its definition, piece by piece."""
    ends = [*starts[1:], len(seconds)]
    blocks = [
        np.exp(-np.abs(seconds[a:b, None] - seconds[None, a:b]) / time)
        for a, b in zip(starts, ends, strict=True)
    ]
    return np.diag(1 / weights) + ratio * block_diag(*blocks)


@pytest.fixture
def rows():
    rng = np.random.default_rng(31)
    seconds = np.cumsum(rng.uniform(0.8, 6.0, 60))
    starts = np.array([0, 17, 18, 40])  # a piece of a single row among them
    weights = rng.integers(1, 5, 60).astype(float)
    columns = np.column_stack([seconds / 60, np.sin(seconds / 50), rng.normal(size=60)])
    return seconds, starts, weights, columns


@pytest.mark.parametrize(("ratio", "time"), [(0.3, 20.0), (8.0, 3.0), (1e-3, 200.0), (1e3, 90.0)])
def test_banded_equals_dense(rows, ratio, time):
    seconds, starts, weights, columns = rows
    matrix = dense(seconds, starts, ratio, time, weights)
    banded = noise.covariance(seconds, starts, ratio, time, weights)
    assert banded.solve(columns) == pytest.approx(np.linalg.solve(matrix, columns), rel=1e-9, abs=1e-9)
    assert banded.log_det == pytest.approx(np.linalg.slogdet(matrix)[1], rel=1e-9)
    known = np.linalg.inv(np.linalg.inv(matrix - np.diag(1 / weights)) + np.diag(weights))
    assert banded.uncertainty() == pytest.approx(np.diag(known), rel=1e-7)


@pytest.mark.parametrize(("ratio", "time"), [(0.3, 20.0), (8.0, 3.0), (1e-6, 30.0), (400.0, 2000.0)])
def test_what_is_new_in_a_row_is_independent(rows, ratio, time):
    """Products of what is new in columns are those with the inverse of the dense V between; and a column that is nothing but
    in the first rows of some pieces needs only these."""
    seconds, starts, _, columns = rows
    matrix = dense(seconds, starts, ratio, time, np.ones(60))
    told = forecast(seconds, starts, ratio, time)
    table = np.vstack([columns.T, np.ones(60)])
    room = np.full((2, 4, 60), np.nan)
    new = told.new(table, room)
    # Relative to the largest: of sixteen digits the forecast loses as many as time is cadences, three here at most.
    expected = table @ np.linalg.solve(matrix, table.T)
    assert new @ new.T == pytest.approx(expected, rel=1e-10, abs=1e-12 * np.max(expected))
    assert told.log_det == pytest.approx(np.linalg.slogdet(matrix)[1], rel=1e-9, abs=1e-12)
    for near in ([0], [0, 1, 2, 18], [17, 18, 19, 40], list(range(60))):
        half = np.zeros((2, 60))
        half[:, near] = np.cos(np.outer([1.0, 2.0], near))
        short = told.within(np.array(near)).new(half[:, near])
        there = half @ np.linalg.solve(matrix, np.vstack([half, table]).T)
        found = short @ np.vstack([short, new[:, near]]).T
        assert found == pytest.approx(there, rel=1e-9, abs=1e-10 * np.max(np.abs(there)))


def test_likelihood_equals_dense_gaussian(rows):
    """Levels, guide rate and axis integrated out: scipy's multivariate normal density of the data with a wide prior on
    the levels, which is what REML is the limit of (Harville 1974, Biometrika 61, 383)."""
    seconds, starts, _, columns = rows
    path = np.cumsum(np.sin(np.arange(60.0)))
    prior, wide, rate = np.diag([0.3, 2.0]), 1e6, 0.8
    which = np.eye(4)[np.searchsorted(starts, np.arange(60), side="right") - 1]
    table = table_of(laid(seconds, starts, columns, path[None]), np.log([[0.7, 15.0]]))
    beliefs = Beliefs(np.zeros((1, 2)), np.zeros(1), np.zeros(1), np.zeros(1), None, prior, np.zeros(2))
    part = Quadratic.of(table)
    constant, linear, square, value, slope, spread = (each[0, 0] for each in part.integrated(beliefs))
    size = table.white_variance()[0, 0]
    noise_only = size * dense(seconds, starts, 0.7, 15.0, np.ones(60))
    whole = noise_only + columns[:, :2] @ np.linalg.solve(prior, columns[:, :2].T) + wide * which @ which.T
    density = multivariate_normal(np.zeros(60), whole).logpdf(columns[:, 2] - rate * path)
    expected = density + 0.5 * 60 * np.log(2 * np.pi) + 0.5 * 4 * np.log(wide)
    assert constant + linear * rate + square * rate**2 == pytest.approx(
        expected, abs=2e-3
    )  # of the prior's 1 / wide
    inverse = np.linalg.inv(noise_only + wide * which @ which.T)
    information = columns[:, :2].T @ inverse @ columns[:, :2] + prior
    answer = np.linalg.solve(information, columns[:, :2].T @ inverse @ (columns[:, 2] - rate * path))
    assert value + rate * slope == pytest.approx(answer, rel=1e-4)
    assert spread == pytest.approx(np.linalg.inv(information), rel=1e-4)


def test_leave_one_out(rows):
    """Each row predicted from all the others by dense Gaussian conditioning."""
    seconds, starts, weights, columns = rows
    matrix = dense(seconds, starts, 2.0, 12.0, weights)
    y = columns[:, 2]
    expected = []
    for i in range(60):
        others = np.arange(60) != i
        gain = np.linalg.solve(matrix[np.ix_(others, others)], matrix[others, i])
        variance = matrix[i, i] - 1 / weights[i] + 1 - gain @ matrix[others, i]  # of a row of full weight
        expected.append((y[i] - gain @ y[others]) / np.sqrt(variance))
    banded = noise.covariance(seconds, starts, 2.0, 12.0, weights)
    assert noise.standardised(banded, y, 1.0) == pytest.approx(np.array(expected), rel=1e-9, abs=1e-9)


@pytest.mark.parametrize("bouts", [False, True])
def test_a_step_at_each_row(rows, bouts):
    """A step's best size over its own sigma in residuals without their level, which stays free: a dense fit of both."""
    seconds, starts, weights, columns = rows
    matrix, left = dense(seconds, starts, 2.0, 12.0, weights), columns[:, 2].copy()
    scale = np.where(np.arange(60) < 30, 1.0, 3.0) if bouts else np.ones(60)
    expected = np.zeros(60)
    for inside in np.split(np.arange(60), starts[1:]):
        inverse = np.linalg.inv(matrix[np.ix_(inside, inside)])
        level = 1 / scale[inside]
        left[inside] -= level * (level @ inverse @ left[inside]) / (level @ inverse @ level)
        for row in inside[1:]:
            design = np.stack([level, level * (inside >= row)], axis=1)
            spread = np.linalg.inv(design.T @ inverse @ design)
            size = (spread @ design.T @ inverse @ left[inside])[1]
            expected[row] = size / np.sqrt(spread[1, 1]) / 0.7
    got = noise.stepped(noise.covariance(seconds, starts, 2.0, 12.0, weights), left, 0.7, scale)
    assert got == pytest.approx(expected, rel=1e-6, abs=1e-9)


def test_what_lasts_is_told_from_what_does_not(rows):
    """The mean of the lasting part given the rows, by dense Gaussian conditioning."""
    seconds, starts, weights, columns = rows
    matrix = dense(seconds, starts, 2.0, 12.0, weights)
    got = noise.lasting(noise.covariance(seconds, starts, 2.0, 12.0, weights), columns[:, 2])
    slow = matrix - np.diag(1 / weights)
    assert got == pytest.approx(slow @ np.linalg.solve(matrix, columns[:, 2]), rel=1e-9, abs=1e-9)


@pytest.mark.parametrize(("ratio", "rel"), [(0.7, 1e-9), (1e6, 1e-5)])  # the second loses six digits and more
def test_a_share_per_piece(rows, ratio, rel):
    """The second own regressor of each piece, known beforehand to be 0 +/- 1: as pseudo-rows of a dense fit."""
    seconds, starts, _, columns = rows
    belief = 0.4
    spread = np.where(np.arange(60) < 50, np.cos(seconds), 0.0)
    matrix = dense(seconds, starts, ratio, 15.0, np.ones(60))
    which = np.searchsorted(starts, np.arange(60), side="right") - 1
    own = np.eye(4)[which]
    full = np.column_stack([columns[:, :2], own, own * spread[:, None]])
    full = np.vstack([full, np.hstack([np.zeros((4, 6)), np.eye(4)])])
    whole = block_diag(matrix, np.eye(4) / belief)
    y = np.append(columns[:, 2], np.zeros(4))
    information = full.T @ np.linalg.solve(whole, full)
    answer = np.linalg.solve(information, full.T @ np.linalg.solve(whole, y))
    layout = laid(seconds, starts, columns, None, spread[None], belief)
    table = table_of(layout, np.log([[ratio, 15.0]])).matrix[0, 0]
    assert np.linalg.solve(table[:2, :2], table[:2, 3]) == pytest.approx(answer[:2], rel=rel)
    left = columns[:, 2] - columns[:, :2] @ answer[:2]
    expected = (y - full @ answer)[:60]
    banded = noise.covariance(seconds, starts, ratio, 15.0, np.ones(60))
    assert noise.levelled(banded, left, spread, belief) == pytest.approx(expected, rel=rel, abs=rel)


def test_quantiles_of_a_mixture():
    """Against a million draws."""
    weight, mean, sigma = np.array([0.2, 0.5, 0.3]), np.array([-1.0, 0.0, 3.0]), np.array([0.5, 1.0, 2.0])
    rng = np.random.default_rng(8)
    which = rng.choice(3, 1_000_000, p=weight)
    draws = mean[which] + sigma[which] * rng.normal(size=1_000_000)
    for share in (0.025, 0.5, 0.975):
        # Four standard errors of the draws' quantile, with a density of at least 0.02 there.
        assert quantile(weight, mean, sigma, share) == pytest.approx(np.quantile(draws, share), abs=0.03)


def simulated(rng, seconds, white, correlated, time):
    steps = np.exp(-np.diff(seconds) / time)
    state = np.empty(len(seconds))
    state[0] = rng.normal()
    for i, kept in enumerate(steps):
        state[i + 1] = kept * state[i] + np.sqrt(1 - kept**2) * rng.normal()
    return white * rng.normal(size=len(seconds)) + correlated * state


def test_noise_is_found_again():
    """Means over 12 simulated sections: within 3.5 standard errors of their scatter (measured: 1 %, 5 %, 12 %)."""
    rng = np.random.default_rng(5)
    found = []
    for _ in range(12):
        seconds = np.cumsum(rng.uniform(1.5, 2.5, 1800))
        y = simulated(rng, seconds, 0.8, 0.5, 30.0) + 0.01 * seconds
        layout = laid(seconds, [0, 600, 1200], np.column_stack([seconds, seconds**2 / 4000, y]))
        beliefs = beliefs_of(np.zeros(1), None, 1e-6 * np.eye(2), np.zeros(2))
        weighed = weigh([layout], [seconds], beliefs, noise.Noise(1.0, 0.3, 60.0))
        n = weighed.noises(integrate(weighed.tables, weighed.beliefs).shares)[0]
        found.append((n.white_arcsec, n.correlated_arcsec, np.log(n.correlation_time_s)))
    mean, spread = np.mean(found, axis=0), np.std(found, axis=0) / np.sqrt(12)
    assert np.all(np.abs(mean - [0.8, 0.5, np.log(30)]) < 3.5 * spread)
    assert np.all(spread < [0.01, 0.03, 0.15])
