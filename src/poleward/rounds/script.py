"""The script of an evening: pointings, timings, turns, and round again."""

from __future__ import annotations

import math
from collections.abc import Callable, Generator
from dataclasses import replace
from datetime import datetime
from typing import Any

from poleward.door import quantity
from poleward.errors import InputError, PolewardError
from poleward.rounds.history import round_of
from poleward.rounds.prior import STATED_DOUBT
from poleward.rounds.questions import Question, choice, drift_or_frames, measure, moment
from poleward.rounds.situation import Heard, Means, Watch, World, means_of
from poleward.rounds.story import Told, told_from
from poleward.rounds.turns import KNOBS, Strokes, read_turned
from poleward.solving.asked import solve
from poleward.solving.knobs import Turning
from poleward.solving.solution import Solution
from poleward.timings.drifts import Drifts

SHORTEST_S = 20.0
"""A timing stopped sooner was a slip of the finger: no star drifts an arcsecond in it unless the axis is degrees off."""
ENOUGH = 4.0
"""Turning pays once the offset is so many times its uncertainty: what measuring on would save is then less than what
knobs known to a quarter leave over."""
NORTH = (
    "Which way is north? Push the tube a little toward the NORTH celestial pole (at a southern site: away from the pole "
    + "that your axis points at): stars run SOUTH in the field, whatever the eyepiece does to the picture."
)
ASKED = {
    "arcsec": "How far did the star go (arcsec, as: 4.2 south 1 east)?",
    "pixels": "How far did the star go (pixels, as: x y, last place less first; or 4.2 south)?",
    "divisions": "How far did the star go (divisions, as: 3 south; or x y, y along the scale)?",
}
MORE = {
    "arcsec": "",
    "pixels": " Pixels: x grows to the right, y {rows}. x y is the last place less the first, with their signs.",
    "divisions": " Divisions: y counts along the scale, positive the way that position_angle of [reticle] says; x across it,"
    + " positive to the right of that. x y is the last place less the first.",
}
ROWS = {"up": "upward from the lowest row", "down": "downward from the top row"}

Script = Generator[Question, Heard, Any]


def evening_script(world: World) -> Script:
    """Yield the questions of an evening; see the module."""
    means = yield from means_of(world)
    while True:
        solution, at = yield from _measuring(world, means)
        world.rounds.append(round_of(solution.to_record()["axis"], at))
        told = told_from(world.rounds, means.setup.knobs, means.setup.base, world.limit_arcmin)
        told = told.watching(solution.moves)
        world.rounds[-1] = told.round_advised
        if told.next_turn.stop:
            again = yield Question(
                f"again {len(world.rounds)}",
                "Measure once more, or end here?",
                choice("end", "measure"),
                "end: the rounds are kept, and a later evening goes on from them.",
                "end",
                about=told,
            )
            if again.value == "end":
                return told
            continue
        yield from _turning(world, told)


def _measuring(world: World, means: Means) -> Generator[Question, Heard, tuple[Solution, datetime]]:
    """Time stars until turning pays; return the solution and when it was known."""
    number = len(world.rounds) + 1
    rows: list[dict[str, str]] = []
    skipped = 0
    ready = yield Question(
        f"ready {number}",
        "Press Enter when the mount tracks and guiding is off",
        moment,
        "A drift is what the star does by itself: no guiding, no correction in declination while the watch runs.",
        "",
        about=world.rounds[-1] if world.rounds else None,
    )
    at = ready.at
    while True:
        row, at = yield from _timing(
            world, means, f"{number}.{len(rows) + 1 + skipped}", at, len(rows) + skipped
        )
        if row is None:
            skipped += 1
            continue
        rows.append(row)
        try:
            timings = Drifts.from_rows(
                rows, guide_camera=means.camera, timezone=means.site.timezone, name="timing"
            )
            last = timings[-1]
            turning = Turning(means.setup.knobs, last.pointing, means.setup.guide_camera, last.reversed)
            solution = solve(timings, means.site, drive_rate=means.setup.drive_rate, turning=turning)
        except PolewardError as error:
            keep = yield Question(
                f"refused {number}.{len(rows)}",
                f"{error.args[0]}: drop this timing, or leave the round?",
                choice("drop"),
                error.hint or "It cannot be used.",
                "drop",
            )
            at = keep.at
            rows.pop()
            skipped += 1
            continue
        if solution.determined != "both":
            continue
        go_on, why = what_pays(solution, world.limit_arcmin, len(means.setup.knobs))
        step = yield Question(
            f"next {number}.{len(rows)}",
            f"{why}\nMeasure on, or turn the knobs?",
            choice("measure", "turn"),
            "measure: another star, or the same once more; turn: with what is known now.",
            go_on,
            about=solution,
        )
        at = step.at
        if step.value == "turn":
            return solution, at


def what_pays(solution: Solution, limit_arcmin: float, knobs: int) -> tuple[str, str]:
    """Return ``turn`` or ``measure``, whichever gains more now, and why; `knobs` are those of which something is known."""
    offset, sigma = solution.offset_arcmin or 0.0, solution.offset_sigma_arcmin or math.inf
    if solution.contradictory:
        return "measure", "Measuring on pays: these timings contradict each other."
    if sigma <= max(limit_arcmin, offset / ENOUGH):
        if knobs < len(KNOBS):
            return (
                "turn",
                "Turning pays: the axis is known well enough; the first turns tell what the knobs do.",
            )
        left = rounded(max(sigma, offset * STATED_DOUBT))
        return (
            "turn",
            f"Turning pays: after it about {left} arcmin will be left, by what is known of the knobs.",
        )
    minutes = sum(drift.duration_s for drift in solution.drifts if drift.used) / 60
    return (
        "measure",
        f"Measuring on pays: as long again ({minutes:.0f} minutes) brings it to {rounded(sigma / 2)} arcmin.",
    )


