"""Takes the frames of this story, in the folders south and west. Run here: python make_frames.py

A guide camera looks past the mount's tube at 50 stars; the axis stands 21 arcmin east of the pole and 13 too low, by
astropy's sky and scipy's rotations. In the south a cloud passes, in the west a satellite.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from poleward.setup import find_setup
from poleward.simulate.frames import FrameScene, save_frames
from poleward.simulate.guider import Scatter
from poleward.simulate.picture import Faults, View

EVENING = datetime(2026, 11, 25, 18, 10, tzinfo=UTC)
VIEW = View(240, 180, scale_arcsec=2.41, angle_deg=31.0)
AIR = Scatter(0.7, 0.3, 30.0)
FIELDS = (
    ("south", 0, -0.4, 6.0, Faults(AIR, hot=60, cloud=(0.5, 0.6, 0.003), satellite=-1.0)),
    ("west", 6, 4.6, 18.0, Faults(AIR, hot=60, cloud=(2.0, 2.0, 1.0), satellite=0.4)),
)


def main() -> None:
    """Write the frames."""
    site = find_setup("poleward.toml").site()
    for number, (name, minutes, hour_angle_h, dec_deg, faults) in enumerate(FIELDS):
        begin = EVENING + timedelta(minutes=minutes)
        scene = FrameScene(site, 21.0, -13.0, begin, hour_angle_h, dec_deg, 50, VIEW, faults)
        cards = {"AIM-HA": hour_angle_h, "AIM-DEC": dec_deg}
        draw = np.random.default_rng(number)
        save_frames(Path(name), scene, np.arange(0.0, 121, 4), draw, exposure_s=1.0, cards=cards)


if __name__ == "__main__":
    main()
