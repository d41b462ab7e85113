"""Do the claimed sigmas of `poleward log` keep their word? Simulated nights with known truth, pulls and bias.

    python docs/experiments/log_mix.py [NIGHTS] [FIRST] [ra]

Prints one line per night and the tables of docs/noise-model.md. The mix: drift-only and guided, backlash 0 to 600 ms,
guide rate wrong by 5 % either way, deliberate moves every 10 min, seeing 0.5-1.5 arcsec, correlated noise
0.3-1 arcsec over 10-120 s, cadence 1-5 s with irregularities, 1 % glitches, both hemispheres, 1 to 6 sections. Half of
the sections tell their pointing by hour angle, half by right ascension and time; with `ra` all do the latter.
"""

from __future__ import annotations

import math
import sys
import time
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np

from poleward.guidelog.fitting.choose import choose
from poleward.guidelog.fitting.fit import fit
from poleward.guidelog.fitting.night import solve_log
from poleward.guidelog.fitting.parts import share_drives
from poleward.guidelog.reading.section import Section
from poleward.simulate.night import Guider, Scatter, Stretch, night
from poleward.sky.site import Site
from poleward.solving.determine import blind

STELLAR_ARCSEC_PER_S = 15.041067178670


@dataclass(frozen=True)
class Drawn:
    """A night and its truth."""

    kind: str
    site: Site
    azimuth: float
    altitude: float
    sections: tuple[Section, ...]
    scatter: Scatter
    guider: Guider | None


def height_deg(latitude: float, hour: float, dec: float) -> float:
    phi, h, d = (math.radians(v) for v in (latitude, 15 * hour, dec))
    return math.degrees(math.asin(math.sin(phi) * math.sin(d) + math.cos(phi) * math.cos(d) * math.cos(h)))


def pointing(rng: np.random.Generator, latitude: float, side: float, hours: float) -> tuple[float, float]:
    """Hour angle and dec of a star above 25 deg at both ends, on one side of the meridian (0: any)."""
    while True:
        hour = rng.uniform(-4.5, 4.5)
        if side and hour * side < 0.5:
            continue
        dec = math.copysign(rng.uniform(-20, 65), latitude)
        if min(height_deg(latitude, hour, dec), height_deg(latitude, hour + hours, dec)) > 25:
            return hour, dec


def draw(number: int, *, only_ra: bool = False) -> Drawn:
    """Return night `number` of the mix; always the same one."""
    rng = np.random.default_rng([20260, number])
    kind = ("watched", "guided")[number % 2]
    latitude = rng.choice([-1, 1]) * rng.uniform(25, 58)
    site = Site(f"{latitude} deg", f"{rng.uniform(-180, 180)} deg", "400 m")
    count = number // 2 % 6 + 1
    hours = rng.uniform(2.5, 5) if count == 1 else rng.uniform(0.4, 1.5)
    guider = None
    if kind == "guided":
        stated = rng.choice([3.75, 7.5, 11.25])
        guider = Guider(
            stated_rate=stated,
            true_rate=stated * (1 + rng.choice([-0.05, 0.05])),
            backlash_ms=rng.choice([0, 50, 100, 200, 400, 600]),
            share_sent_back=rng.uniform(0.4, 0.9),
            least_arcsec=rng.uniform(0.1, 0.5),
            move_every_s=rng.choice([0, 600]),
        )
    stretches = []
    for i in range(count):
        hour, dec = pointing(rng, latitude, 0 if count == 1 else (-1) ** i, hours)
        stretches.append(
            Stretch(
                begin_s=i * (hours * 3600 + 300),
                duration_s=hours * 3600,
                hour_angle_h=hour,
                dec_deg=dec,
                cadence_s=rng.uniform(1, 5),
                guider=guider,
                by_ra=bool(rng.integers(0, 2)) or only_ra,
            )
        )
    scatter = Scatter(
        white_arcsec=rng.uniform(0.5, 1.5),
        correlated_arcsec=rng.uniform(0.3, 1.0),
        time_s=math.exp(rng.uniform(math.log(10), math.log(120))),
        glitch_share=0.01,
    )
    size, angle = rng.uniform(2, 20), rng.uniform(0, 2 * math.pi)
    azimuth, altitude = size * math.cos(angle) / math.cos(math.radians(latitude)), size * math.sin(angle)
    begin = datetime(2024, 3, 10, 20, tzinfo=UTC)
    sections = night(site, azimuth, altitude, stretches, begin, scatter, rng)
    return Drawn(kind, site, azimuth, altitude, sections, scatter, guider)


@dataclass(frozen=True)
class Outcome:
    """One night's answer beside its truth, in sigmas and as it is."""

    drawn: Drawn
    rows: int
    answer: np.ndarray
    sigma: np.ndarray
    pulls: dict[str, np.ndarray]
    seconds: float
    used: float


