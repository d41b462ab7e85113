"""Several groups of a log together: the mean where they agree, else the last, else a season; from group results alone."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from scipy.stats import chi2
from scipy.stats import t as student

from poleward.guidelog.fitting.logsolution import LogGroup
from poleward.guidelog.fitting.together import joined
from poleward.report.log_groups import agreement_text, groups_text, season_text, which_text
from poleward.report.style import Signs
from poleward.sky.look import poles_at
from poleward.sky.site import Site
from poleward.solving.determine import AxisEstimate, judge
from poleward.solving.solution import FitSummary, solution_from

SITE = Site("47.1 deg", "8.4 deg")
POLE = poles_at(SITE)[0]
LEVER = np.eye(2)
SIGNS = Signs("+/-")


def group(day, azimuth, altitude, sigma=0.2, factor=2.0, hours=0.0, by_rate=None):
    """A night's result; day None: undated."""
    azimuth, altitude = float(azimuth), float(altitude)
    information = np.eye(2) / sigma**2
    # Intervals of its own, unequal as a log's may be.
    own = np.array([[azimuth - sigma, azimuth + 9 * sigma], [altitude - 9 * sigma, altitude + sigma]])
    found = judge(information, LEVER, POLE)
    estimate = AxisEstimate(azimuth, altitude, information, found, LEVER, POLE, own)
    fit = FitSummary(2, 600, 0.0, 0, None, "scatter", coverage_factor_95=factor)
    solution = solution_from(estimate, SITE, fit, (), ())
    start = None if day is None else datetime(2024, 3, 1, 20, tzinfo=UTC) + timedelta(days=day, hours=hours)
    name = f"{start:%Y-%m-%d}" if start else f"{azimuth:.1f}.log"
    return LogGroup(name, start, solution, estimate, (), (), by_rate or {})


def values(solution):
    return solution.azimuth_error_arcmin, solution.altitude_error_arcmin


def codes(result):
    return [note.code for note in result.solution.warnings]


def test_two_that_agree_make_a_mean():
    result = joined((group(0, 3.0, 1.0), group(1, 3.2, 1.1, 0.4)), SITE)
    assert values(result.solution) == pytest.approx((3.04, 1.02))  # weights 25 and 6.25
    assert result.solution.azimuth_sigma_arcmin == pytest.approx(31.25**-0.5)
    # Of two measurements the squared difference over the sum of their variances, by scipy's chi-square; two of four are spare.
    agreement = result.agreement
    assert agreement.chi_square == pytest.approx((0.2**2 + 0.1**2) / (0.2**2 + 0.4**2))
    assert (agreement.degrees_of_freedom, agreement.p_value) == (2, pytest.approx(chi2.sf(0.25, 2)))
    assert result.season is None
    assert which_text(result) == "This is the mean of 2 answers that agree."


def test_a_mean_keeps_the_widest_factor():
    """One night's sigma comes from three sections that disagreed: its 95 % interval is more than two sigmas."""
    result = joined((group(0, 3.0, 1.0, factor=3.4), group(1, 3.1, 1.0)), SITE)
    assert result.solution.fit.coverage_factor_95 == 3.4
    low, high = result.solution.azimuth_interval_95_arcmin
    assert (high - low) / result.solution.azimuth_sigma_arcmin == pytest.approx(
        3.4 * 1.959964
    )  # 2 becomes 1.96 of normal errors


@pytest.mark.parametrize(("chance", "agree"), [(0.02, True), (0.005, False)])
def test_one_pair_in_a_hundred_is_taken_to_disagree(chance, agree):
    """Two equal answers so far apart in A that scipy's chi-square of two degrees of freedom is beaten by that chance."""
    apart = 0.2 * np.sqrt(2 * chi2.isf(chance, 2))
    assert (
        joined((group(0, 3.0, 1.0), group(1, 3.0 + apart, 1.0)), SITE).agreement.mean is not None
    ) == agree


def half(azimuth, sigma=0.2, by_rate=None):
    """A night that tells the azimuth error alone, from stars on the meridian."""
    information, lever = np.diag([sigma**-2, 0.0]), np.array([[1.0, 0.0]])
    estimate = AxisEstimate(azimuth, 0.0, information, judge(information, lever, POLE), lever, POLE, None)
    solution = solution_from(estimate, SITE, FitSummary(1, 300, 0.0, 0, None, "scatter"), (), ())
    return LogGroup(f"{azimuth}", None, solution, estimate, (), (), by_rate or {})


