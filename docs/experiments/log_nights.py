"""Do the claimed sigmas of `poleward log` keep their word? Simulated nights with known truth, pulls and bias.

    python docs/experiments/log_nights.py [NIGHTS] [FIRST]

Prints one line per night and the tables of docs/noise-model.md. The mix: drift-only and guided, backlash 0 to 600 ms,
guide rate wrong by 5 % either way, deliberate moves every 10 min, seeing 0.5-1.5 arcsec, correlated noise
0.3-1 arcsec over 10-120 s, cadence 1-5 s with irregularities, 1 % glitches, both hemispheres, 1 to 6 sections.
"""

from __future__ import annotations

import math
import sys
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np

from poleward.guidelog.section import Section
from poleward.simulate import Guider, Scatter, Stretch, night
from poleward.site import Site


@dataclass(frozen=True)
class Drawn:
    """A night and its truth."""

    kind: str
    site: Site
    azimuth: float
    altitude: float
    sections: tuple[Section, ...]
    scatter: Scatter
    guider: Guider | None


def height_deg(latitude: float, hour: float, dec: float) -> float:
    phi, h, d = (math.radians(v) for v in (latitude, 15 * hour, dec))
    return math.degrees(math.asin(math.sin(phi) * math.sin(d) + math.cos(phi) * math.cos(d) * math.cos(h)))


def pointing(rng: np.random.Generator, latitude: float, side: float, hours: float) -> tuple[float, float]:
    """Hour angle and dec of a star above 25 deg at both ends, on one side of the meridian (0: any)."""
    while True:
        hour = rng.uniform(-4.5, 4.5)
        if side and hour * side < 0.5:
            continue
        dec = math.copysign(rng.uniform(-20, 65), latitude)
        if min(height_deg(latitude, hour, dec), height_deg(latitude, hour + hours, dec)) > 25:
            return hour, dec


def draw(number: int) -> Drawn:
    """Return night `number` of the mix; always the same one."""
    rng = np.random.default_rng([20260, number])
    kind = ("watched", "guided")[number % 2]
    latitude = rng.choice([-1, 1]) * rng.uniform(25, 58)
    site = Site(f"{latitude} deg", f"{rng.uniform(-180, 180)} deg", "400 m")
    count = number // 2 % 6 + 1
    hours = rng.uniform(2.5, 5) if count == 1 else rng.uniform(0.4, 1.5)
    guider = None
    if kind == "guided":
        stated = rng.choice([3.75, 7.5, 11.25])
        guider = Guider(
            stated_rate=stated,
            true_rate=stated * (1 + rng.choice([-0.05, 0.05])),
            backlash_ms=rng.choice([0, 50, 100, 200, 400, 600]),
            aggressiveness=rng.uniform(0.4, 0.9),
            least_arcsec=rng.uniform(0.1, 0.5),
            move_every_s=rng.choice([0, 600]),
        )
    stretches = []
    for i in range(count):
        hour, dec = pointing(rng, latitude, 0 if count == 1 else (-1) ** i, hours)
        stretches.append(
            Stretch(
                begin_s=i * (hours * 3600 + 300),
                duration_s=hours * 3600,
                hour_angle_h=hour,
                dec_deg=dec,
                cadence_s=rng.uniform(1, 5),
                guider=guider,
                by_ra=bool(rng.integers(0, 2)),
            )
        )
    scatter = Scatter(
        white_arcsec=rng.uniform(0.5, 1.5),
        correlated_arcsec=rng.uniform(0.3, 1.0),
        time_s=math.exp(rng.uniform(math.log(10), math.log(120))),
        glitch_share=0.01,
    )
    size, angle = rng.uniform(2, 20), rng.uniform(0, 2 * math.pi)
    azimuth, altitude = size * math.cos(angle) / math.cos(math.radians(latitude)), size * math.sin(angle)
    begin = datetime(2024, 3, 10, 20, tzinfo=UTC)
    sections = night(site, azimuth, altitude, stretches, begin, scatter, rng)
    return Drawn(kind, site, azimuth, altitude, sections, scatter, guider)
