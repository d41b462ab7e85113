"""A folder into which frames still come: what they tell so far, each time it is asked."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from poleward.errors import InputError
from poleward.frames.aims import Aims, camera_of
from poleward.frames.asked import drifts_by
from poleward.frames.following import FrameReading
from poleward.frames.framedrifts import FrameDrifts
from poleward.frames.gather import files_of
from poleward.setup import Setup
from poleward.sky.site import Site


@dataclass(frozen=True, eq=False)
class Come:
    """What one look found.

    Attributes
    ----------
    files : int
        FITS files there.
    new : int
        More than at the look before.
    found : FrameDrifts or None
        None where nothing can be measured yet.
    trouble : str
        Why not.
    """

    files: int
    new: int
    found: FrameDrifts | None
    trouble: str = ""


class FrameTail:
    """Follows a folder.

    Parameters
    ----------
    folder : str or Path
        May still be empty. A frame that is half written is read when it is whole.
    setup, pointings, drive_off, nudge_north, mosaic, timezone, site
        As for `read_frames`; pointings may be told that have not come yet.
    """

    def __init__(
        self,
        folder: str | Path,
        setup: Setup,
        *,
        pointings: Sequence[Mapping[str, Any]] = (),
        drive_off: Sequence[str | Path] = (),
        nudge_north: Sequence[str | Path] = (),
        mosaic: bool = False,
        timezone: str = "",
        site: Site | None = None,
    ) -> None:
        self._folder = Path(folder)
        self._work = FrameReading(setup, timezone, mosaic, growing=True, site=site)
        self._aims = Aims(pointings)
        self._camera = camera_of(self._work, self._aims, drive_off, nudge_north)
        self._last = Come(0, 0, None)
        self._seen: dict[str, tuple[int, int]] | None = None

    def look(self) -> Come:
        """Read the frames that have come since the last look; stars of the others are known.

        Raises
        ------
        InputError
            The folder is not there.
        """
        if not os.path.isdir(self._folder):
            raise InputError("there is no such folder", "", str(self._folder))
        state = self._state()
        if state == self._seen:
            return replace(self._last, new=0)
        new = len(state) - len(self._seen or {})
        self._seen = state
        self._work.refused.clear()
        self._work.notes.clear()
        found, trouble = None, ""
        try:
            found = drifts_by(self._work, [self._folder], self._aims, self._camera)
        except InputError as error:
            trouble = error.message
        self._last = Come(len(state), new, found, trouble)
        return self._last

    def _state(self) -> dict[str, tuple[int, int]]:
        """Size and time of each file; one that is being written changes."""
        try:
            stats = {path: os.stat(path) for path in files_of([self._folder])}
        except (InputError, OSError):  # none yet, or one that is gone again
            return {}
        return {path: (one.st_size, one.st_mtime_ns) for path, one in stats.items()}
