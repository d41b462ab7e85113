"""`poleward frames --follow`: frames that still come, measured again as they do."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from poleward.cli.follow import NEW_SHARE, RESTS, summary
from poleward.errors import InputError

if TYPE_CHECKING:
    from poleward.frames.coming import Come, FrameTail
    from poleward.frames.framedrifts import FrameDrifts
    from poleward.sky.site import Site

Told = Callable[[str], None]


@dataclass
class FrameWatch:
    """What is known of the folder so far; without a site, here or in the headers, the axis is not solved for. `line` takes one line for each new answer."""

    tail: FrameTail
    site: Site | None
    drive_rate: str
    line: Told
    last: FrameDrifts | None = None
    sure: float = float("inf")
    _told: int = 0
    _rested: int = 0
    _trouble: str = field(default="")

    def look(self) -> None:
        """Look once, and say what is new."""
        come = self.tail.look()
        self._rested = 0 if come.new else self._rested + 1
        fresh = come.files - self._told
        if fresh < 0:  # begun anew
            fresh, self._told = come.files, 0
        if not fresh or not (fresh >= NEW_SHARE * self._told or self._rested == RESTS):
            return
        self._told = come.files
        if come.found is None:
            if come.trouble != self._trouble:
                self.line(f"{come.files} frames  not enough yet: {come.trouble}")
            self._trouble = come.trouble
            return
        self.last = come.found
        self.line(self._said(come, come.found))

    def _said(self, come: Come, found: FrameDrifts) -> str:
        from poleward.report.style import decimals_for

        one = found.pointings[-1]
        places = decimals_for(one.north_sigma_arcsec)
        drift = f"north {one.north_arcsec:+.{places}f} +/- {one.north_sigma_arcsec:.{places}f} arcsec"
        text = f"{come.files} frames  {one.label}: {drift} in {one.duration_s / 60:.1f} min"
        axis = self._axis(found)
        return f"{text}; {axis}" if axis else text

    def _axis(self, found: FrameDrifts) -> str:
        """Say where the axis stands by all pointings; nothing where they cannot tell."""
        from poleward.solving.asked import solve

        self.sure = float("inf")
        if (site := self.site or found.site) is None:
            return ""
        try:
            solution = solve(found.drifts, site, drive_rate=self.drive_rate)
        except InputError as error:
            return error.message
        sigmas = solution.azimuth_sigma_arcmin, solution.altitude_sigma_arcmin
        if not solution.contradictory:
            self.sure = max(float("inf") if sigma is None else sigma for sigma in sigmas)
        return summary(solution)

    def go_on(self, goal_arcmin: float | None, pause_s: float) -> bool:
        """Look until both errors are as certain as wanted; return whether somebody interrupted."""
        try:
            while True:
                self.look()
                if goal_arcmin is not None and self.last and not (self.site or self.last.site):
                    raise InputError(
                        "it is not known where the mount stands, so the axis's errors are not either",
                        "give --latitude and --longitude, or [site] in the setup; these headers do not say it (OBSGEO keywords)",
                        "--until",
                    )
                if goal_arcmin is not None and self.sure <= goal_arcmin:
                    self.line("both errors are as certain as was asked for")
                    return False
                time.sleep(pause_s)
        except KeyboardInterrupt:
            self.line("interrupted; what is known so far:" if self.last else "interrupted before any answer")
            return True
