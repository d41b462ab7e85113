"""How long the commands take, whole processes side by side with what they are measured against.

Run ``python tests/bench/bench_cli.py [ROUNDS]``. The pairs are run in turn, so that a busy moment hits both; the
median ratio counts. The limits are those of the project: solve with right ascensions at most 1.25 times the import
of its two libraries, --help at most twice the import of click. Leave pandas out of the environment.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

PAIRS = {
    "solve, ra/dec": ("import astropy.coordinates, lmfit", ["demo"], 1.25),
    "solve, hour angle": ("import astropy.coordinates, lmfit", None, 1.25),
    "--help": ("import click", ["--help"], 2.0),
    "--version": ("import click", ["--version"], 2.0),
}
INLINE = [
    "solve",
    "--latitude",
    "47d",
    "--drift",
    "hour_angle=-0h18m, dec=2d, duration=5min, north=-6.2arcsec",
    "--drift",
    "hour_angle=-4h48m, dec=18d, duration=6min, north=-10.5arcsec",
]


def seconds(command: list[str], folder: str) -> float:
    begin = time.perf_counter()
    subprocess.run(command, check=True, capture_output=True, cwd=folder)
    return time.perf_counter() - begin


def main() -> int:
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 11
    poleward = str(Path(sys.executable).parent / "poleward")
    failed = 0
    print(f"{'what':<20}{'seconds':>9}{'against':>9}{'ratio':>7}{'limit':>7}")
    with tempfile.TemporaryDirectory() as folder:
        for name, (code, arguments, limit) in PAIRS.items():
            ours, theirs = [], []
            for _ in range(rounds + 1):
                theirs.append(seconds([sys.executable, "-c", code], folder))
                ours.append(seconds([poleward, *(arguments or INLINE)], folder))
            mine, base = (
                statistics.median(ours[1:]),
                statistics.median(theirs[1:]),
            )  # the first warms the cache
            failed += mine / base > limit
            print(f"{name:<20}{mine:>9.3f}{base:>9.3f}{mine / base:>7.2f}{limit:>7.2f}")
    return int(failed > 0)


if __name__ == "__main__":
    sys.exit(main())
