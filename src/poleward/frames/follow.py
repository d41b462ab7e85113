"""A field of stars followed from picture to picture: one shift and turn for all of them, and what had to be left out.

Every picture is laid on a catalogue of the field, which grows as stars enter. Then catalogue and pictures are fitted
together: a star's reference is the mean of all its sightings, so no single picture's noise is in all of them.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from poleward.frames.adjust import LEAST_FRAMES, FieldRows, StarWays, adjusted
from poleward.frames.match import FieldMove, Indices, enough, moves, pairs_of, voted_shift
from poleward.frames.stars import LEAST_STARS
from poleward.frames.track import FieldTrack, Followed, LeftOut, Sighting
from poleward.sky.axis import Floats

REACH = 2.0
"""Pixels from where a star must be: what is left after the shift is found; half of what separates two stars."""
APART = 5.0
"""A star so near to a known one is no new one."""
FEW_REACH = 20.0
"""Pixels that a field of one or two stars may have moved from one picture to the next: more stars agree on a move of any size,
these would agree with any others."""
STILL = 0.02
"""Pixels: a lone star that scatters less is a hot pixel; the air alone shakes a star by five times as much."""
STEP = 5.0
STEP_SIGMAS = 8.0
"""The pointing was moved if the field jumps by so many pixels, and by so many times what it does from one picture to the
next, and stays there. Gusts come back."""


class _Field:
    """The pictures laid on one catalogue so far."""

    def __init__(self, first: Sighting, least: int) -> None:
        self.least = least
        self.shape = first.stars.shape
        self.centre = (np.array(self.shape[::-1], float) - 1) / 2
        self.reference = np.column_stack([first.stars.x, first.stars.y])
        self.flux = first.stars.flux
        self.sightings = [first]
        self.names = [np.arange(len(first.stars))]
        self.last = FieldMove(np.zeros((1, 2)), np.zeros(1), np.zeros((1, 2)), np.zeros(1))

    def take(self, seen: Sighting) -> bool:
        """Lay a picture on the catalogue, if it fits."""
        if seen.stars.shape != self.shape:
            return False
        places = np.column_stack([seen.stars.x, seen.stars.y])
        zero = np.zeros(len(self.reference), np.intp)
        expected = self.last.places(zero, self.reference, self.centre)
        inside = np.all((expected > -0.5 * self.centre) & (expected < 2.5 * self.centre), axis=1)
        order = np.flatnonzero(inside)[np.argsort(-self.flux[inside])]
        if len(order) == 0:
            return False
        shift, votes = voted_shift(expected[order], places)
        few = self.least < LEAST_STARS and float(np.hypot(*shift)) < FEW_REACH
        if not (few or enough(votes, len(order), len(places))):
            return False
        known, mine = pairs_of(expected + shift, places, 2 * REACH)
        for _ in range(2):
            if len(mine) < self.least:
                return False
            weight = 1 / (seen.stars.noise[mine] ** 2 + 0.1**2)
            none = np.zeros(len(mine), np.intp)
            found = moves(self.reference[known], places[mine], weight, none, 1, self.centre)
            known, mine = pairs_of(found.places(zero, self.reference, self.centre), places, REACH)
        self.last = found
        names = np.full(len(places), -1)
        names[mine] = known
        self._enter(places, names, seen.stars.flux)
        self.sightings.append(seen)
        self.names.append(names)
        return True

    def _enter(self, places: Floats, names: Indices, flux: Floats) -> None:
        """Stars that came into the picture."""
        from scipy.spatial import cKDTree

        fresh = np.flatnonzero(names < 0)
        there = self.last.references(np.zeros(len(fresh), np.intp), places[fresh], self.centre)
        away = cKDTree(self.reference).query(there)[0] > APART
        names[fresh[away]] = len(self.reference) + np.arange(np.count_nonzero(away))
        self.reference = np.concatenate([self.reference, there[away]])
        self.flux = np.concatenate([self.flux, flux[fresh[away]]])


def follow(sightings: Sequence[Sighting]) -> Followed:
    """Follow the stars through pictures of one pointing; where it was moved, a new track begins.

    Parameters
    ----------
    sightings : sequence of Sighting
        By time; of one size.

    Returns
    -------
    Followed
    """
    fields: list[_Field] = []
    left_out: list[LeftOut] = []
    tracks = []
    before = None
    # A narrow field may hold one star or two; where there are more, so few are what a cloud has left.
    usual = float(np.median([len(seen.stars) for seen in sightings])) if sightings else 0.0
    least = LEAST_STARS if usual >= LEAST_STARS else 1
    for seen in sightings:
        if len(seen.stars) < least:
            stars = f"{len(seen.stars)} star{'s' * (len(seen.stars) > 1)}"
            left_out.append(LeftOut(seen.source, f"only {stars}: cloud, or too short an exposure"))
            continue
        if before is not None and seen.middle_s <= before.middle_s:
            left_out.append(LeftOut(seen.source, f"not later than {before.source}"))
            continue
        before = seen
        # The latest field first: after a cloud the stars are where they were.
        if not any(field.take(seen) for field in reversed(fields)):
            fields.append(_Field(seen, least))
    for field in fields:
        track, lost = _together(field)
        left_out += lost
        for part in _between_steps(track) if track is not None else []:
            if len(part.seconds) < LEAST_FRAMES:
                left_out += [
                    LeftOut(source, "the pointing moved before and after it") for source in part.sources
                ]
            else:
                tracks.append(part)
    tracks.sort(key=lambda track: float(track.seconds[0]))
    order = {seen.source: place for place, seen in enumerate(sightings)}
    return Followed(tuple(tracks), tuple(sorted(left_out, key=lambda each: order[each.source])))


def _rows(field: _Field) -> FieldRows:
    frame = np.repeat(np.arange(len(field.names)), [len(names) for names in field.names])
    name = np.concatenate(field.names)
    stars = [seen.stars for seen in field.sightings]
    places = np.column_stack(
        [np.concatenate([each.x for each in stars]), np.concatenate([each.y for each in stars])]
    )
    behind, photons = (
        np.concatenate([getattr(each, part) for each in stars])
        for part in ("background_noise", "photon_noise")
    )
    counted = np.bincount(name[name >= 0], minlength=len(field.reference))
    good = (name >= 0) & (counted[name] >= min(LEAST_FRAMES, len(stars)))
    return FieldRows(places[good], frame[good], name[good], behind[good], photons[good])


def _together(field: _Field) -> tuple[FieldTrack | None, list[LeftOut]]:
    """Fit catalogue and pictures together."""
    sources = [seen.source for seen in field.sightings]
    if len(sources) < LEAST_FRAMES:
        return None, [
            LeftOut(source, "its stars are those of no other picture: moved, or cloud") for source in sources
        ]
    rows, frames, reference = _rows(field), len(sources), field.reference.copy()
    reference, move, weight = adjusted(rows, reference, frames, field.centre)
    matched = np.bincount(rows.frame[weight > 0], minlength=frames)
    kept = np.flatnonzero(matched >= field.least)
    lost = [
        LeftOut(sources[i], f"only {matched[i]} of its stars move as the others do")
        for i in np.flatnonzero(matched < field.least)
    ]
    used = weight > 0
    offset = rows.places - field.centre - move.shift[rows.frame]
    ways = StarWays(offset[used], weight[used], rows.frame[used], rows.name[used])
    shown = np.unique(rows.name[used])
    track = FieldTrack(
        tuple(sources),
        np.array([seen.middle_s for seen in field.sightings]),
        move.shift[:, 0],
        move.shift[:, 1],
        move.turn,
        move.shift_sigma[:, 0],
        move.shift_sigma[:, 1],
        move.turn_sigma,
        matched,
        reference[shown],
        field.shape,
        ways,
    )
    if len(kept) < LEAST_FRAMES:
        return None, [LeftOut(source, "too few of its stars move as the others do") for source in sources]
    if field.least < LEAST_STARS and max(np.std(track.x[kept]), np.std(track.y[kept])) < STILL:
        return None, [LeftOut(source, "its only star stands still: a hot pixel") for source in sources]
    return track.part(kept), lost


def _between_steps(track: FieldTrack) -> list[FieldTrack]:
    """Cut a track where the pointing was moved."""
    count = len(track.seconds)
    place = np.column_stack([track.x, track.y])
    apart = np.diff(track.seconds)[:, None]
    pace = np.median(np.diff(place, axis=0) / apart, axis=0)
    place = place - pace * (track.seconds - track.seconds[0])[:, None]
    jump = np.hypot(*np.diff(place, axis=0).T)
    most = max(STEP, STEP_SIGMAS * float(np.median(jump)))
    cuts = [0]
    for k in np.flatnonzero(jump > most):
        before, after = place[max(0, k - 2) : k + 1], place[k + 1 : k + 4]
        if np.hypot(*(np.median(after, axis=0) - np.median(before, axis=0))) > 0.7 * most:
            cuts.append(int(k) + 1)
    return [track.part(np.arange(a, b)) for a, b in zip(cuts, [*cuts[1:], count], strict=True)]
