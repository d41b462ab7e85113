"""A rounds file told: where the axis stands, what each turning did, what the knobs really do, what comes next."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import datetime, timedelta
from typing import Any

import numpy as np

from poleward.door.show import Shown
from poleward.errors import InputError, Note
from poleward.rounds.advice import NextTurn, advise, offset
from poleward.rounds.history import Round
from poleward.rounds.prior import prior_of
from poleward.rounds.remarks import covariance_of, knob_notes, rounds_apart
from poleward.rounds.response import Response, Step, learn
from poleward.rounds.turns import KNOBS, Strokes
from poleward.sky.axis import Floats, unit_vector
from poleward.sky.pole import Pole
from poleward.solving.base import Base, cross_talk
from poleward.solving.knobs import SIDES, Knob, Move

LIMIT_ARCMIN = 2.0
"""An axis that far off drifts a star by at most half an arcsecond a minute (outside-checks F: 0.2625 per arcmin)."""
FARTHEST_SHARE = 10.0
"""A star's way is not drawn out further: what a move of next to nothing does has no digits left."""
ANOTHER_EVENING = timedelta(hours=12)
"""After so long the mount may have been set up anew; what its knobs do is still the same."""
OTHER_SITE_DEG = 1.0
"""Rounds whose latitudes differ by more were made elsewhere: the mount has been set up anew."""


@dataclass(frozen=True)
class Told(Shown):
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
    timezone : str
        In which times are shown; empty: UTC.
    """

    rounds: tuple[Round, ...]
    response: Response
    level: float
    limit_arcmin: float
    next_turn: NextTurn
    moves: tuple[Move, ...]
    notes: tuple[Note, ...]
    knobs: Mapping[str, Knob]
    timezone: str = ""

    @property
    def advised(self) -> dict[str, Strokes]:
        """Strokes that are advised; a knob that must turn while nobody knows how much is left out."""
        unknown = [move.knob for move in self.moves if move.turns is None]
        return {knob: strokes for knob, strokes in self.next_turn.strokes.items() if knob not in unknown}

    @property
    def round_advised(self) -> Round:
        """The last round with what is advised; None of it where a knob was left out, so that a note is needed."""
        whole = self.advised if len(self.advised) == len(KNOBS) else None
        return replace(self.rounds[-1], advised=whole)

    def watching(self, moves: Sequence[Move]) -> Told:
        """Return the same with the star that a solution's moves watch: it goes as far as the knob takes the axis.

        Parameters
        ----------
        moves : sequence of Move
            Of the solution.

        Returns
        -------
        Told
        """
        stars = {move.knob: (move.star, move.move_arcmin) for move in moves if move.star and move.move_arcmin}

        def with_star(move: Move) -> Move:
            star, by = stars.get(move.knob, (None, 1.0))
            share = move.move_arcmin / by
            if star is None or abs(share) > FARTHEST_SHARE:
                return move
            x, y = (None if each is None else share * each for each in (star.x_pix, star.y_pix))
            north, east = share * star.north_arcsec, share * star.east_arcsec
            return replace(move, star=replace(star, north_arcsec=north, east_arcsec=east, x_pix=x, y_pix=y))

        return replace(self, moves=tuple(map(with_star, self.moves)))

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
    pole = _pole_of(rounds[-1].axis)
    known = [knobs.get(name) for name in KNOBS]
    prior = prior_of(
        [None if knob is None else knob.clockwise_arcmin for knob in known],
        [None if knob is None else knob.per_turn_sigma_arcmin for knob in known],
        [None if knob is None else knob.play_turns for knob in known],
        cross_talk(pole.direction, base or Base(), pole.hemisphere),
        base is not None,
        pole.level,
    )
    errors = np.array(
        [[each.axis["azimuth_error_arcmin"], each.axis["altitude_error_arcmin"]] for each in rounds]
    )
    response = learn(prior, errors, np.array([covariance_of(each) for each in rounds]), _steps(rounds))
    advice = advise(response, pole.level, limit_arcmin)
    return Told(
        tuple(rounds),
        response,
        pole.level,
        limit_arcmin,
        advice,
        () if rounds[-1].was_turned else _moves(advice),
        (*rounds_apart(rounds[-1], response), *knob_notes(response, prior)),
        dict(knobs),
    )


def _pole_of(axis: Mapping[str, Any]) -> Pole:
    """The pole that a round's axis is given against."""
    hemisphere = -1.0 if (axis.get("latitude_deg") or 1.0) < 0 else 1.0
    azimuth = 0.0 if hemisphere > 0 else math.pi
    direction = unit_vector(azimuth, math.radians(axis["pole_altitude_deg"]))
    return Pole(direction, axis["reference"].removesuffix(" pole"), hemisphere)


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


def _steps(rounds: Sequence[Round]) -> list[Step]:
    """What was turned after each round but the last; where nobody noted it, the advised turns."""
    steps = []
    for each, after in itertools.pairwise(rounds):
        turned = each.turned if each.turned is not None else each.advised
        strokes = [turned[knob] if turned else () for knob in KNOBS]
        gap = datetime.fromisoformat(after.at) - datetime.fromisoformat(each.at)
        lost = turned is None or gap > ANOTHER_EVENING
        steps.append(Step((strokes[0], strokes[1]), each.turned is not None, lost))
    return steps


def _moves(advice: NextTurn) -> tuple[Move, ...]:
    moves = []
    for knob in KNOBS:
        aim, strokes = advice.aims_arcmin[knob], advice.strokes[knob]
        if not aim:
            continue
        toward = SIDES[knob][0 if aim > 0 else 1]
        if not strokes:
            moves.append(Move(knob, aim, toward))
            continue
        net = sum(strokes)
        moves.append(Move(knob, aim, toward, abs(net), "clockwise" if net > 0 else "counter-clockwise"))
    return tuple(moves)
