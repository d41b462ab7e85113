"""Files to pointings: which frames there are, in the order of time, and which of them belong together."""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np

from poleward.errors import InputError, Note, printable
from poleward.frames.onsky import directions_at, middle_of
from poleward.frames.shot import Shot
from poleward.sky.axis import Floats, angle_between, unit_vector

ENDINGS = (".fits", ".fit", ".fts", ".fits.fz", ".fit.fz", ".fits.gz", ".fit.gz")
"""Of the files that are taken from a folder; a file that is named is taken whatever its name."""
LONGEST_GAP_S = 60.0
"""A longer pause may hide anything: a telescope is at the next pointing in as much (`plan`'s time to centre a star). But
not shorter than so many frames, which a download or a cloud may cost:"""
LONGEST_GAP_FRAMES = 5.0
MOVED_SHARE = 0.25
MOVED_DEG = 0.3
"""From one frame to the next, of the picture's shorter side by the WCS, or on the sky by the user's keywords: no mount
drifts so far, and a shorter way is found by the stars."""
POINTING_REFUSED = "pointing-refused"
"""Code of a note that begins with the pointing's label and a colon."""
TOLD_NAMES = 3
"""Frames that a note names; of more it gives the number."""

Told = Callable[[str, int, int], None]


@dataclass(frozen=True, eq=False)
class FrameGroup:
    """Frames of one pointing, in the order of time.

    Attributes
    ----------
    label : str
    shots : tuple of Shot
    """

    label: str
    shots: tuple[Shot, ...]


def files_of(paths: Iterable[str | Path]) -> list[str]:
    """Return the files that are named, and of folders those with a FITS file's ending, each once.

    A folder that holds none gives those of its own folders.

    Raises
    ------
    InputError
        A folder without such files.
    """
    found: dict[str, str] = {}
    for path in paths:
        names = [Path(path)]
        if os.path.isdir(path):  # of a name that is too long, pathlib's raises
            names = frames_in(Path(path)) or [
                one for below in _folders(Path(path)) for one in frames_in(below)
            ]
            if not names:
                raise InputError(
                    "this folder holds no FITS files",
                    f"their names end in {', '.join(ENDINGS[:3])}",
                    printable(str(path)),
                )
        for name in names:
            found.setdefault(str(name.resolve() if os.path.exists(name) else name), str(name))
    return list(found.values())


def frames_in(folder: Path) -> list[Path]:
    """Return a folder's own FITS files, by their names."""
    try:
        return sorted(path for path in folder.iterdir() if path.name.lower().endswith(ENDINGS))
    except OSError as error:
        raise InputError(
            f"this folder cannot be read: {error.strerror}", "", printable(str(folder))
        ) from None


def _folders(folder: Path) -> list[Path]:
    return sorted(path for path in folder.iterdir() if path.is_dir())


def read_shots(
    files: Sequence[str], read: Callable[[str], Shot], tell: Told | None = None
) -> tuple[list[Shot], list[tuple[str, str]]]:
    """Read the headers of all frames.

    Parameters
    ----------
    files : sequence of str
    read : callable
        Reads one.
    tell : callable, optional
        Is told how far it is.

    Returns
    -------
    shots : list of Shot
        In the order of time.
    refused : list of (str, str)
        Frames that cannot be used, and why.
    """
    shots, refused = [], []
    for number, path in enumerate(files):
        if tell is not None:
            tell("reading headers", number, len(files))
        try:
            shots.append(read(path))
        except InputError as error:
            refused.append(reason_of(error, path))
    return sorted(shots, key=lambda shot: shot.middle), refused


def reason_of(error: InputError, path: str) -> tuple[str, str]:
    """Return a frame's name and why it cannot be used: its place in the header, what was seen, what to do."""
    name = printable(path)
    keyword = error.where.rpartition(f"{name}, ")[2] if f"{name}, " in error.where else ""
    message = f"{keyword}: {error.message}" if keyword else error.message
    return name, f"{message} ({error.hint})" if error.hint else message


