"""What a check says: one frozen result per target and for all of them, and their record."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from poleward.door.clock import iso, later
from poleward.door.record import record_of
from poleward.door.show import Shown
from poleward.errors import Note
from poleward.sky.pole import Pole
from poleward.sky.site import Site
from poleward.tonight.axis_record import AxisError
from poleward.tonight.chance import Trails
from poleward.tonight.exposure import Outfit
from poleward.tonight.forecast import Rates
from poleward.tonight.outlook import Outlook
from poleward.tonight.targets import Target
from poleward.tonight.window import Stretch, Window

NOT_RECORDED = ("target", "window", "within", "problem", "passes_s", "largest_at_s", "rates", "trails")


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
        Mean turn over all directions in the field; largest in size over the window, signed.
    shear_guided_arcmin_per_h : float or None
        What the air adds to it in the worst direction and takes from it in the other.
    north_drift_arcsec_per_min, east_drift_arcsec_per_min : float or None
        Largest in size over the window, signed, of a mount that only tracks.
    trail_guided_pix, trail_unguided_pix : float or None
        Of one exposure at the worst moment and corner.
    trail_inside_pix : float or None
        Guided, with the guide star at the frame's centre instead.
    longest_guided_s, longest_unguided_s : float or None
        The window's length when no exposure within it is too long.
    tolerance_arcmin : float or None
        Largest offset, in any direction, that keeps the judged trail within the limit.
    steady_rate_arcsec_per_s : float or None
        Drive rate that leaves no east drift between the window's ends, with this axis.
    pole_rate_arcsec_per_s : float or None
        The same with the axis on the reference pole: what refraction alone does to the rate.
    passes_s : tuple of (float, float), or None
        From when to when, in seconds of the window, the target is within the limit; None without a verdict.
    largest_at_s : dict
        Seconds of the window at which rotation, shear, drift and trail (middle of the exposure) are largest.
    rates : Rates or None
        All through the window, for the chart.
    trails : Trails or None
        The judged trail, all through the window.
    """

    target: Target
    window: Window
    within: bool | None = None
    problem: str = ""
    chance: float | None = None
    rotation_guided_arcmin_per_h: float | None = None
    rotation_unguided_arcmin_per_h: float | None = None
    shear_guided_arcmin_per_h: float | None = None
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
    passes_s: tuple[Stretch, ...] | None = None
    largest_at_s: dict[str, float] = field(default_factory=dict)
    rates: Rates | None = None
    trails: Trails | None = None

    def moment(self, seconds: float) -> datetime:
        """Return a moment of the window, to the second."""
        assert self.window.start is not None
        return later(self.window.start, round(seconds))

    @property
    def passes(self) -> tuple[tuple[datetime, datetime], ...] | None:
        """From when to when the target is within the limit."""
        if self.passes_s is None:
            return None
        return tuple((self.moment(begin), self.moment(end)) for begin, end in self.passes_s)

    def to_record(self) -> dict[str, Any]:
        """Return plain numbers with their units in the names."""
        start = self.window.start
        return {
            "name": self.target.name,
            "within": self.within,
            "problem": self.problem or None,
            "start": None if start is None else iso(start),
            "window_s": self.window.length_s if start is not None else None,
            "exposure_s": self.target.exposure_s,
            **record_of(self, [name for name in self.__dataclass_fields__ if name not in NOT_RECORDED]),
            "largest_at": {f"{name}_at": iso(self.moment(at)) for name, at in self.largest_at_s.items()},
            **record_of(self, ("passes",)),
        }


@dataclass(frozen=True, repr=False)
class Check(Shown):
    """All targets, and what the axis should be.

    Attributes
    ----------
    axis : AxisError
    outfit : Outfit
    targets : tuple of TargetCheck
    outlook : Outlook
        Which axis would suit the targets; empty without a camera or a window.
    at : datetime
        The moment that counts as now.
    pole : Pole
        That the errors refer to.
    site : Site
    warnings : tuple of Note
    """

    axis: AxisError
    outfit: Outfit
    targets: tuple[TargetCheck, ...]
    outlook: Outlook
    at: datetime
    pole: Pole
    site: Site
    warnings: tuple[Note, ...]

    def __repr__(self) -> str:
        """Return how many targets pass on one line."""
        passing = sum(target.within is True for target in self.targets)
        return f"<Check: {passing} of {len(self.targets)} targets within {self.outfit.limit_pix:g} pix>"

    @property
    def all_within(self) -> bool:
        """Whether every target passes for sure."""
        return all(target.within is True for target in self.targets)

    def to_record(self) -> dict[str, Any]:
        """Return the record: plain numbers with their units in the names, ready for JSON."""
        axis = self.axis
        sigmas: tuple[float | None, float | None] = None, None
        if axis.covariance is not None:
            sigmas = math.sqrt(axis.covariance[0][0]), math.sqrt(axis.covariance[1][1])
        return {
            "record": "check",
            "version": 1,
            "axis": {
                "reference": axis.reference,
                "azimuth_error_arcmin": axis.azimuth_arcmin,
                "altitude_error_arcmin": axis.altitude_arcmin,
                "azimuth_sigma_arcmin": sigmas[0],
                "altitude_sigma_arcmin": sigmas[1],
            },
            "limit_pix": self.outfit.limit_pix,
            "at": iso(self.at),
            "judged": self.outfit.kind,
            "drive_rate_arcsec_per_s": self.outfit.rate_arcsec_per_s,
            "targets": [target.to_record() for target in self.targets],
            "axes": [
                {
                    "label": choice.label,
                    "azimuth_error_arcmin": choice.azimuth_arcmin,
                    "altitude_error_arcmin": choice.altitude_arcmin,
                    **record_of(choice, ("worst_trail_pix", "worst_target")),
                }
                for choice in self.outlook.choices
            ],
            **record_of(self, ("warnings",)),
        }
