"""A rounds file told: where the axis stands, what each turning did, what the knobs really do, what comes next."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime, timedelta
from typing import Any

import numpy as np

from poleward.errors import InputError, Note
from poleward.rounds.advice import NextTurn, advise, offset
from poleward.rounds.history import Round
from poleward.rounds.prior import Prior, prior_of
from poleward.rounds.response import Response, Step, learn
from poleward.rounds.turns import KNOBS
from poleward.sky.axis import Floats, unit_vector
from poleward.solving.base import Base, cross_talk
from poleward.solving.knobs import SIDES, Knob, Move

LIMIT_ARCMIN = 2.0
"""An axis that far off drifts a star by at most half an arcsecond a minute (outside-checks F: 0.2625 per arcmin)."""
CLEAR = 2.5
"""Sigmas from which a knob's other pitch, cross-talk or play is said in words: by chance one in eighty is."""
SURE = 0.95
"""Weight from which the way a knob turns counts as known."""
ANOTHER_EVENING = timedelta(hours=12)
"""After so long the mount may have been set up anew; what its knobs do is still the same."""
OTHER_SITE_DEG = 1.0
"""Rounds whose latitudes differ by more were made elsewhere: the mount has been set up anew."""


@dataclass(frozen=True)
class Told:
    """What a rounds file tells.

    Attributes
    ----------
    rounds : tuple of Round
    response : Response
        With the axis in each round as all of them tell.
    level : float
        Cosine of the pole's altitude.
    limit_arcmin : float
    next_turn : NextTurn
        What to turn next.
    moves : tuple of Move
        Of the next turn: what each error must change by, and the net turns of the knob; none once turns were noted.
    notes : tuple of Note
        What the knobs do that was not stated.
    knobs : mapping of Knob
        As stated.
    """

    rounds: tuple[Round, ...]
    response: Response
    level: float
    limit_arcmin: float
    next_turn: NextTurn
    moves: tuple[Move, ...]
    notes: tuple[Note, ...]
    knobs: Mapping[str, Knob]

    @property
    def moved(self) -> Floats:
        """Change of (azimuth, altitude) error after each round but the last, arcmin, shape (N - 1, 2)."""
        return np.diff(self.response.errors, axis=0)

    @property
    def offsets(self) -> list[float]:
        """Angle between axis and pole in each round, arcmin."""
        return [offset(errors, self.level) for errors in self.response.errors]

    def to_record(self) -> dict[str, Any]:
        """Return the record: plain numbers with their units in the names, clockwise positive, ready for JSON."""
        found = self.response
        response: dict[str, Any] = {}
        for (row, of), (column, by) in itertools.product(enumerate(KNOBS), enumerate(KNOBS)):
            name = f"{of}_by_{by}_knob_arcmin_per_turn"
            response[name] = float(found.slopes[row, column])
            response[f"{name}_sigma"] = float(found.slopes_sigma[row, column])
        response["play_turns"] = dict(zip(KNOBS, map(float, found.play), strict=True))
        response["play_turns_sigma"] = dict(zip(KNOBS, map(float, found.play_sigma), strict=True))
        moved = [dict(zip(KNOBS, map(float, each), strict=True)) for each in self.moved]
        sigma = np.sqrt(np.diag(found.errors_covariance))
        return {
            "record": "rounds",
            "version": 1,
            "rounds": [
                {
                    "at": each.at,
                    "axis": dict(each.axis),
                    "advised": each.advised and {k: list(v) for k, v in each.advised.items()},
                    "turned": each.turned and {k: list(v) for k, v in each.turned.items()},
                    "moved_arcmin": went,
                }
                for each, went in zip(self.rounds, [*moved, None], strict=True)
            ],
            "response": response,
            "now": {
                "azimuth_error_arcmin": float(found.errors[-1, 0]),
                "azimuth_sigma_arcmin": float(sigma[0]),
                "altitude_error_arcmin": float(found.errors[-1, 1]),
                "altitude_sigma_arcmin": float(sigma[1]),
                "offset_arcmin": self.offsets[-1],
                "limit_arcmin": self.limit_arcmin,
            },
            "moves": [
                {**asdict(move), "strokes_turns": list(self.next_turn.strokes[move.knob])}
                for move in self.moves
            ],
            "stop": self.next_turn.stop,
            "reason": self.next_turn.reason,
            "warnings": [{"code": note.code, "text": note.text} for note in self.notes],
        }


