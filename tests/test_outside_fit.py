"""The least squares of `poleward.solving.least_squares` against certified values and worked examples.

Status of the published values: V read in the primary text or data file, S in a secondary text, M from memory.
"""

from __future__ import annotations

import math
import re
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from poleward.solving.least_squares import (
    Problem,
    covariance_of,
    group_drop,
    least_squares,
    p_value,
    scatter_factor,
)
from poleward.solving.robust import AS_STATED, FARTHEST, SCALES, WRONG, weighed

NIST = Path(__file__).parent / "data" / "nist"


def nist(name):
    """Data (n, columns), certified estimates and their standard deviations, certified residual sd."""
    lines = (NIST / f"{name}.dat").read_text(encoding="ascii").splitlines()
    head = "\n".join(lines[:12])
    spans = [tuple(map(int, pair)) for pair in re.findall(r"lines\s+(\d+)\s+to\s+(\d+)", head)]
    (first, last), (data_first, data_last) = spans
    certified = "\n".join(lines[first - 1 : last])
    table = re.findall(r"^\s*B\d+\s+(\S+)\s+(\S+)\s*$", certified, re.MULTILINE)
    spread = re.search(r"Standard Deviation\s+(\d\S+)", certified)
    data = np.array([[float(cell) for cell in line.split()] for line in lines[data_first - 1 : data_last]])
    values, sds = np.array(table, float).T
    return data, values, sds, float(spread[1])


def linear_fit(design, y, sigma=1.0):
    names = [f"b{i}" for i in range(design.shape[1])]
    problem = Problem(names, lambda p: (design @ p - y) / sigma, lambda p: design / sigma)
    return least_squares(problem, np.zeros(design.shape[1]))


@pytest.mark.parametrize(
    # V: NIST StRD. Two to three digits looser than was obtained, so that another linear algebra library does not
    # break it; all that the drift fit asks for is 1e-4.
    ("name", "tolerance"),
    [("Norris", 1e-9), ("NoInt1", 1e-9), ("NoInt2", 1e-9), ("Pontius", 1e-9), ("Longley", 1e-6)],
)
def test_certified_regressions(name, tolerance):
    data, values, sds, spread = nist(name)
    y, x = data[:, 0], data[:, 1:]
    powers = {"Norris": (0, 1), "Pontius": (0, 1, 2), "NoInt1": (1,), "NoInt2": (1,)}
    design = (
        np.column_stack([x**power for power in powers[name]])
        if name in powers
        else np.column_stack([np.ones(len(y)), x])
    )
    fit = linear_fit(design, y)
    assert fit.degrees_of_freedom == len(y) - len(values)
    residual_sd = math.sqrt(fit.chi_square / fit.degrees_of_freedom)
    assert_allclose(fit.values, values, rtol=tolerance)
    assert_allclose(residual_sd, spread, rtol=tolerance)
    # With sigma = 1 the covariance is that of unit scatter; NIST scales it by the residual sd.
    assert_allclose(np.sqrt(np.diag(fit.covariance)) * residual_sd, sds, rtol=tolerance)
    # Stated as sigma, the same number gives NIST's deviations as they are, and a chi-square of its expectation.
    stated = linear_fit(design, y, residual_sd)
    assert_allclose(np.sqrt(np.diag(stated.covariance)), sds, rtol=tolerance)
    assert_allclose(stated.chi_square, fit.degrees_of_freedom, rtol=tolerance)


def test_filip_keeps_all_its_parameters():
    # V: NIST StRD. Condition 1.8e15: a solver that cuts off small singular values gets not one digit right. The
    # fit is asked for four.
    data, values, sds, spread = nist("Filip")
    design = data[:, 1:] ** np.arange(11)
    fit = linear_fit(design, data[:, 0])
    assert_allclose(fit.values, values, rtol=1e-4)
    residual_sd = math.sqrt(fit.chi_square / fit.degrees_of_freedom)
    assert_allclose(residual_sd, spread, rtol=1e-4)
    assert_allclose(np.sqrt(np.diag(fit.covariance)) * residual_sd, sds, rtol=1e-4)


