"""Frames of pointings to tracks: read one after the other, their stars followed; what cannot be used is named."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from functools import partial
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np

from poleward.errors import InputError, Note, UsageError
from poleward.frames.follow import follow
from poleward.frames.gather import FrameGroup, Told, files_of, names_of, read_shots, reason_of
from poleward.frames.keywords import Trusted
from poleward.frames.motion import LEAST_FRAMES
from poleward.frames.own import own_track
from poleward.frames.pixels import read_frame
from poleward.frames.shot import Shot, read_shot
from poleward.frames.track import FieldTrack, LeftOut, Sighting, sighting
from poleward.setup import Setup
from poleward.sky.site import Site

SAME_PIX = 2.0
SAME_SHARE = 0.05
"""Pixels, and shares of the way, by which stars may lie elsewhere than the WCS of their frames say."""


def _nobody(what: str, done: int, count: int) -> None:
    """Nobody wants to be told."""


def _stars_of(shot: Shot) -> Sighting | LeftOut:
    return sighting(read_frame(shot))


@dataclass
class FrameReading:
    """One run: what is asked for, what was found in each file, and what was left out.

    Attributes
    ----------
    setup : Setup
    timezone : str
    mosaic : bool
    tell : callable
    growing : bool
        More frames will come.
    site : Site or None
        Where the mount stands, as it was told.
    refused : list of (str, str)
    notes : list of Note
    """

    setup: Setup
    timezone: str = ""
    mosaic: bool = False
    tell: Told = _nobody
    growing: bool = False
    site: Site | None = None
    refused: list[tuple[str, str]] = field(default_factory=list)
    notes: list[Note] = field(default_factory=list)
    _kept: dict[Any, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Read which keywords are trusted, and where the mount stands."""
        self.trusted = Trusted.of(self.setup)
        if self.site is None and "latitude" in self.setup.site_values:
            self.site = self.setup.site()

    def _once(self, what: str, path: str, read: Callable[[], Any]) -> Any:
        """Read a file as long as it is not known, or has changed; an error too is known."""
        try:
            state = os.stat(path)
            key = what, path, state.st_size, state.st_mtime_ns
        except (OSError, ValueError):
            return read()
        if key not in self._kept:
            try:
                self._kept[key] = read()
            except InputError as error:
                self._kept[key] = error
        if isinstance(self._kept[key], InputError):
            raise self._kept[key]
        return self._kept[key]

    def shots(self, paths: Iterable[str | Path]) -> list[Shot]:
        """Headers, by time."""

        def read(path: str) -> Any:
            return self._once("header", path, lambda: read_shot(path, self.trusted, mosaic=self.mosaic))

        shots, refused = read_shots(files_of(paths), read, self.tell)
        self.refused += refused
        return shots

    def sightings(self, shots: Sequence[Shot], done: int = 0, count: int = 0) -> list[Sighting]:
        """Stars of frames; one picture is in memory at a time."""
        if find_spec("photutils") is None:
            raise UsageError(
                "photutils, which finds the stars, is not installed", "pip install 'poleward[frames]'"
            )
        found = []
        for number, shot in enumerate(shots, done):
            self.tell("finding stars", number, count or len(shots))
            try:
                seen = self._once("stars", shot.path, partial(_stars_of, shot))
            except InputError as error:
                self.refused.append(reason_of(error, shot.path))
                continue
            if isinstance(seen, LeftOut):
                self.refused.append((seen.source, seen.reason))
            else:
                found.append(seen)
        return found


@dataclass(frozen=True, eq=False)
class FollowedField:
    """A track, and the frames that it is of."""

    track: FieldTrack
    shots: tuple[Shot, ...]
    frames: int