def try_night(number: int, only_ra: bool) -> Outcome:
    """Fit one night as `solve_log` does, and once more in a way that will not do."""
    drawn = draw(number, only_ra=only_ra)
    truth = np.array([drawn.azimuth, drawn.altitude])
    before = time.process_time()
    solution = solve_log(drawn.sections, drawn.site).solution
    seconds = time.process_time() - before
    answer = np.array([solution.azimuth_error_arcmin, solution.altitude_error_arcmin], float)
    sigma = np.array([solution.azimuth_sigma_arcmin, solution.altitude_sigma_arcmin], float)
    pulls = {"as built": (answer - truth) / sigma}

    # What the likeliest rate, play and noise would say if they were trusted.
    chosen = choose(drawn.sections, drawn.site, "apparent", STELLAR_ARCSEC_PER_S, allow_low=False)
    used, pole = chosen.used, chosen.pole
    parts, drives = share_drives([each.part for each in used], [each.drive for each in used])
    found = fit(parts, drives, pole, blind(pole))
    mixture = found.mixture(blind(pole), 1e-6)
    best = int(np.argmax(mixture.weight))
    pulls["one point trusted"] = (mixture.mean[best] - truth) / np.sqrt(np.diag(mixture.covariance[best]))
    rows = sum(len(section.seconds) for section in drawn.sections)
    share = sum(int(np.sum(part.kept)) for part in found.parts) / rows
    return Outcome(drawn, rows, answer, sigma, pulls, seconds, share)


def main(nights: int, first: int, only_ra: bool) -> None:
    outcomes = []
    for number in range(first, first + nights):
        done = try_night(number, only_ra)
        outcomes.append(done)
        d = done.drawn
        print(
            f"{number:4d} {d.kind:8s} {len(d.sections)} sections {done.rows:6d} rows  A {d.azimuth:8.3f} "
            f"{done.answer[0]:8.3f} +/- {done.sigma[0]:.3f}  e {d.altitude:8.3f} {done.answer[1]:8.3f} +/- "
            f"{done.sigma[1]:.3f}  pulls {done.pulls['as built'].round(2)}  {done.seconds:.2f} s",
            flush=True,
        )
    print("\n| nights | | A: mean pull | A: sd | e: mean pull | e: sd | beyond 3 | beyond 5 |")
    print("| --- | --- | --- | --- | --- | --- | --- | --- |")
    for how in outcomes[0].pulls:
        for kind in ("watched", "guided", "all"):
            some = np.array([o.pulls[how] for o in outcomes if kind in (o.drawn.kind, "all")])
            if not len(some):
                continue
            mean, spread = some.mean(axis=0), some.std(axis=0)
            far = [f"{100 * np.mean(np.abs(some) > limit):.1f} %" for limit in (3, 5)]
            print(
                f"| {len(some)} {kind} | {how} | {mean[0]:+.2f} | {spread[0]:.2f} | {mean[1]:+.2f} | {spread[1]:.2f} "
                f"| {far[0]} | {far[1]} |"
            )
    print("\n| nights | bias of A | bias of e | median sigma of A | of e | rows used | CPU per 10,000 rows |")
    print("| --- | --- | --- | --- | --- | --- | --- |")
    for kind in ("watched", "guided"):
        some = [o for o in outcomes if o.drawn.kind == kind]
        if not some:
            continue
        truth = np.array([[o.drawn.azimuth, o.drawn.altitude] for o in some])
        answer = np.array([o.answer for o in some])
        sigma = np.array([o.sigma for o in some])
        # Bias as a factor: the weighted slope of answer on truth through zero, less one, with its own sigma.
        weight = truth**2 / sigma**2
        bias = np.sum(weight * (answer / truth - 1), axis=0) / np.sum(weight, axis=0)
        cost = 1e4 * sum(o.seconds for o in some) / sum(o.rows for o in some)
        flat = np.mean((answer - truth) * np.sign(truth), axis=0) / np.mean(np.abs(truth), axis=0)
        print(
            f"| {len(some)} {kind} | {100 * bias[0]:+.2f} % ({100 * flat[0]:+.2f} %) | {100 * bias[1]:+.2f} % "
            f"({100 * flat[1]:+.2f} %) | {np.median(sigma[:, 0]):.3f}' | {np.median(sigma[:, 1]):.3f}' "
            f"| {100 * np.mean([o.used for o in some]):.1f} % | {cost:.2f} s |"
        )


if __name__ == "__main__":
    main(
        int(sys.argv[1]) if len(sys.argv) > 1 else 240,
        int(sys.argv[2]) if len(sys.argv) > 2 else 0,
        "ra" in sys.argv,
    )
