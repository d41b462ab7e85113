"""Before measuring: which pointings, and for how long, tell the axis well enough in the least time under the sky."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np

from poleward.errors import InputError, Note
from poleward.planning.pairing import (
    KEPT,
    LONGEST_MIN,
    Found,
    Task,
    best_pairs,
    closer,
    whole_sky,
    with_third,
)
from poleward.planning.planned import Plan, Proposal
from poleward.planning.propose import proposal_of, star_rows
from poleward.planning.timing import Bench, OpenSky, Reader
from poleward.planning.wishes import Wishes, checked_wishes
from poleward.sky.axis import STELLAR_RATE, Floats, azimuth_altitude
from poleward.sky.doubt import POINTING_DEG, air_doubt, low_pole_notes
from poleward.sky.look import poles_at, seen_from_hour_angle
from poleward.sky.pole import pole_name
from poleward.sky.site import Site, zone_notes
from poleward.sky.sun import DAYLIGHT_DEG, sun_seen
from poleward.tonight.window import coming_night

COMMON_LOW_DEG = 20.0
"""How low the common choice's eastern star stands (common practice, no source: 15 to 30 deg)."""
RELAXED = 1.1
"""Where the accuracy is out of reach, the plan aims at this much above the finest: the last tenth costs most of the time."""
STARS_KEPT, PER_MAGNITUDE = 16, 0.01
"""Pairs of stars that are timed exactly, and how much slower a star counts for each magnitude that it is fainter: among
near equals the one that is easier to find."""
AHEAD_MIN = (0.0, 30.0, 60.0, 90.0)
"""When the Sun is looked at during the work."""


def plan(
    site: Site, reader: Reader, wishes: Wishes, *, at: datetime | None = None, pole: str = "apparent"
) -> Plan:
    """Find the pointings and minutes that tell the axis well enough in the least time, as `poleward.plan` is asked to.

    With a longitude and `at`, the Sun is kept away from and bright stars are named; by eye, bright stars are what is timed.
    Work that may begin before dusk is put off until dusk, where there is one within a day.

    Raises
    ------
    InputError, UsageError
        An accuracy of nothing, a limit that cannot be kept to, or no usable pair of pointings at all.
    """
    pole_name(pole)
    checked_wishes(reader, wishes)
    notes = list(wishes.left_out)
    if site.longitude_rad is None or at is None:
        at = None
        notes += _by_circle()
    else:
        at = _from_dusk(site, at, notes)
    sky = OpenSky(wishes.lowest_altitude_deg, wishes.blocked, _suns(site, at, notes))
    task = Task(Bench(site, reader, pole), sky, wishes.mover, wishes.accuracy_arcmin)
    task, found = _search(task, wishes, notes)
    proposal, common, longer = _proposals(task, found, wishes, at, notes)
    if pole == "apparent":
        notes += low_pole_notes(site)
    notes += zone_notes(site, at)
    wanted, why, seen_pole = wishes.accuracy_arcmin, wishes.why, poles_at(site)[0]
    return Plan(proposal, common, wanted, why, reader, sky, at, longer, seen_pole, site, tuple(notes))


def _by_circle() -> list[Note]:
    """What a plan without a longitude or a time cannot do."""
    return [
        Note(
            "no-sky", "without a longitude and a time no stars are named, and the Sun is not kept away from"
        ),
        Note(
            "by-circle",
            f"an hour angle read off a circle to {POINTING_DEG:g} deg adds {100 * math.radians(POINTING_DEG):.1f} % of the "
            "axis error, whatever that is, to its uncertainty; a right ascension with its time adds nothing",
        ),
    ]


def _proposals(
    task: Task, found: Found, wishes: Wishes, at: datetime | None, notes: list[Note]
) -> tuple[Proposal, Proposal | None, float | None]:
    """Put what was found, or stars in its place, beside the common choice; and how much longer the stars take."""
    proposal = proposal_of(task, found, at, wishes.accuracy_arcmin)
    # Where the accuracy is out of reach, both are for the relaxed one.
    common = _common_choice(task, at, task.wanted_arcmin)
    quicker = common is not None and common.reaches and common.total_minutes < proposal.total_minutes
    if common is not None and quicker and wishes.pointings != 3:
        proposal = replace(common, reaches=common.sigma_arcmin <= wishes.accuracy_arcmin * (1 + 1e-9))
    if at is None or task.bench.reader.cadence_s is not None or task.sky.suns is not None:
        return proposal, common, None  # by day the bright stars are not seen by eye
    stars = _by_stars(task, wishes, at, float(found.minutes.max()))
    if stars is None:
        notes.append(
            Note("no-stars", "no bright stars stand where they would do: find any star at these places")
        )
        return proposal, common, None
    return stars, common, stars.total_minutes - proposal.total_minutes


def _from_dusk(site: Site, at: datetime, notes: list[Note]) -> datetime:
    """When the work begins: in the dark, where there is dark within a day."""
    night = coming_night(site, at)
    if night is None or night[0] <= at:
        return at
    notes.append(Note("dusk", "it is not dark yet: the plan begins at dusk, with the Sun 12 deg down"))
    return night[0]


