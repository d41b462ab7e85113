"""The pole that axis errors are given against: as refraction shows it, or the celestial pole itself."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np

from poleward.errors import UsageError
from poleward.sky.axis import ARCMIN, Axis, Floats, azimuth_altitude, tilted_axis

PoleName = Literal["apparent", "true"]
POLES: tuple[PoleName, ...] = get_args(PoleName)


def pole_name(name: str) -> PoleName:
    """Return the name of a pole if it is one.

    Raises
    ------
    UsageError
        Neither ``apparent`` nor ``true``.
    """
    for known in POLES:
        if name == known:
            return known
    raise UsageError(f"pole: '{name}', allowed is apparent or true")


@dataclass(frozen=True, eq=False)
class Pole:
    """The elevated pole of a site.

    Attributes
    ----------
    direction : array (3,)
        Unit vector east, north, up.
    name : str
        ``apparent`` (as refraction shows it) or ``true``.
    hemisphere : float
        +1 in the north, -1 in the south.
    """

    direction: Floats
    name: str
    hemisphere: float

    def __eq__(self, other: object) -> bool:
        """Whether two poles are the same to the last bit: of equal sites at equal times."""
        return isinstance(other, Pole) and self._key == other._key

    def __hash__(self) -> int:
        """Equal poles hash alike."""
        return hash(self._key)

    @property
    def _key(self) -> tuple[bytes, str, float]:
        return self.direction.tobytes(), self.name, self.hemisphere

    @property
    def reference(self) -> str:
        """What errors are said to be given against: ``apparent pole`` or ``true pole``."""
        return f"{self.name} pole"

    @property
    def level(self) -> float:
        """Cosine of its altitude: turns an angle of azimuth into one on the sky."""
        return math.hypot(float(self.direction[0]), float(self.direction[1]))

    @property
    def on_sky(self) -> Floats:
        """What turns (azimuth error, altitude error) into angles on the sky: (cosine of its altitude, 1)."""
        return np.array([self.level, 1.0])

    @property
    def azimuth_deg(self) -> float:
        """Azimuth, from north through east, 0 to 360."""
        return math.degrees(float(azimuth_altitude(self.direction)[0])) % 360

    @property
    def altitude_deg(self) -> float:
        """Altitude."""
        return math.degrees(float(azimuth_altitude(self.direction)[1]))

    def axis(self, azimuth_arcmin: float, altitude_arcmin: float) -> Axis:
        """Return the axis that stands this far east of it and above it."""
        return tilted_axis(azimuth_arcmin * ARCMIN, altitude_arcmin * ARCMIN, self.direction, self.hemisphere)
