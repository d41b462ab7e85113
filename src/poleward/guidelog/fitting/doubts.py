"""What is never exact, in a log's answer: the air, the pole's own lift, and pointings that were read off a circle."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from poleward.guidelog.fitting.lattice import layout_of
from poleward.guidelog.fitting.parts import Part, State
from poleward.guidelog.fitting.tables import table_of
from poleward.guidelog.reading.section import Section
from poleward.sky.axis import ARCSEC, Floats, displacement
from poleward.sky.look import Sight
from poleward.sky.pole import Pole
from poleward.sky.site import Site
from poleward.solving.around import Around, around_at


@dataclass(frozen=True, eq=False)
class Doubtful:
    """What one standard uncertainty of the air, and of each section's pointing, does to S sections.

    Attributes
    ----------
    columns : tuple of array (2, n)
        Of each section: how much further its star drifts north by the air and by its pointing, arcsec, all rows with
        a star.
    pole_arcmin : float
        Standard uncertainty of the pole's lift.
    """

    columns: tuple[Floats, ...]
    pole_arcmin: float

    def of(self, parts: Sequence[Part]) -> list[Floats]:
        """Columns of the rows with weight, (2, n) each."""
        return [columns[:, part.kept] for columns, part in zip(self.columns, parts, strict=True)]


def skies(
    sections: Sequence[Section], parts: Sequence[Part], site: Site, pole: Pole, pointing_deg: float
) -> Around:
    """Look at the sky as it might be, at the moments of the sections' grids."""
    grid = np.stack([part.grid_s for part in parts])
    return around_at([section.pointing for section in sections], grid, site, pole.name, pointing_deg)


def doubtful(parts: Sequence[Part], state: State, pole: Pole, sky: Around) -> Doubtful:
    """What the doubts do depends a little on where the axis stands: they are taken at this state."""
    columns = []
    for i, part in enumerate(parts):
        both = np.zeros((2, len(part.track.seconds)))
        if sky.thick is not None:
            both[0] = _further(part, i, state, pole, sky.thick)
        if sky.aside is not None and i in sky.which:
            both[1] = _further(part, i, state, pole, sky.aside)
        columns.append(both)
    return Doubtful(tuple(columns), sky.pole_arcmin)


def _further(part: Part, i: int, state: State, pole: Pole, sight: Sight) -> Floats:
    """How much further a star drifts under another sky, arcsec, (n,); the axis stays as far from the pole seen there."""
    from scipy.interpolate import CubicSpline

    north = [
        displacement(where.axis(state.azimuth, state.altitude), seen[:1], seen, part.turn).north
        for where, seen in ((pole, part.seen), (sight.pole(pole.name), sight.seen[i]))
    ]
    return np.asarray(CubicSpline(part.grid_s, (north[1] - north[0]) / ARCSEC)(part.track.seconds))


def shifts(
    parts: Sequence[Part], state: State, pole: Pole, rate_sigma: Floats, prior: Floats, doubt: Doubtful
) -> Floats:
    """How far the answer moves, arcmin: by the air, by the pole's lift, and by each section's pointing, (S + 2, 2).

    Guide rates give way within their uncertainties (D,), and so does all that an odd drive may do.
    """
    count = len(state.drives)
    first = 2 + count + np.cumsum([0, *(len(drive.odd) for drive in state.drives)])
    matrix = np.zeros((first[-1], first[-1]))
    matrix[:2, :2] = prior
    matrix[range(2, len(matrix)), range(2, len(matrix))] = 1.0
    matrix[range(2, 2 + count), range(2, 2 + count)] = np.maximum(rate_sigma, 1e-6) ** -2.0
    pulled = np.zeros((len(parts) + 1, len(matrix)))
    for i, (part, extra) in enumerate(zip(parts, doubt.of(parts), strict=True)):
        drive = None if part.drive is None else state.drives[part.drive]
        layout = layout_of(part, state, pole, np.array([0.0 if drive is None else drive.backlash_ms]))
        told = (
            table_of(layout.beside(extra), part.noise.shape[None]).matrix[0, 0] / part.noise.white_arcsec**2
        )
        at, own = [0, 1], [0, 1]
        if drive is not None and part.drive is not None:
            odd = len(drive.odd)
            at += [*range(first[part.drive], first[part.drive] + odd), 2 + part.drive]
            own += [*range(2, 2 + odd), len(told) - 2]
        matrix[np.ix_(at, at)] += told[np.ix_(own, own)]
        pulled[0, at] += told[own, -4]
        pulled[1 + i, at] += told[own, -3]
    moved = np.linalg.solve(matrix, pulled.T).T[:, :2]
    return np.vstack([moved[:1], [0.0, doubt.pole_arcmin], moved[1:]])
