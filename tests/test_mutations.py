"""What changes of one sign or one number have got past other tests: each test here fails with one of them."""

from __future__ import annotations

import math

import numpy as np
import pytest
import truth
from scipy.integrate import quad
from scipy.spatial.transform import Rotation

import poleward
from poleward import GuideCamera, Site
from poleward.guidelog.fitting import beliefs
from poleward.sky.look import Pointing, look
from poleward.solving.determine import BLIND_ARCMIN, blind
from poleward.solving.knobs import Turning, moves_of
from poleward.solving.least_squares import Problem, covariance_of, coverage_factor, least_squares
from poleward.tonight.axis_record import axis_from_record

# Beliefs of the log's fit: each is a density, so it sums to one, and its middle is where it is said to be.


@pytest.mark.parametrize("sigma", [0.02, 0.06, 0.1])
def test_the_belief_in_a_stated_rate_is_a_density(sigma: float) -> None:
    """By scipy's quadrature, up to the constant that both its parts leave out; 97 of 100 parts of it about 1."""

    def density(rate: float) -> float:
        return float(np.exp(beliefs.rate_belief(np.array([rate]), sigma)[0])) / math.sqrt(2 * math.pi)

    near = (1 - 6 * sigma, 1 + 6 * sigma)
    whole = sum(quad(density, *ends, limit=200)[0] for ends in ((1e-6, near[0]), near, (near[1], 60.0)))
    assert whole == pytest.approx(1.0, abs=2e-3)
    assert density(1.0) == pytest.approx(0.97 / sigma / math.sqrt(2 * math.pi) + 0.03 * 0.798, rel=1e-3)
    for side in (-1, 1):
        assert density(1.0) > 5 * density(1 + 3 * sigma * side)


def test_the_belief_in_a_rate_that_nobody_stated() -> None:
    """Highest about half the sidereal rate, 7.5 arcsec/s, and less by e to the half a standard deviation aside."""
    rates = np.geomspace(0.5, 200, 4000)
    share = np.exp(beliefs.rate_belief(rates, math.inf)) * rates  # per unit of the logarithm
    assert rates[np.argmax(share)] == pytest.approx(7.5, rel=0.01)
    floor = 0.2 / 4.6
    aside = [float(np.interp(7.5 * math.exp(step), rates, share)) - floor for step in (-0.5, 0.0, 0.5)]
    assert np.array(aside) / aside[1] == pytest.approx([math.exp(-0.5), 1, math.exp(-0.5)], rel=1e-3)
    core = np.trapezoid(share - floor, np.log(rates))
    assert core == pytest.approx(0.8, abs=2e-3)


def test_the_belief_in_play_is_a_density() -> None:
    """A fifth for none, and the rest falls by e in 300 ms."""
    plays = np.concatenate([[0.0], np.linspace(1, 6000, 6000)])
    share = np.exp(beliefs.play_belief(plays))
    assert share.sum() == pytest.approx(1.0, abs=2e-3)
    assert share[0] == pytest.approx(0.2, abs=0.003)
    assert share[2000] / share[1700] == pytest.approx(math.exp(-1), rel=1e-6)


def test_the_belief_in_noise_is_a_density() -> None:
    """Over its two logarithms, where memories are long against a row; shorter ones are believed less, not more."""
    ratios, times = np.linspace(-9, 8, 120), np.linspace(-5, 12, 120)
    grid = np.array([[ratio, time] for ratio in ratios for time in times])
    cell = (ratios[1] - ratios[0]) * (times[1] - times[0])
    share = np.exp(beliefs.noise_belief(grid, cell, 1e-9))
    assert share.sum() == pytest.approx(1.0, abs=1e-3)
    assert grid[np.argmax(share)] == pytest.approx(np.log([0.4, 35.0]), abs=0.1)
    short, long = beliefs.noise_belief(np.log([[0.4, 10.0], [0.4, 100.0]]), 1.0, 20.0)
    plain = beliefs.noise_belief(np.log([[0.4, 10.0], [0.4, 100.0]]), 1.0, 1e-9)
    assert long == plain[1]
    assert short == pytest.approx(plain[0] - 0.5 * (math.log(60 / 10) / 0.3) ** 2)


