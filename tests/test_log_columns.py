"""Facts that stand in a log's columns: any of them, and several targets in one section."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from poleward.errors import InputError
from poleward.guidelog.reading.layout import read_layout
from poleward.guidelog.reading.reader import read_log

LAST_BIT = 1e-9  # arcsec, s, rad: floating point only
SIDEREAL_H_PER_S = 1.00273790935 / 3600  # of hour angle (IAU 2000, era00; erfa.era00 has the same number)
START = datetime(2026, 11, 25, 20, tzinfo=UTC)
LAYOUT = """
[text]
delimiter = ","
[facts.found]
{facts}
[columns]
time = {{ name = "when", unit = "iso" }}
north = {{ name = "dy", unit = "arcsec", positive = "north" }}
"""
PLACES = np.round(np.random.default_rng(3).normal(0, 1, 90), 3)


@pytest.fixture
def read(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)

    def reading(
        facts, header, cell_of, stamp=lambda k: (START + timedelta(seconds=3 * k)).isoformat(), timezone=""
    ):
        rows = [f"{stamp(k)},{PLACES[k]},{cell_of(k)}" for k in range(90)]
        Path("night.log").write_text("\n".join([f"when,dy,{header}", *rows]) + "\n", encoding="utf-8")
        Path("L.toml").write_text(LAYOUT.format(facts=facts), encoding="utf-8")
        return read_log("night.log", "L.toml", timezone=timezone)

    return reading


RA_DEC = "ra = { name = 'ra', unit = 'deg' }\ndec = { name = 'dec' }"


def test_two_targets_in_one_section(read):
    """The rows are divided where the target changes; each part begins at its first row."""
    log = read(RA_DEC, "ra,dec", lambda k: "83.63,22.01" if k < 50 else "101.29,-16.72")
    assert [len(section.seconds) for section in log] == [50, 40]
    assert [round(math.degrees(section.pointing.ra), 6) for section in log] == [83.63, 101.29]
    assert [round(math.degrees(section.pointing.dec), 6) for section in log] == [22.01, -16.72]
    assert [section.start for section in log] == [START, START + timedelta(seconds=150)]
    assert np.concatenate([s.north_arcsec for s in log]) == pytest.approx(PLACES, abs=LAST_BIT)
    assert [section.notes for section in log] == [(), ()]
    assert [section.label for section in log] == ["section 1", "section 2"]


def test_a_guide_star_placed_anew_is_no_other_target(read):
    log = read(RA_DEC, "ra,dec", lambda k: f"{83.63 + 0.05 * (k // 20)},22.01")
    assert len(log) == 1


def test_a_garbled_coordinate_is_no_other_target(read):
    log = read(RA_DEC, "ra,dec", lambda k: "8.363,22.01" if 30 <= k < 33 else "83.63,22.01")
    assert len(log) == 1
    assert [note.text for note in log[0].notes] == [
        "night.log:32: 3 rows were left out (here: its columns tell another target, for so few rows), lines 32, 33, 34"
    ]


@pytest.mark.parametrize("written", ["sexagesimal", "decimal"])
def test_hour_angle_in_every_row(read, written):
    """It runs with the clock: one target; the first row's value holds at the first row."""

    def cell(k):
        hours = -1.5 + 3 * k * SIDEREAL_H_PER_S
        if written == "decimal":
            return f"{hours:.2f},21.5"  # rounded to 36 s of time, as some logs do
        seconds = round(abs(hours) * 3600)
        return f"-{seconds // 3600:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d},21.5"

    log = read("hour_angle = { name = 'ha' }\ndec = { name = 'dec' }", "ha,dec", cell)
    assert len(log) == 1
    assert math.degrees(log[0].pointing.hour_angle) / 15 == pytest.approx(-1.5)
    assert (log[0].seconds[0], log[0].start) == (0.0, START)


def test_altitude_and_azimuth_from_the_first_row_that_has_them(read):
    """They run with the sky: seconds are counted from the row that tells them."""
    log = read(
        "azimuth = { name = 'az' }\naltitude = { name = 'alt' }",
        "az,alt",
        lambda k: "," if k < 10 else f"{171 + 0.02 * k:.2f},{52.5 + 0.002 * k:.2f}",
    )
    assert len(log) == 1
    assert math.degrees(log[0].pointing.azimuth) == pytest.approx(171.2)
    assert log[0].seconds == pytest.approx(3 * np.arange(90) - 30, abs=LAST_BIT)
    assert log[0].pointing.time == START + timedelta(seconds=30)


def test_labels_and_sides_of_the_mount(read):
    """A text divides where it changes; a word says which part is reversed."""
    log = read(
        "label = { name = 'what' }\nreversed = { name = 'side', yes = ['w'] }\nra = { name = 'ra', unit = 'deg' }\n"
        "dec = { name = 'dec' }\nimage_scale = { name = 'scale' }",
        "what,side,ra,dec,scale",
        lambda k: f"{'one' if k < 30 else 'two'},{'e' if k < 60 else 'w'},83.6,22,1.9",
    )
    assert [(section.label, section.reversed) for section in log] == [
        ("one", False),
        ("two", False),
        ("two", True),
    ]
    assert log[2].north_arcsec == pytest.approx(-PLACES[60:], abs=LAST_BIT)


@pytest.mark.parametrize("form", ["%d.%m.%Y %H:%M:%S", "%Y/%m/%d %H:%M:%S", "%d.%m.%Y %H:%M:%S.%f"])
def test_dates_with_dots_and_slashes(read, form):
    """20.10.2026 can only be a day in October; 2026/10/20 too."""
    start = datetime(2026, 10, 20, 21, 59, 30)
    log = read(
        RA_DEC,
        "ra,dec",
        lambda k: "83.6,22",
        stamp=lambda k: (start + timedelta(seconds=3 * k)).strftime(form),
        timezone="UTC",
    )
    assert log[0].start == start.replace(tzinfo=UTC)
    assert log[0].seconds == pytest.approx(3 * np.arange(90), abs=LAST_BIT)


def test_a_date_that_may_be_two_is_none(read):
    log = read(
        RA_DEC, "ra,dec", lambda k: "83.6,22", stamp=lambda k: f"03/04/2026 20:{k // 60:02d}:{k % 60:02d}"
    )
    assert len(log) == 0
    assert "'03/04/2026 20:00:00' is no moment" in log.refused[0].text


def test_a_target_whose_coordinates_cannot_be_read(read):
    log = read(RA_DEC, "ra,dec", lambda k: "?,22")
    assert log.refused[0].text.startswith("night.log:2, ra: '?' cannot be read as a value such as 05h34m32s")


@pytest.mark.parametrize(
    ("fact", "said"),
    [
        ("ra = { name = 'ra', find = 'x (.)' }", "find and a column are both given"),
        ("ra = { number = 0 }", "number is 0, allowed is 1 for the first column, and so on"),
        ("ra = { nam = 'ra' }", "unknown key 'nam'"),
    ],
)
def test_facts_that_name_no_column(tmp_path, fact, said):
    (tmp_path / "L.toml").write_text(LAYOUT.format(facts=f"{fact}\ndec = 'd (.)'"), encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_layout(tmp_path / "L.toml")
    assert said in str(caught.value)
