"""Does a known axis come back, everywhere and at any size? The large grid behind tests/test_recovery.py.

    python docs/experiments/recovery.py

Two or three minutes on one core. Truth is made with astropy.coordinates and scipy (tests/nights.py, tests/truth.py),
noise-free; the table of the worst cases stands in docs/accuracy.md.
"""

from __future__ import annotations

import math
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2] / "tests"))
from nights import night, site_of
from truth import Place

from poleward import Air, Site, solve

LATITUDES = (-89, -70, -55, -40, -25, -10, -1.5, -0.7, -0.3, 0.3, 0.7, 1.5, 10, 25, 40, 55, 70, 89)
ERRORS_DEG = ((5 / 60, -3 / 60), (1.0, 1.0), (3.0, -2.0), (-2.0, 3.0))
# In the north; mirrored in the south.
DECS = ((89, 80, 10), (89, 50, 30), (3, 20, -10), (0, 40, -80, 80), (-30, 60))
MINUTES = (1, 5, 30, 120)


def grid() -> None:
    found, left_open = [], []
    for latitude in LATITUDES:
        place = Place(latitude)
        site, sign = site_of(place), math.copysign(1, latitude)
        for decs in DECS:
            for minutes in MINUTES:
                full = night(place, [(h, sign * dec) for dec in decs for h in (-4, -0.5, 3.5)], 60 * minutes)
                watched = full.only(full.lowest_deg > 15)
                if len(watched.times) < 3:
                    continue
                for azimuth, altitude in ERRORS_DEG:
                    drifts = watched.drifts(azimuth, altitude)
                    for kind in ("ra", "hour_angle", "azimuth"):
                        solution = solve(watched.table(drifts, kind), site)
                        if solution.determined != "both":
                            left_open.append((latitude, azimuth, altitude, solution.determined))
                            continue
                        off_a = 60 * (solution.azimuth_error_arcmin - 60 * azimuth)
                        off_e = 60 * (solution.altitude_error_arcmin - 60 * altitude)
                        on_sky = math.hypot(off_a * math.cos(math.radians(abs(latitude) + altitude)), off_e)
                        found.append((on_sky, off_a, off_e, kind, latitude, decs, minutes, azimuth, altitude))
    print(f"\n{len(found) + len(left_open)} solves, {len(left_open)} of them not determined in both errors:")
    for case in sorted(set(left_open)):
        print("latitude {:g}, axis {:+.2f} / {:+.2f} deg: {}".format(*case), f"({left_open.count(case)})")
    print("\n| pointing by | latitudes | solves | on the sky, arcsec | azimuth angle | altitude | where |")
    print("| --- | --- | --- | --- | --- | --- | --- |")
    for kind in ("ra", "hour_angle", "azimuth"):
        for span, polar in (("-70 to +70", False), ("-89 and +89", True)):
            cases = [case for case in found if case[3] == kind and (abs(case[4]) > 80) == polar]
            cases.sort(key=lambda case: -case[0])
            for sky, off_a, off_e, _, latitude, decs, minutes, azimuth, altitude in cases[
                : 1 if polar else 2
            ]:
                where = (
                    f"latitude {latitude:g}, decs {', '.join(map(str, decs))}, {minutes} min, axis "
                    f"{azimuth:+.2f} / {altitude:+.2f} deg"
                )
                print(
                    f"| {kind} | {span} | {len(cases)} | {sky:.5f} | {off_a:+.5f} | {off_e:+.5f} | {where} |"
                )


def refraction() -> None:
    print(
        "\n| latitude | stars at | right air: A, e | no air: A, e | textbook: A, e | apparent pole lifted |"
    )
    print("| --- | --- | --- | --- | --- | --- |")
    for latitude, hour, dec in ((-35, 5, 10), (20, 4.75, 0), (47, 5, 10), (60, 5, 10)):
        place = Place(latitude)
        site, sign = site_of(place), math.copysign(1, latitude)
        watched = night(place, [(-hour, dec * sign), (0, 5 * sign), (hour, dec * sign)], 600)
        drifts = watched.drifts(5 / 60, -3 / 60)
        right = solve(watched.table(drifts), site)
        airless = solve(
            watched.table(drifts), Site(site.latitude, site.longitude, site.elevation, Air("0 hPa"))
        )
        phi = math.radians(latitude)
        turn = math.radians(15.041067 * 600 / 3600)
        middle = np.radians(15 * watched.hour_angle_h) + turn / 2
        design = -sign * turn * np.stack([math.cos(phi) * np.cos(middle), np.sin(middle)], axis=1)
        a, e = np.linalg.lstsq(design, drifts[:, 0], rcond=None)[0] / 60
        lift = 60 * math.degrees(math.asin(watched.bent_pole[2]) - math.asin(watched.pole[2]))
        heights = ", ".join(f"{height:.0f}" for height in watched.lowest_deg)
        print(
            f"| {latitude:+d} | {heights} deg | {right.azimuth_error_arcmin:+.2f}, {right.altitude_error_arcmin:+.2f} | "
            f"{airless.azimuth_error_arcmin:+.2f}, {airless.altitude_error_arcmin:+.2f} | {a:+.2f}, {e:+.2f} | {lift:.2f} |"
        )


if __name__ == "__main__":
    refraction()
    grid()