# Intervals


def test_intervals_of_few_timings_are_students() -> None:
    """JCGM 100:2008, table G.2, t for p = 95.45 % over t for p = 68.27 % (M: the digits are from memory)."""
    for free, wide, narrow in (
        (1, 13.97, 1.84),
        (2, 4.53, 1.32),
        (3, 3.31, 1.20),
        (5, 2.65, 1.11),
        (10, 2.28, 1.05),
    ):
        assert coverage_factor(free) == pytest.approx(wide / narrow, rel=0.005)
    assert coverage_factor(100_000) == pytest.approx(2.0, abs=1e-4)


def test_a_covariance_is_widened_by_the_square() -> None:
    """A straight line through five points: numpy's inverse of the normal equations, times the factor twice."""
    x = np.arange(5.0)
    design = np.column_stack([np.ones(5), x])
    data = 1 + 2 * x
    fit = least_squares(Problem(("a", "b"), lambda p: design @ p - data, lambda p: design), np.zeros(2))
    plain = np.linalg.inv(design.T @ design)
    assert covariance_of(design) == pytest.approx(plain)
    assert fit.widened(1.0) == pytest.approx(plain)
    assert fit.widened(3.0) == pytest.approx(9 * plain)


@pytest.mark.parametrize("factor", [1.0, 2.5])
@pytest.mark.parametrize("weighed", [False, True])
def test_doubts_are_a_part_of_the_covariance(factor: float, weighed: bool) -> None:
    """Aitken's generalised least squares (1935; M) with numpy's dense inverse: V = diag(1 / w) + D D', and a prior."""
    rng = np.random.default_rng(4)
    design, doubts, data = rng.normal(size=(9, 3)), rng.normal(size=(9, 2)), rng.normal(size=9)
    prior = np.array([[0.0, 0.0, 0.7]])
    weights = rng.uniform(0.3, 1, 9) if weighed else np.ones(9)
    problem = Problem(("a", "b", "c"), lambda p: design @ p - data, lambda p: design, prior, doubts)
    fit = problem.fit(problem.solved(np.zeros(3), weights), weights)
    inverse = np.linalg.inv(np.diag(factor**2 / weights) + doubts @ doubts.T)
    whole = design.T @ inverse @ design
    assert fit.widened(factor) == pytest.approx(np.linalg.inv(whole + prior.T @ prior))
    # Without the prior, the third parameter free: what the data alone say of the first two.
    told = np.linalg.inv(np.linalg.inv(whole)[:2, :2])
    assert fit.information(factor) == pytest.approx(told)
    if factor == 1.0:
        values = np.linalg.solve(whole + prior.T @ prior, design.T @ inverse @ data)
        assert fit.values == pytest.approx(values)
        left = design @ values - data
        if not weighed:
            assert fit.chi_square == pytest.approx(left @ inverse @ left)
        assert fit.degrees_of_freedom == 9 + 1 - 3


def test_what_nobody_measured_is_held_by_a_degree_on_the_sky() -> None:
    """An angle of azimuth is larger than its arc by the cosine of the pole's altitude."""
    pole = look([Pointing(hour_angle=0.0, dec=0.0)], np.zeros((1, 1)), Site("60 deg")).true_pole
    sigma = np.sqrt(np.diag(np.linalg.inv(blind(pole))))
    assert sigma == pytest.approx([BLIND_ARCMIN / math.cos(math.radians(60)), BLIND_ARCMIN], rel=1e-4)


# Cameras


@pytest.mark.parametrize("angle", [0.0, 30.0, 75.0, 200.0])
@pytest.mark.parametrize("mirrored", [False, True])
def test_sigmas_turn_with_the_camera(angle: float, mirrored: bool) -> None:
    """A pixel's ellipse turned onto the sky by scipy: the roots of the diagonal of R C R'."""
    camera = GuideCamera("2 arcsec/pix", f"{angle} deg", mirrored)
    turn = Rotation.from_euler("z", angle, degrees=True).as_matrix()[:2, :2]
    across, up = 0.7, 0.2
    spread = 4 * turn @ np.diag([up**2, across**2]) @ turn.T  # first component up the picture, second across
    assert camera.sigma_to_sky(across, up) == pytest.approx(np.sqrt(np.diag(spread)))


