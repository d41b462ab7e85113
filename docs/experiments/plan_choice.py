"""What the plan's choices cost: the limits on dec and hour angle, the coarse look, and the common choice beside it.

    python docs/experiments/plan_choice.py

The reason behind FARTHEST_DEC_DEG, FARTHEST_HOUR_H, HOUR_STEP_H, DEC_STEP_DEG and KEPT in poleward.planning.pairing. A few
minutes; its tables stand in docs/how-pointings-are-chosen.md.
"""

from __future__ import annotations

import math
from dataclasses import replace

from poleward.planning import pairing
from poleward.planning.pairing import Mover, Task, best_pairs, closer, whole_sky
from poleward.planning.plan import plan
from poleward.planning.timing import Bench, OpenSky, Reader
from poleward.planning.wishes import Wishes
from poleward.sky.site import Air, Site

READERS = {"camera": Reader.of_seeing(2.5, 2.0), "eyepiece": Reader(1.0)}
LATITUDES = (60.0, 47.0, -35.0, 20.0)


def site_of(latitude: float) -> Site:
    return Site(f"{latitude} deg", air=Air("950 hPa", "4 deg_C", 0.7))


def task_of(latitude: float, reader: Reader, wanted: float, lowest: float = 20.0) -> Task:
    return Task(Bench(site_of(latitude), reader, "apparent"), OpenSky(lowest), Mover(), wanted)


def quickest(task: Task, minutes: float = 10.0) -> float:
    sky = whole_sky(task, minutes)
    pairs, _ = best_pairs(task, sky, sky, pairing.KEPT)
    return min((closer(task, pair, minutes).total for pair in pairs), default=math.inf)


def limits() -> None:
    print("\n| latitude | read by | wanted | dec and hour angle limited | whole sky | gain |")
    print("| --- | --- | --- | --- | --- | --- |")
    for latitude in LATITUDES:
        for name, reader in READERS.items():
            for wanted in (0.15, 0.5, 1.5) if name == "camera" else (0.5, 1.5):
                task = task_of(latitude, reader, wanted)
                near, whole = quickest(task), quickest(replace(task, anywhere=True))
                print(
                    f"| {latitude:+.0f} | {name} | {wanted} | {near:.2f} | {whole:.2f} | {100 * (1 - whole / near):.1f} % |"
                )


def steps() -> None:
    """Half the steps and ten times the pairs kept: does the shipped search miss anything?"""
    print("\n| latitude | read by | wanted | shipped steps | half the steps | missed |")
    print("| --- | --- | --- | --- | --- | --- |")
    shipped = pairing.HOUR_STEP_H, pairing.DEC_STEP_DEG, pairing.KEPT
    for latitude in LATITUDES:
        for name, reader in READERS.items():
            wanted = 0.3 if name == "camera" else 1.0
            task = task_of(latitude, reader, wanted, 30.0)
            coarse = quickest(task)
            pairing.HOUR_STEP_H, pairing.DEC_STEP_DEG, pairing.KEPT = shipped[0] / 2, shipped[1] / 2, 40
            fine = quickest(task)
            pairing.HOUR_STEP_H, pairing.DEC_STEP_DEG, pairing.KEPT = shipped
            print(
                f"| {latitude:+.0f} | {name} | {wanted} | {coarse:.3f} | {fine:.3f} | {100 * (1 - fine / coarse):.1f} % |"
            )


def common_choice() -> None:
    print("\n| latitude | read by | wanted | proposed, minutes | at altitudes | common choice, minutes |")
    print("| --- | --- | --- | --- | --- | --- |")
    for latitude in LATITUDES:
        for name, reader in READERS.items():
            for wanted in (0.2, 0.5, 1.5) if name == "camera" else (0.5, 1.5):
                found = plan(site_of(latitude), reader, Wishes(wanted))
                heights = " and ".join(f"{p.altitude_deg:.0f}" for p in found.proposal.pointings)
                book = found.common_choice
                if book is None:
                    other = "not open"
                elif book.reaches:
                    other = f"{book.total_minutes:.1f}"
                else:
                    other = f"never: {book.sigma_arcmin:.2f} arcmin at best"
                print(
                    f"| {latitude:+.0f} | {name} | {wanted} | {found.proposal.total_minutes:.1f} | {heights} | {other} |"
                )


if __name__ == "__main__":
    limits()
    steps()
    common_choice()
