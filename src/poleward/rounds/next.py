"""Where an evening looks next: the plan's stars, at the moment."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from functools import lru_cache

from poleward.errors import PolewardError
from poleward.planning.plan import plan
from poleward.planning.planned import PlannedPointing
from poleward.planning.timing import Reader
from poleward.planning.wishes import Wishes
from poleward.rounds.situation import Suggestion
from poleward.sky.site import Site

READING_ARCSEC = 1.0
"""Of one reading at the eyepiece: the solver's own default."""
ACCURACY_ARCMIN = 1.0
"""Half the default limit: an axis told no better could not be told from one at the limit."""


def suggestions(site: Site, at: datetime, done: int) -> Sequence[Suggestion]:
    """Return pointings worth timing from a moment on, in the order in which to take them; none if there are none.

    Parameters
    ----------
    site : Site
        With a longitude.
    at : datetime
        Aware.
    done : int
        Timings already made in this round; they follow the plan made for its first.
    """
    return _planned(site, at)


@lru_cache(maxsize=32)
def _planned(site: Site, at: datetime) -> tuple[Suggestion, ...]:
    """Plan once for a moment: an undo plays the evening back."""
    try:
        found = plan(site, Reader(READING_ARCSEC), Wishes(ACCURACY_ARCMIN), at=at)
    except PolewardError:
        return ()
    return tuple(_suggestion(each) for each in found.proposal.pointings)


def _suggestion(each: PlannedPointing) -> Suggestion:
    from astropy.coordinates import Angle

    # To an arcsecond, as hand controls take them: a pointing needs no more.
    cells = {
        "ra": Angle(each.ra_h, "hourangle").to_string(precision=0, pad=True),
        "dec": Angle(each.icrs_dec_deg, "deg").to_string(precision=0, alwayssign=True, pad=True),
    }
    return Suggestion(each.words, cells, each.azimuth_deg, each.altitude_deg, each.minutes)
