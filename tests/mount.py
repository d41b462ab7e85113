"""A mount that is turned by hand: knobs that are not what is stated, a base that is not level. By scipy's Rotation."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.spatial.transform import Rotation

ARCMIN = math.radians(1 / 60)


@dataclass
class Mount:
    """Arcmin per clockwise turn of (azimuth, altitude) knob, east and up positive; the axis as east, north, up."""

    axis: np.ndarray
    hemisphere: float
    per_turn: tuple[float, float]
    tilt_deg: float = 0.0
    toward_deg: float = 0.0
    play: float = 0.0
    place: list[float] = field(default_factory=lambda: [0.5, 0.5])

    @property
    def upright(self) -> np.ndarray:
        lean, toward = math.radians(self.tilt_deg), math.radians(self.toward_deg)
        return np.array(
            [math.sin(lean) * math.sin(toward), math.sin(lean) * math.cos(toward), math.cos(lean)]
        )

    def turn(self, strokes: Mapping[str, Sequence[float]]) -> None:
        for knob, name in enumerate(("azimuth", "altitude")):
            for stroke in strokes[name]:
                at = self.place[knob] * self.play + stroke
                free = min(max(at, 0.0), self.play)
                self.place[knob] = free / self.play if self.play else 0.5
                angle = (at - free) * self.per_turn[knob] * ARCMIN
                if knob == 0:
                    spin = Rotation.from_rotvec(-self.hemisphere * angle * self.upright)
                else:
                    level = np.cross(self.axis, self.upright)
                    spin = Rotation.from_rotvec(angle * level / np.linalg.norm(level))
                self.axis = spin.apply(self.axis)
