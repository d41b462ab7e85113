"""Where the mount stands and what air is above it."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from poleward.door import quantity
from poleward.door.clock import zone_of
from poleward.errors import InputError, Note, WrongTypeError

if TYPE_CHECKING:
    from astropy.coordinates import EarthLocation

    from poleward.door.quantity import Value

LEAST_HPA = 250.0
"""At 10 km (ISO 2533); on the highest mountain a barometer shows some 330. Less, but for none at all, is a slip."""


def standard_pressure_hpa(elevation_m: float) -> float:
    """Pressure of the standard atmosphere at a height, hPa.

    ISO 2533:1975 (the same as the U.S. Standard Atmosphere 1976) below 11 km:
    p = 1013.25 (1 - 0.0065 h / 288.15)^5.25588.
    """
    return float(1013.25 * (1 - 0.0065 * elevation_m / 288.15) ** 5.25588)


@dataclass(frozen=True)
class Air:
    """The air that bends the light.

    Parameters
    ----------
    pressure : Quantity or str, optional
        At the mount, not reduced to sea level; 0 hPa switches refraction off. Left out: that of the standard
        atmosphere at `elevation`.
    temperature : Quantity or str
        At the mount.
    humidity : float
        Relative, 0 to 1.
    wavelength : Quantity or str
        Of the light that is watched.
    elevation : Quantity or str, optional
        Used only where the pressure is left out. Left out too: that of the site which the air is given to; sea level
        until then.
    where : str
        For messages.

    Attributes
    ----------
    pressure_hpa, temperature_c, wavelength_um : float
        The same in plain numbers.
    placed : bool
        Whether pressure or elevation were given; a site gives its own elevation to air that has neither.

    Raises
    ------
    InputError
        A value outside what ERFA's refraction can use.
    """

    pressure: Value | None = field(default=None, compare=False)
    temperature: Value = field(default="10 deg_C", compare=False)
    humidity: float = 0.5
    wavelength: Value = field(default="0.55 um", compare=False)
    elevation: Value | None = field(default=None, compare=False)
    where: str = field(default="air", repr=False, compare=False)
    pressure_hpa: float = field(init=False, repr=False)
    temperature_c: float = field(init=False, repr=False)
    wavelength_um: float = field(init=False, repr=False)
    placed: bool = field(init=False, repr=False)

    def __post_init__(self) -> None:
        """Strip the units and check the ranges, within which ERFA's refco works; it clamps silently beyond."""
        where = self.where
        if self.pressure is None:
            height = "0 m" if self.elevation is None else self.elevation
            pressure = standard_pressure_hpa(quantity.parse(height, quantity.HEIGHT, where, "elevation"))
        else:
            pressure = quantity.parse(self.pressure, quantity.PRESSURE, where, "pressure")
        temperature = quantity.parse(self.temperature, quantity.TEMPERATURE, where, "temperature")
        wavelength = quantity.parse(self.wavelength, quantity.WAVELENGTH, where, "wavelength")
        humidity = quantity.parse(self.humidity, quantity.FRACTION, where, "humidity")
        for name, value, low, high in (
            ("pressure [hPa]", pressure, 0.0, 1100.0),
            ("temperature [deg_C]", temperature, -80.0, 60.0),
            ("humidity", humidity, 0.0, 1.0),
            ("wavelength [um]", wavelength, 0.1, 100.0),
        ):
            thin = name == "pressure [hPa]" and 0 < value < LEAST_HPA
            if not low <= value <= high or thin:
                hint = "relative humidity is a fraction: 70 % is 0.7" if name == "humidity" else ""
                if thin:
                    low = LEAST_HPA
                    hint = "at the mount, not reduced to sea level; 0 hPa switches refraction off"
                raise InputError(f"{name} is {value:g}, allowed is {low:g} to {high:g}", hint, where)
        object.__setattr__(self, "pressure_hpa", pressure)
        object.__setattr__(self, "temperature_c", temperature)
        object.__setattr__(self, "humidity", humidity)
        object.__setattr__(self, "wavelength_um", wavelength)
        object.__setattr__(self, "placed", self.pressure is not None or self.elevation is not None)


