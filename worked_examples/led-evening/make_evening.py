"""Makes answers.txt: what a person types on this evening, and when. Run here: python make_evening.py

The mount of the story: its axis stands 41 arcmin west of and 33 below the pole at the start, a turn of the azimuth
knob makes 47 arcmin where 40 are stated, one of the altitude knob 26 where 30 are. Stars are where astropy says, the
axis is turned by scipy's Rotation, and every place is read to half an arcsecond.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
from astropy.coordinates import SkyCoord
from astropy.time import Time
from scipy.spatial.transform import Rotation

from poleward.rounds.evening import Evening
from poleward.rounds.next import suggestions
from poleward.rounds.situation import World
from poleward.setup import read_setup
from poleward.simulate.mount import Mount
from poleward.simulate.night import altaz_frame, axis_direction, east_north_up
from poleward.simulate.rotation import rotation_data

START = datetime.fromisoformat("2026-05-16T20:31:05-03:00")
RATE = 2 * np.pi / 86164.098903691  # rad/s, IAU 2000
SETUP = read_setup("poleward.toml")
SITE = SETUP.site()


def drift(axis: np.ndarray, cells: Mapping[str, str], start: datetime, stop: datetime) -> float:
    """How far north the star of these cells goes between two moments, arcsec."""
    seconds = (stop - start).total_seconds()
    star = SkyCoord(cells["ra"], cells["dec"])
    with rotation_data(start, stop):
        seen = east_north_up(star.transform_to(altaz_frame(SITE, Time([start, stop]))))
    first, last = np.asarray(seen).T if np.shape(seen)[0] == 3 else np.asarray(seen)
    north_end = -axis  # of a southern mount's axis, the end below the horizon
    back = Rotation.from_rotvec(RATE * seconds * north_end).apply(last)
    north = north_end - (north_end @ first) * first
    return float(np.degrees((back - first) @ north / np.linalg.norm(north))) * 3600


def main() -> None:
    """Play the evening and write down what was typed."""
    rng = np.random.default_rng(3)
    mount = Mount(axis_direction(SITE, -48.0, -33.0, START), -1.0, (47.0, 26.0))
    evening = Evening(lambda: World(SETUP, [], suggestions, 2.0, "pasture.html"))
    at, typed, slipped = START, [], False
    started = stopped = START
    cells: Mapping[str, str] = {}

    def type_in(text: str) -> None:
        typed.append(f"{at.isoformat()} {text}".rstrip())

    while (asked := evening.question) is not None:
        kind, text = asked.key.split()[0], ""
        at += timedelta(seconds=14)
        if kind == "start":
            at += timedelta(seconds=75)
            started = stopped = at
            cells = asked.about.cells
        elif kind == "stop":  # of a new star, or of the same once more from its first mark
            at = stopped + timedelta(seconds=245)
            stopped = at
        elif kind == "drift":
            far = drift(mount.axis, cells, started, stopped) + rng.normal(0, 0.5 * 2**0.5)
            if not slipped:
                type_in("15 up")  # a slip: up is no way on the sky
                slipped, at = True, at + timedelta(seconds=9)
            text = f"{abs(far):.1f} {'north' if far > 0 else 'south'}"
        elif kind == "turned":
            at += timedelta(minutes=2)
            mount.turn(asked.about.next_turn.strokes)
        type_in(text)
        evening.answer(text, at)
    Path("answers.txt").write_text("\n".join(typed) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
