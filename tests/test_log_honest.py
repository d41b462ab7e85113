"""Guide logs where one point of the likelihood misleads: a cut of docs/experiments/log_nights.py and log_oddities.py."""

from __future__ import annotations

import importlib
import re
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from poleward.guidelog.fitting.night import solve_log
from poleward.report.log_text import log_text
from poleward.report.style import Signs

sys.path.insert(0, str(Path(__file__).parent.parent / "docs" / "experiments"))
nights = importlib.import_module("log_nights")
oddities = importlib.import_module("log_oddities")
guiders = importlib.import_module("log_guiders")


@pytest.mark.slow
@pytest.mark.parametrize("cell", [0, 2])
def test_nothing_lasts_and_the_answer_is_not_too_large(cell):
    """Four nights on the ridge of rate and noise: trusting its highest point, the mean pull along the truth was +1.4 and
    +1.1 here. An honest one's mean over four nights, A and e of each counted as one, is within 0.7 + 1.5 / sqrt(4)."""
    found = [nights.outcome(nights.draw(nights.CELLS[cell], number)) for number in range(4)]
    along = np.mean([each.along for each in found])
    assert along < 0.8
    assert np.sqrt(np.mean([each.pull**2 for each in found])) < 1.6
    assert np.mean([each.held for each in found]) > 0.8


def test_moves_by_pulses_tell_the_guide_rate():
    """No rate is stated; the code that cut the track at such moves had a sigma of 0.28 arcmin of A on this night."""
    found = nights.outcome(nights.draw(nights.CELLS[5], 1))
    assert found.sigma[0] < 0.1
    assert np.all(np.abs(found.pull) < 3.5)


def solved(kind, number=0, **cell):
    guider, scatter = oddities.KINDS[kind]
    drawn = oddities.draw(replace(oddities.STATED, **cell), number, guider, scatter)
    sections = oddities.written(kind, drawn.sections, number)
    return drawn, solve_log(sections, oddities.SITE, pointing_error="0 deg")


@pytest.mark.parametrize(
    ("kind", "code"),
    [
        ("each pulse in the row after", "drive-early"),
        ("dead under 60 ms", "drive-dead"),
        ("north 8 % more, south 8 % less", "drive-uneven"),
        ("each pulse 20 ms short", "drive-short"),
        # Taken as written, eight such nights had pulls with a rms of 3.0, the largest 7.9.
        ("one pulse in nine of the wrong sign", "pulses-mended"),
    ],
)
def test_drives_that_differ_are_found_and_told_first(kind, code):
    drawn, result = solved(kind)
    s = result.solution
    assert code in {note.code for note in s.warnings}
    assert log_text(result, Signs("+/-")).startswith("! ")
    pull = (s.azimuth_error_arcmin - drawn.truth[0]) / s.azimuth_sigma_arcmin
    assert abs(pull) < 3


def test_pulses_lost_from_one_row_in_ten_are_those_of_the_law():
    """A cell of nothing where a pulse was sent: taken as written, this night's azimuth error was 5.6 sigma off, silently."""
    drawn = oddities.draw(replace(oddities.STATED, rate="not stated"), 0)
    lost = np.random.default_rng(0).random((3, 600)) < 0.11
    sections = [
        replace(each, north_pulse_ms=np.where(gone[: len(each.seconds)], 0.0, each.north_pulse_ms))
        for each, gone in zip(drawn.sections, lost, strict=True)
    ]
    s = solve_log(sections, oddities.SITE, pointing_error="0 deg").solution
    assert any(note.code == "pulses-mended" for note in s.warnings)
    assert abs(s.azimuth_error_arcmin - drawn.truth[0]) < 3 * s.azimuth_sigma_arcmin
    assert abs(s.altitude_error_arcmin - drawn.truth[1]) < 3 * s.altitude_sigma_arcmin


@pytest.mark.parametrize("law", ["one row in ten skipped", "mean of the last five", "0.75 arcsec at most"])
def test_a_guider_of_another_law_sends_what_it_writes(law):
    """Hundreds of its pulses break the law of the rest, and none was written down wrong."""
    drawn = oddities.draw(oddities.STATED, 2, {"law": guiders.LAWS[law]})
    s = solve_log(drawn.sections, oddities.SITE, pointing_error="0 deg").solution
    assert not any(note.code == "pulses-mended" for note in s.warnings)
    assert abs(s.azimuth_error_arcmin - drawn.truth[0]) < 3 * s.azimuth_sigma_arcmin


def test_a_stated_row_is_believed():
    """The reader has put the pulses in their rows: no other reading is tried."""
    guider, scatter = oddities.KINDS["as the model"]
    drawn = oddities.draw(oddities.STATED, 0, guider, scatter)
    known = [replace(each, pulse_row_known=True) for each in drawn.sections]
    codes = {note.code for note in solve_log(known, oddities.SITE).solution.warnings}
    assert not codes & {"drive-early", "drive-dead", "drive-uneven", "drive-short", "drive-unlike"}


def test_a_wrong_scale_or_rate_stands_first_and_in_the_interval():
    """The stated rate is 1.6 times the true one: it may as well be the image scale, and the answer 1.6 times as large."""
    drawn = oddities.draw(oddities.STATED, 1, {}, {})
    off = [replace(each, north_guide_rate_arcsec_per_s=12.0) for each in drawn.sections]
    result = solve_log(off, oddities.SITE, pointing_error="0 deg")
    s = result.solution
    assert "guide-rate" in {note.code for note in s.warnings}
    told = re.match(r"! the pulses moved the telescope (\S+) \+/- (\S+) ", log_text(result, Signs("+/-")))
    assert abs(float(told[1]) - 7.5 / 12) < 2.5 * float(told[2]) < 0.2
    for at, truth in enumerate(drawn.truth):
        low, high = sorted(np.abs((s.azimuth_interval_95_arcmin, s.altitude_interval_95_arcmin)[at]))
        assert low < abs(truth) < abs(truth) * 1.5 < high
