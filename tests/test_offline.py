"""Nothing waits for a network, tonight's date works with an old table, a date past its end gives one line."""

from __future__ import annotations

import json
import subprocess
import sys
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from conftest import run_here

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


def test_the_short_table_is_astropys_own() -> None:
    """UT1-UTC and polar motion for a measured and a predicted date, against astropy's reader of the same file.

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
    ):
        with earth.rotation_data(when, when):
            table = iers.earth_orientation_table.get()
            ours = (
                table.ut1_utc(Time(when)).to_value("s"),
                *(v.to_value("arcsec") for v in table.pm_xy(Time(when))),
            )
        theirs = (
            full.ut1_utc(Time(when)).to_value("s"),
            *(v.to_value("arcsec") for v in full.pm_xy(Time(when))),
        )
        assert abs(ours[0] - theirs[0]) < tolerance[0]
        assert np.allclose(ours[1:], theirs[1:], atol=tolerance[1])


def test_leap_seconds_are_mentioned_when_they_run_out() -> None:
    _, _, end = earth._bundled_rows()
    last = earth._leap_seconds_expire()
    if last >= end:
        pytest.skip("this data package's leap seconds outlast its Earth rotation")
    when = datetime.fromtimestamp((last + 5 - 40587) * 86400, UTC)
    assert [note.code for note in earth.rotation_notes(when, when)] == ["leap-seconds"]


def test_nothing_is_changed_for_good() -> None:
    from astropy.utils import iers

    before = (iers.conf.auto_download, iers.conf.auto_max_age, iers.earth_orientation_table.get.__name__)
    now = datetime(2026, 11, 25, tzinfo=UTC)
    with earth.rotation_data(now, now):
        assert not iers.conf.auto_download
    assert (
        iers.conf.auto_download,
        iers.conf.auto_max_age,
        iers.earth_orientation_table.get.__name__,
    ) == before
