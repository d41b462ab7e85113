"""The log's chart: what is drawn, in which colours, and that the track shown is the one that astropy says."""

from __future__ import annotations

import re
from datetime import timedelta

import numpy as np
import pytest
from logfile import SITE, START, sections_of
from matplotlib.colors import to_hex

from poleward.guidelog.fitting.night import solve_log
from poleward.report import style
from poleward.report.chart import DAY, figure_bytes
from poleward.report.log_chart import DAY_INKS, MOST_TRACKS, log_chart
from poleward.simulate.night import Guider, Scatter

SPOTS = ((-3.5, 20.0), (0.2, 5.0), (3.0, 40.0))
OKABE_ITO = {
    style.BLACK, style.ORANGE, style.SKY_BLUE, style.GREEN, style.YELLOW, style.BLUE, style.VERMILION, style.PURPLE
}  # fmt: skip
GREY = re.compile(r"#(..)\1\1$")


@pytest.fixture(scope="module")
def guided():
    return solve_log(sections_of(SPOTS, seconds=1800, guider=Guider(move_every_s=600)), SITE)


@pytest.fixture(scope="module")
def nights():
    starts = [START + timedelta(days=number) for number in range(4)]
    many = [
        section
        for number, start in enumerate(starts)
        for section in sections_of(SPOTS[:2], seconds=900, start=start, seed=30 + number)
    ]
    return solve_log(many, SITE, each="night")


def all_axes(figure):
    return [axes for axes in figure.get_axes() if axes.get_visible()]


def colours(figure):
    return {to_hex(line.get_color()).upper() for axes in all_axes(figure) for line in axes.lines}


def test_corrections_undone_is_the_drift_of_a_mount_that_only_tracks():
    """The undone track against the same night watched without noise, made with astropy and scipy's Rotation.

    Tolerance along the drift: four of the section's own sigmas, and those are less than a tenth of it. About the fit:
    0.35 arcsec, half as much again as the noise that was put in, hypot(0.1, 0.2).
    """
    quiet = Scatter(0.1, 0.2, 30.0)
    free = sections_of(SPOTS[:2], seconds=1800, scatter=Scatter(1e-6, 1e-6, 30.0))
    result = solve_log(
        sections_of(SPOTS[:2], seconds=1800, scatter=quiet, guider=Guider(true_rate=7.2, move_every_s=600)),
        SITE,
    )
    traces = result.groups[0].traces
    assert len(traces) == len(free)
    for trace, truth, section in zip(traces, free, result.sections, strict=True):
        path = np.interp(trace.seconds, truth.seconds, truth.north_arcsec - truth.north_arcsec[0])
        sigma = section.north_rate_sigma_arcsec_per_min * trace.seconds[-1] / 60
        assert sigma < np.ptp(path) / 10
        assert np.abs(trace.fitted_arcsec - path).max() < 4 * sigma
        assert np.abs(trace.undone_arcsec - path)[trace.kept].max() < 4 * sigma + 4 * np.hypot(0.1, 0.2)
        assert np.std(trace.residual_arcsec[trace.kept]) < 0.35
        assert len(trace.starts) == 3


def test_tracks_are_drawn(guided):
    figure = log_chart(guided)
    axes = all_axes(figure)
    assert len(axes) == 2 * 3 + 1
    titles = [each.get_title() for each in axes]
    named = [title for title in titles if title.startswith("section ")]
    for number, (title, (hour, dec)) in enumerate(zip(named, SPOTS, strict=True), 1):
        assert title.startswith(f"section {number}: hour angle {hour:+.1f} h, dec {dec:+.0f}, alt ")
    labels = {line.get_label() for each in axes for line in each.lines}
    assert {"the star as logged, guided", "corrections undone, levels joined", "by the fitted axis"} <= labels
    marks = {
        line.get_label(): line.get_marker()
        for each in axes
        for line in each.lines
        if line.get_marker() != "None"
    }
    assert marks["the star as logged, guided"] != marks["corrections undone, levels joined"]
    assert figure_bytes(figure, "x.png").startswith(b"\x89PNG")


def test_day_colours_are_told_apart_by_all(guided, nights):
    for result in (guided, nights):
        for colour in colours(log_chart(result)):
            assert colour in OKABE_ITO or GREY.match(colour), colour
    assert len({DAY_INKS.logged, DAY_INKS.undone, DAY_INKS.fit, DAY_INKS.lost}) == 4
    assert DAY_INKS.logged not in (DAY.azimuth, DAY.altitude, DAY.axis)


def test_night_is_red(guided, nights):
    for result in (guided, nights):
        figure = log_chart(result, night=True)
        for colour in colours(figure):
            red, green, blue = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
            assert max(green, blue) <= 0x40, colour
            assert red > green
        assert to_hex(figure.get_facecolor()) == "#000000"


def test_many_answers_stand_against_time(nights):
    assert len(nights.sections) > MOST_TRACKS
    figure = log_chart(nights)
    axes = all_axes(figure)
    assert len(axes) == 5
    points = [line for line in axes[4].lines if line.get_marker() == "s" and len(line.get_xdata()) == 1]
    assert len(points) == 4
    (low, high), (bottom, top) = axes[4].get_xlim(), axes[4].get_ylim()
    for line, group in zip(points, nights.groups, strict=True):
        x, y = line.get_xdata()[0], line.get_ydata()[0]
        assert (x, y) == (group.solution.azimuth_error_arcmin, group.solution.altitude_error_arcmin)
        assert low < x < high
        assert bottom < y < top
    assert axes[0].get_ylabel().startswith("azimuth error [arcmin]")
    assert axes[3].get_xlabel() == "time, UTC"
    assert figure_bytes(figure, "x.png").startswith(
        b"\x89PNG"
    )  # four nights once had no dates that matplotlib could place
    looks_right(axes[2:4], nights.sections)


def looks_right(axes, sections):
    """Hour angle above, dec and altitude below, one mark for each section."""
    hours, decs, altitudes = (line.get_ydata() for line in (*axes[0].lines, *axes[1].lines))
    assert list(hours) == [section.hour_angle_h for section in sections]
    assert list(decs) == [section.dec_deg for section in sections]
    assert list(altitudes) == [section.altitude_deg for section in sections]


def test_many_sections_of_one_fit():
    many = sections_of([(hour / 2, 20.0) for hour in range(-4, 4)], seconds=450)
    result = solve_log(many, SITE)
    axes = all_axes(log_chart(result))
    assert len(axes) == 4
    looks_right(axes[1:3], result.sections)
    assert axes[0].get_ylabel() == "drift north [arcsec/min]"
    rates = axes[0].lines[1].get_ydata()
    assert list(rates) == [section.north_rate_fitted_arcsec_per_min for section in result.sections]


def test_one_open_error_is_a_line():
    result = solve_log(sections_of([(0.0, 5.0)], seconds=600), SITE)
    assert result.solution.determined == "azimuth"
    axes = all_axes(log_chart(result))
    assert len(axes) == 3
    assert axes[2].get_title() == "Only the azimuth error is determined"