def test_gum_h3_calibration_line():
    # S: JCGM 100:2008 H.3, data of table H.6, results of H.3.3 and H.3.4, as in two public metrology codes' tests.
    t = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
    b = -np.array([171, 169, 166, 159, 164, 165, 156, 157, 159, 161, 160]) / 1000
    design = np.column_stack([np.ones(11), t - 20])
    first = linear_fit(design, b)
    s = math.sqrt(first.chi_square / first.degrees_of_freedom)
    assert first.degrees_of_freedom == 9
    # Half a unit of the last published digit everywhere.
    assert_allclose(s, 0.0035, atol=5e-5)
    fit = linear_fit(design, b, s)
    u = np.sqrt(np.diag(fit.covariance))
    assert_allclose(fit.values * [1, 10], [-0.1712, 0.0218], atol=5e-5)
    assert_allclose(u * [1, 10], [0.0029, 0.0067], atol=5e-5)
    assert_allclose(fit.covariance[0, 1] / u[0] / u[1], -0.930, atol=5e-4)
    at_30 = np.array([1.0, 10.0])
    assert_allclose(at_30 @ fit.values, -0.1494, atol=5e-5)
    assert_allclose(math.sqrt(at_30 @ fit.covariance @ at_30), 0.0041, atol=5e-5)
    # M: H.3.5, referred to the mean temperature: no correlation, -0.1625 and 0.0011.
    centred = linear_fit(np.column_stack([np.ones(11), t - t.mean()]), b, s)
    assert_allclose(centred.values[0], -0.1625, atol=5.1e-5)
    assert_allclose(math.sqrt(centred.covariance[0, 0]), 0.0011, atol=5e-5)
    assert abs(centred.covariance[0, 1]) < 1e-15


def test_gum_h2_correlated_inputs():
    # JCGM 100:2008 H.2: resistance and reactance from a voltage, a current and a phase measured together. The five
    # sets (table H.2) M; results and uncertainties S; correlations M.
    sets = np.array(
        [
            [5.007, 19.663e-3, 1.0456],
            [4.994, 19.639e-3, 1.0438],
            [5.005, 19.640e-3, 1.0468],
            [4.990, 19.685e-3, 1.0428],
            [4.999, 19.678e-3, 1.0433],
        ]
    )
    mean, of_mean = sets.mean(axis=0), np.cov(sets.T) / len(sets)
    white = np.linalg.inv(np.linalg.cholesky(of_mean))

    # Parameters R, X in ohm and the current: three values, three parameters, so the fit is pure propagation.
    def residuals(p):
        return white @ (np.array([p[2] * math.hypot(p[0], p[1]), p[2], math.atan2(p[1], p[0])]) - mean)

    def jacobian(p):
        z = math.hypot(p[0], p[1])
        return white @ np.array(
            [[p[2] * p[0] / z, p[2] * p[1] / z, z], [0, 0, 1], [-p[1] / z**2, p[0] / z**2, 0]]
        )

    fit = least_squares(Problem(["r", "x", "i"], residuals, jacobian), np.array([100.0, 200.0, 0.02]))
    assert_allclose(fit.chi_square, 0, atol=1e-12)
    r, x = fit.values[:2]
    z = math.hypot(r, x)
    to_z = np.array([[1, 0], [0, 1], [r / z, x / z]])
    covariance = to_z @ fit.covariance[:2, :2] @ to_z.T
    u = np.sqrt(np.diag(covariance))
    assert_allclose([r, x, z], [127.732, 219.847, 254.260], atol=0.001)
    assert_allclose(u, [0.071, 0.295, 0.236], atol=0.001)  # u(X): 0.2956 here
    correlation = covariance / np.outer(u, u)
    assert_allclose(correlation[[0, 0, 1], [1, 2, 2]], [-0.588, -0.485, 0.993], atol=5e-4)


def test_the_outliers_of_the_stack_loss_data():
    # Data: Brownlee 1965, M. That rows 1, 3, 4 and 21 are its outliers is agreed on since Daniel & Wood 1971 and Andrews
    # 1974 (M), and that without them the residual standard deviation is 1.25 (M).
    air = [80, 80, 75, 62, 62, 62, 62, 62, 58, 58, 58, 58, 58, 58, 50, 50, 50, 50, 50, 56, 70]
    water = [27, 27, 25, 24, 22, 23, 24, 24, 23, 18, 18, 17, 18, 19, 18, 18, 19, 19, 20, 20, 20]
    acid = [89, 88, 90, 87, 87, 87, 93, 93, 87, 80, 89, 88, 82, 93, 89, 86, 72, 79, 80, 82, 91]
    loss = np.array([42, 37, 37, 28, 18, 18, 19, 20, 15, 14, 14, 13, 11, 12, 8, 7, 8, 8, 9, 15, 15])
    design = np.column_stack([np.ones(21), air, water, acid]).astype(float)
    scale = 1.25
    problem = Problem(["a", "b", "c", "d"], lambda p: (design @ p - loss) / scale, lambda p: design / scale)
    found = weighed(problem, least_squares(problem, np.zeros(4)).values, np.zeros((0, 4)))
    assert sorted(np.argsort(found.right)[:4].tolist()) == [0, 2, 3, 20]


