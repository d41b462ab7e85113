"""Camera frames to drifts, from the files' names to the table's rows: `poleward.read_frames`."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from poleward.errors import InputError, Note
from poleward.frames.aims import Aims, camera_of
from poleward.frames.field_drift import FieldDrift, Placed, field_drifts, moment_of
from poleward.frames.following import FollowedField, FrameReading, followed_fields
from poleward.frames.framedrifts import FrameDrifts
from poleward.frames.gather import (
    POINTING_REFUSED,
    Told,
    grouped,
    labelled,
    middle_direction,
    refusals,
    together,
)
from poleward.frames.onsky import OnSky, by_run, by_setup, by_wcs
from poleward.frames.shot import Shot
from poleward.frames.whereabouts import settled
from poleward.setup import Setup
from poleward.sky.look import Pointing, look
from poleward.sky.orient import CameraFound
from poleward.sky.site import Site
from poleward.timings.rows import watch_from_cells

UNEQUAL = 0.1
"""Share by which exposures may differ before it matters what DATE-OBS marks."""


def read_frames(
    paths: str | Path | Iterable[str | Path],
    setup: Setup | None = None,
    *,
    pointings: Sequence[Mapping[str, Any]] = (),
    drive_off: Sequence[str | Path] = (),
    nudge_north: Sequence[str | Path] = (),
    mosaic: bool = False,
    timezone: str = "",
    site: Site | None = None,
    tell: Told | None = None,
) -> FrameDrifts:
    """Measure drifts in camera frames.

    Parameters
    ----------
    paths : str, Path or iterable of them
        FITS files, or folders of them.
    setup : Setup, optional
        Its ``[frames]`` says which header keywords to trust beyond the standard's own, its ``[guide_camera]`` how pixels lie on
        the sky where no WCS does.
    pointings : sequence of mapping, optional
        Where the telescope pointed, for headers that do not say: names and values as in a drift table (hour_angle and
        dec, ra and dec, star, azimuth and altitude, reversed), and ``label`` for which (``*``: all that have no other);
        without labels in the order of time.
    drive_off, nudge_north : sequence of str or Path
        Frames taken with the drive stopped, and before and after a nudge north: scale, angle and mirror of the camera.
        The dec of the run's stars is told in `pointings` under the label ``drive-off``, unless its header says it.
    mosaic : bool
        The pixels stand under a raster of colours.
    timezone : str
        Of times in `pointings` without an offset.
    site : Site, optional
        Where the mount stands; it tells hour angles, and moves no drift. Left out: that of the setup, else of the headers.
    tell : callable, optional
        Is told what is being done, how many of it are done, and how many there are.

    Returns
    -------
    FrameDrifts

    Raises
    ------
    InputError
        No pointing is left that can be used; says why.
    UsageError
        photutils is not installed, or a pointing is told for frames that are not there.
    """
    work = FrameReading(setup or Setup(), timezone, mosaic, site=site)
    work.tell = tell or work.tell
    aims = Aims(pointings)
    camera = camera_of(work, aims, drive_off, nudge_north)
    return drifts_by(work, [paths] if isinstance(paths, str | Path) else paths, aims, camera)


def drifts_by(
    work: FrameReading, paths: Iterable[str | Path], aims: Aims, camera: CameraFound | None
) -> FrameDrifts:
    """Return what frames tell; raises as `read_frames`."""
    before = len(work.refused)
    shots = work.shots(paths)
    site, of_site = settled(work.site, [shot.site for shot in shots])
    given = len(shots) + len(work.refused) - before
    followed = followed_fields(work, grouped(shots))
    if not followed:  # what was told of pointings cannot be wrong then
        raise _nothing(work)
    found = [
        replace(one, hour_angle_h=_hour_angle_h(one.pointing, site))
        for one in _field_drifts(work, followed, aims, camera)
    ]
    if not found:
        raise _nothing(work)
    work.notes += [_few(one) for one in found if one.rotation_arcmin is None]
    _note_times(work, [shot for one in followed for shot in one.shots])
    keywords = {what: keyword for one in followed for what, keyword in one.shots[0].keywords.items()}
    camera_refused, refused = work.refused[:before], work.refused[before:]
    notes = (*refusals(camera_refused), *refusals(refused, given), *together(work.notes), *of_site)
    return FrameDrifts(tuple(found), camera, keywords, notes, given, site)


def _hour_angle_h(pointing: Pointing, site: Site | None) -> float | None:
    """Return the hour angle at the start; None where the site would have to be known."""
    if pointing.hour_angle is not None:
        return math.degrees(pointing.hour_angle) / 15
    if site is None or (pointing.ra is not None and site.longitude_rad is None):
        return None
    angle = float(look([pointing], np.zeros((1, 1)), site).hour_angle[0])
    return math.degrees(math.remainder(angle, 2 * math.pi)) / 15


def _field_drifts(
    work: FrameReading, followed: Sequence[FollowedField], aims: Aims, camera: CameraFound | None
) -> list[FieldDrift]:
    """Put every track on the sky; a pointing of which that cannot be done is named."""
    labels = [group.label for group in labelled([one.shots for one in followed])]
    aims.check(labels, growing=work.growing)
    placed = []
    for number, (one, label) in enumerate(zip(followed, labels, strict=True)):
        try:
            placed.append(_placed(work, one, label, aims.of(label, number), camera))
        except InputError as error:
            hint = f" ({error.hint})" if error.hint else ""
            work.notes.append(Note(POINTING_REFUSED, f"{label}: {error.args[0]}{hint}"))
    return field_drifts(placed)


def _nothing(work: FrameReading) -> InputError:
    """Return the one error that tells why nothing is left."""
    pointings = [note.text for note in together(work.notes) if note.code == POINTING_REFUSED]
    reasons = [*pointings, *(note.text for note in refusals(work.refused))]
    first, *others = reasons or ["there are no frames"]
    more = [f"and {len(others) - 2} more"] if len(others) > 2 else []
    hint = "; ".join(others[:2] + more)
    return InputError(f"no pointing can be used: {first}" if pointings else first, hint)


def _placed(
    work: FrameReading, one: FollowedField, label: str, told: dict[str, Any], camera: CameraFound | None
) -> Placed:
    """Put a track on the sky."""
    first, track = one.shots[0], one.track
    by_stars = bool(track.matched.any())
    side = 2 if first.mosaic and by_stars else 1
    start = moment_of(track.seconds[0])
    _refuse_unequal(one.shots)
    on_sky = _on_sky(work, first, camera)
    pointing, turned = _pointing(work, first, told, start)
    if turned and on_sky.upright:
        work.notes.append(
            Note("reversed-not-needed", f"{label}: reversed is left aside, the WCS knows where north is")
        )
        turned = False
    pointing = replace(pointing, time=start)
    return Placed(track, on_sky.of_blocks(side), pointing, label, turned, one.frames, first, side)


def _refuse_unequal(shots: Sequence[Shot]) -> None:
    """Refuse exposures that differ where nobody says what DATE-OBS marks: seconds between frames would be wrong."""
    exposures = [shot.exposure_s or 0.0 for shot in shots]
    if any(shot.stamp_assumed for shot in shots) and min(exposures) < (1 - UNEQUAL) * max(exposures):
        raise InputError(
            f"exposures of {min(exposures):g} to {max(exposures):g} s, and nobody says what DATE-OBS marks",
            'say it in the setup: [frames] stamp = "start", "middle" or "end"',
        )


def _on_sky(work: FrameReading, first: Shot, camera: CameraFound | None) -> OnSky:
    if camera is not None:
        return by_run(camera)
    if first.wcs is not None:
        return by_wcs(first.wcs, (first.height, first.width), first.middle)
    if work.setup.guide_camera is not None:
        return by_setup(work.setup.guide_camera)
    raise InputError(
        "how pixels lie on the sky is not known: no WCS in the header, no [guide_camera] in the setup",
        "measure it with --drive-off and --nudge-north, or with poleward camera",
    )


def _pointing(
    work: FrameReading, first: Shot, told: dict[str, Any], start: datetime
) -> tuple[Pointing, bool]:
    """Return where the telescope pointed, and whether the tube was on the other side."""
    cells = dict(told)
    if not cells.keys() - {"reversed"}:
        cells |= _place_of(first)
    cells.setdefault("time", start)
    return watch_from_cells(cells, "--pointing", work.timezone)


def _place_of(first: Shot) -> dict[str, str]:
    """Return where the header says the telescope pointed, as one would tell it."""
    place = first.place
    if first.wcs is not None:
        x, y, z = middle_direction(first)
        place = {"ra": math.atan2(y, x) % (2 * math.pi), "dec": math.asin(z)}
    if not place:
        raise InputError(
            "where the telescope pointed is not known: no WCS in the header, no keyword for it in the setup",
            'tell it: --pointing "label=..., hour_angle=-4h, dec=+10d", or [frames] keywords = { ra = "...", '
            'dec = "..." }',
        )
    return {name: f"{math.degrees(angle):.9f} deg" for name, angle in place.items()}


def _few(one: FieldDrift) -> Note:
    stars = "one star, which tells" if one.stars == 1 else f"{one.stars} stars, which tell"
    return Note(
        "few-stars",
        f"{one.label}: its frames show {stars} the drift and no turn of the field",
    )


def _note_times(work: FrameReading, shots: Sequence[Shot]) -> None:
    """Say what was taken for granted of the times."""
    assumed = [shot for shot in shots if shot.stamp_assumed]
    if not assumed:
        return
    longest = max(shot.exposure_s or 0.0 for shot in assumed)
    text = "nobody says what DATE-OBS marks: taken as the start of the exposure, the standard's default"
    if any(shot.exposure_s is None for shot in assumed):
        text += "; how long it was is not known either, so each frame counts as seen at its start"
    elif longest > 0:
        text += (
            f"; the hour angle may be off by {15 * longest:.0f} arcsec, which moves no axis by a thousandth"
        )
    work.notes.append(Note("stamp-assumed", f'{text}. stamp = "start" in [frames] of the setup settles it'))
