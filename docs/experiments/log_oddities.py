"""Drives and logs that differ from the model: is `poleward log` right, or wide, or does it refuse, and does it say so?

    python docs/experiments/log_oddities.py [NIGHTS] [FIRST]

Three sections of 30 min as in `log_nights`, lasting noise of 0.5 arcsec over 30 s, 0.6 of each error sent back, 100 ms of
play; the rate is stated, once right and once not at all. Prints one line per kind.
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from log_nights import SITE, Cell, draw

from poleward import InputError
from poleward.guidelog.fitting.night import solve_log
from poleward.guidelog.reading.section import Section
from poleward.simulate.night import Oddity

STATED = Cell(0.5, 30, 0.6, "right", "none", 100, "3 x 30 min", "none")
MOVES = {"move_every_s": 600.0, "move_arcsec": 3.0, "moves_noted": False}
KINDS = {
    "as the model": ({}, {}),
    "each pulse in the row after": ({"oddity": Oddity(written_after=True)}, {}),
    "moves of 3 arcsec, not noted": (MOVES, {}),
    "dead under 60 ms": ({"oddity": Oddity(dead_ms=60.0)}, {}),
    "north 8 % more, south 8 % less": ({"oddity": Oddity(north_share=0.08)}, {}),
    "each pulse 20 ms short": ({"oddity": Oddity(short_ms=20.0)}, {}),
    "wind in bouts of three times the noise": ({}, {"bout_factor": 3.0}),
    "one pulse in nine of the wrong sign": ({}, {}),
    "pulses of the wrong sign": ({}, {}),
}
ORDINARY = {"no-check", "guide-rate-open", "only-watched", "moves-by-pulses"}


def written(kind: str, sections: Sequence[Section], number: int) -> list[Section]:
    """What a log of this kind makes of a night."""
    if "wrong sign" not in kind:
        return list(sections)
    share = 1 / 9 if kind.startswith("one pulse in nine") else 1.0
    rng = np.random.default_rng(number)
    turned = []
    for each in sections:
        sign = np.where(rng.random(len(each.seconds)) < share, -1.0, 1.0)
        turned.append(replace(each, north_pulse_ms=sign * each.north_pulse_ms))
    return turned


def main(nights: int, first: int) -> None:
    """Print the table."""
    print("| kind | rate | refused | held | rms | largest | median sigma A | e | warned of |")
    print("| --- " * 9 + "|")
    for kind, (guider, scatter) in KINDS.items():
        for cell in (STATED, replace(STATED, rate="not stated")):
            pulls, sigmas, held, refused, said = [], [], [], 0, Counter()
            unsaid = 0.0
            for number in range(first, first + nights):
                drawn = draw(cell, number, guider, scatter)
                try:
                    s = solve_log(
                        written(kind, drawn.sections, number), SITE, pointing_error="0 deg"
                    ).solution
                except InputError:
                    refused += 1
                    continue
                answer = np.array([s.azimuth_error_arcmin, s.altitude_error_arcmin], float)
                sigma = np.array([s.azimuth_sigma_arcmin, s.altitude_sigma_arcmin], float)
                codes = {note.code for note in s.warnings} - ORDINARY
                said.update(codes)
                pull = (answer - drawn.truth) / sigma
                pulls.append(pull)
                sigmas.append(sigma)
                both = np.array([s.azimuth_interval_95_arcmin, s.altitude_interval_95_arcmin])
                held.append((both[:, 0] <= drawn.truth) & (drawn.truth <= both[:, 1]))
                if not codes:
                    unsaid = max(unsaid, float(np.max(np.abs(pull))))
            if not pulls:
                print(f"| {kind} | {cell.rate} | {refused} of {nights} | | | | | | |", flush=True)
                continue
            median = np.median(sigmas, axis=0)
            words = ", ".join(f"{code} ({count})" for code, count in said.most_common()) or "nothing"
            print(
                f"| {kind} | {cell.rate} | {refused} of {nights} | {100 * np.mean(held):.0f} % "
                f"| {np.sqrt(np.mean(np.square(pulls))):.2f} | {np.max(np.abs(pulls)):.1f}, unwarned {unsaid:.1f} "
                f"| {median[0]:.2f}' | {median[1]:.2f}' | {words} |",
                flush=True,
            )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 40, int(sys.argv[2]) if len(sys.argv) > 2 else 0)
