"""What a plan must keep to."""

from __future__ import annotations

from dataclasses import dataclass

from poleward.errors import Note, UsageError
from poleward.planning.pairing import Mover
from poleward.planning.timing import Blocked, Reader
from poleward.sky.look import TOO_LOW_DEG

COARSEST_ARCMIN, COARSEST_ARCSEC = 60.0, 60.0
"""Accuracy wanted and scatter of a reading: more than this is a wrong unit."""


@dataclass(frozen=True)
class Wishes:
    """What the plan must keep to: the standard uncertainty of the axis wanted in any direction on the sky, and why, for the reader;
    two or three pointings (None takes the quicker, which is two unless obstacles stand in the way); and notes of the targets
    that did not count.
    """

    accuracy_arcmin: float
    why: str = "stated"
    lowest_altitude_deg: float = 20.0
    blocked: tuple[Blocked, ...] = ()
    pointings: int | None = None
    left_out: tuple[Note, ...] = ()
    mover: Mover = Mover()  # noqa: RUF009 - frozen


def checked_wishes(reader: Reader, wishes: Wishes) -> None:
    """Refuse, by a UsageError, what no plan can keep to."""
    if not 0 < wishes.accuracy_arcmin <= COARSEST_ARCMIN:
        raise UsageError(
            f"accuracy: {wishes.accuracy_arcmin:g} arcmin, allowed is more than 0 and up to {COARSEST_ARCMIN:g} arcmin",
            "e.g. --accuracy 0.5arcmin",
        )
    if not 0 < reader.scatter_arcsec <= COARSEST_ARCSEC:
        raise UsageError(
            f"scatter of a reading: {reader.scatter_arcsec:g} arcsec, allowed is more than 0 and up to "
            f"{COARSEST_ARCSEC:g} arcsec",
            "e.g. 1 arcsec",
        )
    if reader.cadence_s is not None and not 0 < reader.cadence_s <= 60:
        raise UsageError(f"cadence: {reader.cadence_s:g} s, allowed is more than 0 and up to 60 s")
    if not TOO_LOW_DEG <= wishes.lowest_altitude_deg < 90:
        raise UsageError(
            f"lowest altitude: {wishes.lowest_altitude_deg:g} deg, allowed is {TOO_LOW_DEG:g} to 90 deg",
            "lower down refraction is not well known",
        )
    if wishes.pointings not in (None, 2, 3):
        raise UsageError(f"pointings: {wishes.pointings}, allowed is 2 or 3")
