"""Guiders that do not just send back a share of the last error: is `poleward log` right, and does it cry wolf?

    python docs/experiments/log_guiders.py [NIGHTS] [FIRST]

Nights as in `log_oddities`, of guiders of many laws. Every night is solved as it is, and with one pulse in nine written
down with the wrong sign: then the law of all other pulses is what tells it, and not every guider has one.
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import product

import numpy as np
from log_nights import SITE, draw
from log_oddities import ORDINARY, STATED, written

from poleward import InputError
from poleward.guidelog.fitting.night import solve_log

Law = Callable[[Sequence[float]], float]


def skipping(share: float) -> Law:
    """Send nothing in this share of the rows, the same ones each time."""
    rng = np.random.default_rng(5)
    return lambda e: e[-1] if rng.random() > share else 0.0


def of_any_size() -> Law:
    """Send anything from half to twice as much."""
    rng = np.random.default_rng(6)
    return lambda e: e[-1] * rng.uniform(0.5, 2.0)


LAWS: dict[str, Law] = {
    "the last error": lambda e: e[-1],
    "a little of the one before": lambda e: 0.7 * e[-1] + 0.3 * e[-2:][0],
    "much of the one before": lambda e: 0.3 * e[-1] + 0.7 * e[-2:][0],
    "mean of the last five": lambda e: float(np.mean(e[-5:])),
    "median of the last five": lambda e: float(np.median(e[-5:])),
    "and a sixth of the sum of thirty": lambda e: e[-1] + sum(e[-30:]) / 6,
    "one way only": lambda e: max(e[-1], 0.0),
    "one way twice the other": lambda e: e[-1] if e[-1] > 0 else e[-1] / 2,
    "every other row": lambda e: e[-1] if len(e) % 2 else 0.0,
    "one row in ten skipped": skipping(0.1),
    "one row in three skipped": skipping(1 / 3),
    "0.75 arcsec at most": lambda e: float(np.clip(e[-1], -0.75, 0.75)),
    "as the square": lambda e: e[-1] * abs(e[-1]),
    "as the root": lambda e: float(np.sign(e[-1])) * abs(e[-1]) ** 0.5,
    "half to twice as much": of_any_size(),
}


def cells(law: str, kind: str, rate: str, nights: range, said: Counter) -> tuple[str, float]:
    """Return what came of these nights, and the largest pull of those without a warning; count the warnings."""
    pulls, held, unsaid = [], [], 0.0
    for number in nights:
        drawn = draw(replace(STATED, rate=rate), number, {"law": LAWS[law]}, {})
        try:
            s = solve_log(written(kind, drawn.sections, number), SITE, pointing_error="0 deg").solution
        except InputError:
            said["refused"] += 1
            continue
        answer = np.array([s.azimuth_error_arcmin, s.altitude_error_arcmin], float)
        sigma = np.array([s.azimuth_sigma_arcmin, s.altitude_sigma_arcmin], float)
        codes = {note.code for note in s.warnings} - ORDINARY
        said.update(codes)
        pulls.append((answer - drawn.truth) / sigma)
        both = np.array([s.azimuth_interval_95_arcmin, s.altitude_interval_95_arcmin])
        held.append((both[:, 0] <= drawn.truth) & (drawn.truth <= both[:, 1]))
        if not codes:
            unsaid = max(unsaid, float(np.max(np.abs(pulls[-1]))))
    rms = np.sqrt(np.mean(np.square(pulls)))
    return f"{100 * np.mean(held):.0f} % | {rms:.2f} | {np.max(np.abs(pulls)):.1f}", unsaid


def main(nights: int, first: int) -> None:
    """Print the table."""
    print(
        "| law | pulses | rate right: held | rms | largest | not stated: held | rms | largest | unwarned | warned of |"
    )
    print("| --- " * 10 + "|")
    for law, kind in product(LAWS, ("", "one pulse in nine of the wrong sign")):
        said: Counter[str] = Counter()
        right, other = (
            cells(law, kind, rate, range(first, first + nights), said) for rate in ("right", "not stated")
        )
        words = ", ".join(f"{code} ({count})" for code, count in said.most_common()) or "nothing"
        wrong = "one in nine turned" if kind else "as sent"
        print(
            f"| {law} | {wrong} | {right[0]} | {other[0]} | {max(right[1], other[1]):.1f} | {words} |",
            flush=True,
        )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 20, int(sys.argv[2]) if len(sys.argv) > 2 else 0)
