"""What the guiding tells about itself, against plain sums."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from logfile import sections_of

from poleward.guidelog.fitting import correct
from poleward.guidelog.fitting.guiding import Guiding, guiding_notes, guiding_of
from poleward.guidelog.fitting.noise import Noise


def guided(pulses, cadence_s=3.0):
    """A section whose rows are a level of +/- 1 arcsec and then, after a move, one of +/- 2 about 50."""
    (plain,) = sections_of([(0.0, 10.0)], seconds=3.0 * 119)
    swing = np.where(np.arange(120) % 2, 1.0, -1.0)
    later = np.arange(120) >= 60
    section = replace(
        plain,
        seconds=cadence_s * np.arange(120.0),
        north_arcsec=np.where(later, 50 + 2 * swing, swing),
        moved=np.arange(120) == 60,
        good=np.ones(120, bool),
        north_pulse_ms=pulses,
        east_pulse_ms=None,
        label="watch",
    )
    return section, correct.track(section)


def of(pulses, kept=None):
    section, track = guided(pulses)
    kept = np.ones(120, bool) if kept is None else kept
    return guiding_of(section, track, kept, track.piece, Noise(3.0, 4.0, 30.0))


def test_its_scatter_is_about_each_level() -> None:
    found = of(None)
    assert found.rms_arcsec == pytest.approx(math.sqrt((60 * 1 + 60 * 4) / 120))
    assert found.rms_still_arcsec == 5.0  # 3 and 4 at a right angle
    assert (found.drift_share, found.north_lag_one, found.east_lag_one) == (None, None, None)
    first = np.arange(120) < 60
    assert of(None, first).rms_arcsec == pytest.approx(1.0)


def test_its_corrections() -> None:
    """Three north of 100 ms and one south of 60 ms, over and over: 240 of 360 ms are what pushes the drift away."""
    pulses = np.tile([100.0, 100.0, 100.0, -60.0], 30)
    found = of(pulses)
    assert found.drift_share == pytest.approx(240 / 360)
    middle = pulses - pulses.mean()
    assert found.north_lag_one == pytest.approx(np.sum(middle[1:] * middle[:-1]) / np.sum(middle**2))
    few = np.where(np.arange(120) < 49, 100.0, 0.0)
    assert of(few).drift_share is None
    few[60] = 100.0
    assert of(few).drift_share == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("cadence_s", "north", "east", "codes"),
    [
        (3.0, 0.1, None, []),
        (1.9, 0.1, None, ["fast-cadence"]),
        (1.9, None, None, []),
        (2.1, -0.34, -0.36, ["overshoot"]),
        (3.0, -0.36, -0.34, ["overshoot"]),
        (1.0, -0.4, -0.4, ["fast-cadence", "overshoot", "overshoot"]),
    ],
)
def test_what_a_user_might_change(cadence_s, north, east, codes) -> None:
    section, track = guided(np.tile([50.0, -50.0], 60), cadence_s)
    notes = guiding_notes(section, track, Guiding(1.0, 1.0, 0.5, north, east))
    assert [note.code for note in notes] == codes


def test_pulses_in_east_alone_are_told_of() -> None:
    section, track = guided(None)
    section = replace(section, east_pulse_ms=np.ones(120))
    notes = guiding_notes(section, track, Guiding(1.0, 1.0, None, None, None))
    assert [note.code for note in notes] == ["no-north-pulses"]
    assert guiding_notes(guided(np.ones(120))[0], track, Guiding(1.0, 1.0, None, None, None)) == []
    both = replace(section, north_pulse_ms=np.ones(120))
    assert guiding_notes(both, track, Guiding(1.0, 1.0, None, None, None)) == []


def test_where_the_telescope_stands_between_the_stops() -> None:
    """Play of 100 ms: unknown to half of it at first; after 100 ms north it follows the motor's leading stop."""
    pulses = np.zeros(120)
    pulses[10], pulses[20] = 40.0, 100.0
    _, track = guided(pulses)
    middle, half = track.backlash(100.0)
    # Motor at 0: the telescope is anywhere from -100 to 0; at 40 from -60 to 0; at 140 it is pushed along at 40.
    assert (middle[5], half[5]) == (-50, 50)
    assert (middle[15], half[15]) == (-30, 30)
    assert (middle[30], half[30]) == (40, 0)
    # A move of the star begins a new level, and nobody knows again.
    assert (middle[70], half[70]) == (90, 50)
