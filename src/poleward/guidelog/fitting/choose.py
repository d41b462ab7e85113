"""Which sections can be used, and why the others cannot."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from poleward.errors import Note, listed
from poleward.guidelog.fitting.correct import Track, track
from poleward.guidelog.fitting.drive import wrong_way
from poleward.guidelog.fitting.parts import Drive, Part, drive_of, prepare
from poleward.guidelog.reading.section import Section
from poleward.sky.axis import azimuth_altitude
from poleward.sky.doubt import low_pole_notes
from poleward.sky.look import TOO_LOW_DEG, Sight, altitude_notes
from poleward.sky.pole import Pole
from poleward.sky.site import Site
from poleward.sky.sun import daylight_notes

LEAST_ROWS = 40
"""Rows with a star that a section needs: three numbers for the noise and three for the drift, with some to spare."""
LEAST_S = 120.0
"""A shorter section says nothing: an axis 10 arcmin off moves a star 5 arcsec in it, and so does the wind."""
LOW_SLACK_DEG = 0.05
"""The last row of a section cut at the limit stands on it, give or take a row."""


@dataclass(frozen=True)
class Candidate:
    """A section on its way into the fit.

    Attributes
    ----------
    section : Section
    track : Track
    drive : Drive or None
        That moved the telescope, as far as the section tells.
    part : Part or None
        None until the sky has been looked at.
    reason : str
        Why it cannot be used, or nothing.
    """

    section: Section
    track: Track
    drive: Drive | None
    part: Part | None = None
    reason: str = ""

    @classmethod
    def of(cls, section: Section) -> Candidate:
        """Pick the rows of a section, and judge whether they are enough."""
        rows = track(section)
        return cls(section, rows, drive_of(section, rows), reason=_too_little(rows))


@dataclass(frozen=True)
class Chosen:
    """The sections of a group.

    Attributes
    ----------
    candidates : tuple of Candidate
        All, in their order.
    pole : Pole or None
        That the errors refer to; None where none was long enough to be looked at.
    notes : tuple of Note
    """

    candidates: tuple[Candidate, ...]
    pole: Pole | None
    notes: tuple[Note, ...] = ()

    @property
    def used(self) -> tuple[Candidate, ...]:
        """Those that can be used."""
        return tuple(each for each in self.candidates if not each.reason)


def choose(
    sections: Sequence[Section], site: Site, pole: str, rate_arcsec_per_s: float, allow_low: bool
) -> Chosen:
    """Judge sections by their rows, by where the star stood, and by whether their pulses are what they say.

    Parameters
    ----------
    sections : sequence of Section
    site : Site
    pole : {"apparent", "true"}
    rate_arcsec_per_s : float
        Of the drive against the stars.
    allow_low : bool
        Use sections below 10 deg too.
    """
    candidates = [Candidate.of(section) for section in sections]
    if all(each.reason for each in candidates):
        return Chosen(tuple(candidates), None)
    candidates, sight = _looked(candidates, site, rate_arcsec_per_s)
    sunk: list[Note] = []
    if not allow_low:
        candidates = [each if each.reason else _above(each, sunk) for each in candidates]
        if sunk:
            candidates, sight = _looked(candidates, site, rate_arcsec_per_s)
    against = sight.pole(pole)
    candidates = [
        each if each.part is None else replace(each, reason=_refused(each, each.part, against, allow_low))
        for each in candidates
    ]
    chosen = Chosen(tuple(candidates), against)
    seen = np.array([each.part.seen for each in chosen.used if each.part is not None])
    low: list[Note] = []
    if len(seen):
        names = [each.section.label for each in chosen.used]
        low = altitude_notes(replace(sight, seen=seen), names, range(len(seen)))
        low += low_pole_notes(site)
    return replace(chosen, notes=(*sight.notes, *sunk, *low, *_impossible(chosen, site)))


def _impossible(chosen: Chosen, site: Site) -> list[Note]:
    """Say where nobody can have guided, below the horizon or by day: what makes it seem so moves the other sections too."""
    buried = [
        each.section.label
        for each in chosen.candidates
        if each.part is not None and float(np.min(azimuth_altitude(each.part.seen)[1])) < 0
    ]
    notes = []
    if buried:
        notes.append(
            Note(
                "below-horizon",
                f"{listed(buried)} cannot have been watched, the star was below the horizon: its pointing is wrong, or latitude, "
                "longitude, time zone or clock, and then the answer is wrong too",
            )
        )
    by_clock = [each.section for each in chosen.used if each.section.pointing.ra is not None]
    return notes + daylight_notes(
        [section.pointing for section in by_clock], [section.label for section in by_clock], site
    )


def _looked(candidates: Sequence[Candidate], site: Site, rate: float) -> tuple[list[Candidate], Sight]:
    """Look at the sky for those that can be used so far."""
    fine = [each for each in candidates if not each.reason]
    parts, sight = prepare([each.section for each in fine], [each.track for each in fine], site, rate)
    left = iter(parts)
    return [each if each.reason else replace(each, part=next(left)) for each in candidates], sight


def _too_little(rows: Track) -> str:
    """Why the rows of a section are not enough, or nothing."""
    count = len(rows.rows)
    if count < LEAST_ROWS:
        return f"{count} rows with a star, needed are {LEAST_ROWS}"
    levels = int(rows.piece[-1]) + 1
    if count - levels < LEAST_ROWS:
        return f"{count} rows with a star in {levels} pieces, which leaves nothing to measure a drift by"
    if np.ptp(rows.north_arcsec) == 0:
        return "the star's place never changes: these are not measurements"
    duration = float(rows.seconds[-1] - rows.seconds[0])
    if duration < LEAST_S:
        return f"{duration:.0f} s long, needed are {LEAST_S:.0f} s"
    return ""


def _above(each: Candidate, notes: list[Note]) -> Candidate:
    """Leave out the rows in which a star that stood high enough has come down too far, and say so."""
    assert each.part is not None
    height = np.degrees(azimuth_altitude(each.part.seen)[1])
    if height.min() < 0 or height.min() >= TOO_LOW_DEG:
        return each
    section = each.section
    low = np.interp(section.seconds, each.part.grid_s, height) < TOO_LOW_DEG
    count = int(np.sum(low[each.track.rows]))
    if count > len(each.track.rows) - LEAST_ROWS:
        return each
    notes.append(Note("low-rows", f"{section.label}: {count} rows below {TOO_LOW_DEG:.0f} deg are not used"))
    return replace(each, track=track(replace(section, good=section.good & ~low)))


def _refused(each: Candidate, part: Part, pole: Pole, allow_low: bool) -> str:
    """Why a section that has been looked at cannot be used, or nothing."""
    lowest = math.degrees(float(np.min(azimuth_altitude(part.seen)[1])))
    lowest += LOW_SLACK_DEG * (not allow_low and lowest >= 0)
    if lowest < 0:
        return f"the star is {-lowest:.1f} deg below the horizon: check hour angle, dec, latitude and time"
    if lowest < TOO_LOW_DEG and not allow_low:
        return f"the star stands at {lowest:.1f} deg, allowed is {TOO_LOW_DEG:.0f} deg or more"
    return wrong_way(part, each.drive, pole)
