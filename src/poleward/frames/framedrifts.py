"""What frames told: the drift of each pointing, and what had to be left out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from poleward.door.record import record_of
from poleward.door.show import Shown
from poleward.errors import Note
from poleward.frames.field_drift import FieldDrift
from poleward.sky.orient import CameraFound
from poleward.sky.site import Site
from poleward.timings.drifts import Drifts

if TYPE_CHECKING:
    from astropy.table import Table


@dataclass(frozen=True, eq=False, repr=False)
class FrameDrifts(Shown):
    """Drifts measured in camera frames.

    Attributes
    ----------
    pointings : tuple of FieldDrift
        By time.
    camera : CameraFound or None
        How the camera lies on the sky, where the stars' run with the drive stopped told it.
    keywords : dict
        Which header keyword said what.
    warnings : tuple of Note
        Frames and pointings that were left out, and what was taken for granted.
    frames : int
        Files given, those that could not be used too.
    site : Site or None
        Where the mount stands: as told, else by the headers.
    """

    pointings: tuple[FieldDrift, ...]
    camera: CameraFound | None
    keywords: dict[str, str]
    warnings: tuple[Note, ...]
    frames: int = 0
    site: Site | None = None

    @property
    def drifts(self) -> Drifts:
        """The same as timings, which `poleward.solve` takes."""
        return Drifts(pointing.drift() for pointing in self.pointings)

    def __repr__(self) -> str:
        """One line: how many pointings and frames."""
        used = sum(pointing.frames_used for pointing in self.pointings)
        return f"<FrameDrifts: {len(self.pointings)} pointings, {used} frames used>"

    def to_record(self) -> dict[str, Any]:
        """Return the record."""
        return {
            "record": "frames",
            "version": 1,
            **record_of(self, ("pointings", "camera", "keywords", "warnings", "frames")),
        }

    def to_table(self) -> Table:
        """Return the drift table; what its header says of the frames is for people, and not read again."""
        table = self.drifts.to_table()
        record = self.to_record()
        table.meta = {"made_by": "poleward frames", "keywords": self.keywords}
        table.meta["frames"] = {
            one["label"]: {name: one[name] for name in ("frames", "frames_used", "stars", "camera_from")}
            for one in record["pointings"]
        }
        return table
