"""Write docs/speed.md: what the commands cost beside the least they could, and the minutes that plans take under the sky.

Run ``python tests/bench/bench_all.py`` on a quiet machine; a quarter of an hour. Processor seconds of whole processes
on one processor are counted: they hardly depend on what else the machine does. The pairs are run in turn and the
median counts. Leave pandas out of the environment. The other programs of this folder hold their limits to the clock.
"""

from __future__ import annotations

import math
import os
import platform
import statistics
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from bench_cli import INLINE
from bench_log import LAYOUT, PLACE, SCRIPT, write_night

import poleward
from poleward.simulate.frames import FrameScene, save_frames
from poleward.simulate.picture import View

ROOT = Path(__file__).parent.parent.parent
COMMAND = str(Path(sys.executable).parent / "poleward")
STARS = """
import sys, astropy.coordinates, lmfit, numpy
from astropy.io import fits
from astropy.stats import sigma_clipped_stats
from photutils.detection import DAOStarFinder
for name in sys.argv[1:]:
    image = numpy.asarray(fits.getdata(name), numpy.float32)
    _, median, deviation = sigma_clipped_stats(image)
    DAOStarFinder(fwhm=3.0, threshold=5 * deviation)(image - median)
"""
HEAD = """# Speed and minutes

Written by `python tests/bench/bench_all.py` on {date}: {machine}, Python {python}, poleward {version}.

## What the commands cost

Processor seconds of whole processes on one processor, start included, beside the least that the same work could cost: a script that only imports
the libraries, or only reads the numbers and fits a line through them, or only finds the stars. {rounds}

| what | poleward, s | beside it, s | ratio | the other |
| --- | --- | --- | --- | --- |
"""
SKY = """
## Minutes under the sky

By eye, an arcsecond a reading, until both errors of the axis are known to so many arcmin (one standard uncertainty in the worst
direction). *Bound*: the Cramer-Rao bound for two timings of two readings each at the best places there can be (six hours of hour
angle apart, air known exactly, no time between them): 2 sqrt(2) reading / (0.2625 arcsec a minute x accuracy), derived. *Plan*:
`poleward plan`, stars that exist, refraction known to a tenth, slewing and centring included. *Common choice*: meridian near the
celestial equator, then low in the east or west, with everything else alike.

| latitude | accuracy, arcmin | bound, min | plan, min | common choice, min |
| --- | --- | --- | --- | --- |
"""
EVENING = """
Whole evenings, from 40 to 90 arcmin off to within 2, with knobs that are not what was stated: rounds that learn take 36 minutes in
the median, nulling two stars in turn by hand 50 ([rounds](what-rounds-learn.md#does-it-help); `python docs/experiments/rounds.py`). For
them there is no bound: what the knobs do is not known beforehand.
"""


def cpu_seconds(command: Sequence[str], folder: Path) -> float:
    """Processor seconds of a command and of all that it began."""
    one = min(os.sched_getaffinity(0))
    child = subprocess.Popen(
        command, cwd=folder, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        preexec_fn=lambda: os.sched_setaffinity(0, {one}),  # noqa: PLW1509 - no threads here; a forkserver's workers would not be counted
    )  # fmt: skip
    _, status, usage = os.wait4(child.pid, 0)
    child.returncode = os.waitstatus_to_exitcode(status)
    assert child.returncode == 0, command
    return usage.ru_utime + usage.ru_stime


def line(what: str, ours: Sequence[str], theirs: Sequence[str], other: str, folder: Path, rounds: int) -> str:
    """One line of the table: medians of both, the first round left out where there are more."""
    times = [(cpu_seconds(ours, folder), cpu_seconds(theirs, folder)) for _ in range(rounds + (rounds > 1))]
    mine, base = (statistics.median(column) for column in zip(*times[rounds > 1 :], strict=True))
    row = f"| {what} | {mine:.2f} | {base:.2f} | {mine / base:.2f} | {other} |"
    print(row, flush=True)
    return row


