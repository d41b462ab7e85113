"""What is told by hand for headers that do not say it: where the telescope pointed, and frames that tell the camera."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from poleward.errors import InputError, UsageError
from poleward.frames.following import FrameReading
from poleward.frames.gather import middle_direction
from poleward.frames.pixels import read_frame
from poleward.frames.run import camera_by_run, camera_by_trail
from poleward.frames.shot import Shot
from poleward.frames.track import Sighting
from poleward.frames.trail import trails_of
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
            are = "pointing is" if len(self.ordered) == 1 else "pointings are"
            raise UsageError(
                f"{len(self.ordered)} {are} told without a label, the frames have {len(labels)}: {known}",
                "tell one for each, in the order of time, or say which: label=..., hour_angle=..., dec=...",
            )

    def of(self, label: str, number: int) -> dict[str, Any]:
        """Return what is told of a pointing; empty where nothing is."""
        ordered = self.ordered[number] if self.ordered else {}
        return {**self.named.get(ANY, {}), **ordered, **self.named.get(label, {})}


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
    shots, nudge = work.shots(drive_off), _seen(work, work.shots(nudge_north), "--nudge-north")
    if len(shots) == 1 and (shots[0].exposure_s or 0.0) > 0:
        return camera_by_trail(
            trails_of(read_frame(shots[0])),
            float(shots[0].exposure_s or 0.0),
            nudge,
            _dec_of(work, aims, shots),
        )
    return camera_by_run(_seen(work, shots, "--drive-off"), nudge, _dec_of(work, aims, shots))


def _seen(work: FrameReading, shots: Sequence[Shot], option: str) -> list[Sighting]:
    before = len(work.refused)
    seen = work.sightings(shots)
    if len(seen) < 2:
        why = "".join(f"; {name}: {reason}" for name, reason in work.refused[before:][:1])
        raise InputError(
            f"{len(seen)} frame{'s' * (len(seen) != 1)} with stars, needed are two{why}", "", option
        )
    return seen


def _dec_of(work: FrameReading, aims: Aims, shots: Sequence[Shot]) -> float:
    """Return the dec of the stars that run."""
    first, told, where = shots[0], aims.named.get(DRIVE_OFF, {}), "--drive-off"
    if told:
        spare = {"hour_angle": "0h"} if set(told) == {"dec"} else {"time": first.middle}
        pointing, _ = watch_from_cells({**spare, **told}, where, work.timezone)
        dec = pointing.dec
    else:
        dec = math.asin(middle_direction(first)[2]) if first.wcs is not None else first.place.get("dec")
    if dec is None:
        hint = 'tell it: --pointing "label=drive-off, dec=+5d"'
        raise InputError("the dec of the stars that run is not known", hint, where)
    return dec
