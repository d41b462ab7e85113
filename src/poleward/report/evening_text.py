"""What an evening shows before its questions."""

from __future__ import annotations

import math
from datetime import datetime
from typing import Any

from poleward.report.rounds_text import what_to_turn_next, where_it_stands
from poleward.report.style import Signs
from poleward.report.text import verdict
from poleward.rounds.history import Round
from poleward.rounds.situation import Means, Suggestion
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
        return verdict(about, signs)
    if isinstance(about, Round) and about.turned is not None:
        return f"Noted: {turned_text(about.turned)}. Now measure again."
    if isinstance(about, Told):
        return f"{where_it_stands(about, signs)}\n\n{what_to_turn_next(about, signs)}"
    if isinstance(about, GuideCamera):
        return field_picture(about)
    if isinstance(about, datetime):
        return f"Started at {about.astimezone():%H:%M:%S}."
    if isinstance(about, Means):
        return ""
    return ""


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
    return "\n".join("  " + "".join(row).rstrip() for row in grid)
