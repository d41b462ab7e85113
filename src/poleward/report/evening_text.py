"""What an evening shows before its questions."""

from __future__ import annotations

import math
from typing import Any

from poleward.report.rounds_text import notes_text, what_to_turn_next, where_it_stands
from poleward.report.style import Signs, paragraph
from poleward.report.text import agreed, verdict
from poleward.report.text import notes_text as solution_notes
from poleward.rounds.history import Round
from poleward.rounds.situation import Suggestion, Watch
from poleward.rounds.story import Told
from poleward.rounds.turns import turned_text
from poleward.sky.camera import GuideCamera
from poleward.solving.solution import Solution

WIDE, HIGH = 9, 3
"""Half the width and height of the picture of a field: characters are twice as high as wide."""


def shown(about: Any, signs: Signs) -> str:
    """Return what there is to show of the thing a question is about; empty for nothing."""
    if isinstance(about, Suggestion):
        return _suggestion(about)
    if isinstance(about, Solution):
        return _solution(about, signs)
    if isinstance(about, Round) and about.turned is not None:
        return f"Noted: {turned_text(about.turned)}. Now measure again."
    if isinstance(about, Told):
        blocks = [where_it_stands(about, signs), what_to_turn_next(about, signs), notes_text(about)]
        return "\n\n".join(filter(None, blocks))
    if isinstance(about, GuideCamera):
        return field_picture(about)
    if isinstance(about, Watch):
        return f"Started at {about.start.astimezone():%H:%M:%S}: {about.star}."
    return ""


def _solution(about: Solution, signs: Signs) -> str:
    """Where the axis stands, whether anything checks it, and what else is to be said of it."""
    parts = [
        verdict(about, signs),
        paragraph(agreed(about)),
        solution_notes(about, "no-check"),
    ]
    return "\n".join(filter(None, parts))


def _suggestion(about: Suggestion) -> str:
    place = ", ".join(f"{name.replace('_', ' ')} {text}" for name, text in about.cells.items())
    lines = [
        f"Next: {about.words}.",
        f"  azimuth {about.azimuth_deg:.0f} deg (from north through east), altitude {about.altitude_deg:.0f} deg",
        f"  {place}; about {about.minutes:.0f} minutes",
    ]
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
