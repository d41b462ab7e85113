"""The timings of one round: stars, the stopwatch, how far each went, and what pays after it."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Generator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

from poleward.door import quantity
from poleward.door.clock import zone_of
from poleward.errors import InputError, PolewardError
from poleward.rounds.history import round_of
from poleward.rounds.next import Offers
from poleward.rounds.prospects import WAY_MIN, Prospect, WaysOn, ways_on
from poleward.rounds.questions import Question, choice, drift_or_frames, measure, moment
from poleward.rounds.situation import Heard, Means, Watch, World
from poleward.rounds.story import Told, told_from
from poleward.solving.asked import solve
from poleward.solving.knobs import Turning
from poleward.solving.solution import Solution
from poleward.timings.drifts import Drifts
from poleward.timings.rows import Drift

SHORTEST_S = 20.0
"""A timing stopped sooner was a slip of the finger: no star drifts an arcsecond in it unless the axis is degrees off."""
TYPED_MIN = 4.0
"""To watch a star of which no plan says how long."""
WAYS_ON = (
    "turn: the knobs, with what is known now. elsewhere: the star that is named next. here: the watch runs on for the same "
    + "star from its first mark, if nobody touched the mount since. end: the rounds are kept, and a later evening goes on."
)
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


@dataclass
class Measuring:
    """The timings of one round, and the last of them, which may still grow longer.

    Attributes
    ----------
    world : World
    means : Means
    offers : Offers
    rows : list of dict
        Of the drift table.
    cells : dict
        Where the last timing points, as columns of the drift table.
    star : str
        Its name.
    start, stop : datetime
        Of it.
    """

    world: World
    means: Means
    offers: Offers
    rows: list[dict[str, str]] = field(default_factory=list)
    cells: dict[str, str] = field(default_factory=dict)
    star: str = ""
    start: datetime = datetime.min
    stop: datetime = datetime.min

    def until_it_pays(self) -> Generator[Question, Heard, Told]:
        """Time stars until turning, or ending, pays; return what all rounds then tell."""
        number = len(self.world.rounds) + 1
        ready = yield Question(
            f"ready {number}",
            "Press Enter when the mount tracks and guiding is off",
            moment,
            "A drift is what the star does by itself: no guiding, no correction in declination while the watch runs.",
            "",
            about=self.world.rounds[-1] if self.world.rounds else None,
        )
        at, word, known = ready.at, "elsewhere", None
        for count in itertools.count(1):
            name, before = f"{number}.{count}", list(self.rows)
            if word == "here":
                at = yield from self._longer(name)
            else:
                at = yield from self._timing(name, at, known)
            word = "elsewhere"
            if self.rows == before:
                continue
            try:
                solution = self._solved(self._drifts())
                known = solution if solution.determined != "both" else None
                if solution.determined != "both":
                    continue
                now = self._ways(solution, at)
            except PolewardError as error:
                self.rows = before
                keep = yield Question(
                    f"refused {name}",
                    f"{error.args[0]}: drop this timing, or leave the round?",
                    choice("drop"),
                    error.hint or "It cannot be used.",
                    "drop",
                )
                at = keep.at
                continue
            words = [each.word for each in now.prospects]
            step = yield Question(
                f"next {name}",
                f"{', '.join(words[:-1]).capitalize()} or {words[-1]}?",
                choice(*words),
                WAYS_ON,
                now.best,
                about=now,
            )
            at, word = step.at, step.value
            if word in ("turn", "end"):
                return now.told
        raise AssertionError

    def _drifts(self, *more: dict[str, str]) -> Drifts:
        rows, zone = [*self.rows, *more], self.means.site.timezone
        return Drifts.from_rows(rows, guide_camera=self.means.camera, timezone=zone, name="timing")

    def _solved(self, drifts: Sequence[Drift]) -> Solution:
        setup, last = self.means.setup, drifts[-1]
        turning = Turning(setup.knobs, last.pointing, setup.guide_camera, last.reversed)
        return solve(drifts, self.means.site, drive_rate=setup.drive_rate, turning=turning)

    def _told(self, solution: Solution, at: datetime) -> Told:
        rounds = [*self.world.rounds, round_of(solution.to_record()["axis"], at)]
        setup = self.means.setup
        return told_from(rounds, setup.knobs, setup.base, self.world.limit_arcmin).watching(solution.moves)

    def _ways(self, solution: Solution, at: datetime) -> WaysOn:
        timings = self._drifts()
        last = timings[-1]
        longer = replace(last, duration_s=2 * last.duration_s)
        coming: list[tuple[Prospect, Drift | None]]
        coming = [(Prospect("elsewhere"), None), (Prospect("here", self.star, last.duration_s / 60), longer)]
        offered = self.offers.at(at + timedelta(minutes=WAY_MIN), len(self.rows))
        if offered is not None:
            begin = at + timedelta(minutes=WAY_MIN)
            row = _row(dict(offered.cells), begin, begin + timedelta(minutes=offered.minutes), {"north": "0"})
            aim = self._drifts(row)[-1]
            # Frames will be as sure of drift and turn as these were.
            other = replace(last, pointing=aim.pointing, duration_s=aim.duration_s)
            coming[0] = (Prospect("elsewhere", offered.name, offered.minutes), other)

        def tell(found: Solution) -> Told:
            return self._told(found, at)

        return ways_on(tell(solution), solution, timings, coming, self.offers.round, self._solved, tell)

    def _timing(
        self, name: str, at: datetime, known: Solution | None
    ) -> Generator[Question, Heard, datetime]:
        """One more star timed, or skipped; return the moment."""
        offered = self.offers.at(at, len(self.rows))
        if offered is None:
            typed = yield from _typed_pointing(name)
            if typed is None:
                return at
            cells, minutes = typed, TYPED_MIN
        else:
            cells, minutes = dict(offered.cells), offered.minutes
        start = yield Question(
            f"start {name}",
            "Press Enter when the star stands on its mark: the watch starts",
            moment,
            "Put the star on a line or a pixel that you can find again. skip: another star, none near or below this one.",
            "",
            True,
            about=offered and replace(offered, known=known),
        )
        if start.value is None:
            if offered is not None:
                self.offers.skip(offered)
            return start.at
        self.start, self.cells = start.value, cells
        self.star = offered.name if offered else "hour angle {hour_angle}, dec {dec}".format(**cells)
        return (yield from self._watched(name, self.start, f"after about {minutes:.0f} minutes"))

    def _longer(self, name: str) -> Generator[Question, Heard, datetime]:
        """Let the last timing run on: the star still drifts away from its first mark."""
        kept = self.rows.pop()
        minutes = round((self.stop - self.start).total_seconds() / 60)
        more = f"{minutes} minute{'s' if minutes != 1 else ''} more or longer"
        at = yield from self._watched(name, self.stop, more)
        if not self.rows or self.rows[-1].get("label") != f"timing {name}":
            self.rows.append(kept)
        return at

    def _watched(self, name: str, since: datetime, until: str) -> Generator[Question, Heard, datetime]:
        """Stop the watch and hear how far the star went from its first mark; return the moment."""
        zone = self.means.site.timezone
        stop = yield Question(
            f"stop {name}",
            f"The watch runs. Press Enter to stop it ({until})",
            _not_sooner_than(since),
            "Longer is surer: of one star twice the time halves the uncertainty.",
            "",
            about=Watch(self.start.astimezone(zone_of(zone) if zone else None), self.star),
        )
        side = "yes"
        if self.means.unit != "arcsec":
            asked = yield Question(
                f"side {name}",
                "Is the tube on the side of the mount where the camera's angle was found?",
                choice("yes", "no"),
                "On many mounts the tube swings to the other side over the meridian, and the camera turns by 180 deg.",
                "yes",
            )
            side = asked.value
        camera = self.means.camera
        heard = yield Question(
            f"drift {name}",
            ASKED[self.means.unit],
            drift_or_frames(self.means.read),
            f"{NORTH} From its first mark to where it stands now. Camera frames taken meanwhile say it too: frames FOLDER."
            + MORE[self.means.unit].format(rows=ROWS[camera.rows if camera else "up"]),
            None,
            True,
            about=camera,
        )
        if heard.value is not None:
            self.stop = stop.value
            turned = {"reversed": "yes"} if side == "no" else {}
            row = _row(self.cells, self.start, self.stop, {**turned, **heard.value})
            self.rows.append({**row, "label": f"timing {name}"})
        return heard.at


def _row(
    cells: dict[str, str], start: datetime, stop: datetime, measured: Mapping[str, str]
) -> dict[str, str]:
    """Return a row of the drift table; frames have times of their own."""
    watched = {"duration": f"{(stop - start).total_seconds():.1f} s"}
    if "hour_angle" not in cells:
        watched["time"] = start.isoformat()
    return {**cells, **watched, **measured}


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
        measure(quantity.DECLINATION, "dec"),
        "From the mount or a chart.",
    )
    return {"hour_angle": hour.value, "dec": dec.value}