def test_nights_of_the_azimuth_alone_tell_no_altitude():
    """Weights 25 and 25, and one value to spare: 0.4^2 / (2 x 0.2^2)."""
    result = joined((half(3.0), half(3.4)), SITE)
    assert (result.solution.determined, result.solution.altitude_error_arcmin) == ("azimuth", None)
    assert result.solution.azimuth_error_arcmin == pytest.approx(3.2, abs=1e-4)  # held by a degree or so
    assert result.solution.azimuth_sigma_arcmin == pytest.approx(0.2 / 2**0.5, rel=1e-4)
    shared = {"a": np.array([0.2 / 2**0.5, 0.0])}
    mean = joined((half(3.0, by_rate=shared), half(3.4, by_rate=shared)), SITE).agreement.mean
    assert mean.azimuth_sigma_arcmin == pytest.approx((0.02 + 0.02 / 2) ** 0.5, rel=1e-3)
    assert mean.altitude_sigma_arcmin is None
    assert (result.agreement.degrees_of_freedom, result.agreement.chi_square) == (
        1,
        pytest.approx(2, rel=1e-3),
    )


@pytest.mark.parametrize("days", [(0, 1), (1, 0), (None, None), (0, None)])
def test_two_that_disagree_leave_the_last(days):
    """By time, whatever the order of the files; where there is none, by their order."""
    first, second = group(days[0], 30.0, 4.0), group(days[1], 2.1, -1.0)
    result = joined((first, second), SITE)
    last = first if days == (1, 0) else second
    assert values(result.solution) == values(last.solution)
    assert result.solution.moves == last.solution.moves
    assert result.agreement.mean is None
    assert codes(result)[0] == "axis-moved"
    assert which_text(result).startswith("This is the last of 2 answers that do NOT agree")


