"""Draws season-chart.png of season.md: a simulated season of a pier that settles, is knocked, and has one bad night.

python docs/drawings/season.py
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from poleward.guidelog.fitting.night import solve_log
from poleward.report.chart import figure_bytes
from poleward.report.log_chart import log_chart
from poleward.simulate.night import Guider, Scatter, Stretch, night
from poleward.sky.site import Site

SITE = Site("47.1 deg", "8.4 deg", "560 m")
FIRST = datetime(2024, 3, 1, 19, tzinfo=UTC)
CLOUDY, KNOCKED, BAD = (2, 6, 14, 18, 22, 26), 19, 9


def main() -> None:
    """Draw it."""
    guider = Guider(backlash_ms=100.0)
    sections = []
    for day in range(30):
        azimuth, altitude = -1.0 + 0.04 * day, 2.0 - 0.015 * day
        if day >= KNOCKED:
            azimuth, altitude = azimuth + 5.5, altitude - 2.4
        stretches = [
            Stretch(0, 1200, -3.0, 20.0, 4.0, guider),
            Stretch(4000, 1200, 0.3, 10.0, 4.0, guider),
        ]
        if day not in CLOUDY:
            bad = 4.0 * (day == BAD)
            rng = np.random.default_rng(day)
            sections += night(
                SITE, azimuth + bad, altitude, stretches, FIRST + timedelta(days=day), Scatter(), rng
            )
    chart = figure_bytes(log_chart(solve_log(sections, SITE, each="night")), "season-chart.png")
    (Path(__file__).parents[1] / "season-chart.png").write_bytes(chart)


if __name__ == "__main__":
    main()
