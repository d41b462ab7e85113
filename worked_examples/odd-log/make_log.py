"""Makes tower-book.txt: a simulated night with a meridian flip, in an odd form invented for this story.

Run ``python make_log.py`` in this folder. Truth: the axis 7.5 arcmin too far west and 3.2 too high; 180 ms of backlash;
guide rate 6.6 arcsec/s, which the book does not tell; seeing 1.1 arcsec and 0.6 arcsec that lasts 25 s. After the flip
the camera hangs upside down, so down is north then.
"""

import math
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np

from poleward.setup import read_setup
from poleward.simulate.night import Guider, Scatter, Stretch, night

HERE = Path(__file__).parent
DOT = 1.62  # arcsec
START = datetime.fromisoformat("2026-05-11T19:41:00+02:00")
TRUTH = -7.5, 3.2  # arcmin


def number(value: float, places: int) -> str:
    """With the comma of this book."""
    return f"{value:.{places}f}".replace(".", ",")


def main() -> None:
    """Make the log."""
    guider = Guider(stated_rate=6.6, true_rate=6.6, backlash_ms=180.0)
    stretches = [
        Stretch(begin, 4500.0, hour_angle, -38.0, 5.0, guider, by_ra=True)
        for begin, hour_angle in ((0, -1.5), (5700, 0.083))
    ]
    site = read_setup(HERE / "poleward.toml").site()
    draw = np.random.default_rng(7)
    sections = night(site, *TRUTH, stretches, START, Scatter(1.1, 0.6, 25.0), draw)
    lines = ["THE BOOK OF THE WATER TOWER"]
    for place, section in enumerate(sections):
        way = "upright" if place == 0 else "hanging"
        turned = 1 if place == 0 else -1
        ra, dec = math.degrees(section.pointing.ra) / 15, math.degrees(section.pointing.dec)
        lines += [
            f"***  star taken up  ***   telescope {way}",
            f"     day 11.05.2026, RA {ra:.4f} h, DEC {dec:.3f} deg, one dot = 1.62 arcsec",
            "CLOCK       DOWN   RIGHT  TICK  WAY  SEEN",
        ]
        for row in range(len(section.seconds)):
            clock = START + timedelta(seconds=stretches[place].begin_s + float(section.seconds[row]))
            down = -turned * section.north_arcsec[row] / DOT
            right = turned * section.east_arcsec[row] / DOT
            pulse = turned * section.north_pulse_ms[row]
            seen = "no" if draw.random() < 0.006 else "yes"
            moved = "U" if pulse > 0 else "D" if pulse < 0 else "-"
            stamp = f"{clock:%H:%M:%S}.{clock.microsecond // 100_000}"
            lines.append(
                f"{stamp}  {number(down, 2):>6} {number(right, 2):>6} {abs(pulse):5.0f}  {moved}    {seen}"
            )
        lines.append("***  star let go  ***")
    (HERE / "tower-book.txt").write_text("\n".join(lines) + "\n", encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
