"""Stars followed from picture to picture: centres, moves and rates, against photutils' references and scipy."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

from poleward.frames.match import moves
from poleward.frames.motion import drive_sigma, pace
from poleward.simulate.guider import Scatter, lasting_noise


def test_a_move_is_scipys_rotation_and_its_sigma_that_of_least_squares():
    rng = np.random.default_rng(3)
    centre = np.array([319.5, 239.5])
    reference = rng.uniform(0, 480, (12, 2))
    sigma = rng.uniform(0.02, 0.2, 12)
    angle, shift = np.radians(0.4), np.array([7.3, -2.1])
    turned = Rotation.from_rotvec([0, 0, angle]).apply(np.column_stack([reference - centre, np.zeros(12)]))
    places = centre + shift + turned[:, :2]
    noisy = places + sigma[:, None] * rng.normal(size=(12, 2))
    one = np.zeros(12, int)
    exact = moves(reference, places, 1 / sigma**2, one, 1, centre)
    # A thousandth of a thousandth of a pixel and of its angle at the corner: rounding.
    assert exact.shift[0] == pytest.approx(shift, abs=1e-9)
    assert exact.turn[0] == pytest.approx(angle, abs=1e-12)

    def off(unknown):
        spun = Rotation.from_rotvec([0, 0, unknown[2]]).apply(
            np.column_stack([reference - centre, np.zeros(12)])
        )
        return ((centre + unknown[:2] + spun[:, :2] - noisy) / sigma[:, None]).ravel()

    best = least_squares(off, [0, 0, 0], xtol=1e-15, ftol=1e-15, gtol=1e-15)
    found = moves(reference, noisy, 1 / sigma**2, one, 1, centre)
    spread = np.sqrt(np.diag(np.linalg.inv(best.jac.T @ best.jac)))
    # scipy stops at the root of the rounding; a thousandth of a sigma is 1e-5 pixels.
    assert found.shift[0] == pytest.approx(best.x[:2], abs=1e-5)
    assert found.turn[0] == pytest.approx(best.x[2], abs=1e-7)
    # The sigmas are those at the found turn, to first order: a few per cent at most with a dozen stars.
    assert found.shift_sigma[0] == pytest.approx(spread[:2], rel=0.02)
    assert found.turn_sigma[0] == pytest.approx(spread[2], rel=0.02)


@pytest.mark.parametrize(("white", "lasting", "time_s"), [(0.5, 0.25, 30.0), (0.4, 0.3, 30.0)])
def test_a_rate_holds_the_truth_as_often_as_it_says(white, lasting, time_s):
    seconds = np.arange(0, 121, 4.0)
    pulls = []
    for seed in range(30):
        rng = np.random.default_rng(seed)
        noise = white * rng.normal(size=31) + lasting_noise(seconds, Scatter(white, lasting, time_s), rng)
        found = pace(seconds, 0.1 * seconds + noise, np.full(31, 0.05))
        pulls.append((found.rate - 0.1) / found.sigma)
    # Of 30 at 95 %, 6 or more are missed by chance once in 300; the experiment has 200 a cell.
    assert np.count_nonzero(np.abs(pulls) > 1.96) < 6
    assert 0.6 < np.std(pulls) < 1.5


def test_a_gust_is_no_motion():
    rng = np.random.default_rng(1)
    seconds = np.arange(0, 121, 4.0)
    values = 0.3 * rng.normal(size=31)
    calm = pace(seconds, values, np.full(31, 0.05))
    values[27] += 12
    gust = pace(seconds, values, np.full(31, 0.05))
    assert 27 not in gust.used
    # One picture less of 31, near the end, moves the rate by a fraction of its sigma.
    assert gust.rate == pytest.approx(calm.rate, abs=0.6 * calm.sigma)


def test_three_pictures_give_a_rate_that_is_very_unsure():
    found = pace(np.array([0.0, 4, 8]), np.array([0.0, 0.5, 0.9]), np.full(3, 0.05))
    # They miss a line by 0.1 / sqrt(6) with one degree of freedom; the slope's plain sigma is that over sqrt(32), and
    # Student's t makes it 12.71 over 1.96 of that (table of t, M). A memory may only add to it.
    assert found.sigma > 0.1 / np.sqrt(6) / np.sqrt(32) * 12.71 / 1.96
    with pytest.raises(ValueError, match="a rate and its noise need 3 pictures, here are 2"):
        pace(np.array([0.0, 4]), np.zeros(2), np.full(2, 0.05))


def test_a_drives_wave_is_in_doubt_by_its_height_in_two_minutes_and_less_in_twenty():
    # Over 120 s a wave of 10 arcsec and 480 s has moved by 10 sqrt(2) sin(pi / 4) = 10 arcsec (rms over phases).
    assert 8 < drive_sigma(np.arange(0, 121, 4.0)) * 120 < 16
    assert drive_sigma(np.arange(0, 1201, 4.0)) * 1200 < 8
