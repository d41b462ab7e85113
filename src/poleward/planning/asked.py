"""The plan as Python users ask for it: quantities in, a `Plan` out."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from poleward.door import quantity
from poleward.door.quantity import parse
from poleward.errors import UsageError, WrongTypeError
from poleward.guidelog.fitting.logsolution import LogSolution
from poleward.planning import needed as needing
from poleward.planning import plan as planning
from poleward.planning.needed import Needed
from poleward.planning.planned import Plan
from poleward.planning.timing import Blocked, Reader
from poleward.planning.wishes import Wishes
from poleward.sky.camera import Camera
from poleward.sky.pole import PoleName
from poleward.sky.site import Site, site_of
from poleward.tonight.asked import as_targets, lowest_of, moment_of, outfit_of
from poleward.tonight.targets import Target

if TYPE_CHECKING:
    from astropy.coordinates import EarthLocation
    from astropy.table import Table

    from poleward.door.quantity import Duration, Moment, Value


def plan(
    site: Site | EarthLocation,
    accuracy: Value | Needed = "1 arcmin",
    *,
    reading_error: Value = "1 arcsec",
    seeing: Value | None = None,
    cadence: Duration | None = None,
    noise: LogSolution | Mapping[str, Any] | None = None,
    at: Moment | None = None,
    lowest_altitude: Value = "20 deg",
    blocked: Sequence[tuple[Value, Value, Value]] = (),
    pointings: int | None = None,
    pole: PoleName = "apparent",
) -> Plan:
    """Find the pointings and minutes that tell the axis well enough in the least time.

    Parameters
    ----------
    site : Site or EarthLocation
        With a longitude the Sun is kept away from and stars are named.
    accuracy : Quantity, str or Needed
        Standard uncertainty of the axis wanted, in any direction on the sky; or what `needed_accuracy` says of targets.
    reading_error : Quantity or str
        At the eyepiece: standard uncertainty of one reading of the star's place.
    seeing : Quantity or str, optional
        With a camera, in place of `reading_error`: full width at half maximum of a star's image.
    cadence : Quantity, TimeDelta or str, optional
        With a camera: time from frame to frame; left out: that of the log, or 2 s.
    noise : LogSolution or mapping, optional
        With a camera, in place of `seeing`: a guide log's answer, or its record; the noise is that of its middling section.
    at : Time, datetime or str, optional
        When the work may begin; left out: now.
    lowest_altitude : Quantity or str
        Below it nothing is timed.
    blocked : sequence of (from, to, up to)
        Sectors of the horizon where nothing is seen: two azimuths from north through east, and an altitude.
    pointings : int, optional
        Two or three; left out: the quicker.
    pole : {"apparent", "true"}

    Returns
    -------
    Plan

    Raises
    ------
    InputError, UsageError
        A value that cannot be used, or no usable pair of pointings; `WrongTypeError` for a type that is not taken.
    """
    site = site_of(site)
    reader = _reader(reading_error, seeing, cadence, noise)
    sectors = tuple(_sector(sector, f"blocked {number}") for number, sector in enumerate(blocked, 1))
    wanted = accuracy
    if not isinstance(wanted, Needed):
        wanted = Needed(parse(wanted, quantity.ACCURACY, "accuracy"), "", ())
    why = f"what {wanted.name} needs to pass 95 times in 100" if wanted.name else "as asked for"
    wishes = Wishes(wanted.accuracy_arcmin, why, lowest_of(lowest_altitude), sectors, pointings, wanted.notes)
    begin = None if site.longitude_rad is None else moment_of(at)
    return planning.plan(site, reader, wishes, at=begin, pole=pole)


def needed_accuracy(
    targets: Table | Sequence[Target] | Sequence[Mapping[str, Any]],
    site: Site | EarthLocation,
    camera: Camera,
    *,
    limit: Value = "1 pix",
    guided: bool = True,
    drive_rate: Value = "sidereal",
    at: Moment | None = None,
    lowest_altitude: Value = "20 deg",
) -> Needed:
    """Return how well the axis must be known for tonight's targets; `plan` takes it as its accuracy.

    Parameters
    ----------
    targets : Table, sequence of Target or of mapping
        From `read_targets`, or as its columns.
    site : Site or EarthLocation
        With a longitude.
    camera : Camera
        The imaging camera.
    limit : Quantity, str or float
        On the trail at the frame's worst corner, pixels.
    guided : bool
        False: the mount only tracks.
    drive_rate : str or Quantity
        ``sidereal``, ``king``, ``solar`` or a rate.
    at : Time, datetime or str, optional
        The moment that counts as now; left out: now.
    lowest_altitude : Quantity or str
        Below it nothing is photographed.

    Returns
    -------
    Needed
        `accuracy_arcmin`, the `name` of the target that decides, and `notes` of those that no axis can help.

    Raises
    ------
    InputError, UsageError
        No target is left, no longitude, a value that cannot be used; `WrongTypeError` for a type that is not taken.
    """
    return needing.needed_accuracy(
        as_targets(targets),
        site_of(site),
        outfit_of(camera, limit, drive_rate, guided),
        at=moment_of(at),
        lowest_altitude_deg=lowest_of(lowest_altitude),
    )


def _reader(
    reading_error: Value,
    seeing: Value | None,
    cadence: Duration | None,
    noise: LogSolution | Mapping[str, Any] | None,
) -> Reader:
    if noise is not None:
        if seeing is not None:
            raise UsageError("seeing and noise are both given", "the log's noise holds the seeing")
        if not isinstance(noise, LogSolution | Mapping):
            raise WrongTypeError(
                "noise", noise, "a LogSolution or its record", "poleward.solve_log makes one"
            )
        reader = Reader.of_record(noise.to_record() if isinstance(noise, LogSolution) else noise, "noise")
        if cadence is None:
            return reader
        return replace(reader, cadence_s=parse(cadence, quantity.DURATION, "cadence"))
    if seeing is None:
        return Reader(parse(reading_error, quantity.SMALL_ANGLE, "reading_error"))
    width = parse(seeing, quantity.SMALL_ANGLE, "seeing")
    if width <= 0:
        raise UsageError(f"seeing: {width:g} arcsec, allowed is more than 0", "e.g. 2.5 arcsec")
    return Reader.of_seeing(width, parse(cadence or "2 s", quantity.DURATION, "cadence"))


def _sector(sector: tuple[Value, Value, Value], where: str) -> Blocked:
    try:
        begin, end, up_to = sector
    except (TypeError, ValueError):
        raise UsageError(
            f"{where}: needs from, to and up to", 'e.g. ("60 deg", "150 deg", "40 deg")'
        ) from None
    angles = {"from": begin, "to": end, "up to": up_to}
    return Blocked(*(math.degrees(parse(each, quantity.ANGLE, where, name)) for name, each in angles.items()))
