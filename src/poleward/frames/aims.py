"""What is told by hand for headers that do not say it: where the telescope pointed, and frames that tell the camera."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from poleward.errors import InputError, UsageError
from poleward.frames.following import FrameReading
from poleward.frames.onsky import directions_at, middle_of
from poleward.frames.run import camera_by_run
from poleward.frames.shot import Shot
from poleward.sky.axis import Floats
from poleward.sky.orient import CameraFound
from poleward.timings.rows import watch_from_cells

DRIVE_OFF = "drive-off"
"""The label by which a pointing is told for the frames of the run."""
ANY = "*"
"""The label of what holds for all pointings that are not told otherwise."""


class Aims:
    """Where the telescope pointed, as far as it was told by hand."""

    def __init__(self, told: Sequence[Mapping[str, Any]]) -> None:
        self.named = {str(one["label"]): {**one} for one in told if "label" in one}
        self.ordered = [{**one} for one in told if "label" not in one]
        for one in self.named.values():
            del one["label"]

    def check(self, labels: Sequence[str], *, growing: bool) -> None:
        """Refuse what is told for frames that are not there; of a night that goes on they may come."""
        known = ", ".join(labels) or "none"
        for label in self.named:
            if label not in (DRIVE_OFF, ANY) and label not in labels and not growing:
                raise UsageError(
                    f"a pointing is told for '{label}', the frames' pointings are {known}",
                    "labels as they are shown",
                )
        if self.ordered and (
            len(labels) > len(self.ordered) or (len(labels) < len(self.ordered) and not growing)
        ):
            raise UsageError(
                f"{len(self.ordered)} pointings are told without a label, the frames have {len(labels)}: {known}",
                "tell one for each, in the order of time, or say which: label=..., hour_angle=..., dec=...",
            )

    def of(self, label: str, number: int) -> dict[str, Any]:
        """Return what is told of a pointing; empty where nothing is."""
        ordered = self.ordered[number] if self.ordered else {}
        return {**self.named.get(ANY, {}), **ordered, **self.named.get(label, {})}


def middle_direction(shot: Shot) -> Floats:
    """Direction (3,) of a frame's middle among the stars, by its WCS."""
    direction: Floats = directions_at(shot.wcs, np.array([middle_of((shot.height, shot.width))]))[0]
    return direction


def camera_of(
    work: FrameReading, aims: Aims, drive_off: Sequence[str | Path], nudge_north: Sequence[str | Path]
) -> CameraFound | None:
    """Return how the camera lies on the sky by frames taken for that."""
    if bool(drive_off) != bool(nudge_north):
        raise UsageError(
            "--drive-off and --nudge-north go together",
            "the run tells scale and angle, the nudge whether the picture is mirrored",
        )
    if not drive_off:
        return None
    runs = []
    for option, paths in (("--drive-off", drive_off), ("--nudge-north", nudge_north)):
        shots, before = work.shots(paths), len(work.refused)
        seen = work.sightings(shots)
        if len(seen) < 2:
            why = "".join(f"; {name}: {reason}" for name, reason in work.refused[before:][:1])
            raise InputError(f"{len(seen)} frames with stars, needed are two{why}", "", option)
        runs.append((shots, seen))
    told = aims.named.get(DRIVE_OFF, {})
    where = "--drive-off"
    if told:
        pointing, _ = watch_from_cells(
            {"hour_angle": "0h", **told} if set(told) == {"dec"} else told, where, work.timezone
        )
        dec = pointing.dec
    else:
        shot = runs[0][0][0]
        dec = shot.place.get("dec")
        if shot.wcs is not None:
            dec = math.asin(middle_direction(shot)[2])
    if dec is None:
        raise InputError(
            "the dec of the stars that run is not known",
            'tell it: --pointing "label=drive-off, dec=+5d"',
            where,
        )
    return camera_by_run(runs[0][1], runs[1][1], dec)