def test_a_robust_fit_is_the_posterior_on_a_grid():
    """A level and a slope with one value that may be wrong: against the product of mixture likelihoods, summed on a grid."""
    x, sigma = np.linspace(-1, 1, 7), 1.0
    data = 0.5 + 0.3 * x + np.array([0.2, -0.4, 3.1, 0.5, -0.9, 0.1, 0.4])
    design = np.column_stack([np.ones(7), x])
    problem = Problem(["a", "b"], lambda p: (design @ p - data) / sigma, lambda p: design / sigma)
    found = weighed(problem, np.zeros(2), np.zeros((0, 2)))
    a, b = np.meshgrid(np.linspace(-4, 6, 401), np.linspace(-8, 8, 401), indexing="ij")
    away = data - a[..., None] - b[..., None] * x
    total = np.zeros_like(a)
    for scale in SCALES:
        right = np.exp(-((away / scale) ** 2) / 2) / (np.sqrt(2 * np.pi) * scale)
        wrong = 1 / (2 * (1 + np.log(FARTHEST)) * np.maximum(np.abs(away), 1.0))
        chance = AS_STATED if scale == 1 else (1 - AS_STATED) / (len(SCALES) - 1)
        total += chance * np.prod((1 - WRONG) * right + WRONG * wrong, axis=-1)
    total /= total.sum()
    mean = np.array([np.sum(total * a), np.sum(total * b)])
    spread = np.sqrt([np.sum(total * (a - mean[0]) ** 2), np.sum(total * (b - mean[1]) ** 2)])
    # A blunder's density is taken at the hypothesis' answer, not spread over it, and at most two are: a few percent.
    assert_allclose(found.fit.values, mean, atol=0.05 * spread.max())
    assert_allclose(np.sqrt(np.diag(found.covariance)), spread, rtol=0.1)


def test_student_factor_of_a_scatter():
    # S: JCGM 100:2008 table G.2, p = 68.27 %.
    for free, t in ((1, 1.84), (2, 1.32), (3, 1.20), (4, 1.14), (5, 1.11), (10, 1.05), (50, 1.01)):
        assert_allclose(scatter_factor(float(free), free), t, atol=0.005)
    assert_allclose(scatter_factor(4.0 * 50, 50), 2 * 1.01, atol=0.01)


def test_chi_square_tail():
    # S: NIST/SEMATECH e-Handbook 1.3.6.7.4, upper critical values.
    for free, at_5, at_1 in ((1, 3.841, 6.635), (2, 5.991, 9.210), (5, 11.070, 15.086), (10, 18.307, 23.209)):
        assert_allclose(p_value(at_5, free), 0.05, atol=2e-5)
        assert_allclose(p_value(at_1, free), 0.01, atol=5e-6)
    assert p_value(3.0, 0) is None


def test_leaving_rows_out_is_foreseen():
    # Computed twice: the predicted fall of chi-square against numpy's own fit without those rows.
    data, *_ = nist("Longley")
    y, design = data[:, 0], np.column_stack([np.ones(len(data)), data[:, 1:]])
    fit = linear_fit(design, y, 305.0)
    scale = np.linalg.norm(design, axis=0)
    for rows in ([0], [4, 9], [1, 2, 15]):
        kept = np.setdiff1d(np.arange(len(y)), rows)
        answer = np.linalg.lstsq(design[kept] / scale, y[kept], rcond=1e-15)[0] / scale
        without = float(np.sum(((design[kept] @ answer - y[kept]) / 305) ** 2))
        assert_allclose(group_drop(fit, rows), fit.chi_square - without, rtol=1e-6)


def test_a_row_that_alone_fixes_a_parameter_cannot_be_judged():
    design = np.array([[1.0, 0.0], [1.0, 0.0], [0.0, 1.0]])
    fit = linear_fit(design, np.array([1.0, 2.0, 5.0]))
    assert group_drop(fit, [2]) == 0.0
    assert_allclose(covariance_of(design), np.diag([0.5, 1.0]), atol=1e-15)
