"""One row of a drift table: checked cell by cell, units stripped, every complaint with its place."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from poleward.door import quantity
from poleward.door.cells import Cells, Columns
from poleward.door.clock import zone_of
from poleward.door.tables import Row
from poleward.errors import InputError
from poleward.sky.camera import GuideCamera
from poleward.sky.look import Pointing
from poleward.sky.stars import find_star

COLUMNS: Columns = {
    "label": None,
    "star": None,
    "time": None,
    "duration": quantity.DURATION,
    "hour_angle": quantity.HOUR_ANGLE,
    "ra": quantity.RIGHT_ASCENSION,
    "dec": quantity.DECLINATION,
    "azimuth": quantity.ANGLE,
    "altitude": quantity.ANGLE,
    "north": quantity.SMALL_ANGLE,
    "east": quantity.SMALL_ANGLE,
    "north_rate": quantity.RATE,
    "east_rate": quantity.RATE,
    "x": quantity.PIXELS,
    "y": quantity.PIXELS,
    "north_sigma": quantity.SMALL_ANGLE,
    "east_sigma": quantity.SMALL_ANGLE,
    "north_rate_sigma": quantity.RATE,
    "east_rate_sigma": quantity.RATE,
    "x_sigma": quantity.PIXELS,
    "y_sigma": quantity.PIXELS,
    "rotation": quantity.TURN,
    "rotation_sigma": quantity.TURN,
    "use": None,
    "reversed": None,
}

MEASURED = ("north", "east", "north_rate", "east_rate", "x", "y", "rotation")
"""Columns that hold a drift or a rotation."""
LONGEST_S = 12 * 3600.0
"""No star is watched for longer; a longer timing is a wrong unit."""
SHORTEST_S = 30.0
"""Nobody times a star for less (common practice, no source): a bare number below may be minutes."""
SMALLEST_SIGMA = 1e-6
"""Arcsec, or pixels: far below and (its inverse) far above any reading; beyond, squares would overflow."""


@dataclass(frozen=True)
class Drift:
    """One timing.

    Attributes
    ----------
    pointing : Pointing
        At the start.
    duration_s : float
        From the first reading to the last.
    north_arcsec, east_arcsec : float or None
        Displacement over the duration; none is given where the row is still to be filled in, which is not used then.
    north_sigma_arcsec, east_sigma_arcsec : float or None
        Stated standard uncertainties; None where they are left to the reading error.
    label : str
    used : bool
        False: shown, not fitted.
    reversed : bool
        True: the tube was on the other side of the mount; `north_arcsec` and `east_arcsec` are turned upright already.
    rotation_arcmin, rotation_sigma_arcmin : float or None
        How far the field turned in the camera over the duration, north through east positive, and its standard uncertainty;
        none where it was not measured. The pointing is then the frame's centre. A camera that stands on its head shows the
        same turn.
    """

    pointing: Pointing
    duration_s: float
    north_arcsec: float | None = None
    east_arcsec: float | None = None
    north_sigma_arcsec: float | None = None
    east_sigma_arcsec: float | None = None
    label: str = ""
    used: bool = True
    reversed: bool = False
    rotation_arcmin: float | None = None
    rotation_sigma_arcmin: float | None = None

    @property
    def blank(self) -> bool:
        """Whether nothing is filled in yet."""
        return self.north_arcsec is None and self.east_arcsec is None and self.rotation_arcmin is None


def _pointing(cells: Cells) -> Pointing:
    where = cells.where
    kinds = [name for name in ("star", "hour_angle", "ra", "azimuth") if cells.has(name)]
    if kinds == ["star"] and cells.has("dec"):
        kinds.append("dec")
    if len(kinds) > 1:
        raise InputError(f"{' and '.join(kinds)} are both given", "give one kind of pointing per row", where)
    if not kinds:
        if cells.has("altitude"):
            raise InputError("an altitude needs azimuth", "", where)
        hint = "give hour_angle and dec, or star (or ra and dec) with time, or azimuth and altitude"
        raise InputError("the pointing is missing", hint, where)
    time = cells.time("time")
    if kinds == ["hour_angle"]:
        hour_angle, dec = cells.needed("hour_angle", ""), cells.angle("dec", "an hour angle", -90, 90)
        return Pointing(hour_angle=hour_angle, dec=dec, time=time, where=where)
    if kinds == ["star"]:
        star = find_star(cells.text("star"), f"{where}, column star")
        if time is None:
            hint = "fill the column time, or give hour_angle and dec instead of star"
            raise InputError("a star needs the time at which the timing began", hint, where)
        return Pointing(ra=star.ra, dec=star.dec, time=time, where=where)
    if kinds == ["ra"]:
        ra = cells.angle("ra", "", 0, 360)
        dec = cells.angle("dec", "a right ascension", -90, 90)
        if time is None:
            hint = "fill the column time, or give hour_angle instead of ra"
            raise InputError("a right ascension needs the time at which the timing began", hint, where)
        return Pointing(ra=ra, dec=dec, time=time, where=where)
    azimuth = cells.angle("azimuth", "", -360, 360)
    return Pointing(
        azimuth=azimuth, altitude=cells.angle("altitude", "an azimuth", -90, 90), time=time, where=where
    )


def watch_from_cells(cells: Mapping[str, Any], where: str, timezone: str = "") -> tuple[Pointing, bool]:
    """Return a pointing from named values such as hour_angle and dec, and whether the tube is `reversed` there.

    Raises
    ------
    InputError
        An unknown name, or values that make no pointing.
    """
    known = ("hour_angle", "dec", "ra", "star", "time", "azimuth", "altitude", "reversed")
    quantity.refuse_unknown(cells, known, where)
    read = Cells(Row(where, cells), COLUMNS, {}, zone_of(timezone) if timezone else None)
    return _pointing(read), _yes(read, "reversed", "no")


def _component(cells: Cells, name: str, duration_s: float) -> tuple[float | None, float | None]:
    """Displacement and stated sigma, arcsec, of one component, from itself or from its rate."""
    if cells.has(name) and cells.has(f"{name}_rate"):
        raise InputError(f"{name} and {name}_rate are both given", "give one of them per row", cells.where)
    by_rate = cells.has(f"{name}_rate")
    source = f"{name}_rate" if by_rate else name
    other = name if by_rate else f"{name}_rate"
    if cells.has(f"{other}_sigma"):
        raise InputError(
            f"{other}_sigma is given without {other}", f"write it as {source}_sigma", cells.where
        )
    value = cells.value(source)
    if value is None and cells.has(f"{source}_sigma"):
        raise InputError(f"{source}_sigma is given without {source}", "", cells.where)
    factor = duration_s / 60 if by_rate else 1.0
    sigma = _positive(cells, f"{source}_sigma")
    return None if value is None else value * factor, None if sigma is None else sigma * factor


def _positive(cells: Cells, name: str) -> float | None:
    value = cells.value(name)
    if value is not None and value <= 0:
        cells.fail(name, f"{name} is {value:g}, allowed is more than 0", "leave it empty if it is not known")
    if value is not None and not SMALLEST_SIGMA <= value <= 1 / SMALLEST_SIGMA:
        cells.fail(name, f"{name} is {value:g}, allowed is {SMALLEST_SIGMA:g} to {1 / SMALLEST_SIGMA:g}")
    return value


def _from_pixels(cells: Cells, camera: GuideCamera | None) -> tuple[float, float, float | None, float | None]:
    where = cells.where
    clash = [name for name in ("north", "east", "north_rate", "east_rate") if cells.has(name)]
    if clash:
        raise InputError(f"x, y and {clash[0]} are both given", "give pixels or angles per row", where)
    x, y = cells.needed("x", "a displacement in pixels"), cells.needed("y", "a displacement in pixels")
    if camera is None:
        hint = "give focal_length, pixel_size and position_angle in [guide_camera] of the setup"
        raise InputError("pixels need the guide camera's scale", hint, where)
    north, east = camera.to_sky(x, y)
    x_sigma, y_sigma = _positive(cells, "x_sigma"), _positive(cells, "y_sigma")
    if (x_sigma is None) != (y_sigma is None):
        raise InputError("x_sigma and y_sigma go together", "give both or none", where)
    if x_sigma is None or y_sigma is None:
        return north, east, None, None
    return north, east, *camera.sigma_to_sky(x_sigma, y_sigma)


def _rotation(cells: Cells) -> tuple[float | None, float | None]:
    """Return the field's turn and its sigma, arcmin. A reading error says nothing of a turn, so its sigma must be told."""
    turn, sigma = cells.value("rotation"), _positive(cells, "rotation_sigma")
    if (turn is None) != (sigma is None):
        hint = "give both or none: how sure a turn is does not follow from a reading error"
        raise InputError("rotation and rotation_sigma go together", hint, cells.where)
    return turn, sigma


