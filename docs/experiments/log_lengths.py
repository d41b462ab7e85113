"""What one section can tell, and what levels cost: sigmas of A and e, seeing 0.8, correlated 0.5 arcsec over 30 s.

    python docs/experiments/log_lengths.py

Prints the two tables of docs/noise-model.md; each line is the mean of three nights.
"""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np

from poleward.guidelog.fitting.night import solve_log
from poleward.simulate.night import Guider, Stretch, night
from poleward.sky.site import Site

SITE = Site("47.1 deg", "8.4 deg", "560 m")
START = datetime(2024, 3, 10, 19, tzinfo=UTC)


def sigmas(stretches: list[Stretch]) -> tuple[float, float, str]:
    found = []
    for seed in range(3):
        sections = night(SITE, 6.0, -4.0, stretches, START, rng=np.random.default_rng(seed))
        s = solve_log(sections, SITE).solution
        found.append((s.azimuth_sigma_arcmin or np.nan, s.altitude_sigma_arcmin or np.nan))
    mean = np.mean(found, axis=0)
    return float(mean[0]), float(mean[1]), s.determined


def main() -> None:
    guider = Guider(true_rate=7.2, move_every_s=600)
    print(
        "| one section, hour angle -1.5 h on, dec +20 deg | | sigma A | sigma e |\n| --- | --- | --- | --- |"
    )
    for hours in (0.5, 1.0, 2.0, 3.0, 5.0):
        for name, how in (("watched", None), ("guided", guider)):
            azimuth, altitude, _ = sigmas([Stretch(0, hours * 3600, -1.5, 20.0, 3.0, how)])
            print(f"| {hours} h | {name} | {azimuth:.3f}' | {altitude:.3f}' |")
    print("\n| two sections of 1 h, hour angles -4 and 0 h | sigma A | sigma e |\n| --- | --- | --- |")
    for name, how in (
        ("watched", None),
        ("guided, no deliberate moves", Guider(true_rate=7.2)),
        ("guided, one move every 10 min", guider),
        ("guided, one move every 5 min", Guider(true_rate=7.2, move_every_s=300)),
        ("guided, one move every 2 min", Guider(true_rate=7.2, move_every_s=120)),
    ):
        azimuth, altitude, _ = sigmas(
            [Stretch(0, 3600, -4.0, 10.0, 3.0, how), Stretch(4000, 3600, 0.0, 20.0, 3.0, how)]
        )
        print(f"| {name} | {azimuth:.3f}' | {altitude:.3f}' |")


if __name__ == "__main__":
    main()
