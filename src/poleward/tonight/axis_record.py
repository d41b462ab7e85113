"""The axis error that a check starts from: read from a record that `solve` or `log` wrote, or given by hand."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from poleward.door.incoming import name_of, read_bytes
from poleward.door.quantity import AXIS_ERROR, parse, refuse_missing, refuse_unknown
from poleward.door.tables import decoded
from poleward.errors import InputError
from poleward.sky.pole import POLES, pole_name
from poleward.solving.least_squares import TWO_SIGMA, coverage_factor

Square = tuple[tuple[float, float], tuple[float, float]]
"""Of the two errors, a pair for each."""
NAMES = ("azimuth", "altitude", "azimuth_sigma", "altitude_sigma")
REFERENCES = tuple(f"{name} pole" for name in POLES)
FARTHEST_ARCMIN = 20 * 60.0
"""An error or an uncertainty beyond 20 deg is a wrong unit or a damaged record; `solve` finds no axis farther off."""
MANY = 200.0
"""With so many values to spare Student's t is the normal distribution within a percent of its 95 % interval."""


@dataclass(frozen=True)
class AxisError:
    """Where the axis stands and how sure that is.

    Attributes
    ----------
    azimuth_arcmin, altitude_arcmin : float or None
        East and above the pole positive; None where not determined.
    covariance : tuple of two tuples of two float, or None
        Of the two, arcmin^2; None where no uncertainty is known.
    reference : str
        ``apparent pole`` or ``true pole``.
    latitude_deg : float or None
        Of the site where it was measured, if the record says so.
    to_spare : float
        Values to spare where the sigmas come from the scatter: Student's t then stands for the normal distribution.
        Infinite where they do not.
    sides : tuple of two tuples of two float
        How far the intervals of the two reach down and up, as parts of their mean reach.
    """

    azimuth_arcmin: float | None
    altitude_arcmin: float | None
    covariance: Square | None
    reference: str
    latitude_deg: float | None = None
    to_spare: float = math.inf
    sides: Square = ((1.0, 1.0), (1.0, 1.0))

    @property
    def values(self) -> tuple[float, float] | None:
        """Both errors, or None unless both are determined."""
        if self.azimuth_arcmin is None or self.altitude_arcmin is None:
            return None
        return self.azimuth_arcmin, self.altitude_arcmin

    @property
    def pole(self) -> str:
        """``apparent`` or ``true``."""
        return self.reference.split(maxsplit=1)[0]


def _covariance(azimuth: float, altitude: float, correlation: float) -> Square:
    cross = correlation * azimuth * altitude
    return ((azimuth**2, cross), (cross, altitude**2))


def axis_from_pairs(pairs: Mapping[str, Any], pole: str = "apparent", where: str = "--axis") -> AxisError:
    """Axis error from ``azimuth=5arcmin, altitude=-3arcmin`` and, if known, ``azimuth_sigma``, ``altitude_sigma``: text or Quantity.

    Raises
    ------
    InputError
        An unknown or missing name, or a value that cannot be used.
    """
    pole_name(pole)
    refuse_unknown(pairs, NAMES, where)
    refuse_missing(pairs, NAMES[:2], "write e.g. azimuth=5arcmin, altitude=-3arcmin", where)
    values = {
        name: _believable(parse(text, AXIS_ERROR, where, name), where, name) for name, text in pairs.items()
    }
    for name in NAMES[2:]:
        if values.get(name, 0.0) < 0:
            raise InputError(
                f"{name} is {values[name]:g} arcmin, allowed is 0 or more", "leave it out if not known", where
            )
    if len(values) == 3:
        raise InputError("azimuth_sigma and altitude_sigma go together", "give both or none", where)
    covariance = (
        _covariance(values["azimuth_sigma"], values["altitude_sigma"], 0.0) if len(values) == 4 else None
    )
    return AxisError(values["azimuth"], values["altitude"], covariance, f"{pole} pole")


def read_record(path: str | Path) -> Any:
    """Return the content of a record file (JSON); ``-`` is standard input.

    Raises
    ------
    InputError
        It cannot be read, or is not JSON.
    """
    name = name_of(path)
    text = decoded(read_bytes(path), name)
    try:
        return json.loads(text)
    except RecursionError:
        raise InputError("this is not a record: it is nested too deeply", "", name) from None
    except json.JSONDecodeError as error:
        hint = "a record is what poleward solve --output axis.json writes"
        raise InputError(f"this is not JSON: {error.msg}", hint, f"{name}:{error.lineno}") from None
    except ValueError:
        raise InputError("this is not a record: it holds a number too long to read", "", name) from None