def _suns(site: Site, at: datetime | None, notes: list[Note]) -> Floats | None:
    """Where the Sun is seen while it is up during the work; None at night or when that is not known."""
    if at is None:
        return None
    seen = sun_seen([at + timedelta(minutes=ahead) for ahead in AHEAD_MIN], site)
    up = np.degrees(azimuth_altitude(seen)[1]) > DAYLIGHT_DEG
    if not up.any():
        return None
    text = (
        "the Sun is up in this time: no pointing, and no straight way between them, comes within 30 deg of it. "
        "A mount may go another way: cap telescope and finder while it slews, and never look near the Sun "
        "without a filter made for it over the front"
    )
    notes.append(Note("daylight", text))
    return seen[up]


def _by_stars(task: Task, wishes: Wishes, at: datetime, minutes: float) -> Proposal | None:
    """Return the quickest timings of stars that exist; None where none reach what is wanted."""
    ahead = 1.5 * minutes + 5  # the second star waits for the first
    found: list[Found] = []
    for anywhere in dict.fromkeys((task.anywhere, True)):
        wider = replace(task, anywhere=anywhere)
        stars = star_rows(wider, at, ahead)
        found, _ = best_pairs(wider, stars, stars, STARS_KEPT)
        if wishes.pointings == 3:
            found = [three for pair in found if (three := with_third(wider, pair, stars)) is not None]
        if found:
            break
    proposals = [proposal_of(task, one, at, wishes.accuracy_arcmin) for one in found]
    good = [one for one in proposals if one.sigma_arcmin <= task.wanted_arcmin * (1 + 1e-9)]
    return min(good, key=_easy, default=None)


def _easy(proposal: Proposal) -> float:
    """Minutes, with a liking for bright stars."""
    faint = sum(one.star.magnitude for one in proposal.pointings if one.star is not None)
    return proposal.total_minutes * (1 + PER_MAGNITUDE * faint / len(proposal.pointings))


def _search(task: Task, wishes: Wishes, notes: list[Note]) -> tuple[Task, Found]:
    """Find the quickest pointings; where the accuracy is out of reach, relax it and say so."""
    ahead = 10.0
    for _ in range(3):
        sky = whole_sky(task, ahead)
        pairs, finest = best_pairs(task, sky, sky, KEPT)
        if not pairs and not task.anywhere:
            task = replace(task, anywhere=True)
            sky = whole_sky(task, ahead)
            pairs, finest = best_pairs(task, sky, sky, KEPT)
        if not pairs:
            if not math.isfinite(finest):
                raise InputError(
                    "no two pointings are left that tell both errors of the axis",
                    f"lower the lowest altitude ({wishes.lowest_altitude_deg:g} deg), or free a blocked sector",
                )
            task = replace(task, wanted_arcmin=RELAXED * finest)
            notes[:] = [note for note in notes if note.code != "out-of-reach"]
            text = (
                f"{wishes.accuracy_arcmin:.2g} arcmin is out of reach here: timings of {LONGEST_MIN:g} minutes, with "
                f"refraction known to {100 * air_doubt(task.bench.site.air):.0f} %, give {finest:.2g} arcmin at best; the plan is for "
                f"{task.wanted_arcmin:.2g}"
            )
            notes.append(Note("out-of-reach", text))
            pairs, _ = best_pairs(task, sky, sky, KEPT)
        pairs += _common_pairs(task, ahead)
        best = min((closer(task, pair, ahead) for pair in pairs), key=lambda one: one.rank)
        three = with_third(task, best, sky) if wishes.pointings != 2 else None
        if three is not None and (wishes.pointings == 3 or three.total < best.total):
            best = three
        elif wishes.pointings == 3:
            raise InputError("no third pointing is left", "ask for two, or free a blocked sector")
        if best.minutes.max() <= ahead:
            break
        ahead = float(best.minutes.max()) + 1  # the stars must stay in sight until their timing ends
    return task, best


def _common_places(task: Task) -> list[tuple[Floats, Floats]]:
    """Hour angles and decs of the common choice: the meridian on the celestial equator, then low in the east or west."""
    low = math.radians(max(COMMON_LOW_DEG, task.sky.lowest_deg))
    phi = task.bench.site.latitude_rad
    # The altitude at which a star of dec 0 stands at hour angle h: sin a = cos(latitude) cos h.
    cosine = math.sin(low) / math.cos(phi)
    if cosine >= 1:
        return []
    # A degree of room: in the west the star sinks, and refraction is not in the formula.
    far = math.acos(cosine)
    setting = far - STELLAR_RATE * 60 * 12
    return [(np.array([0.0, h]), np.zeros(2)) for h in (-far + math.radians(0.2), setting)]


def _common_pairs(task: Task, ahead: float) -> list[Found]:
    found = []
    for h, d in _common_places(task):
        meridian, low = (task.rows(h[i : i + 1], d[i : i + 1], ahead) for i in (0, 1))
        if len(meridian.dec) and len(low.dec):
            found += best_pairs(task, meridian, low, 1)[0]
    return found


def _common_choice(task: Task, at: datetime | None, wanted: float) -> Proposal | None:
    """Return the common choice's pointings with the minutes they need, or at their longest where that is not enough."""
    options = []
    for h, d in _common_places(task):
        seen = seen_from_hour_angle(h, d, task.bench.site)
        way = task.ways_clear((h[:1], d[:1]), (h[1:], d[1:]))
        if not (np.all(task.sky.shows(seen)) and way.all()):
            continue
        options.append(proposal_of(task, Found(h, d, np.full(2, LONGEST_MIN), np.full(2, -1)), at, wanted))
    return min(options, key=lambda one: (not one.reaches, one.total_minutes), default=None)