def told_from(
    rounds: Sequence[Round],
    knobs: Mapping[str, Knob],
    base: Base | None = None,
    limit_arcmin: float = LIMIT_ARCMIN,
) -> Told:
    """Learn what the knobs do from the rounds, and say what to turn next.

    Parameters
    ----------
    rounds : sequence of Round
        In their order.
    knobs : mapping of Knob
        As stated; either or both may be missing.
    base : Base or None
        As stated; None: nobody looked whether it is level.
    limit_arcmin : float
        Offset on the sky that is good enough.

    Raises
    ------
    InputError
        No round, or rounds of different poles or sites.
    """
    _one_set_up(rounds)
    pole_altitude = math.radians(rounds[-1].axis["pole_altitude_deg"])
    hemisphere = -1.0 if (rounds[-1].axis.get("latitude_deg") or 1.0) < 0 else 1.0
    pole = unit_vector(0.0 if hemisphere > 0 else math.pi, pole_altitude)
    level = math.cos(pole_altitude)
    known = [knobs.get(name) for name in KNOBS]
    prior = prior_of(
        [None if knob is None else knob.clockwise_arcmin for knob in known],
        [None if knob is None else knob.per_turn_sigma_arcmin for knob in known],
        [None if knob is None else knob.play_turns for knob in known],
        cross_talk(pole, base or Base(), hemisphere),
        base is not None,
        level,
    )
    errors = np.array(
        [[each.axis["azimuth_error_arcmin"], each.axis["altitude_error_arcmin"]] for each in rounds]
    )
    response = learn(prior, errors, np.array([_covariance(each) for each in rounds]), _steps(rounds))
    advice = advise(response, level, limit_arcmin)
    turnable = {name for name, knob in zip(KNOBS, known, strict=True) if knob or len(rounds) > 1}
    return Told(
        tuple(rounds),
        response,
        level,
        limit_arcmin,
        advice,
        () if rounds[-1].was_turned else _moves(advice, turnable),
        tuple(_notes(response, prior)),
        dict(knobs),
    )


def _one_set_up(rounds: Sequence[Round]) -> None:
    if not rounds:
        raise InputError("there is no round yet", "poleward solve drifts.csv --append FILE adds one")
    if len({each.axis["reference"] for each in rounds}) > 1:
        raise InputError(
            "the rounds refer to different poles", "give --pole alike, or begin another rounds file"
        )
    latitudes = [each.axis["latitude_deg"] for each in rounds if each.axis.get("latitude_deg") is not None]
    if latitudes and max(latitudes) - min(latitudes) > OTHER_SITE_DEG:
        raise InputError("the rounds were made at different sites", "begin another rounds file")


def _covariance(each: Round) -> Floats:
    azimuth, altitude = each.axis["azimuth_sigma_arcmin"], each.axis["altitude_sigma_arcmin"]
    cross = each.axis["correlation"] * azimuth * altitude
    return np.array([[azimuth**2, cross], [cross, altitude**2]])


def _steps(rounds: Sequence[Round]) -> list[Step]:
    """What was turned after each round but the last; where nobody noted it, the advised turns."""
    steps = []
    for each, after in itertools.pairwise(rounds):
        turned = each.turned if each.turned is not None else each.advised
        strokes = [turned[knob] if turned else () for knob in KNOBS]
        gap = datetime.fromisoformat(after.at) - datetime.fromisoformat(each.at)
        steps.append(Step((strokes[0], strokes[1]), each.turned is not None, gap > ANOTHER_EVENING))
    return steps


def _moves(advice: NextTurn, turnable: set[str]) -> tuple[Move, ...]:
    moves = []
    for knob in KNOBS:
        aim, strokes = advice.aims_arcmin[knob], advice.strokes[knob]
        if not strokes:
            continue
        toward = SIDES[knob][0 if aim > 0 else 1]
        if knob not in turnable:
            moves.append(Move(knob, aim, toward))
            continue
        net = sum(strokes)
        moves.append(Move(knob, aim, toward, abs(net), "clockwise" if net > 0 else "counter-clockwise"))
    return tuple(moves)


def _notes(response: Response, prior: Prior) -> list[Note]:
    """Say what the knobs do that was not stated."""
    notes = []
    if len(response.errors) > 1 and response.certainty < SURE:
        notes.append(
            Note("way-unclear", "which way the knobs turn is not yet clear: make the next turn a small one")
        )
    for index, knob in enumerate(KNOBS):
        ahead, back = SIDES[knob]
        own, sigma = float(response.slopes[index, index]), float(response.slopes_sigma[index, index])
        stated = float(prior.slopes[index, index])
        side = (ahead if own > 0 else back).upper()
        if stated and own * stated < 0:
            said = (ahead if stated > 0 else back).upper()
            notes.append(
                Note("other-way", f"the {knob} knob turns the other way: clockwise goes {side}, not {said}")
            )
        elif stated and abs(own - stated) > CLEAR * sigma:
            text = f"a turn of the {knob} knob makes {abs(own):.0f} arcmin, not {abs(stated):.0f}"
            notes.append(Note("other-pitch", text))
        other = 1 - index
        mixed, doubt = float(response.slopes[other, index]), float(response.slopes_sigma[other, index])
        if abs(mixed) > CLEAR * doubt:
            way = SIDES[KNOBS[other]][0 if mixed > 0 else 1].upper()
            text = f"a clockwise turn of the {knob} knob also takes the axis {abs(mixed):.1f} arcmin {way}"
            notes.append(Note("cross-talk", f"{text}: the base is not level"))
        play, unsure = float(response.play[index]), float(response.play_sigma[index])
        if play > CLEAR * unsure:
            notes.append(
                Note("play", f"the {knob} knob has {play:.2f} turn of play: end each move as advised")
            )
    for step in response.unexplained:
        text = f"after round {step + 1} the axis is not where the turns take it: a slip in the note, a kick, or a bolt"
        notes.append(Note("unexplained", f"{text} that stuck; that step teaches nothing"))
    return notes
