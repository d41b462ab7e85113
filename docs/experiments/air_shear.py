"""How much the air shears a field, held on its guide star by a mount whose axis is exactly on the apparent pole.

    python docs/experiments/air_shear.py

Its table stands in docs/field-rotation.md. Some seconds.
"""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta

import numpy as np

from poleward.sky.look import Pointing, look
from poleward.sky.site import Air, Site
from poleward.tonight.exposure import Outfit, field_of
from poleward.tonight.forecast import rates
from poleward.tonight.targets import Target
from poleward.tonight.window import Window

SITE = Site("47 deg", "8 deg", "500 m", Air("950 hPa", "4 deg_C", 0.7))
AT = datetime(2026, 1, 15, 21, tzinfo=UTC)
OUTFIT = Outfit(None, 1.0, 15.0410671787)


def main() -> None:
    print(
        "| altitude in the east | rotation, arcmin/h | shear, arcmin/h | a frame's corner 1 deg off, arcsec/h |"
    )
    print("| --- | --- | --- | --- |")
    for altitude in (60, 45, 34, 25, 20, 15):
        # Due east: what stands there, as right ascension and dec.
        east = look([Pointing(azimuth=math.pi / 2, altitude=math.radians(altitude))], np.zeros((1, 1)), SITE)
        ra, dec = 0.0, float(east.dec[0])
        for _ in range(4):
            at = look([Pointing(ra=ra, dec=dec, time=AT)], np.zeros((1, 1)), SITE)
            ra = (ra + float(at.hour_angle[0] - east.hour_angle[0])) % (2 * math.pi)
            dec += float(east.dec[0] - at.dec[0])
        window = Window(AT - timedelta(seconds=30), 60.0)
        found = rates(
            field_of(Target("east", ra, dec, 60.0), window, OUTFIT, SITE, "apparent"), OUTFIT, (0.0, 0.0)
        )
        turn, shear = float(found.rotation_guided[0]), float(found.shear[0])
        print(f"| {altitude} deg | {turn:+.2f} | {shear:.2f} | {math.radians(shear / 60) * 3600:.2f} |")


if __name__ == "__main__":
    main()
