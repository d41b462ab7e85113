"""Makes terrace.log: a simulated guided night whose axis error is known, in a log form invented for this story.

Run ``python make_log.py`` in this folder. Truth: the axis 4.3 arcmin too far east and 2.6 too low; guide rate 7.1
arcsec/s where the guider believes 7.52; 350 ms of backlash; seeing 0.9 arcsec and 0.5 arcsec that lasts 40 s; the
guide star is placed anew on purpose every 25 minutes; 1 % of the rows are glitches.
"""

import math
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np

from poleward.setup import read_setup
from poleward.simulate.night import Guider, Scatter, Stretch, night

HERE = Path(__file__).parent
SCALE = 1.88  # arcsec/pix
START = datetime.fromisoformat("2026-03-07T19:32:00-07:00")
TRUTH = 4.3, -2.6  # arcmin
SEED = 5


def main() -> None:
    """Make the log."""
    guider = Guider(stated_rate=7.52, true_rate=7.1, backlash_ms=350.0, move_every_s=1500.0)
    stretches = [
        Stretch(begin, 4200.0, hour_angle, dec, 4.0, guider)
        for begin, hour_angle, dec in ((0, -3.6, 22.0), (5100, -0.4, 8.0), (10200, 2.1, 41.0))
    ]
    scatter = Scatter(0.9, 0.5, 40.0, glitch_share=0.01, glitch_arcsec=6.0)
    site = read_setup(HERE / "poleward.toml").site()
    lines = ["terrace, night of 7 March: what the guider saw and did"]
    for number, section in enumerate(
        night(site, *TRUTH, stretches, START, scatter, np.random.default_rng(SEED)), 1
    ):
        begin = START + timedelta(seconds=stretches[number - 1].begin_s)
        angle = math.degrees(section.pointing.hour_angle) / 15
        dec = math.degrees(section.pointing.dec)
        lines += [
            f"watch {number} begins {begin.isoformat()}; hour angle {angle:+.3f} h, declination {dec:+.2f} deg",
            "s|north of mark|east of mark|push north|push east|state",
        ]
        for row in range(len(section.seconds)):
            state = "nudged" if section.moved[row] else "held"
            lines.append(
                f"{section.seconds[row]:.1f}|{section.north_arcsec[row] / SCALE:.2f}|"
                f"{section.east_arcsec[row] / SCALE:.2f}|{section.north_pulse_ms[row]:.0f}|"
                f"{section.east_pulse_ms[row]:.0f}|{state}"
            )
        lines.append(f"watch {number} over")
    (HERE / "terrace.log").write_text("\n".join(lines) + "\n", encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