def _yes(cells: Cells, name: str, default: str) -> bool:
    text = cells.text(name).lower() or default
    if text not in ("yes", "no", "true", "false", "y", "n", "1", "0"):
        cells.fail(name, f"'{text}', allowed is yes or no")
    return text in ("yes", "true", "y", "1")


def drift_from_cells(cells: Cells, camera: GuideCamera | None, *, may_be_blank: bool = False) -> Drift:
    """Check one row and strip its units; one that may be blank is not used where it is.

    Raises
    ------
    InputError
        Names the place, what was found, what is allowed.
    """
    pointing, label = _pointing(cells), cells.text("label") or cells.text("star")
    duration = cells.needed("duration", "a drift")
    if cells.bare("duration") and 0 < duration < SHORTEST_S:
        number = f"{duration:g}"
        cells.fail(
            "duration", f"'{number}' could be {number} s or {number} min", f"write {number} min or {number} s"
        )
    if duration <= 0:
        cells.fail("duration", f"duration is {duration:g} s, allowed is more than 0")
    if duration > LONGEST_S:
        cells.fail("duration", f"duration is {duration / 3600:g} h, allowed is up to {LONGEST_S / 3600:g} h")
    if may_be_blank and not any(name.removesuffix("_sigma") in MEASURED for name in cells.row.cells):
        return Drift(pointing, duration, label=label, used=False)
    north: float | None
    east: float | None
    if cells.has("x") or cells.has("y"):
        north, east, north_sigma, east_sigma = _from_pixels(cells, camera)
    else:
        north, north_sigma = _component(cells, "north", duration)
        east, east_sigma = _component(cells, "east", duration)
    rotation, rotation_sigma = _rotation(cells)
    if north is None and east is None and rotation is None:
        raise InputError("no drift is given", "give north, north_rate, x and y, or rotation", cells.where)
    turn = None if rotation is None else 60 * rotation
    for name, value in (("north drift", north), ("east drift", east), ("rotation", turn)):
        # The rate of a star that stands still in the sky, 15 arcsec/s, is the largest there is.
        if value is not None and abs(value) > 20 * duration:
            raise InputError(
                f"the {name} is {value / duration:.3g} arcsec/s, faster than the sky itself turns",
                "check its unit and the duration's",
                cells.where,
            )
    turned = _yes(cells, "reversed", "no")
    if turned:  # the camera, or what was called north and east, stood on its head
        north, east = (None if value is None else -value for value in (north, east))
    used = _yes(cells, "use", "yes")
    return Drift(
        pointing,
        duration,
        north,
        east,
        north_sigma,
        east_sigma,
        label=label,
        used=used,
        reversed=turned,
        rotation_arcmin=rotation,
        rotation_sigma_arcmin=rotation_sigma,
    )
