"""What aiming at the true pole, the apparent pole or the best axis of the night costs, in pixels of trail.

    python docs/experiments/which_pole.py

Its table stands in docs/which-pole.md, and is the reason behind WORTH in poleward.tonight.outlook. Some seconds.
"""

from __future__ import annotations

from datetime import UTC, datetime

from poleward.sky.camera import Camera
from poleward.sky.site import Site
from poleward.solving.how import drive_rate_of
from poleward.tonight.axis_record import axis_from_pairs
from poleward.tonight.check import check
from poleward.tonight.exposure import Outfit
from poleward.tonight.outlook import Choice
from poleward.tonight.targets import targets_from_rows

SITE = Site("47 deg", "8 deg", "500 m", timezone="UTC")
AT = datetime(2026, 1, 15, 17, tzinfo=UTC)
WINDOW = {"start": "2026-01-15T20:00", "end": "2026-01-16T00:00"}
PLACES = (("zenith", "05h00m", "+47d"), ("equator", "05h30m", "+0d"), ("far north", "09h55m", "+69d"))
OUTFITS = (
    ("2000 mm, guided, 20 min", 2.0, True, "sidereal", "20 min"),
    ("600 mm, unguided, 60 s", 0.6, False, "sidereal", "60 s"),
    ("600 mm, unguided, 60 s, King's mean rate", 0.6, False, "king", "60 s"),
)


def said(choice: Choice) -> str:
    sides = (
        (choice.azimuth_arcmin, "east", "west"),
        (choice.altitude_arcmin, "high", "low"),
    )
    return ", ".join(f"{abs(value):.1f} {up if value > 0 else down}" for value, up, down in sides)


def main() -> None:
    print("| outfit | true pole | apparent pole | best tonight |")
    print("| --- | --- | --- | --- |")
    for label, focal, guided, rate, exposure in OUTFITS:
        outfit = Outfit(Camera(f"{focal} m", "3.76 um", 6248, 4176), 1.0, drive_rate_of(rate), guided)
        rows = [{"name": n, "ra": ra, "dec": dec, "exposure": exposure, **WINDOW} for n, ra, dec in PLACES]
        axis = axis_from_pairs({"azimuth": "0 arcmin", "altitude": "0 arcmin"})
        found = check(targets_from_rows(rows, timezone="UTC"), SITE, axis, outfit, at=AT)
        true, seen, best = found.outlook.choices
        trails = " | ".join(f"{choice.worst_trail_pix:.2f}" for choice in (true, seen, best))
        same = [pole.label for pole in (true, seen) if said(pole) == said(best)]
        print(f"| {label} | {trails} ({f'the {same[0]}' if same else said(best)}) |")


if __name__ == "__main__":
    main()
