"""A simple guider and what disturbs it, for simulated logs (`poleward.simulate.night`)."""

from __future__ import annotations

from dataclasses import dataclass

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
    """

    white_arcsec: float = 0.8
    correlated_arcsec: float = 0.5
    time_s: float = 30.0
    glitch_share: float = 0.0
    glitch_arcsec: float = 10.0


@dataclass(frozen=True)
class Guider:
    """A simple guider: a share of the error is sent back as a pulse, unless it is too small.

    Attributes
    ----------
    stated_rate, true_rate : float
        Guide rate, arcsec/s: what the guider thinks and what the mount does.
    backlash_ms : float
        Pulse swallowed on each reversal in declination.
    aggressiveness : float
        Share of the error that is corrected.
    least_arcsec, longest_ms : float
        Smallest error that is corrected; longest pulse.
    move_every_s, move_arcsec : float
        The star is placed anew on purpose at such intervals, by so much (standard deviation); 0 s: never.
    """

    stated_rate: float = 7.5
    true_rate: float = 7.5
    backlash_ms: float = 200.0
    aggressiveness: float = 0.6
    least_arcsec: float = 0.3
    longest_ms: float = 1000.0
    move_every_s: float = 0.0
    move_arcsec: float = 6.0


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
    for i, (path, off) in enumerate(zip(free.tolist(), noise.tolist(), strict=True)):
        if moved[i]:
            shift = rng.normal(scale=guider.move_arcsec)
            placed, target = placed + shift, target + shift
            here = carried
            carried = command - backlash_ms * float(rng.integers(0, 2))
            placed += guider.true_rate * (carried - here) / 1000
        place = path + placed - guider.true_rate * carried / 1000 + off
        error = place - target
        pulse = 0.0
        if abs(error) > guider.least_arcsec:
            pulse = 1000 * guider.aggressiveness * error / guider.stated_rate
            pulse = float(round(min(max(pulse, -guider.longest_ms), guider.longest_ms)))
        places[i], pulses[i] = place, pulse
        command += pulse
        carried = min(max(carried, command - backlash_ms), command)
    return places, pulses
