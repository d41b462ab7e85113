"""Makes rounds.json: three rounds on a slope, with the turns that were noted. Run here: python make_rounds.py

The mount of the story: a turn of the azimuth knob makes 46 arcmin where 38 are stated, one of the altitude knob 22
where 25 are stated, and the base leans 5 deg toward the east. The axis is turned by exact rotation, and each
round measures it to a third of an arcminute.
"""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
from scipy.spatial.transform import Rotation

from poleward import tell_rounds
from poleward.rounds.history import History, round_of, update_rounds
from poleward.setup import read_setup

LATITUDE = math.radians(46.9)
PER_TURN = (46.0, 22.0)
ARCMIN = math.radians(1 / 60)
LEAN, TOWARD = math.radians(5.0), math.radians(100.0)


def main() -> None:
    """Write rounds.json."""
    rng = np.random.default_rng(12)
    setup = read_setup("poleward.toml")
    upright = np.array([math.sin(LEAN) * math.sin(TOWARD), math.sin(LEAN) * math.cos(TOWARD), math.cos(LEAN)])
    azimuth, altitude = 62.0 * ARCMIN, LATITUDE - 48.0 * ARCMIN
    axis = np.array(
        [math.cos(altitude) * math.sin(azimuth), math.cos(altitude) * math.cos(azimuth), math.sin(altitude)]
    )
    history = History()
    for number in range(3):
        errors = math.atan2(axis[0], axis[1]) / ARCMIN, (math.asin(axis[2]) - LATITUDE) / ARCMIN
        found = rng.normal(errors, (0.35, 0.3))
        solved = {
            "reference": "apparent pole",
            "azimuth_error_arcmin": round(float(found[0]), 2),
            "altitude_error_arcmin": round(float(found[1]), 2),
            "azimuth_sigma_arcmin": 0.35,
            "altitude_sigma_arcmin": 0.3,
            "correlation": -0.1,
            "pole_altitude_deg": 46.9,
            "latitude_deg": 46.9,
        }
        at = datetime(2026, 11, 12, 19, 40, tzinfo=UTC) + timedelta(minutes=26 * number)
        history = history.with_round(round_of(solved, at))
        told = tell_rounds(history.rounds, setup)
        # The turns as somebody with cold fingers makes and notes them: to a twentieth.
        strokes = {
            knob: tuple(round(20 * s) / 20 for s in turned) for knob, turned in told.next_turn.strokes.items()
        }
        history = replace(
            history, rounds=(*history.rounds[:-1], replace(history.rounds[-1], advised=strokes))
        )
        if number == 2:
            break
        history = history.with_turned(strokes)
        level = np.cross(axis, upright)
        raise_by = sum(strokes["altitude"]) * PER_TURN[1] * ARCMIN
        axis = Rotation.from_rotvec(raise_by * level / np.linalg.norm(level)).apply(axis)
        axis = Rotation.from_rotvec(-sum(strokes["azimuth"]) * PER_TURN[0] * ARCMIN * upright).apply(axis)
    update_rounds("rounds.json", lambda _: history)


if __name__ == "__main__":
    main()
