"""A simple guider and what disturbs it, for simulated logs (`poleward.simulate.night`)."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from operator import itemgetter

import numpy as np

from poleward.guidelog.reading.section import Bools
from poleward.sky.axis import Floats


@dataclass(frozen=True)
class Scatter:
    """What disturbs the star's place.

    Attributes
    ----------
    white_arcsec : float
        New in every row.
    correlated_arcsec, time_s : float
        Lasts for a while: standard deviation and the time after which the correlation is 1/e.
    glitch_share, glitch_arcsec : float
        Share of rows that are plainly wrong, and the standard deviation of by how much.
    bout_factor : float
        Wind in bouts: for two of every ten minutes all noise is so many times as large.
    """

    white_arcsec: float = 0.8
    correlated_arcsec: float = 0.5
    time_s: float = 30.0
    glitch_share: float = 0.0
    glitch_arcsec: float = 10.0
    bout_factor: float = 1.0


@dataclass(frozen=True)
class Oddity:
    """How a drive, or what a log says of it, may differ from what its pulses say.

    Attributes
    ----------
    dead_ms : float
        Shorter pulses do not move it.
    north_share : float
        North pulses go further by this share, south pulses less far.
    written_after : bool
        A pulse stands in the row after the one it answers to.
    short_ms : float
        By so much every pulse falls short.
    """

    dead_ms: float = 0.0
    north_share: float = 0.0
    written_after: bool = False
    short_ms: float = 0.0

    def moved(self, pulse: float) -> float:
        """Return the pulse, ms, that the telescope answers to."""
        if abs(pulse) < self.dead_ms:
            return 0.0
        pulse *= 1 + math.copysign(self.north_share, pulse)
        return math.copysign(max(abs(pulse) - self.short_ms, 0.0), pulse)


@dataclass(frozen=True)
class Guider:
    """A simple guider: a share of the error is sent back as a pulse, unless it is too small.

    Attributes
    ----------
    stated_rate, true_rate : float
        Guide rate, arcsec/s: what the guider thinks and what the mount does.
    backlash_ms : float
        Pulse swallowed on each reversal in declination.
    share_sent_back : float
        Of the error, by each pulse.
    least_arcsec, longest_ms : float
        Smallest error that is corrected; longest pulse.
    move_every_s, move_arcsec : float
        The star is placed anew on purpose at such intervals, by so much (standard deviation); 0 s: never.
    moves_by_pulses : bool
        The guider goes to the star's new place by pulses that the log holds; else nobody logs how it was moved.
    moves_noted : bool
        The log says so.
    answers_glitches : bool
        Else it knows a glitch when it sees one and waits for the next row.
    law : callable
        What it takes for the error to send back, from all errors so far, arcsec: the last.
    oddity : Oddity
    """

    stated_rate: float = 7.5
    true_rate: float = 7.5
    backlash_ms: float = 200.0
    share_sent_back: float = 0.6
    least_arcsec: float = 0.3
    longest_ms: float = 1000.0
    move_every_s: float = 0.0
    move_arcsec: float = 6.0
    moves_by_pulses: bool = False
    moves_noted: bool = True
    answers_glitches: bool = True
    law: Callable[[Sequence[float]], float] = itemgetter(-1)
    oddity: Oddity = Oddity()


def lasting_noise(seconds: Floats, scatter: Scatter, rng: np.random.Generator) -> Floats:
    """Return the correlated part of the noise (an Ornstein-Uhlenbeck process sampled exactly)."""
    kept = np.exp(-np.diff(seconds) / scatter.time_s)
    fresh = np.sqrt(1 - kept**2)
    news = rng.normal(size=len(seconds))
    state, states = news[0], [news[0]]
    for k, f, new in zip(kept, fresh, news[1:], strict=True):
        state = k * state + f * new
        states.append(state)
    return scatter.correlated_arcsec * np.array(states)


def guided(
    free: Floats,
    noise: Floats,
    glitch: Floats,
    moved: Bools,
    guider: Guider,
    backlash_ms: float,
    rng: np.random.Generator,
) -> tuple[Floats, Floats]:
    """Follow the guider row by row: (places arcsec, pulses ms).

    After a deliberate move the gears rest on either side: nobody logged how the move was made.
    """
    command, carried = 0.0, -rng.uniform() * backlash_ms  # of the motor, and of the telescope behind the play
    placed = rng.normal(scale=2.0) - free[0]  # where the star is put, besides tracking and pulses
    target = free[0] + placed
    places, pulses = np.empty(len(free)), np.empty(len(free))
    errors: list[float] = []
    for i, (path, off) in enumerate(zip(free.tolist(), noise.tolist(), strict=True)):
        if moved[i]:
            shift = rng.normal(scale=guider.move_arcsec)
            target += shift
            if not guider.moves_by_pulses:
                placed += shift
                here = carried
                carried = command - backlash_ms * float(rng.integers(0, 2))
                placed += guider.true_rate * (carried - here) / 1000
        place = path + placed - guider.true_rate * carried / 1000 + off
        error = place - target
        places[i] = place + float(glitch[i])
        if guider.answers_glitches:
            error += float(glitch[i])
        errors.append(error)
        pulse = 0.0
        if abs(error) > guider.least_arcsec and (guider.answers_glitches or glitch[i] == 0):
            pulse = 1000 * guider.share_sent_back * guider.law(errors) / guider.stated_rate
            pulse = float(round(min(max(pulse, -guider.longest_ms), guider.longest_ms)))
        pulses[i] = pulse
        command += guider.oddity.moved(pulse)
        carried = min(max(carried, command - backlash_ms), command)
    if guider.oddity.written_after:
        pulses = np.concatenate([[0.0], pulses[:-1]])
    return places, pulses
