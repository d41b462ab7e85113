"""What a plan promises beside what simulated nights give, with and without the noise that lasts from frame to frame.

    python docs/experiments/plan_noise.py

The reason behind LASTING_ARCSEC in poleward.planning.timing; its table stands in docs/how-pointings-are-chosen.md. Each plan's
pointings are watched for the planned minutes on 40 nights (0.8 arcsec new in every frame, 0.5 arcsec that last for 30 s, a
frame every 3 s) and solved as `poleward log` does. Half a minute.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np

from poleward import solve_log
from poleward.planning.plan import plan
from poleward.planning.planned import Proposal
from poleward.planning.timing import Reader
from poleward.planning.wishes import Wishes
from poleward.simulate.night import Scatter, Stretch, night
from poleward.sky.site import Air, Site

NIGHTS = 40
AT = datetime(2025, 1, 15, 19, tzinfo=UTC)
COUNTED = Reader(0.8, 3.0, 0.5, 30.0)
LEFT_OUT = replace(COUNTED, lasting_arcsec=0.0)


def nights(site: Site, proposal: Proposal, rng: np.random.Generator) -> np.ndarray:
    """RMS of the errors of azimuth and altitude, arcmin."""
    errors = []
    for _ in range(NIGHTS):
        truth = rng.normal(0, 5, 2)
        stretches, begin = [], 0.0
        for one in proposal.pointings:
            stretches.append(Stretch(begin, 60 * one.minutes, one.hour_angle_h, one.dec_deg))
            begin += 60 * one.minutes + 120
        sections = night(site, *truth, stretches, AT, Scatter(0.8, 0.5, 30.0), rng)
        found = solve_log(sections, site).solution
        errors.append((found.azimuth_error_arcmin - truth[0], found.altitude_error_arcmin - truth[1]))
    return np.sqrt(np.mean(np.square(errors), axis=0))


def main() -> None:
    rng = np.random.default_rng(5)
    print("| latitude | wanted, arcmin | lasting noise | minutes | promised: A, e | 40 nights: A, e |")
    print("| --- | --- | --- | --- | --- | --- |")
    for latitude, wanted in ((47.0, 0.2), (47.0, 0.5), (-35.0, 0.3)):
        site = Site(f"{latitude} deg", "8 deg", "500 m", Air("950 hPa", "4 deg_C", 0.7))
        for name, reader in (("left out", LEFT_OUT), ("counted", COUNTED)):
            found = plan(site, reader, Wishes(wanted)).proposal
            given = nights(site, found, rng)
            print(
                f"| {latitude:+.0f} | {wanted} | {name} | {found.total_minutes:.1f} | {found.azimuth_sigma_arcmin:.2f}, "
                f"{found.altitude_sigma_arcmin:.2f} | {given[0]:.2f}, {given[1]:.2f} |"
            )


if __name__ == "__main__":
    main()