def refusals(refused: Sequence[tuple[str, str]], given: int = 0) -> list[Note]:
    """One note for each reason and folder, with the names of its frames, and how many they are of those given, if that is told."""
    alike: dict[tuple[str, str], list[str]] = {}
    for name, reason in dict.fromkeys(refused):
        alike.setdefault((reason, os.path.dirname(name)), []).append(name)
    notes = []
    for (reason, _), names in alike.items():
        share = f"{len(names)} of {given} left out: " if given else ""
        told = f"{names[0]} to {names[-1]}" if given and len(names) > TOLD_NAMES else names_of(names)
        notes.append(Note("frames-refused", f"{share}{told}: {reason}"))
    return notes


def together(notes: Sequence[Note]) -> list[Note]:
    """Return notes with pointings that are refused for the same reason named in one."""
    labels: dict[tuple[str, str], list[str]] = {}
    for note in notes:
        label, _, reason = note.text.partition(": ")
        refused = note.code == POINTING_REFUSED
        labels.setdefault((note.code, reason if refused else note.text), []).append(label)
    return [
        Note(code, f"{', '.join(names)}: {text}" if code == POINTING_REFUSED else text)
        for (code, text), names in labels.items()
    ]


def names_of(names: Sequence[str]) -> str:
    """Return a few names, or how many there are, with the first and the last."""
    if len(names) <= TOLD_NAMES:
        return ", ".join(names)
    return f"{len(names)} frames, {names[0]} to {names[-1]}"


def grouped(shots: Sequence[Shot]) -> list[FrameGroup]:
    """Return the pointings: each folder by itself, cut after a pause, and where the headers say that it moved.

    Parameters
    ----------
    shots : sequence of Shot
        In the order of time.
    """
    folders: dict[str, list[Shot]] = {}
    for shot in shots:
        folders.setdefault(shot.folder, []).append(shot)
    groups = [group for one in folders.values() for group in _cut(one)]
    return labelled(sorted(groups, key=lambda group: group[0].middle))


def _cut(shots: Sequence[Shot]) -> list[list[Shot]]:
    between = [(later.middle - earlier.middle).total_seconds() for earlier, later in pairwise(shots)]
    usual = float(np.median(between)) if between else 0.0
    gap = max(LONGEST_GAP_S, LONGEST_GAP_FRAMES * usual)
    groups = [[shots[0]]]
    for (earlier, later), seconds in zip(pairwise(shots), between, strict=True):
        if seconds > gap or _moved(earlier, later):
            groups.append([])
        groups[-1].append(later)
    return groups


def labelled(groups: Sequence[Sequence[Shot]]) -> list[FrameGroup]:
    """Give each group a label of its own: what was photographed, else the folder's name."""
    made, seen = [], dict[str, int]()
    for shots in groups:
        name = shots[0].label or printable(Path(shots[0].folder).resolve().name) or "pointing"
        seen[name] = seen.get(name, 0) + 1
        made.append(FrameGroup(name if seen[name] == 1 else f"{name} {seen[name]}", tuple(shots)))
    return made


def _moved(earlier: Shot, later: Shot) -> bool:
    """Whether the headers say that the telescope was moved between two frames."""
    if earlier.wcs is not None and later.wcs is not None:
        first, second = middle_direction(earlier), middle_direction(later)
        x, y = middle_of((earlier.height, earlier.width))
        share = MOVED_SHARE * min(earlier.height, earlier.width)
        aside = directions_at(earlier.wcs, np.array([[x + share, y]]))[0]
        return bool(angle_between(first, second) > angle_between(first, aside))
    if "ra" in earlier.place and "ra" in later.place:
        # Counted the other way round, which moves no angle between.
        first, second = (unit_vector(shot.place["ra"], shot.place["dec"]) for shot in (earlier, later))
        return bool(angle_between(first, second) > math.radians(MOVED_DEG))
    return False


def middle_direction(shot: Shot) -> Floats:
    """Direction (3,) of a frame's middle among the stars, by its WCS."""
    direction: Floats = directions_at(shot.wcs, np.array([middle_of((shot.height, shot.width))]))[0]
    return direction
