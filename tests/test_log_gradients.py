"""Derivatives of the log's model against numerical ones, with play, a stated rate, and errors of a degree."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from logfile import SITE, sections_of

from poleward.guidelog.fitting import correct
from poleward.guidelog.fitting.parts import State, curve, drive_of, left_over, prepare, share_drives
from poleward.simulate.night import Guider


@pytest.fixture(scope="module")
def guided():
    sections = sections_of(
        [(-3.5, 20.0), (0.2, -5.0)], seconds=900, guider=Guider(true_rate=7.2, move_every_s=250)
    )
    sections = [replace(one, north_guide_rate_arcsec_per_s=7.5) for one in sections]
    tracks = [correct.track(one) for one in sections]
    parts, sight = prepare(sections, tracks, SITE, 15.04106717867)
    return *share_drives(parts, [drive_of(*both) for both in zip(sections, tracks, strict=True)]), sight


@pytest.mark.parametrize("at", [(6.0, -4.0, 1.0, 250.0), (70.0, -50.0, 0.9, 40.0)])
def test_the_slopes_are_those_of_the_residuals(guided, at) -> None:
    """By A and e, 0.1 arcmin to both sides, bent by 1e-8 of it. Drives are weighed on a grid, without slopes."""
    parts, (drive,), sight = guided
    drive = replace(drive, rate=at[2], backlash_ms=at[3])

    def residuals(part, p):
        return left_over(part, State(*p, (drive,)), sight.apparent_pole)[0]

    for part in parts:
        seconds = part.track.seconds
        _, exact = curve(part, State(*at[:2], (drive,)), sight.apparent_pole, seconds)
        assert exact.shape == (len(seconds), 2)
        for number in range(2):
            step = 0.1 * np.eye(2)[number]
            there, back = (residuals(part, np.array(at[:2]) + sign * step) for sign in (1, -1))
            assert exact[:, number] == pytest.approx((back - there) / 0.2, rel=1e-5, abs=1e-6)
