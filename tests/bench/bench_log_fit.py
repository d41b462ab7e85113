"""How the fit of guide logs grows with their rows: CPU seconds in one process, simulated sections at 1 s.

Run ``python tests/bench/bench_log_fit.py``. Time must be linear in the rows: four times the rows may take at most
five times as long (the iterations differ a little from night to night). The whole command, reading included, is
measured elsewhere, side by side with numpy.loadtxt.
"""

from __future__ import annotations

import sys
import time
from datetime import UTC, datetime

from poleward.guidelog.fitting.night import solve_log
from poleward.simulate.night import Guider, Scatter, Stretch, night
from poleward.sky.site import Site

SITE = Site("47.1 deg", "8.4 deg", "560 m")
START = datetime(2024, 3, 10, 18, tzinfo=UTC)
LIMIT = 5.0


def seconds(rows: int, guider: Guider | None) -> float:
    scatter = Scatter(glitch_share=0.01)
    hour = -rows / 7200
    sections = night(SITE, 6.0, -4.0, [Stretch(0, rows, hour, 50.0, 1.0, guider)], START, scatter)
    best = float("inf")
    for _ in range(3):
        begin = time.process_time()
        solve_log(sections, SITE)
        best = min(best, time.process_time() - begin)
    return best


def main() -> int:
    print(f"{'rows':>8}{'watched, s':>12}{'guided, s':>12}")
    spent = {}
    for rows in (4500, 9000, 18000, 36000):
        spent[rows] = seconds(rows, None), seconds(rows, Guider(true_rate=7.2, move_every_s=600))
        print(f"{rows:>8}{spent[rows][0]:>12.2f}{spent[rows][1]:>12.2f}", flush=True)
    return int(any(spent[36000][i] > LIMIT * spent[9000][i] for i in range(2)))


if __name__ == "__main__":
    sys.exit(main())
