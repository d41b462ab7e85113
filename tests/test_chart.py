"""The axis chart: the data in its artists, then that every format can be written."""

from __future__ import annotations

import numpy as np
import pytest

from poleward import Drifts, Site, solve
from poleward.report.chart import DAY, NIGHT, axis_chart, ellipse_points, figure_bytes


def solution(latitude: str, *hours: float):
    rows = [
        {
            "hour_angle": hour,
            "dec": "10d" if "-" not in latitude else "-10d",
            "duration": "5 min",
            "north": "-5 arcsec",
        }
        for hour in hours
    ]
    return solve(Drifts.from_rows(rows), Site(latitude))


def test_ellipse_is_where_chi_square_is_the_scale() -> None:
    covariance = np.array([[4.0, 1.5], [1.5, 2.0]])
    points = ellipse_points(covariance, 2.0)
    distance = np.sqrt(np.einsum("ni,ij,nj->n", points, np.linalg.inv(covariance), points))
    assert np.allclose(distance, 2.0, atol=1e-12)


@pytest.mark.parametrize(("latitude", "east_is_right"), [("47 deg", True), ("-35 deg", False)])
def test_as_seen_from_behind_the_mount(latitude: str, east_is_right: bool) -> None:
    """Looking north, east is on the right; looking south it is on the left."""
    found = solution(latitude, 0.0, -4.5)
    axes = axis_chart(found).axes[0]
    left, right = axes.get_xlim()
    assert (right > left) == east_is_right
    place = next(line for line in axes.get_lines() if line.get_marker() == "o")
    assert place.get_xydata().tolist() == [[found.azimuth_error_arcmin, found.altitude_error_arcmin]]
    # Equal lengths are equal angles on the sky: an arcminute of azimuth is cos(altitude of the pole) of one.
    assert axes.get_aspect() == pytest.approx(1 / np.cos(np.radians(found.pole.altitude_deg)), rel=1e-9)
    texts = [text.get_text() for text in axes.get_legend().get_texts()]
    assert texts[:2] == ["1 sigma", "2 sigma"]
    assert texts[2].startswith("azimuth knob: ")
    assert texts[3].startswith("altitude knob: ")


def test_one_direction_is_a_band() -> None:
    found = solution("47 deg", 0.0)
    axes = axis_chart(found).axes[0]
    band = [line for line in axes.get_lines() if line.get_color() == DAY.axis]
    assert len(band) == 3
    assert np.allclose(band[0].get_xdata(), found.azimuth_error_arcmin)
    assert axes.get_title() == "Only the azimuth error is determined"


@pytest.mark.parametrize("name", ["a.png", "a.svg", "a.pdf", "A.PNG"])
def test_formats(name: str) -> None:
    start = {"png": b"\x89PNG", "svg": b"<?xml", "pdf": b"%PDF"}[name.rsplit(".")[-1].lower()]
    assert figure_bytes(axis_chart(solution("47 deg", 0.0, -4.0)), name).startswith(start)


def test_night_is_red_on_black() -> None:
    figure = axis_chart(solution("47 deg", 0.0, -4.0), night=True)
    assert figure.get_facecolor()[:3] == (0.0, 0.0, 0.0)
    for colour in (NIGHT.ink, NIGHT.faint, NIGHT.axis, NIGHT.azimuth, NIGHT.altitude, NIGHT.pole):
        red, green, blue = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
        assert green < red / 4
        assert blue < red / 4
