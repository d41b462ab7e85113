"""How long `poleward log` takes, whole processes side by side with a script that only reads and fits a line.

Run ``python tests/bench/bench_log.py [ROUNDS]``. The script imports the same two libraries, reads the needed columns with
numpy.loadtxt and calls numpy.polyfit once; the pairs are run in turn, so that a busy moment hits both, and the median
counts. The limits are those of the project: a night of 36,000 rows at most 2.5 times the script, and one of 144,000 at most
4 times one of 36,000; 1,000,000 rows in 100 files, one night each, at most 12 times the script, and under 400 MB. Memory is the
proportional set size (shared pages counted once) of all processes together, as Linux tells it; elsewhere it is not
measured. Leave pandas out of the environment.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import tempfile
import threading
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from poleward.simulate.night import Guider, Scatter, Stretch, night
from poleward.sky.site import Site

SITE = Site("47.1 deg", "8.4 deg", "560 m")
PLACE = ["--latitude", "47.1deg", "--longitude", "8.4deg", "--elevation", "560m"]
GUIDER = Guider(stated_rate=7.5, true_rate=7.3, backlash_ms=200.0, move_every_s=600.0)
LENGTH_S = 4 * 3600.0
LAYOUT = r"""
[section]
begin = '^begun'
header = '^t,'
[facts]
north_guide_rate = "7.5 arcsec/s"
[facts.found]
start = 'begun (\S+)'
hour_angle = { find = 'west (\S+)', unit = "hourangle" }
dec = { find = 'up (\S+)', unit = "deg" }
[columns]
time = { name = "t", unit = "s" }
north = { name = "n", unit = "arcsec", positive = "north" }
east = { name = "e", unit = "arcsec", positive = "east" }
north_pulse = { name = "pn", unit = "ms", positive = "north" }
east_pulse = { name = "pe", unit = "ms", positive = "east" }
shift = { name = "m", values = ["1"] }
"""
SCRIPT = """
import sys
import astropy.coordinates, lmfit
import numpy
rows = numpy.concatenate([
    numpy.loadtxt(name, delimiter=",", usecols=(0, 1, 3), comments=("b", "t")) for name in sys.argv[1:]
])
print(numpy.polyfit(rows[:, 0], rows[:, 1], 1))
"""


def write_night(path: Path, rows: int, number: int) -> None:
    """Two stretches of guiding of 4 h each, with deliberate moves, on one simulated night."""
    half = rows // 2
    start = datetime(2024, 1, 1, 18, tzinfo=UTC) + timedelta(days=number)
    # More rows come faster: the night stays as long.
    stretches = [
        Stretch(place * LENGTH_S, LENGTH_S, hour, dec, LENGTH_S / half, GUIDER)
        for place, hour, dec in ((0, -4.0, 52.0), (1, 0.5, 62.0))
    ]
    draw = np.random.default_rng(number)
    lines = []
    for section in night(SITE, 6.0, -4.0, stretches, start, Scatter(), draw):
        point = section.pointing
        assert point.hour_angle is not None
        assert section.start is not None
        lines.append(
            f"begun {section.start.isoformat()} west {np.degrees(point.hour_angle) / 15:.6f} "
            f"up {np.degrees(point.dec):.5f}\nt,n,e,pn,pe,m\n"
        )
        columns = zip(
            section.seconds,
            section.north_arcsec,
            section.east_arcsec,
            section.north_pulse_ms,
            section.east_pulse_ms,
            section.moved,
            strict=True,
        )
        lines += [f"{t:.3f},{n:.3f},{e:.3f},{p:.0f},{q:.0f},{m:d}\n" for t, n, e, p, q, m in columns]
    path.write_text("".join(lines), encoding="utf-8")


def seconds(command: list[str], folder: Path) -> float:
    begin = time.perf_counter()
    done = subprocess.run(command, capture_output=True, cwd=folder, check=False)
    spent = time.perf_counter() - begin
    assert done.returncode == 0, done.stderr.decode()
    return spent


def family(root: int) -> list[int]:
    """A process and all that it began."""
    found = [root]
    for number in found:
        try:
            threads = list(Path(f"/proc/{number}/task").iterdir())
            children = [word for task in threads for word in (task / "children").read_text().split()]
        except OSError:
            continue
        found += [int(child) for child in children]
    return found


def memory_mb(command: list[str], folder: Path) -> float:
    """Peak of a command's memory, all its processes together."""
    process = subprocess.Popen(command, cwd=folder, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    peak = 0.0
    over = threading.Event()

    def watch() -> None:
        nonlocal peak
        while not over.wait(0.1):
            total = 0
            for number in family(process.pid):
                try:
                    lines = Path(f"/proc/{number}/smaps_rollup").read_text().splitlines()
                except OSError:
                    continue
                total += sum(int(line.split()[1]) for line in lines if line.startswith("Pss:"))
            peak = max(peak, total / 1024)

    thread = threading.Thread(target=watch)
    thread.start()
    process.wait()
    over.set()
    thread.join()
    return peak


def side_by_side(names: list[str], more: list[str], folder: Path, rounds: int) -> tuple[float, float]:
    """Median seconds of ours and of the script."""
    poleward = str(Path(sys.executable).parent / "poleward")
    ours = [poleward, "log", *names, "--layout", "l.toml", *PLACE, *more]
    theirs = [sys.executable, "script.py", *names]
    times: tuple[list[float], list[float]] = ([], [])
    for _ in range(rounds + 1):
        times[1].append(seconds(theirs, folder))
        times[0].append(seconds(ours, folder))
    return statistics.median(times[0][1:]), statistics.median(times[1][1:])  # the first warms the cache


def main() -> int:
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 5
    failed = False
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "l.toml").write_text(LAYOUT, encoding="utf-8")
        (folder / "script.py").write_text(SCRIPT, encoding="utf-8")
        spent = {}
        print(f"{'what':<34}{'seconds':>9}{'script':>9}{'ratio':>7}{'limit':>7}", flush=True)
        for rows in (9_000, 36_000, 144_000):
            write_night(folder / f"n{rows}.csv", rows, 1)
            mine, base = side_by_side([f"n{rows}.csv"], [], folder, rounds)
            spent[rows] = mine
            limit = 2.5 if rows == 36_000 else float("inf")
            failed |= mine / base > limit
            print(f"{rows:<34,}{mine:>9.2f}{base:>9.2f}{mine / base:>7.2f}{limit:>7.1f}", flush=True)
        # Not by 9,000: fewer rows tell the noise less, so that two to three times as many noises have to be weighed.
        growth = spent[144_000] / spent[36_000]
        print(f"144,000 rows over 36,000: {growth:.1f}, limit 4.0")
        failed |= growth > 4.0
        names = [f"m{number:03d}.csv" for number in range(100)]
        for number, file in enumerate(names):
            write_night(folder / file, 10_000, number)
        for each in ("night", "all"):
            mine, base = side_by_side(names, ["--each", each], folder, 1)
            # One fit over all nights cannot be shared out between processes: shown, but the limit is for nights apart.
            limit = 12.0 if each == "night" else float("inf")
            failed |= mine / base > limit
            what = f"1,000,000 in 100 files, --each {each}"
            print(f"{what:<34}{mine:>9.2f}{base:>9.2f}{mine / base:>7.2f}{limit:>7.1f}", flush=True)
            if Path("/proc/self/smaps_rollup").exists():
                poleward = str(Path(sys.executable).parent / "poleward")
                command = [poleward, "log", *names, "--layout", "l.toml", *PLACE, "--each", each]
                peak = memory_mb(command, folder)
                failed |= peak > 400
                print(f"memory of that, MB: {peak:.0f}, limit 400", flush=True)
    return int(failed)


if __name__ == "__main__":
    sys.exit(main())
