"""The noise of guide logs against values published for noise models that ours contains."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from poleward.guidelog.fitting import noise
from poleward.guidelog.fitting.guiding import lag_one
from poleward.guidelog.fitting.integral import Beliefs, Quadratic
from poleward.guidelog.fitting.tables import Rows, table_of

RATIO = 1e7
NIST = Path(__file__).parent / "data" / "nist"


def nist_data(name, first, last):
    lines = (NIST / name).read_text(encoding="ascii").splitlines()
    return np.array([[float(cell) for cell in line.split()] for line in lines[first - 1 : last]])


def test_lag_one_of_nist_lew():
    """NIST StRD Lew: certified lag-1 autocorrelation -0.307304800605679 (V)."""
    values = nist_data("Lew.dat", 40, 239)[:, 0]
    assert len(values) == 200
    assert lag_one(values) == pytest.approx(-0.307304800605679, rel=1e-12)


def longley():
    """Employed ~ GNP + population, in the units of the published fit: GNP 1e3 millions, people in millions."""
    table = nist_data("Longley.dat", 61, 76)
    return table[:, 0] / 1e3, table[:, 2] / 1e3, table[:, 5] / 1e3


def test_ar1_on_longley():
    """AR(1) generalised least squares by REML, R nlme gls (Fox & Weisberg, appendix): phi 0.6441692 (S);
    coefficients 101.858133, 0.072071, -0.548513, standard errors 14.1989, 0.010606, 0.154130 (M).

    AR(1) in yearly rows is our correlated part alone, phi = exp(-1 year / tau): the white part is made a
    ten-thousandth of it, which bounds the difference.
    """
    from scipy.optimize import minimize_scalar

    employed, gnp, people = longley()
    years = np.arange(16.0)
    starts = np.array([0])
    none = np.zeros(0, int), np.zeros((1, 0))
    layout = Rows(years, starts, np.stack([gnp, people]), employed, np.zeros((1, 16)), *none, 1.0)
    free = Beliefs(
        np.zeros((1, 2)), np.zeros(1), np.zeros(1), np.zeros(1), None, 1e-9 * np.eye(2), np.zeros(2)
    )

    def at(phi):
        """Log likelihood by REML, coefficients, their covariance."""
        table = table_of(layout, np.log([[RATIO, -1 / np.log(phi)]]))
        constant, _, _, value, _, spread = Quadratic.of(table).integrated(free)
        return constant[0, 0], value[0, 0], spread[0, 0]

    phi = minimize_scalar(
        lambda x: -at(x)[0], bounds=(0.05, 0.95), method="bounded", options={"xatol": 1e-9}
    ).x
    assert phi == pytest.approx(0.6441692, abs=2e-5)
    _, answer, spread = at(phi)
    assert answer == pytest.approx([0.072071, -0.548513], abs=2e-6)
    left = employed - np.column_stack([gnp, people]) @ answer
    matrix = noise.covariance(years, starts, RATIO, -1 / np.log(phi), np.ones(len(years)))
    level = (left - noise.levelled(matrix, left))[0]
    assert level == pytest.approx(101.858133, abs=2e-4)
    errors = np.sqrt(np.diag(spread))
    assert errors == pytest.approx([0.010606, 0.154130], abs=2e-6)