def rounded(arcmin: float) -> str:
    """Return an angle as people say it: ``0.7``, ``13``; never an exponent."""
    return f"{arcmin:.0f}" if arcmin >= 0.95 else f"{arcmin:.1g}"


def _timing(
    world: World, means: Means, name: str, at: datetime, done: int
) -> Generator[Question, Heard, tuple[dict[str, str] | None, datetime]]:
    """One star timed; None if it was skipped."""
    cells: dict[str, str]
    if means.site.longitude_rad is not None:
        choices = world.suggest(means.site, at, done)
        offered = choices[done % len(choices)] if choices else None
    else:
        offered = None
    if offered is None:
        cells = (yield from _typed_pointing(name)) or {}
        minutes = 4.0
        if not cells:
            return None, at
    else:
        cells, minutes = dict(offered.cells), offered.minutes
    start = yield Question(
        f"start {name}",
        "Press Enter when the star stands on its mark: the watch starts",
        moment,
        "Put the star on a line or a pixel that you can find again. skip: another star.",
        "",
        True,
        about=offered,
    )
    if start.value is None:
        return None, at
    stop = yield Question(
        f"stop {name}",
        f"The watch runs. Press Enter to stop it (after about {minutes:.0f} minutes)",
        _not_sooner_than(start.at),
        "Longer is surer: twice the time halves the uncertainty.",
        "",
        about=Watch(
            start.at,
            offered.words.split(",")[0] if offered else "hour angle {hour_angle}, dec {dec}".format(**cells),
        ),
    )
    drift = yield from _drift(means, name)
    if drift.value is None:
        return None, drift.at
    watched = {"duration": f"{(stop.value - start.value).total_seconds():.1f} s"}
    if "hour_angle" not in cells:
        watched["time"] = start.value.isoformat()
    row = {**cells, **watched, **drift.value}  # frames have times of their own
    row["label"] = cells.get("star", f"timing {name}")
    return row, drift.at


def _drift(means: Means, name: str) -> Generator[Question, Heard, Heard]:
    """How far the star went: cells of the drift table, or None if that was skipped."""
    side = "yes"
    if means.unit != "arcsec":
        side = (
            yield Question(
                f"side {name}",
                "Is the tube on the side of the mount where the camera's angle was found?",
                choice("yes", "no"),
                "On many mounts the tube swings to the other side over the meridian, and the camera turns by 180 deg.",
                "yes",
            )
        ).value
    heard = yield Question(
        f"drift {name}",
        ASKED[means.unit],
        drift_or_frames(means.read),
        f"{NORTH} Camera frames taken meanwhile say it too: frames FOLDER."
        + MORE[means.unit].format(rows=ROWS[means.camera.rows if means.camera else "up"]),
        None,
        True,
        about=means.camera,
    )
    if side == "no" and heard.value is not None:
        return Heard({"reversed": "yes", **heard.value}, heard.at)
    return heard


def _not_sooner_than(start: datetime) -> Callable[[str, datetime], datetime]:
    def read(text: str, at: datetime) -> datetime:
        stop = moment(text, at)
        if (stop - start).total_seconds() < SHORTEST_S:
            raise InputError(
                f"only {(stop - start).total_seconds():.0f} s have passed, a timing needs {SHORTEST_S:.0f} s",
                "wait on; undo takes the start back",
            )
        return stop

    return read


def _typed_pointing(name: str) -> Generator[Question, Heard, dict[str, str] | None]:
    """Without a longitude nothing tells where a star stands but the person."""
    hour = yield Question(
        f"hour angle {name}",
        "Hour angle of the star to time (west positive), e.g. -0h20m?",
        measure(quantity.HOUR_ANGLE, "hour_angle"),
        "Hours since it crossed the meridian; with a longitude in the setup the clock tells it.",
        None,
        True,
    )
    if hour.value is None:
        return None
    dec = yield Question(
        f"dec {name}",
        "Its declination, e.g. +12 deg?",
        measure(quantity.ANGLE, "dec"),
        "From the mount or a chart.",
    )
    return {"hour_angle": hour.value, "dec": dec.value}


def _turning(world: World, told: Told) -> Generator[Question, Heard, None]:
    """Have the knobs turned and note what was done."""

    def read(text: str, at: datetime) -> dict[str, Strokes]:
        strokes = read_turned(text, "turned", told.advised)
        unsaid = [knob for knob in KNOBS if knob not in strokes]
        if unsaid:
            raise InputError(
                f"nothing is said of the {unsaid[0]} knob",
                f"if it was not turned: {text.strip(' ,')}, {unsaid[0]}=0",
            )
        return strokes

    whole = len(told.advised) == len(KNOBS)
    enter = "Enter: as advised; or as " if whole else "As "
    turned = yield Question(
        f"turned {len(world.rounds)}",
        f'What did you turn? {enter}"azimuth=0.25 clockwise, altitude=0"',
        read,
        "Turns of the knob and which way, seen looking at its head; several strokes joined by then.",
        "as advised" if whole else None,
        about=told,
    )
    world.rounds[-1] = replace(world.rounds[-1], turned=turned.value)
