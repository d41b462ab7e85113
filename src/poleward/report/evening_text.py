"""What an evening shows before its questions."""

from __future__ import annotations

import math
from typing import Any

from poleward.report.rounds_text import notes_text, what_to_turn_next, where_it_stands
from poleward.report.style import Signs, decimals_for, paragraph
from poleward.report.text import agreed, verdict
from poleward.report.text import notes_text as solution_notes
from poleward.rounds.advice import percent
from poleward.rounds.history import Round
from poleward.rounds.prospects import MOST_ROUNDS, Prospect, WaysOn
from poleward.rounds.situation import Suggestion, Watch
from poleward.rounds.story import Told
from poleward.rounds.turns import turned_text
from poleward.sky.camera import GuideCamera

WIDE, HIGH = 9, 3
"""Half the width and height of the picture of a field: characters are twice as high as wide."""


def shown(about: Any, signs: Signs) -> str:
    """Return what there is to show of the thing a question is about; empty for nothing."""
    if isinstance(about, Suggestion):
        return _suggestion(about)
    if isinstance(about, WaysOn):
        return _ways(about, signs)
    if isinstance(about, Round) and about.turned is not None:
        return f"Noted: {turned_text(about.turned)}. Now measure again."
    if isinstance(about, Told):
        return _told(about, signs)
    if isinstance(about, GuideCamera):
        return field_picture(about)
    if isinstance(about, Watch):
        return f"Started at {about.start:%H:%M:%S %Z}: {about.star}."
    return ""


def _told(about: Told, signs: Signs, *ways: str) -> str:
    following = "\n".join([what_to_turn_next(about, signs), *ways])
    return "\n\n".join(filter(None, [where_it_stands(about, signs), following, notes_text(about)]))


def _ways(about: WaysOn, signs: Signs) -> str:
    """Where the axis stands, whether anything checks it, what else is to be said of it, and what pays now."""
    solution, told = about.solution, about.told
    # Not "short": it asks whether minutes were written for seconds, and here the watch counted.
    found = [
        verdict(solution, signs),
        paragraph(agreed(solution)),
        solution_notes(solution, "no-check", "short"),
    ]
    stands = "\n".join(filter(None, found)) + "\n\n"
    if solution.contradictory:
        return f"{stands}Measuring on pays: these timings contradict each other."
    ways = [_way(each, about, signs) for each in about.prospects if each.word != "end"]
    if told.next_turn.stop:
        return stands + _told(told, signs, *ways)
    expected = f"Until the axis is within {told.limit_arcmin:g} arcmin, expected from what is known now:"
    if all(each.to_limit_min is None for each in about.prospects):
        expected = paragraph(
            f"How many minutes it takes to {told.limit_arcmin:g} arcmin cannot be told yet: by what is known now, "
            f"{MOST_ROUNDS} rounds such as this one would not end there. What can be done:"
        )
    return stands + "\n".join([expected, *ways])


def _way(each: Prospect, about: WaysOn, signs: Signs) -> str:
    """Return one line: the minutes that a way takes to the limit, and what it brings."""
    takes = f"{each.to_limit_min:>4.0f} min: " if each.to_limit_min is not None else ""
    if each.word == "turn":
        left = about.left_arcmin
        brings = (
            f"about {_rounded(left)} arcmin will be left after this turn, by what is known of the knobs"
            if left is not None
            else "the first turns tell what the knobs do"
        )
    else:
        more = " more" if each.word == "here" else ""
        brings = (
            f"{each.star}, {each.minutes:.0f} min{more}" if each.star else "another star, where you choose"
        )
        if about.told.next_turn.stop and each.within is not None:
            brings += f": {percent(each.within)} sure then"
        elif each.sigma_arcmin is not None:
            brings += f": {signs.plus_minus} {_rounded(each.sigma_arcmin)} arcmin then"
    return paragraph(f"  {each.word:<10} {takes}{brings}", " " * (13 + len(takes)))


def _rounded(arcmin: float) -> str:
    """Return an angle as people say it: ``0.74``, ``1.3``, ``13``; never an exponent."""
    return f"{arcmin:.0f}" if arcmin >= 9.5 else f"{arcmin:.{decimals_for(arcmin)}f}"


def _suggestion(about: Suggestion) -> str:
    place = ", ".join(f"{name.replace('_', ' ')} {text}" for name, text in about.cells.items())
    lines = [
        f"Next: {about.words}.",
        f"  azimuth {about.azimuth_deg:.0f} deg (from north through east), altitude {about.altitude_deg:.0f} deg",
        f"  {place}; about {about.minutes:.0f} minutes",
    ]
    if about.known is not None:
        known = about.known.combination
        sure = f" (to {_rounded(known.sigma_arcmin)} arcmin)" if known else ""
        text = f"One star tells where the axis stands in one direction only{sure}; the next tells the rest."
        lines.insert(0, f"{text}\n")
    return "\n".join(lines)


def field_picture(camera: GuideCamera) -> str:
    """Return the field in characters, with north and east where they are: x grows to the right."""
    upward = -1 if camera.rows == "down" else 1
    grid = [[" "] * (2 * WIDE + 1) for _ in range(2 * HIGH + 1)]
    grid[HIGH][WIDE] = "+"
    for letter, place in (("N", camera.to_pixels(1.0, 0.0)), ("E", camera.to_pixels(0.0, 1.0))):
        size = math.hypot(*place)
        for step in (0.5, 1.0):
            column = WIDE + round(step * WIDE * place[0] / size)
            row = HIGH - upward * round(step * HIGH * place[1] / size)
            grid[row][column] = letter if step == 1.0 else "."
    picture = ["  " + "".join(row).rstrip() for row in grid]
    return "\n".join([*picture, "  (+ the star's first place; the dots lead to N, north, and E, east)"])