def followed_fields(work: FrameReading, groups: Sequence[FrameGroup]) -> list[FollowedField]:
    """Follow the field through each group's frames; one that moved within it becomes two."""
    found = []
    count, done = sum(len(group.shots) for group in groups), 0
    for group in groups:
        shots = _of_one_size(work, group)
        if len(shots) > 1 and shots[0].middle == shots[-1].middle:
            done += len(group.shots)
            work.notes.append(_no_series(group.label, shots))
            continue
        own = own_track(shots) if len(shots) >= LEAST_FRAMES else None
        if own is not None and _stars_agree(work, own, shots):
            found.append(FollowedField(own, tuple(shots), len(group.shots)))
            done += len(group.shots)
            continue
        seen = work.sightings(shots, done, count)
        done += len(group.shots)
        if len(seen) < LEAST_FRAMES:
            text = f"{group.label}: {len(seen)} frame{'s' * (len(seen) != 1)} with stars, needed are {LEAST_FRAMES}, better 20"
            work.notes.append(Note("pointing-refused", text))
            continue
        result = follow(seen)
        work.refused += [(left.source, left.reason) for left in result.left_out]
        by_name = {shot.source: shot for shot in shots}
        for track in result.tracks:
            of = tuple(by_name[source] for source in track.sources)
            found.append(FollowedField(track, of, len(of) if len(result.tracks) > 1 else len(group.shots)))
        if len(result.tracks) > 1:
            starts = ", ".join(track.sources[0] for track in result.tracks[1:])
            work.notes.append(
                Note(
                    "pointing-moved",
                    f"{group.label}: the telescope was moved within it; a new pointing begins at {starts}",
                )
            )
        if not result.tracks:
            work.notes.append(
                Note("pointing-refused", f"{group.label}: its frames show no field that can be followed")
            )
    return found


def _no_series(label: str, shots: Sequence[Shot]) -> Note:
    """Say that no frame is later than another."""
    keyword, when = shots[0].keywords["time"], f"{shots[0].middle:%H:%M:%S}"
    text = f'{label}: {len(shots)} frames all have the time {when} (middle of the exposure): does {keyword} name the start of the series? Name another keyword in the setup: [frames] keywords = {{ time = "..." }}'
    return Note("pointing-refused", text)


def _of_one_size(work: FrameReading, group: FrameGroup) -> list[Shot]:
    """Return the frames of the size that most have."""
    sizes = Counter((shot.height, shot.width, shot.mosaic) for shot in group.shots)
    usual = sizes.most_common(1)[0][0]
    for shot in group.shots:
        if (shot.height, shot.width, shot.mosaic) != usual:
            work.refused.append(
                (
                    shot.source,
                    f"{shot.width} x {shot.height} pixels, the others of its pointing have {usual[1]} x {usual[0]}",
                )
            )
    return [shot for shot in group.shots if (shot.height, shot.width, shot.mosaic) == usual]


def _stars_agree(work: FrameReading, own: FieldTrack, shots: Sequence[Shot]) -> bool:
    """Whether the stars move as the frames' own WCS say: some programs write where the mount believes it points."""
    if find_spec("photutils") is None:
        return True
    few = [0, len(shots) // 2, len(shots) - 1]
    seen = work.sightings([shots[i] for i in few])
    tracks = follow(seen).tracks if len(seen) == len(few) else ()
    if len(tracks) != 1 or len(tracks[0].seconds) < len(few):
        return True  # nothing to hold it against
    side = 2 if shots[0].mosaic else 1
    stars = side * np.array([tracks[0].x[-1] - tracks[0].x[0], tracks[0].y[-1] - tracks[0].y[0]])
    told = np.array([own.x[-1] - own.x[0], own.y[-1] - own.y[0]])
    off = float(np.hypot(*(stars - told)))
    if off <= max(SAME_PIX, SAME_SHARE * float(np.hypot(*stars))):
        return True
    text = f"the WCS of {names_of([shot.source for shot in shots])} do not move with the stars ({off:.1f} pixels off): only scale and angle are taken from the first"
    work.notes.append(Note("wcs-stale", text))
    return False