def read_axis(path: str | Path) -> AxisError:
    """Read the axis error from a record file (JSON) that ``solve --output`` or ``log --output`` wrote.

    Parameters
    ----------
    path : str or Path
        ``-`` is standard input.

    Returns
    -------
    AxisError
        What the record says of its reference and its uncertainty included.

    Raises
    ------
    InputError
        It cannot be read or holds no axis.
    """
    return axis_from_record(read_record(path), name_of(path))


def axis_from_record(record: Any, where: str = "record") -> AxisError:
    """Axis error from a record (design: ``{"record": "solution", "axis": {...}}``).

    Raises
    ------
    InputError
        It holds no axis, or one that cannot be used.
    """
    axis = record.get("axis") if isinstance(record, dict) else None
    if not isinstance(axis, dict):
        kind = record.get("record") if isinstance(record, dict) else None
        seen = f"this is a record of kind '{kind}'" if kind else "this is not a record"
        raise InputError(
            f"{seen}, one with an axis is needed", "poleward solve --output axis.json writes one", where
        )
    reference = axis.get("reference")
    if reference not in REFERENCES:
        raise InputError(
            f"axis.reference is {reference!r}, allowed is {' or '.join(map(repr, REFERENCES))}", "", where
        )
    azimuth, altitude = (_number(axis, f"{name}_error_arcmin", where) for name in ("azimuth", "altitude"))
    sigmas = [_number(axis, f"{name}_sigma_arcmin", where) for name in ("azimuth", "altitude")]
    covariance, free, sides = None, math.inf, ((1.0, 1.0), (1.0, 1.0))
    if azimuth is not None and altitude is not None and sigmas[0] is not None and sigmas[1] is not None:
        correlation = _number(axis, "correlation", where) or 0.0
        if min(sigmas[0], sigmas[1]) < 0 or abs(correlation) > 1:
            raise InputError(
                "axis: a sigma is negative or the correlation beyond 1", "the record is damaged", where
            )
        covariance = _covariance(sigmas[0], sigmas[1], correlation)
        reaches = [
            _interval(axis, name, value, sigma, where)
            for name, value, sigma in (("azimuth", azimuth, sigmas[0]), ("altitude", altitude, sigmas[1]))
        ]
        fit = record.get("fit")
        stated = _number(fit, "coverage_factor_95", where) if isinstance(fit, dict) else None
        free = min(_to_spare(stated, TWO_SIGMA), *(_to_spare(factor, 0.95) for factor, _ in reaches))
        sides = (reaches[0][1], reaches[1][1])
    return AxisError(
        azimuth, altitude, covariance, reference, _number(axis, "latitude_deg", where), free, sides
    )


def _interval(
    axis: Mapping[str, Any], name: str, value: float, sigma: float, where: str
) -> tuple[float | None, tuple[float, float]]:
    """Sigmas in a record's 95 % interval, if it holds one, and its two reaches as parts of their mean."""
    pair = axis.get(f"{name}_interval_95_arcmin")
    if not isinstance(pair, list) or len(pair) != 2 or not sigma:
        return None, (1.0, 1.0)
    ends = [_number({name: end}, name, where) for end in pair]
    if ends[0] is None or ends[1] is None or not ends[0] < value < ends[1]:
        return None, (1.0, 1.0)
    half = (ends[1] - ends[0]) / 2
    return half / sigma, ((value - ends[0]) / half, (ends[1] - value) / half)


def _to_spare(factor: float | None, chance: float) -> float:
    """Values to spare with which Student's t has so many of its own sigmas in an interval of that chance."""
    from scipy.optimize import brentq

    if factor is None or factor <= coverage_factor(MANY, chance):
        return math.inf
    if factor >= coverage_factor(1.0, chance):
        return 1.0
    return float(brentq(lambda free: coverage_factor(free, chance) - factor, 1.0, MANY))


def _number(axis: Mapping[str, Any], name: str, where: str) -> float | None:
    value = axis.get(name)
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise InputError(f"axis.{name} is {value!r}, allowed is a number or null", "", where)
    try:
        number = float(value)
    except OverflowError:  # a whole number of hundreds of digits
        number = math.inf
    return _believable(number, where, f"axis.{name}")


def _believable(arcmin: float, where: str, name: str) -> float:
    if not abs(arcmin) <= FARTHEST_ARCMIN:  # catches not-a-number, too
        raise InputError(
            f"{name} is {arcmin:g}, allowed is up to {FARTHEST_ARCMIN:g} arcmin (20 deg)",
            "check its unit and the record",
            where,
        )
    return arcmin
