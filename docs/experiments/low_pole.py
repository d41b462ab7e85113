"""How far off is the formula's refraction for a pole that stands low? A ray traced through a standard atmosphere.

    python docs/experiments/low_pole.py

The reason behind FORMULA_DOUBT in poleward.sky.look; a second. The ray is traced by L. H. Auer and E. M. Standish's integral
(2000, AJ 119, 2472; from memory) through dry air at 1010 hPa and 10 deg C: 6.5 K/km to 11 km, isothermal above, with the
refractivity of Edlen's kind at 0.55 um. Checked against the ray-trace column of ERFA's refco header by tests/test_doubts.py.
"""

from __future__ import annotations

import numpy as np
from scipy.integrate import quad
from scipy.optimize import brentq

RADIUS_M, GRAVITY, GAS, LAPSE, TROPOPAUSE_M = 6_378_120.0, 9.784, 287.05, 0.0065, 11_000.0
"""Earth, m; m/s2 at the air's mid height and latitude 45; J/(kg K) of dry air; K/m; m."""
REFRACTIVITY = 2.7771e-4
"""n - 1 of dry air at 0.55 um, 15 deg C, 1013.25 hPa (K. P. Birch and M. J. Downs 1993; from memory)."""


def refractivity(height: float, pressure_hpa: float, kelvin: float) -> tuple[float, float]:
    """Return n - 1 at a height and its derivative by height, 1/m."""
    ground = REFRACTIVITY * (pressure_hpa / 1013.25) * (288.15 / kelvin)
    power = GRAVITY / (GAS * LAPSE)
    if height < TROPOPAUSE_M:
        cooled = 1 - LAPSE * height / kelvin
        return ground * cooled ** (power - 1), -ground * (power - 1) * LAPSE / kelvin * cooled ** (power - 2)
    top = kelvin - LAPSE * TROPOPAUSE_M
    scale = GAS * top / GRAVITY
    value = ground * (top / kelvin) ** (power - 1) * np.exp(-(height - TROPOPAUSE_M) / scale)
    return value, -value / scale


def traced(seen_deg: float, pressure_hpa: float = 1010.0, kelvin: float = 283.15) -> float:
    """Refraction, arcsec, of a star seen at an altitude."""
    first = (1 + refractivity(0.0, pressure_hpa, kelvin)[0]) * RADIUS_M * np.cos(np.radians(seen_deg))

    def height_at(zenith: float) -> float:
        def off(height: float) -> float:
            index = 1 + refractivity(height, pressure_hpa, kelvin)[0]
            return index * (RADIUS_M + height) * np.sin(zenith) - first

        return brentq(off, -1e-3, 8e4) if off(8e4) > 0 else 8e4

    def bend(zenith: float) -> float:
        height = height_at(zenith)
        n, slope = refractivity(height, pressure_hpa, kelvin)
        radius = RADIUS_M + height
        return -radius * slope / (1 + n + radius * slope)

    top_n = refractivity(8e4, pressure_hpa, kelvin)[0]
    last = np.arcsin(first / (1 + top_n) / (RADIUS_M + 8e4))
    whole, _ = quad(bend, last, np.radians(90 - seen_deg), epsrel=1e-9, limit=400)
    return float(np.degrees(whole) * 3600)


def seen_from_true(true_deg: float) -> float:
    """Altitude seen, deg, of a star that truly stands at an altitude."""
    return brentq(lambda seen: seen - traced(seen) / 3600 - true_deg, true_deg, true_deg + 0.8)


if __name__ == "__main__":
    from poleward import Air, Site
    from poleward.sky.look import poles_at

    print(
        "\n| latitude, deg | pole lifted by the ray trace, arcsec | by the formula | off |\n| --- | --- | --- | --- |"
    )
    for latitude in (0.01, 0.5, 1, 2, 3, 4, 5, 6, 8, 10, 15, 20):
        apparent, _ = poles_at(Site(latitude, air=Air("1010 hPa", "10 deg_C", 0.0)))
        formula = 3600 * (apparent.altitude_deg - latitude)
        ray = 3600 * (seen_from_true(latitude) - latitude)
        print(f"| {latitude:g} | {ray:.1f} | {formula:.1f} | {formula - ray:+.1f} |")
