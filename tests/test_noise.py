"""The noise model against dense matrices and simulated noise; against published values in test_log_outside.py."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.linalg import block_diag
from scipy.stats import multivariate_normal

from poleward.guidelog.fitting import noise
from poleward.guidelog.fitting.search import NoiseRows, find_noise


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


def test_likelihood_equals_dense_gaussian(rows):
    """scipy's multivariate normal density at the generalised least-squares answer of dense matrices."""
    seconds, starts, weights, columns = rows
    matrix = dense(seconds, starts, 0.7, 15.0, weights)
    which = np.searchsorted(starts, np.arange(60), side="right") - 1
    full = np.column_stack([columns[:, :2], np.eye(4)[which]])
    y = columns[:, 2]
    inverse = np.linalg.inv(matrix)
    information = full.T @ inverse @ full
    answer = np.linalg.solve(information, full.T @ inverse @ y)
    left = y - full @ answer
    square = left @ inverse @ left
    normal = noise.normal_equations(noise.covariance(seconds, starts, 0.7, 15.0, weights), columns)
    # REML: the density at the answer, scale profiled out, over that of the answer itself (Harville 1974); with the
    # 2 pi terms, the constant left out.
    free = 60 - 6
    size = square / free
    plain = multivariate_normal(full @ answer, matrix * size).logpdf(y) + 30 * np.log(2 * np.pi)
    reml = plain - 0.5 * np.linalg.slogdet(information / size)[1]
    assert normal.log_likelihood() == pytest.approx(reml, rel=1e-9)
    assert normal.white_variance() == pytest.approx(square / free, rel=1e-9)
    # The block of the two regressors after the levels: the inverse of the covariance of their coefficients.
    inner = np.linalg.inv(np.linalg.inv(information)[:2, :2])
    assert normal.matrix[:2, :2] == pytest.approx(inner, rel=1e-9)


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


def test_a_share_per_piece(rows):
    """The second own regressor of each piece, known beforehand to be 0 +/- 1: as pseudo-rows of a dense fit."""
    seconds, starts, weights, columns = rows
    belief = 0.4
    spread = np.where(np.arange(60) < 50, np.cos(seconds), 0.0)
    matrix = dense(seconds, starts, 0.7, 15.0, weights)
    which = np.searchsorted(starts, np.arange(60), side="right") - 1
    own = np.eye(4)[which]
    full = np.column_stack([columns[:, :2], own, own * spread[:, None]])
    full = np.vstack([full, np.hstack([np.zeros((4, 6)), np.eye(4)])])
    whole = block_diag(matrix, np.eye(4) / belief)
    y = np.append(columns[:, 2], np.zeros(4))
    information = full.T @ np.linalg.solve(whole, full)
    answer = np.linalg.solve(information, full.T @ np.linalg.solve(whole, y))
    banded = noise.covariance(seconds, starts, 0.7, 15.0, weights)
    normal = noise.normal_equations(banded, columns, spread, belief)
    assert np.linalg.solve(normal.matrix[:2, :2], normal.matrix[:2, 2]) == pytest.approx(answer[:2], rel=1e-9)
    left = columns[:, 2] - columns[:, :2] @ answer[:2]
    expected = (y - full @ answer)[:60]
    assert noise.cleared(banded, left, spread, belief) == pytest.approx(expected, rel=1e-9, abs=1e-9)


def simulated(rng, seconds, white, correlated, time):
    steps = np.exp(-np.diff(seconds) / time)
    state = np.empty(len(seconds))
    state[0] = rng.normal()
    for i, kept in enumerate(steps):
        state[i + 1] = kept * state[i] + np.sqrt(1 - kept**2) * rng.normal()
    return white * rng.normal(size=len(seconds)) + correlated * state


def test_noise_is_found_again():
    """Means over 12 simulated sections: within 3 standard errors of their scatter (measured: 1 %, 5 %, 12 %)."""
    rng = np.random.default_rng(5)
    found = []
    for _ in range(12):
        seconds = np.cumsum(rng.uniform(1.5, 2.5, 1800))
        starts = np.array([0, 600, 1200])
        y = simulated(rng, seconds, 0.8, 0.5, 30.0) + 0.01 * seconds
        n = find_noise(NoiseRows(seconds, starts, np.column_stack([seconds, y])))
        found.append((n.white_arcsec, n.correlated_arcsec, np.log(n.correlation_time_s)))
    mean, spread = np.mean(found, axis=0), np.std(found, axis=0) / np.sqrt(12)
    assert np.all(np.abs(mean - [0.8, 0.5, np.log(30)]) < 3.5 * spread)
    assert np.all(spread < [0.01, 0.03, 0.15])
