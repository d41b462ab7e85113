"""The check as Python users ask for it: quantities in, a `Check` out."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from poleward.door import quantity
from poleward.door.cells import cells_of_table
from poleward.door.clock import parse_time
from poleward.door.quantity import parse
from poleward.door.tables import rows_of_table
from poleward.errors import InputError, WrongTypeError
from poleward.sky.camera import Camera
from poleward.sky.site import Site, site_of
from poleward.solving.how import drive_rate_of
from poleward.tonight import check as checking
from poleward.tonight.axis_record import AxisError, axis_from_pairs, axis_from_record
from poleward.tonight.checked import Check
from poleward.tonight.exposure import Outfit
from poleward.tonight.targets import COLUMNS, Target, targets_from_cells, targets_from_rows

if TYPE_CHECKING:
    from astropy.coordinates import EarthLocation
    from astropy.table import Table

    from poleward.door.quantity import Moment, Value
    from poleward.guidelog.fitting.logsolution import LogSolution
    from poleward.solving.solution import Solution


def check(
    targets: Table | Sequence[Target] | Sequence[Mapping[str, Any]],
    site: Site | EarthLocation,
    axis: Solution | LogSolution | AxisError | Mapping[str, Any],
    camera: Camera | None = None,
    *,
    limit: Value = "1 pix",
    guided: bool = True,
    drive_rate: Value = "sidereal",
    at: Moment | None = None,
    lowest_altitude: Value = "20 deg",
) -> Check:
    """Forecast every target's pictures with this axis.

    Parameters
    ----------
    targets : Table, sequence of Target or of mapping
        From `read_targets`, or with the columns of a targets table: `name`, `ra`, `dec` (or a SkyCoord), `exposure`.
    site : Site or EarthLocation
        With its longitude.
    axis : Solution, LogSolution, AxisError or mapping
        A mapping has `azimuth` and `altitude`, and if they are known `azimuth_sigma` and `altitude_sigma`, against the
        apparent pole.
    camera : Camera, optional
        The imaging camera; without it there are no trails and no verdicts.
    limit : Quantity or str
        Longest trail that counts as a round star, pixels.
    guided : bool
        Whether the verdict is on the guided trail or on the unguided one.
    drive_rate : str or Quantity
        ``sidereal``, ``king``, ``solar`` or a rate.
    at : Time, datetime or str, optional
        Targets that name no window are taken in the first night after this moment; left out: now.
    lowest_altitude : Quantity or str
        Below it nothing is photographed.

    Returns
    -------
    Check

    Raises
    ------
    InputError, UsageError
        No target, no longitude, a value that cannot be used; `WrongTypeError` for a type that is not taken.
    """
    site, outfit = site_of(site), outfit_of(camera, limit, drive_rate, guided)
    return checking.check(
        as_targets(targets),
        site,
        as_axis(axis),
        outfit,
        at=moment_of(at),
        lowest_altitude_deg=lowest_of(lowest_altitude),
    )


def outfit_of(camera: Camera | None, limit: Value, drive_rate: Value, guided: bool) -> Outfit:
    """Return what the pictures are taken with, and what is asked of them."""
    if camera is not None and not isinstance(camera, Camera):
        raise WrongTypeError(
            "camera", camera, "a Camera", 'e.g. poleward.Camera("600 mm", "3.76 um", 6248, 4176)'
        )
    return Outfit(camera, parse(limit, quantity.PIXELS, "limit"), drive_rate_of(drive_rate), guided)


def moment_of(at: Moment | None) -> datetime:
    """Return a moment, aware, UTC; now where none is given."""
    return datetime.now(UTC).replace(microsecond=0) if at is None else parse_time(at, "at")


def lowest_of(altitude: Value, where: str = "lowest_altitude") -> float:
    """Return the lowest altitude, degrees."""
    degrees = math.degrees(parse(altitude, quantity.ANGLE, where))
    if not 0 <= degrees < 90:
        raise InputError(f"{degrees:g} deg is given, allowed is 0 to 90 deg", "", where)
    return degrees


def as_targets(given: Any) -> tuple[Target, ...]:
    """Return targets of any kind.

    Raises
    ------
    WrongTypeError
        Neither a table nor a sequence of targets or mappings.
    """
    if hasattr(given, "colnames"):
        return targets_from_cells(cells_of_table(rows_of_table(given), COLUMNS, "", "target"))
    if isinstance(given, Sequence) and all(isinstance(one, Target) for one in given):
        return tuple(given)
    if isinstance(given, Sequence) and all(isinstance(one, Mapping) for one in given):
        return targets_from_rows(given)
    taken = "a Table, or a sequence of Target or of mappings"
    raise WrongTypeError("targets", given, taken, "poleward.read_targets reads a file")


def as_axis(given: Any) -> AxisError:
    """Return an axis error of any kind.

    Raises
    ------
    WrongTypeError
        Neither a solution, an AxisError nor a mapping.
    """
    if isinstance(given, AxisError):
        return given
    if isinstance(given, Mapping):
        return axis_from_pairs(given, where="axis")
    if hasattr(given, "to_record"):
        return axis_from_record(given.to_record(), "axis")
    taken = "a Solution, a LogSolution, an AxisError or a mapping"
    raise WrongTypeError("axis", given, taken, "poleward.read_axis reads a record")
