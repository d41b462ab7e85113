"""A mount that is turned by hand: knobs that are not what is stated, a base that is not level. By scipy's Rotation."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.spatial.transform import Rotation

from poleward.sky.axis import Floats

ARCMIN = math.radians(1 / 60)


@dataclass(eq=False)
class Mount:
    """A mount and its two knobs; turning moves the axis.

    Attributes
    ----------
    axis : array of 3
        Unit vector of the axis, east, north, up.
    hemisphere : float
        +1 north, -1 south.
    per_turn : (float, float)
        Arcmin per clockwise turn of the azimuth and the altitude knob, east and up positive.
    tilt_deg, toward_deg : float
        How far the base leans, and the azimuth of its lowest side.
    play : float
        Turns lost after reversing.
    place : list of 2 floats
        Where each screw stands in its gap, 0 at the counter-clockwise end to 1.
    """

    axis: Floats
    hemisphere: float
    per_turn: Sequence[float]
    tilt_deg: float = 0.0
    toward_deg: float = 0.0
    play: float = 0.0
    place: list[float] = field(default_factory=lambda: [0.5, 0.5])

    @property
    def upright(self) -> Floats:
        """Unit vector that the azimuth knob turns about."""
        lean, toward = math.radians(self.tilt_deg), math.radians(self.toward_deg)
        return np.array(
            [math.sin(lean) * math.sin(toward), math.sin(lean) * math.cos(toward), math.cos(lean)]
        )

    def turn(self, strokes: Mapping[str, Sequence[float]]) -> None:
        """Turn the knobs, azimuth first: turns, clockwise positive, in their order."""
        for knob, name in enumerate(("azimuth", "altitude")):
            for stroke in strokes[name]:
                turns, self.place[knob] = pushed(stroke, self.play, self.place[knob])
                angle = turns * self.per_turn[knob] * ARCMIN
                if knob == 0:
                    spin = Rotation.from_rotvec(-self.hemisphere * angle * self.upright)
                else:
                    level = np.cross(self.axis, self.upright)
                    spin = Rotation.from_rotvec(angle * level / np.linalg.norm(level))
                self.axis = spin.apply(self.axis)


def pushed(stroke: float, play: float, place: float) -> tuple[float, float]:
    """Return the turns of a stroke that move the mount, and where in its gap the screw then stands.

    The screw crosses its gap before it pushes.
    """
    at = place * play + stroke
    free = min(max(at, 0.0), play)
    return at - free, free / play if play > 0 else place
