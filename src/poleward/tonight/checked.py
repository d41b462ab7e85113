"""What a check says: one frozen result per target and for all of them, and their record."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from poleward.door.clock import iso
from poleward.errors import Note
from poleward.sky.pole import Pole
from poleward.tonight.axis_record import AxisError
from poleward.tonight.exposure import Outfit
from poleward.tonight.forecast import Rates
from poleward.tonight.outlook import Outlook
from poleward.tonight.targets import Target
from poleward.tonight.window import Window


@dataclass(frozen=True)
class TargetCheck:
    """What one target's pictures will be like; None where it cannot be said.

    Attributes
    ----------
    target : Target
    window : Window
    within : bool or None
        Whether the judged trail stays within the limit; None: too uncertain, or see `problem`.
    problem : str
        Why there is no verdict, or why there are no numbers.
    chance : float or None
        Of staying within, where the axis error has an uncertainty.
    rotation_guided_arcmin_per_h, rotation_unguided_arcmin_per_h : float or None
    north_drift_arcsec_per_min, east_drift_arcsec_per_min : float or None
        Largest in size over the window, signed, of a mount that only tracks.
    trail_guided_pix, trail_unguided_pix : float or None
        Of one exposure at the worst moment and corner.
    trail_inside_pix : float or None
        Guided, with the guide star at the frame's centre instead.
    longest_guided_s, longest_unguided_s : float or None
        The window's length when no exposure within it is too long.
    tolerance_arcmin : float or None
        Largest offset, in any direction, that keeps the guided trail within the limit.
    steady_rate_arcsec_per_s : float or None
        Drive rate that leaves no east drift between the window's ends, with this axis.
    pole_rate_arcsec_per_s : float or None
        The same with the axis on the reference pole: what refraction alone does to the rate.
    rates : Rates or None
        All through the window, for the chart.
    """

    target: Target
    window: Window
    within: bool | None = None
    problem: str = ""
    chance: float | None = None
    rotation_guided_arcmin_per_h: float | None = None
    rotation_unguided_arcmin_per_h: float | None = None
    north_drift_arcsec_per_min: float | None = None
    east_drift_arcsec_per_min: float | None = None
    trail_guided_pix: float | None = None
    trail_unguided_pix: float | None = None
    trail_inside_pix: float | None = None
    longest_guided_s: float | None = None
    longest_unguided_s: float | None = None
    tolerance_arcmin: float | None = None
    steady_rate_arcsec_per_s: float | None = None
    pole_rate_arcsec_per_s: float | None = None
    rates: Rates | None = None

    def to_record(self) -> dict[str, Any]:
        """Return plain numbers with their units in the names."""
        names = [
            name
            for name in self.__dataclass_fields__
            if name not in ("target", "window", "rates", "within", "problem")
        ]
        start = self.window.start
        return {
            "name": self.target.name,
            "within": self.within,
            "problem": self.problem or None,
            "start": None if start is None else iso(start),
            "window_s": self.window.length_s if start is not None else None,
            "exposure_s": self.target.exposure_s,
            **{name: getattr(self, name) for name in names},
        }


@dataclass(frozen=True)
class Check:
    """All targets, and what the axis should be.

    Attributes
    ----------
    axis : AxisError
    outfit : Outfit
    targets : tuple of TargetCheck
    outlook : Outlook
        Which axis would suit the targets; empty without a camera or a window.
    pole : Pole
        That the errors refer to.
    warnings : tuple of Note
    """

    axis: AxisError
    outfit: Outfit
    targets: tuple[TargetCheck, ...]
    outlook: Outlook
    pole: Pole
    warnings: tuple[Note, ...]

    @property
    def all_within(self) -> bool:
        """Whether every target passes for sure."""
        return all(target.within is True for target in self.targets)

    def to_record(self) -> dict[str, Any]:
        """Return the record: plain numbers with their units in the names, ready for JSON."""
        axis = self.axis
        return {
            "record": "check",
            "version": 1,
            "axis": {
                "reference": axis.reference,
                "azimuth_error_arcmin": axis.azimuth_arcmin,
                "altitude_error_arcmin": axis.altitude_arcmin,
                "azimuth_sigma_arcmin": None if axis.covariance is None else math.sqrt(axis.covariance[0][0]),
                "altitude_sigma_arcmin": None
                if axis.covariance is None
                else math.sqrt(axis.covariance[1][1]),
            },
            "limit_pix": self.outfit.limit_pix,
            "judged": "guided" if self.outfit.guided else "unguided",
            "drive_rate_arcsec_per_s": self.outfit.rate_arcsec_per_s,
            "targets": [target.to_record() for target in self.targets],
            "axes": [
                {
                    "label": choice.label,
                    "azimuth_error_arcmin": choice.azimuth_arcmin,
                    "altitude_error_arcmin": choice.altitude_arcmin,
                    "worst_trail_pix": choice.worst_trail_pix,
                    "worst_target": choice.worst_target,
                }
                for choice in self.outlook.choices
            ],
            "warnings": [{"code": note.code, "text": note.text} for note in self.warnings],
        }