def commands(folder: Path, rounds: int) -> list[str]:
    """Every command of the table."""
    python = sys.executable
    imports = [python, "-c", "import astropy.coordinates, lmfit"]
    (folder / "l.toml").write_text(LAYOUT, encoding="utf-8")
    (folder / "script.py").write_text(SCRIPT, encoding="utf-8")
    (folder / "stars.py").write_text(STARS, encoding="utf-8")
    libraries, click = "imports astropy.coordinates and lmfit", "imports click"
    table = [
        ("`--help`", [COMMAND, "--help"], [python, "-c", "import click"], click, rounds),
        ("`solve`, by hour angle", [COMMAND, *INLINE], imports, libraries, rounds),
        ("`solve`, by right ascension", [COMMAND, "demo"], imports, libraries, rounds),
        ("`plan`, by eye", [COMMAND, "plan", *PLACE, "--at", "2026-11-25T18:00Z"], imports, libraries, 3),
    ]
    write_night(folder / "one.csv", 36_000, 1)
    many = [f"m{number:03d}.csv" for number in range(100)]
    for number, file in enumerate(many):
        write_night(folder / file, 10_000, number)
    reads = "reads three columns and fits a line"
    for what, names, times in (
        ("`log`, one night of 36,000 rows", ["one.csv"], 3),
        ("`log`, 100 nights, 1,000,000 rows", [*many, "--each", "night"], 1),
        ("`log`, the same rows with one axis", many, 1),
    ):
        ours = [COMMAND, "log", *names, "--layout", "l.toml", *PLACE]
        files = [name for name in names if name.endswith(".csv")]
        table.append((what, ours, [python, "script.py", *files], reads, times))
    scene = FrameScene(
        poleward.Site("47 deg", "8 deg", "500 m"),
        *(30, -20, datetime(2024, 3, 10, 20, tzinfo=UTC), -1.0, 20.0),
        stars=270,
        view=View(1280, 960),
    )
    frames = [
        str(path) for path in save_frames(folder, scene, np.arange(0, 160, 4.0), np.random.default_rng(1))
    ]
    camera = '[guide_camera]\nscale = "2 arcsec/pix"\nposition_angle = "0 deg"\nmirrored = false\n'
    (folder / "f.toml").write_text(camera, encoding="utf-8")
    ours = [COMMAND, "frames", *frames, "--setup", "f.toml", "--pointing", "hour_angle=-1h, dec=20d"]
    found = "finds the stars (photutils), follows none"
    table.append(("`frames`, 40 of 1280 x 960", ours, [python, "stars.py", *frames], found, 1))
    rows = [line(what, ours, theirs, other, folder, times) for what, ours, theirs, other, times in table]
    fuzz = [python, str(ROOT / "tests" / "fuzz.py"), "--jobs", "1", "--seed", "1", "--runs"]
    few, more = cpu_seconds([*fuzz, "8"], folder), cpu_seconds([*fuzz, "208"], folder)
    fresh = cpu_seconds([COMMAND, *INLINE], folder)
    rows.append(
        f"| `tests/fuzz.py`, one run | {(more - few) / 200:.3f} | {fresh:.2f} | {(more - few) / 200 / fresh:.2f} | "
        "a process begun anew for each run |"
    )
    return rows


def minutes() -> list[str]:
    """Bound, plan and common choice."""
    rows = []
    for latitude in (60, 47, 20, -35):
        site = poleward.Site(f"{latitude} deg", "8.4 deg", air=poleward.Air("950 hPa", "4 deg_C", 0.7))
        for wanted in (0.5, 1.0, 2.0):
            record = poleward.plan(site, f"{wanted} arcmin", at="2026-11-25T18:00:00Z").to_record()
            common = record["common_choice"]
            beside = f"{common['total_minutes']:.1f}" if common["reaches"] else "never"
            bound = 2 * math.sqrt(2) * 1.0 / (0.2625 * wanted)
            rows.append(
                f"| {latitude:+d} | {wanted} | {bound:.1f} | {record['total_minutes']:.1f} | {beside} |"
            )
            print(rows[-1], flush=True)
    return rows


def main() -> None:
    """Write the page."""
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 7
    machine = f"{len(os.sched_getaffinity(0))} processors ({platform.machine()}, {platform.system()})"
    with tempfile.TemporaryDirectory() as folder:
        costs = commands(Path(folder), rounds)
    head = HEAD.format(
        date=datetime.now(UTC).date(), machine=machine, python=platform.python_version(),
        version=poleward.__version__, rounds="One run of each." if rounds == 1 else f"Medians of {rounds}, fewer for what takes long.",
    )  # fmt: skip
    text = head + "\n".join(costs) + "\n" + SKY + "\n".join(minutes()) + "\n" + EVENING
    (ROOT / "docs" / "speed.md").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
