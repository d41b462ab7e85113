"""One bad section must not take the others with it: those that cannot be fitted are left out, with what happened."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from poleward.errors import InputError, show_traceback
from poleward.guidelog.fitting.answer import Fitted, fit_sections
from poleward.guidelog.fitting.choose import Candidate, Chosen
from poleward.guidelog.fitting.doubts import skies
from poleward.guidelog.fitting.parts import share_drives
from poleward.sky.pole import Pole
from poleward.sky.site import Site

UNFITTED = (
    "its rows cannot be fitted: check the columns of time, place and pulses (`poleward layout LOG --proof LAYOUT` shows what "
    "is read)"
)


def fit_chosen(chosen: Chosen, site: Site, pointing_deg: float) -> tuple[Chosen, Fitted | None]:
    """Fit the sections of a group with one axis.

    Where the fit fails, whatever it raises, each section is fitted alone, and those that fail alone are left out; where
    the others still fail together, the shortest of them.

    Parameters
    ----------
    chosen : Chosen
    site : Site
    pointing_deg : float
        Standard uncertainty of hour angles and azimuths.

    Returns
    -------
    Chosen
        With the reason for each section that was left out here.
    Fitted or None
        None where no section is left.
    """
    if chosen.pole is None:
        return chosen, None
    first, where = True, (chosen.pole, site, pointing_deg)
    while used := chosen.used:
        found, error = _tried(used, *where)
        if found is not None:
            return chosen, found
        failing = {}
        if first and len(used) > 1:
            failing = {id(each): why for each in used if (why := _tried([each], *where)[1])}
        if not failing:
            shortest = min(used, key=lambda each: len(each.track.rows))
            failing = {id(shortest): error}
        first = False
        chosen = replace(
            chosen,
            candidates=tuple(
                replace(each, reason=failing[id(each)]) if id(each) in failing else each
                for each in chosen.candidates
            ),
        )
    return chosen, None


def _tried(
    used: Sequence[Candidate], pole: Pole, site: Site, pointing_deg: float
) -> tuple[Fitted | None, str]:
    """Return the fit, or None and why there is none."""
    parts = [each.part for each in used if each.part is not None]
    try:
        sky = skies([each.section for each in used], parts, site, pole, pointing_deg)
        return fit_sections(*share_drives(parts, [each.drive for each in used]), pole, sky), ""
    except InputError as error:
        return None, error.message
    except Exception as error:  # noqa: BLE001 - whatever a section's rows make it raise
        show_traceback(error)
        return None, UNFITTED
