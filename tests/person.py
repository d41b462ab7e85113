"""A simulated person at a simulated mount: eyes that read to half an arcsecond, a sky by astropy."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta

import numpy as np
from astropy.coordinates import SkyCoord
from astropy.time import Time
from truth import EVENING, Place, axis_direction, drift, pole_seen, star_at

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
        north = self.read(SkyCoord(cells["ra"], cells["dec"]), start, (stop - start).total_seconds())
        return f"{abs(north):.1f} {'north' if north > 0 else 'south'}"

    def read(self, star: SkyCoord, start: datetime, seconds: float) -> float:
        """How far north a star goes, as it is read at both ends, arcsec."""
        north, _ = drift(self.place, star, start, seconds, self.mount.axis)
        return float(north + self.rng.normal(0, READ_ARCSEC * 2**0.5))

    @property
    def off_arcmin(self) -> float:
        return float(np.degrees(angle_between(self.mount.axis, self.pole))) * 60


TIMING_MIN, WAY_MIN, TURN_MIN = 5, 3, 2
"""A timing, the way to the next star and its centring, and the turning of one knob (common practice, no source)."""


def by_hand(person: Person, stated: tuple[float, float], goal_arcmin: float) -> float:
    """Minutes of nulling two stars in turn until the axis is within the goal: what `evening` is held against.

    Azimuth on the meridian, altitude low in the east, turned by the stated angle per turn by what the drift means at
    that star alone (0.2625 arcsec/min per arcmin), until less than two readings' noise is seen; then the other star.
    """
    minutes, number, noise = 0.0, 0, READ_ARCSEC * 2**0.5
    level, south = np.cos(np.radians(person.place.latitude_deg)), person.place.latitude_deg < 0
    gains = (
        -level,
        np.sin(np.radians(70.5)),
    )  # arcmin of drift rate by each error alone, north drift, by sign of h
    while person.off_arcmin > goal_arcmin and minutes < 600:
        at = EVENING + timedelta(minutes=minutes)
        star = star_at(person.place, (0.0, -4.7)[number], (2.0, 18.0)[number] * (-1 if south else 1), at)
        north = person.read(star, at, 60.0 * TIMING_MIN) * (-1 if south else 1)
        minutes += TIMING_MIN
        if abs(north) < 2 * noise:
            number = 1 - number
            minutes += WAY_MIN
            continue
        turns = -north / (0.2625 * TIMING_MIN * gains[number]) / stated[number]
        person.mount.turn(
            {"azimuth": (turns,) if number == 0 else (), "altitude": (turns,) if number else ()}
        )
        minutes += TURN_MIN
    return minutes


if __name__ == "__main__":  # the figures of docs/what-rounds-learn.md
    taken = np.array([by_hand(Person(46.9, seed), (38.0, 25.0), 2.0) for seed in range(40)])
    print("by hand, minutes: median", np.median(taken), "from", taken.min(), "to", taken.max())
