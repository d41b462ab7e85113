"""Which places in the sky a fit of timings looks at, and the sky as it might be."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from poleward.sky.axis import Floats
from poleward.sky.doubt import air_doubt, aside, pole_doubt_arcmin, thicker
from poleward.sky.fieldturn import PLACES, places_beside
from poleward.sky.look import Pointing, Sight, look
from poleward.sky.site import Site
from poleward.timings.rows import Drift


def turning(drifts: Sequence[Drift]) -> list[int]:
    """Timings whose field rotation is fitted."""
    return [i for i, drift in enumerate(drifts) if drift.used and drift.rotation_arcmin is not None]


def places_of(drifts: Sequence[Drift]) -> tuple[list[Pointing], Floats]:
    """Where a fit looks: at every timing's pointing, then at four places beside each whose rotation is fitted.

    Returns
    -------
    pointings : list of N + 4 M Pointing
    ends : array (N + 4 M, 2)
        Seconds at which each timing begins and ends.
    """
    rows = turning(drifts)
    pointings = [drift.pointing for drift in drifts]
    pointings += [place for i in rows for place in places_beside(drifts[i].pointing)]
    durations = [drift.duration_s for drift in drifts] + [
        drifts[i].duration_s for i in rows for _ in range(PLACES)
    ]
    return pointings, np.array([[0.0, duration] for duration in durations]).reshape(-1, 2)


def beside_of(sight: Sight, count: int) -> Floats:
    """Where the places beside are seen, (M, 4, 2, 3), of a look at `places_of` as many timings."""
    return sight.seen[count:].reshape(-1, PLACES, 2, 3)


@dataclass(frozen=True, eq=False)
class Around:
    """The sky as it might be: the stars in air that refracts one standard uncertainty more, the stars one standard uncertainty of
    the pointing to the west or clockwise, `which` timings have a pointing in doubt, and the standard uncertainty of the pole's
    own lift by the formula.
    """

    thick: Sight | None = None
    aside: Sight | None = None
    which: tuple[int, ...] = ()
    pole_arcmin: float = 0.0


def around(drifts: Sequence[Drift], site: Site, pole: str, pointing_deg: float) -> Around:
    """Look at the sky as it might be, with hour angles and azimuths uncertain by `pointing_deg` (one standard uncertainty)."""
    found = around_at(*places_of(drifts), site, pole, pointing_deg)
    return replace(found, which=tuple(i for i in found.which if i < len(drifts)))


def around_at(
    pointings: Sequence[Pointing], moments: Floats, site: Site, pole: str, pointing_deg: float
) -> Around:
    """Look at the sky as it might be, at some pointings and moments (N, T), seconds."""
    thick = look(pointings, moments, thicker(site)) if air_doubt(site.air) else None
    moved, which = aside(pointings, pointing_deg)
    return Around(
        thick,
        look(moved, moments, site) if pointing_deg and which else None,
        tuple(which) if pointing_deg else (),
        pole_doubt_arcmin(site) if pole == "apparent" else 0.0,
    )
