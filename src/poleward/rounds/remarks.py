"""What is remarkable of rounds: knobs that do what was not stated, and rounds that do not fit each other."""

from __future__ import annotations

import math

import numpy as np

from poleward.errors import Note
from poleward.rounds.history import Round
from poleward.rounds.prior import Prior
from poleward.rounds.response import Response
from poleward.rounds.turns import KNOBS
from poleward.sky.axis import Floats
from poleward.solving.knobs import SIDES

CLEAR = 2.5
"""Sigmas from which a knob's other pitch, cross-talk or play is said in words: by chance one in eighty is."""
LEAST_SHARE = 0.25
"""Of the last solve's own variance: what is within about its own sigma is no difference to speak of."""


def covariance_of(each: Round) -> Floats:
    """Return the covariance of a round's own two errors, arcmin^2."""
    azimuth, altitude = each.axis["azimuth_sigma_arcmin"], each.axis["altitude_sigma_arcmin"]
    cross = each.axis["correlation"] * azimuth * altitude
    return np.array([[azimuth**2, cross], [cross, altitude**2]])


def rounds_apart(last: Round, response: Response) -> list[Note]:
    """Say where the last solve and all rounds together lie further apart than both uncertainties allow."""
    alone = np.array([last.axis["azimuth_error_arcmin"], last.axis["altitude_error_arcmin"]])
    own = np.diag(covariance_of(last))
    # What the other rounds add is independent: the two differ by the root of the difference of their variances.
    allowed = np.sqrt(np.maximum(own - np.diag(response.errors_covariance), LEAST_SHARE * own))
    notes = []
    for index, knob in enumerate(KNOBS):
        if abs(alone[index] - response.errors[-1, index]) > CLEAR * allowed[index]:
            text = f"of {knob} the last solve alone says {alone[index]:+.1f} +/- {math.sqrt(own[index]):.1f} arcmin, all rounds "
            text += f"together {response.errors[-1, index]:+.1f}: too far apart. Were the turns noted as they were made? "
            notes.append(Note("rounds-apart", f"{text}If in doubt, measure again before turning"))
    return notes


def knob_notes(response: Response, prior: Prior) -> list[Note]:
    """Say what the knobs do that was not stated."""
    notes = []
    for index, knob in enumerate(KNOBS):
        ahead, back = SIDES[knob]
        own, sigma = float(response.slopes[index, index]), float(response.slopes_sigma[index, index])
        stated = float(prior.slopes[index, index])
        side = (ahead if own > 0 else back).upper()
        if len(response.errors) > 1 and response.unclear[index]:
            text = f"which way the {knob} knob turns is not yet clear: make its next turn a small one"
            notes.append(Note("way-unclear", text))
            continue
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
