"""Where an evening looks next: the plan's stars, at the moment."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from functools import lru_cache

import numpy as np

from poleward.errors import PolewardError
from poleward.planning.plan import plan
from poleward.planning.planned import PlannedPointing, height_label
from poleward.planning.timing import Blocked, Reader
from poleward.planning.wishes import Wishes
from poleward.rounds.situation import Suggestion, World
from poleward.sky.axis import azimuth_altitude
from poleward.sky.look import look
from poleward.sky.site import Site
from poleward.timings.drifts import Drifts

READING_ARCSEC = 1.0
"""Of one reading at the eyepiece: the solver's own default."""
ACCURACY_ARCMIN = 1.0
"""Half the default limit: an axis told no better could not be told from one at the limit."""
FRESH, LOWEST_DEG = timedelta(hours=1), 15.0
"""Stars of a plan serve for so long, and while they stand higher: below, refraction is not well known."""
HIDDEN_DEG, ABOVE_DEG = 10.0, 5.0
"""What hid a star that was passed over, a tree or a wall, hides so much to both sides and above it."""


def suggestions(site: Site, at: datetime, passed: Sequence[tuple[float, float]] = ()) -> Sequence[Suggestion]:
    """Return pointings worth timing from a moment on, in the order in which to take them; none if there are none.

    Parameters
    ----------
    site : Site
        With a longitude.
    at : datetime
        Aware.
    passed : sequence of (azimuth, altitude)
        Of stars that were passed over, degrees: nothing near or below them is proposed.
    """
    return _planned(site, at, tuple(passed))


@lru_cache(maxsize=32)
def _planned(site: Site, at: datetime, passed: tuple[tuple[float, float], ...]) -> tuple[Suggestion, ...]:
    """Plan once for a moment: an undo plays the evening back."""
    hidden = tuple(
        Blocked((azimuth - HIDDEN_DEG) % 360, (azimuth + HIDDEN_DEG) % 360, altitude + ABOVE_DEG)
        for azimuth, altitude in passed
    )
    try:
        found = plan(site, Reader(READING_ARCSEC), Wishes(ACCURACY_ARCMIN, blocked=hidden), at=at)
    except PolewardError:
        return ()
    return tuple(_suggestion(each, site, at) for each in found.proposal.pointings)


def _suggestion(each: PlannedPointing, site: Site, at: datetime) -> Suggestion:
    from astropy.coordinates import Angle

    # To an arcsecond, as hand controls take them: a pointing needs no more.
    cells = {
        "ra": Angle(each.ra_h, "hourangle").to_string(precision=0, pad=True),
        "dec": Angle(each.icrs_dec_deg, "deg").to_string(precision=0, alwayssign=True, pad=True),
    }
    star = each.star if each.star is not None and not each.star.separation_deg else None
    name = f"{star.name} (magnitude {star.magnitude:.1f})" if star else ""
    return placed(name, cells, each.minutes, site, each.start or at)


def placed(star: str, cells: Mapping[str, str], minutes: float, site: Site, at: datetime) -> Suggestion:
    """Return the suggestion of a star, by its right ascension and dec, where it stands at a moment."""
    row = {**cells, "time": at.isoformat(), "duration": "1 min", "north": "0"}
    sight = look([Drifts.from_rows([row])[0].pointing], np.zeros((1, 1)), site)
    azimuth, altitude = (math.degrees(float(angle)) for angle in azimuth_altitude(sight.seen[0, 0]))
    hour = math.degrees((float(sight.hour_angle[0]) + math.pi) % (2 * math.pi) - math.pi) / 15
    dec, label = math.degrees(float(sight.dec[0])), height_label(azimuth % 360, altitude)
    words = PlannedPointing(label, hour, dec, azimuth % 360, altitude, minutes, 0.0).words
    return Suggestion(f"{star}, {words}" if star else words, cells, azimuth % 360, altitude, minutes, star)


class Offers:
    """The plan's stars, each where it stands when its turn comes; what was passed over is not offered again."""

    def __init__(self, world: World, site: Site) -> None:
        self.world, self.site = world, site
        self.passed: list[tuple[float, float]] = []
        self.planned = datetime.min.replace(tzinfo=UTC)
        self.choices: Sequence[Suggestion] = ()

    def at(self, moment: datetime, timed: int) -> Suggestion | None:
        """Return where to point at a moment, after so many timings; None: nobody knows."""
        if self.site.longitude_rad is None:
            return None
        if moment - self.planned < FRESH and self.choices:
            one = self._turn(timed, moment)
            if one.altitude_deg >= LOWEST_DEG:
                return one
        self.planned, self.choices = moment, self.world.suggest(self.site, moment, self.passed)
        return self._turn(timed, moment) if self.choices else None

    def _turn(self, timed: int, moment: datetime) -> Suggestion:
        one = self.choices[timed % len(self.choices)]
        return placed(one.star, one.cells, one.minutes, self.site, moment)

    @property
    def round(self) -> tuple[float, float] | None:
        """What a round as planned tells the axis to, root of both variances on the sky, arcmin, and its timings' minutes."""
        return (
            (math.sqrt(2) * ACCURACY_ARCMIN, sum(each.minutes for each in self.choices))
            if self.choices
            else None
        )

    def skip(self, one: Suggestion) -> None:
        """Pass a star over."""
        self.passed.append((one.azimuth_deg, one.altitude_deg))
        self.choices = ()