# Knobs at errors of degrees


@pytest.mark.parametrize(("latitude", "dec"), [(47.0, 10.0), (47.0, 86.0), (-33.0, -20.0), (-33.0, -85.0)])
@pytest.mark.parametrize("errors", [(240.0, -150.0), (-600.0, 90.0)])
@pytest.mark.parametrize("reference", ["apparent", "true"])
def test_stars_move_as_a_turned_mount_says(latitude, dec, errors, reference) -> None:
    """The mount stands degrees off, and is turned by scipy: azimuth first, then altitude from beneath or above the pole.

    1e-6 of the move: both are exact geometry, told apart only where the axis' own place, or the other pole (which
    refraction lifts by an arcminute), is taken.
    """
    site = Site(f"{latitude} deg")
    watch = Pointing(hour_angle=math.radians(-30), dec=math.radians(dec))
    sight = look([watch], np.zeros((1, 1)), site)
    pole = sight.apparent_pole if reference == "apparent" else sight.true_pole
    hemisphere = math.copysign(1.0, latitude)
    seen = sight.seen[0, 0]
    moves = moves_of(*errors, pole, site, Turning(watch=watch))
    assert [move.knob for move in moves] == ["azimuth", "altitude"]
    plumb = np.array([0.0, 0.0, 1.0])
    for move, stand in zip(moves, (errors, (0.0, errors[1])), strict=True):
        axis = truth.axis_direction(pole.direction, stand[0] / 60, stand[1] / 60, hemisphere)
        level = np.cross(axis, plumb)
        about = -hemisphere * plumb if move.knob == "azimuth" else level / np.linalg.norm(level)
        turn = Rotation.from_rotvec(about * math.radians(move.move_arcmin / 60))
        east = np.cross(axis * hemisphere, seen)
        east /= np.linalg.norm(east)
        straight, across, up = turn.apply(np.stack([seen, east, np.cross(seen, east)]))
        north, right = np.degrees([seen @ up, seen @ across]) * 3600 / (seen @ straight)
        assert move.star is not None
        assert (move.star.hour_angle_h, move.star.dec_deg) == pytest.approx((-2, dec), abs=1e-9)
        assert (move.star.north_arcsec, move.star.east_arcsec) == pytest.approx(
            (north, right), rel=1e-6, abs=1e-6 * abs(move.move_arcmin) * 60
        )


@pytest.mark.parametrize(("free", "wide", "narrow"), [(1, 13.97, 1.84), (2, 4.53, 1.32), (5, 2.65, 1.11)])
def test_a_record_says_how_many_timings_were_to_spare(free: int, wide: float, narrow: float) -> None:
    """The same table read backwards: the factor of a record's 95.45 % interval tells the degrees of freedom."""
    axis = {
        "reference": "apparent pole", "azimuth_error_arcmin": 5.0, "azimuth_sigma_arcmin": 0.2,
        "altitude_error_arcmin": 3.0, "altitude_sigma_arcmin": 0.2, "correlation": 0.0,
    }  # fmt: skip
    record = {"record": "solution", "axis": axis, "fit": {"coverage_factor_95": wide / narrow}}
    assert axis_from_record(record).to_spare == pytest.approx(free, rel=0.03)


@pytest.mark.parametrize(
    ("hours", "east", "determined", "to_spare"),
    [((-4, -1, 2, 4), False, "both", 2), ((-4, -1, 2, 4), True, "both", 5), ((0, 0, 0), False, "azimuth", 2)],
)
def test_what_is_to_spare_counts_what_was_fitted(hours, east, determined, to_spare) -> None:
    """Values less the errors that the timings separate, less the drive rate where east drifts are there."""
    rows = [
        {"hour_angle": hour, "dec": 5 + 5 * k, "duration": 300, "north": 1.0 + 0.2 * k} | ({"east": 0.3 * k} if east else {})
        for k, hour in enumerate(hours)
    ]  # fmt: skip
    solution = poleward.solve(
        poleward.Drifts.from_rows(rows), poleward.Site("47 deg"), reading_error="5 arcsec"
    )
    assert solution.determined == determined
    assert solution.fit.degrees_of_freedom == to_spare