def test_the_season_of_the_pier():
    """Thirty nights of a pier that settles by 0.08 arcmin every other night and was knocked by 6 arcmin once."""
    rng = np.random.default_rng(4)
    axes = [
        np.array([0.5 + 0.08 * (day // 2), 2.0]) + (day >= 21) * np.array([-5.0, 3.3]) for day in range(30)
    ]
    nights = tuple(group(day, *(axes[day] + rng.normal(0, 0.2, 2))) for day in range(30))
    result = joined(nights, SITE)
    (knock,) = result.season.knocks
    assert (knock.before, knock.after) == (20, 21)
    assert np.hypot(*knock.jump) == pytest.approx(6.0, abs=3 * np.hypot(*knock.sigmas))
    off = np.array(values(result.solution)) - axes[-1]
    assert np.abs(off).max() < 3 * result.solution.azimuth_sigma_arcmin
    assert [move.toward for move in result.solution.moves] == ["east", "down"]
    before, now = result.season.spells
    low, high = result.solution.azimuth_interval_95_arcmin
    assert (low, high) == pytest.approx(
        (now.place[0] - 1.96 * now.sigmas[0], now.place[0] + 1.96 * now.sigmas[0]), abs=1e-4
    )
    assert result.solution.fit.measurements == 2 * 9  # the nights since the knock
    for spell in (before, now):
        assert np.abs((spell.rate - [0.04, 0.0]) / spell.sigmas[2:]).max() < 3
    text = season_text(result, SIGNS)
    assert "KNOCKED after 2024-03-21, before 2024-03-22" in text
    assert "2024-03-22 to 2024-03-30: 9 answers" in text
    assert "knocked, or turned," in " ".join(which_text(result).split())
    assert len(groups_text(result, SIGNS).splitlines()) == 3 + 4
    assert "they do NOT agree" in agreement_text(result, SIGNS)


def test_nights_that_scatter_widen_with_a_factor_for_95_percent():
    """Twelve nights, 20 values to spare less two for each night set aside: Student's t of scipy, not 2."""
    rng = np.random.default_rng(6)
    result = joined(tuple(group(day, *rng.normal(0, 0.4, 2)) for day in range(12)), SITE)
    assert result.season.factor > 1
    free = result.season.degrees_of_freedom
    assert free == 20 - 2 * len(result.season.aside)
    wide, narrow = (student.ppf(0.5 + share / 2, free) for share in (0.9544997361, 0.6826894921))
    assert result.solution.fit.coverage_factor_95 == pytest.approx(wide / narrow)
    assert "scatter" in codes(result)


def test_three_nights_are_the_least_season():
    """Two make a line, the third speaks against it; nights without an answer, or with half of one, have no place in it."""
    nights = [group(day, 3.0, 1.0) for day in (0, 1, 3)]
    assert joined((nights[0], nights[2]), SITE).season is None
    lost = LogGroup("lost", nights[1].start, None, None, ())
    west = replace(half(3.0), start=nights[1].start + timedelta(days=1))
    result = joined((nights[0], lost, nights[1], west, nights[2]), SITE)
    assert tuple(result.season.nights) == (0, 2, 4)
    assert (result.season.spells[0].first, result.season.spells[0].last) == (0, 4)


def test_a_night_alone_since_a_knock_is_as_uncertain_as_the_nights_scatter():
    rng = np.random.default_rng(6)
    nights = [group(day, *rng.normal(0, 0.4, 2)) for day in range(12)]
    result = joined((*nights, group(12, 9.0, -7.0)), SITE)
    assert result.season.factor > 1.3
    assert values(result.solution) == pytest.approx((9.0, -7.0))
    assert result.solution.azimuth_sigma_arcmin == pytest.approx(0.2 * result.season.factor)


def test_groups_of_one_night_are_no_season():
    """Three files of one evening: the mean if they agree, and nothing is said of a settling by the day."""
    result = joined(tuple(group(0, 3.0, 1.0, hours=hours) for hours in (0.0, 1.5, 3.0)), SITE)
    assert result.season is None
    assert result.solution.azimuth_sigma_arcmin == pytest.approx(0.2 / 3**0.5)


def test_a_knock_before_the_last_night_is_that_night():
    nights = (*(group(day, 1.0, 1.0) for day in range(8)), group(8, 5.0, 1.0))
    result = joined(nights, SITE)
    assert values(result.solution) == values(nights[-1].solution)
    assert (
        result.solution.azimuth_interval_95_arcmin == nights[-1].solution.azimuth_interval_95_arcmin
    )  # not made equal
    assert {"axis-moved", "knock", "one-night"} <= set(codes(result))
    assert which_text(result).startswith(
        "So it stood on 2024-03-09, by that answer alone since it was knocked"
    )
    assert "  2024-03-09: 1 answer\n" in season_text(result, SIGNS)


def test_one_answer_of_several_groups_is_the_answer():
    lost = LogGroup("2024-03-02", datetime(2024, 3, 2, tzinfo=UTC), None, None, ())
    only = group(0, 3.0, 1.0)
    result = joined((only, lost), SITE)
    assert result.solution == only.solution
    assert (result.agreement, result.season) == (None, None)


@pytest.mark.parametrize("count", [2, 30])
def test_what_all_nights_share_is_not_averaged_away(count):
    """Half of each night's variance comes from the one guide rate: of the mean, or the place, that much stays.

    Independent parts: 0.2 / sqrt(n) of the mean; 4 / n, nearly, of a line's end. What is shared is counted once as if it
    were each night's own, so that the answer holds either way.
    """
    moved = {(7.5, 0.1): np.array([0.2 * 0.5**0.5, 0.0])}
    result = joined(tuple(group(day, 3.0, 1.0, by_rate=moved) for day in range(count)), SITE)
    mean = result.agreement.mean
    assert mean.azimuth_sigma_arcmin == pytest.approx((0.02 + 0.02 / count) ** 0.5)
    assert mean.altitude_sigma_arcmin == pytest.approx(0.2 / count**0.5)
    if count == 30:
        alone = joined(tuple(group(day, 3.0, 1.0) for day in range(count)), SITE)
        own = alone.solution.azimuth_sigma_arcmin
        assert result.solution.azimuth_sigma_arcmin == pytest.approx((0.02 + own**2 / 2) ** 0.5, rel=1e-6)
        assert result.solution.altitude_sigma_arcmin == pytest.approx(own, rel=1e-6)


def test_each_of_two_rates_stays_in_the_mean_of_the_nights_that_share_it():
    """The variance of a mean of n: own parts over n, and (sum of the nights' shares / n)^2 of each rate.

    Three nights of 0.2 arcmin; the first rate moves all three by 0.1 arcmin in A, the other the first two by 0.1.
    """
    by = np.array([0.1, 0.0])
    rates = ({"a": by, "b": by}, {"a": by, "b": by}, {"a": by})
    nights = tuple(group(day, 3.0, 1.0, by_rate=each) for day, each in enumerate(rates))
    own = sum(0.2**2 - 0.1**2 * len(each) for each in rates) / 9
    mean = joined(nights, SITE).agreement.mean
    assert mean.azimuth_sigma_arcmin**2 == pytest.approx(own + 0.1**2 + (2 * 0.1 / 3) ** 2)
    assert mean.altitude_sigma_arcmin == pytest.approx(0.2 / 3**0.5)
