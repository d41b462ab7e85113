"""Derivatives of the log's model against numerical ones, with play, a stated rate, and errors of a degree."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from logfile import SITE, sections_of

from poleward.guidelog.fitting import correct
from poleward.guidelog.fitting.parts import State, drive_of, linear, prepare, share_drives
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
    """By A and e: 0.1 arcmin to both sides, bent by 1e-8 of it; by the rate the model is straight, by the play but for kinks."""
    parts, (drive,), sight = guided

    def residuals(part, p):
        state = State(p[0], p[1], (replace(drive, rate=p[2], backlash_ms=p[3]),))
        return linear(part, state, sight.apparent_pole)

    for part in parts:
        exact = residuals(part, at).columns
        assert exact.shape == (len(part.track.seconds), 4)
        for number, step in enumerate((0.1, 0.1, 0.05, 1.0)):
            ends = [np.array(at) + sign * step * np.eye(4)[number] for sign in (1, -1 if number < 3 else 0)]
            there, back = (residuals(part, p).residuals for p in ends)
            numeric = (back - there) / (ends[0][number] - ends[1][number])
            if number < 3:
                assert exact[:, number] == pytest.approx(numeric, rel=1e-5, abs=1e-6)
            else:
                alike = np.isclose(exact[:, 3], numeric, rtol=1e-6, atol=1e-9)
                assert np.mean(alike) > 0.9
                assert np.any(np.abs(numeric[alike]) > 1e-3)
