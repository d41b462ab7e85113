"""Nothing waits for a network, tonight's date works with an old table, a date past its end gives one line."""

from __future__ import annotations

import json
import subprocess
import sys
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from conftest import run_here

from poleward.door import rotation
from poleward.sky import earth

NO_NETWORK = """
import socket
def refuse(*_, **__):
    raise RuntimeError("the network was asked")
socket.socket.connect = socket.create_connection = socket.getaddrinfo = refuse
from poleward.cli import run
run({arguments!r})
"""


def star(time: str) -> tuple[str, ...]:
    drifts = []
    for minutes, ra in ((0, "10h"), (10, "06h"), (20, "03h30m")):
        stamp = (datetime.fromisoformat(time) + timedelta(minutes=minutes)).isoformat()
        drifts += ["--drift", f"time={stamp}, ra={ra}, dec=60d, duration=5min, north=-4arcsec"]
    return ("solve", "--latitude", "47d", "--longitude", "8.4d", *drifts)


def test_the_guard_of_these_tests_catches() -> None:
    """tests/conftest.py lets no test reach a network, whatever today's date makes astropy wish for."""
    import socket

    with socket.socket() as plug:
        for ask in (
            lambda: socket.create_connection(("192.0.2.1", 80)),
            lambda: socket.getaddrinfo("localhost", 80),
            lambda: plug.connect(("192.0.2.1", 80)),
        ):
            with pytest.raises(pytest.fail.Exception, match="the network was asked"):
                ask()


@pytest.mark.usefixtures("workdir")
def test_no_network_is_asked_tonight() -> None:
    arguments = list(star("2026-11-25T22:00:00+00:00"))
    code = NO_NETWORK.format(arguments=arguments)
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", code], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""


@pytest.mark.usefixtures("workdir")
@pytest.mark.parametrize(
    ("time", "code"),
    [
        ("2026-11-25T22:00:00+00:00", None),
        ("2045-11-25T22:00:00+00:00", "earth-rotation"),
        ("1965-11-25T22:00:00+00:00", "earth-rotation"),
    ],
)
def test_a_date_past_the_tables_gives_one_line(time: str, code: str | None) -> None:
    ran = run_here(*star(time), "--json")
    assert ran.status == 0, ran.err
    assert ran.err == ""
    codes = [note["code"] for note in json.loads(ran.out)["warnings"]]
    assert codes.count("earth-rotation") == (code is not None)


@pytest.mark.usefixtures("workdir")
def test_what_a_table_past_its_end_costs() -> None:
    """UT1 off by 0.9 s, or a leap second not known: what the notes claim per degree of axis error, here one of 3 deg."""

    def axis(late_s: float) -> tuple[float, float]:
        first = datetime(2026, 11, 25, 20, tzinfo=UTC) + timedelta(seconds=late_s)
        drifts = []
        for minutes, ra, north in ((0, "10h", -100), (10, "06h", 150), (20, "03h30m", 220)):
            at = (first + timedelta(minutes=minutes)).isoformat()
            drifts += [
                "--drift",
                f"time={at}, ra={ra}, dec=60d, duration=5min, north={north}arcsec, north_sigma=1arcsec",
            ]
        ran = run_here(
            "solve", "--latitude", "47d", "--longitude", "8.4d", "--pressure", "0hPa", *drifts, "--json"
        )
        found = json.loads(ran.out)["axis"]
        return found["azimuth_error_arcmin"] * np.cos(np.radians(47)), found["altitude_error_arcmin"]

    on_time = np.array(axis(0))
    degrees = np.hypot(*on_time) / 60
    assert degrees > 2
    for late_s, claimed in ((0.9, 0.004), (-0.9, 0.004), (1.0, 0.005)):
        moved = np.hypot(*(np.array(axis(late_s)) - on_time))
        assert 0.8 * 0.004 < moved / degrees < claimed