@dataclass(frozen=True)
class Site:
    """A place on Earth.

    Parameters
    ----------
    latitude, longitude : Quantity, str or float
        Geodetic, north and east positive; bare numbers are degrees. The longitude may be left out where only
        hour angles or azimuths are used.
    elevation : Quantity, str or float
        Above the ellipsoid; bare numbers are metres. A hundred metres more or less do not matter.
    air : Air, optional
        Where its pressure is left out, that of the standard atmosphere at that elevation.
    timezone : str, optional
        IANA name such as ``Europe/Zurich``, by which local times are read and shown; may be empty.
    where : str
        For messages.

    Attributes
    ----------
    latitude_rad, elevation_m : float
        The same in plain numbers.
    longitude_rad : float or None
        East positive.

    Raises
    ------
    InputError
        A latitude of 90 deg or more, a longitude beyond 360 deg, an elevation no mount stands on, no such time zone.
    """

    latitude: Value = field(compare=False)
    longitude: Value | None = field(default=None, compare=False)
    elevation: Value = field(default="0 m", compare=False)
    air: Air = field(default_factory=Air)
    timezone: str = ""
    where: str = field(default="site", repr=False, compare=False)
    latitude_rad: float = field(init=False, repr=False)
    longitude_rad: float | None = field(init=False, repr=False)
    elevation_m: float = field(init=False, repr=False)

    def __post_init__(self) -> None:
        """Strip the units and check the ranges."""
        where = self.where
        phi = quantity.parse(self.latitude, quantity.LATITUDE, where, "latitude")
        if abs(phi) >= math.pi / 2:
            raise InputError(
                f"latitude is {math.degrees(phi):g} deg, allowed is between -90 and +90 deg",
                "north is positive",
                where,
            )
        lam = None
        if self.longitude is not None:
            lam = quantity.parse(self.longitude, quantity.LONGITUDE, where, "longitude")
            if not -math.pi - 1e-9 <= lam <= 2 * math.pi + 1e-9:
                raise InputError(
                    f"longitude is {math.degrees(lam):g} deg, allowed is -180 to +360 deg",
                    "east is positive",
                    where,
                )
        height = quantity.parse(self.elevation, quantity.HEIGHT, where, "elevation")
        if not -500 <= height <= 9000:
            raise InputError(
                f"elevation is {height:g} m, allowed is -500 to 9000 m", "metres above sea level", where
            )
        if self.timezone:
            zone_of(self.timezone, f"{where}, timezone" if where else "timezone")
        object.__setattr__(self, "latitude_rad", phi)
        object.__setattr__(self, "longitude_rad", lam)
        object.__setattr__(self, "elevation_m", height)
        if not self.air.placed:
            object.__setattr__(self, "air", replace(self.air, elevation=height))

    @classmethod
    def from_location(cls, location: EarthLocation, *, air: Air | None = None, timezone: str = "") -> Site:
        """Return the site at an astropy EarthLocation.

        Parameters
        ----------
        location : EarthLocation
            One place.
        air : Air, optional
            Left out: the standard atmosphere at its elevation.
        timezone : str
            How local times are shown and read: an IANA name.

        Returns
        -------
        Site
            Latitude, longitude and elevation are geodetic.

        Raises
        ------
        WrongTypeError
            Not an EarthLocation of one place.
        """
        if not hasattr(location, "geodetic") or location.shape:
            raise WrongTypeError("location", location, "an astropy EarthLocation of one place")
        at = location.geodetic
        return cls(at.lat, at.lon, at.height, air or Air(), timezone)

    @property
    def hemisphere(self) -> float:
        """+1 north of the equator and on it, -1 south of it."""
        return 1.0 if self.latitude_rad >= 0 else -1.0


def site_of(place: Site | EarthLocation) -> Site:
    """Return a site as it is, or the one at an EarthLocation.

    Raises
    ------
    WrongTypeError
        Neither.
    """
    if isinstance(place, Site):
        return place
    if hasattr(place, "geodetic"):
        return Site.from_location(place)
    raise WrongTypeError(
        "site", place, "a Site or an EarthLocation", 'e.g. poleward.Site("46.9 deg", "9.1 deg")'
    )


FARTHEST_ZONE_H = 3.5
"""A zone's time is up to 3 h off the Sun's (western China, Spain in summer, the Aleutians; from memory); what is more off is
a longitude of the wrong sign or the zone of another place."""


def zone_notes(site: Site, at: datetime | None) -> list[Note]:
    """Doubt a longitude and a time zone that do not belong together; UTC is anybody's."""
    if at is None or site.longitude_rad is None or site.timezone.upper() in ("", "UTC", "Z"):
        return []
    offset = at.astimezone(zone_of(site.timezone)).utcoffset()
    zone, sun = (offset or timedelta()) / timedelta(hours=1), math.degrees(site.longitude_rad) / 15
    if abs((zone - sun + 12) % 24 - 12) <= FARTHEST_ZONE_H:
        return []
    words = f"the clock of {site.timezone} is {zone:+g} h from UTC, the Sun at longitude {15 * sun:+.1f} deg {sun:+.1f} h"
    return [Note("far-zone", f"{words}: is the longitude right (east positive)?")]
