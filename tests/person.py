"""A simulated person at a simulated mount: eyes that read to half an arcsecond, a sky by astropy."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

import numpy as np
from astropy.coordinates import SkyCoord
from astropy.time import Time
from truth import EVENING, Place, axis_direction, drift, pole_seen

from poleward.simulate.mount import Mount
from poleward.sky.axis import angle_between

READ_ARCSEC = 0.5


class Person:
    """Times stars of a mount 66 arcmin off, whose knobs are 24 % off what is stated and whose base leans."""

    def __init__(self, latitude: float, seed: int = 5) -> None:
        self.rng = np.random.default_rng(seed)
        self.place = Place(latitude)
        hemisphere = float(np.sign(latitude))
        self.pole = pole_seen(self.place, Time(EVENING))
        axis = axis_direction(self.pole, 0.9, -0.6, hemisphere)
        self.mount = Mount(axis, hemisphere, (47.0, 19.0), 1.5, 80.0, 0.05)

    def drift(self, cells: Mapping[str, str], start: datetime, stop: datetime) -> str:
        """Say how far the star at a place (ra, dec) went."""
        north, _ = drift(
            self.place,
            SkyCoord(cells["ra"], cells["dec"]),
            start,
            (stop - start).total_seconds(),
            self.mount.axis,
        )
        north += self.rng.normal(0, READ_ARCSEC * 2**0.5)
        return f"{abs(north):.1f} {'north' if north > 0 else 'south'}"

    @property
    def off_arcmin(self) -> float:
        return float(np.degrees(angle_between(self.mount.axis, self.pole))) * 60