def test_the_bundled_table_is_astropys_own() -> None:
    """UT1-UTC and polar motion for predicted and measured dates and a leap second, against astropy's reader.

    1e-7 s and 1e-6 arcsec: the last digits of the file's Bulletin A columns; for past dates astropy prefers
    Bulletin B where there is one, which differs by up to 0.1 ms and 0.5 mas.
    """
    from astropy.time import Time
    from astropy.utils import iers
    from astropy_iers_data import IERS_A_FILE

    full = iers.IERS_A.open(IERS_A_FILE)
    for when, tolerance in (
        (datetime(2026, 12, 3, 7, tzinfo=UTC), (1e-7, 1e-6)),
        (datetime(2020, 5, 5, tzinfo=UTC), (1e-4, 5e-4)),
        (datetime(2016, 12, 31, 23, 50, tzinfo=UTC), (1e-4, 5e-4)),
        (datetime(2017, 1, 1, 0, 10, tzinfo=UTC), (1e-4, 5e-4)),
    ):
        ours = [float(value) for value in rotation.rotation_table().at(np.float64(rotation.mjd_of(when)))]
        theirs = (
            full.ut1_utc(Time(when)).to_value("s"),
            *(v.to_value("arcsec") for v in full.pm_xy(Time(when))),
        )
        assert abs(ours[0] - theirs[0]) < tolerance[0]
        assert np.allclose(ours[1:], theirs[1:], atol=tolerance[1])


def test_leap_seconds_are_mentioned_when_they_run_out() -> None:
    end = rotation.rotation_table().mjd[-1]
    last = earth._leap_seconds_expire()
    if last >= end:
        pytest.skip("this data package's leap seconds outlast its Earth rotation")
    when = datetime.fromtimestamp((last + 5 - 40587) * 86400, UTC)
    assert [note.code for note in earth.rotation_notes(when, when)] == ["leap-seconds"]


CALLERS_ASTROPY = """
import sys, threading, warnings
from datetime import UTC, datetime, timedelta
from astropy import units as u
from astropy.utils import iers
import poleward

site = poleward.Site(47.1, 8.4)

def night(year):
    start = datetime(year, 2, 3, 20, tzinfo=UTC)
    stars = zip((0, 10, 20), ("10h", "06h", "03h30m"), (-4.0, 3.0, -1.0))
    rows = [
        {"time": start + timedelta(minutes=m), "ra": ra, "dec": "60d", "duration": "5min", "north": n}
        for m, ra, n in stars
    ]
    solution = poleward.solve(poleward.Drifts.from_rows(rows), site)
    return solution.azimuth_error_arcmin, solution.altitude_error_arcmin

class Ours(iers.IERS):
    pass

table = Ours({"MJD": [1.0, 2.0] * u.d, "UT1_UTC": [0.1, 0.2] * u.s})
iers.earth_orientation_table.set(table)
iers.conf.auto_max_age = 77.0
warnings.filterwarnings("error", message="the caller's own")
seen = {"table": set(), "settings": set(), "filters": set()}
over = threading.Event()

def watch():
    while not over.is_set():
        seen["table"].add(id(iers.earth_orientation_table.get()))
        seen["settings"].add((iers.conf.auto_download, iers.conf.auto_max_age, iers.conf.iers_degraded_accuracy))
        seen["filters"].add(str(warnings.filters))

years = [1994, 2024] * 10
night(1994)  # lazy imports of libraries add their own filters
alone = {year: night(year) for year in set(years)}
before = str(warnings.filters)
sys.setswitchinterval(1e-5)
watcher = threading.Thread(target=watch)
watcher.start()
found = [None] * len(years)

def work(number):
    for i in range(number, len(years), 4):
        found[i] = night(years[i])

workers = [threading.Thread(target=work, args=(n,)) for n in range(4)]
[w.start() for w in workers]
[w.join() for w in workers]
over.set()
watcher.join()
assert found == [alone[year] for year in years], "threads disagree"
assert seen["table"] == {id(table)}, "the caller's table was changed"
assert len(seen["settings"]) == 1 and iers.conf.auto_max_age == 77.0, seen["settings"]
assert seen["filters"] == {before}, seen["filters"]
assert iers.IERS_Auto.iers_table is None and iers.IERS_A.iers_table is None and iers.IERS_B.iers_table is None
"""


def test_four_threads_solve_as_one_and_the_callers_astropy_is_left_alone() -> None:
    """20 solves over dates 30 years apart; a watcher sees the caller's table, settings and filters all the while."""
    done = subprocess.run(
        [sys.executable, "-c", CALLERS_ASTROPY], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
