"""`poleward layout FILE --proof LAYOUT`: what a layout reads, before any fit."""

from __future__ import annotations

from pathlib import Path

import pytest
from conftest import run_here
from oddlog import LAYOUT, Night, log_of


@pytest.fixture
def night(workdir):
    nights = Night(number=1), Night(number=2)
    lines = log_of(*nights)
    lines[6] = nights[0].row(1, eye="shut")
    lines[7] = nights[0].row(2, remark="placed anew")
    Path("night.log").write_text("\n".join(lines) + "\n", encoding="utf-8")
    Path("L.toml").write_text(LAYOUT, encoding="utf-8")
    return nights


def test_sections_pointings_and_first_rows(night):
    """Numbers as the log holds them, signs and units as docs/signs.md: arcsec and ms, north and east positive."""
    ran = run_here("layout", "night.log", "--proof", "L.toml", "--tz", "+01:00")
    assert (ran.status, ran.err) == (0, "")
    assert ran.out.isascii()
    assert max(map(len, ran.out.splitlines())) <= 120
    blocks = ran.out.split("\n\n")
    assert blocks[0] == "night.log by L.toml: 240 rows, 2 sections"
    assert blocks[1].splitlines() == [
        "section 1 (night.log:2)",
        "  start       2026-11-25 22:14:03 +01:00",
        "  pointed at  hour angle -0.317 h (east of the meridian), dec +21.000 deg",
        "  scale       1.9 arcsec/pix (line 4)",
        "  rows        120, the star seen in 119, 4.0 min, one every 2.0 s, placed anew 1x",
        *pulses(night[0]),
    ]
    header, *rows = blocks[2].splitlines()
    assert " ".join(header.split()) == "seconds north arcsec east arcsec north pulse ms east pulse ms"
    assert [row.split()[0] for row in rows] == ["2.0", "4.0", "6.0", "8.0", "10.0"]
    assert float(rows[0].split()[1]) == pytest.approx(night[0].north[0], abs=0.005)
    assert float(rows[0].split()[2]) == pytest.approx(night[0].east[0], abs=0.005)
    assert float(rows[0].split()[3]) == night[0].north_pulse[0]
    assert float(rows[0].split()[4]) == night[0].east_pulse[0]
    assert rows[1].split()[1] == "-"
    assert rows[1].endswith("star lost")
    assert rows[2].endswith("placed anew")


def test_the_first_pulse_each_way_and_the_first_lost_star_are_shown(night):
    """Where they stand further down: of ten rows the sixth, seventh, eighth and tenth."""
    for each in night:
        each.north_pulse[:] = each.east_pulse[:] = 0
    night[0].north_pulse[[5, 8]], night[0].north_pulse[6] = 300, -200
    lines = log_of(*night)
    at = lines.index(night[0].row(7))
    lines[at] = night[0].row(7, eye="shut")
    Path("night.log").write_text("\n".join(lines) + "\n", encoding="utf-8")
    rows = run_here("layout", "night.log", "--proof", "L.toml").out.split("\n\n")[2].splitlines()[1:]
    assert [row.split()[0] for row in rows] == ["2.0", "4.0", "6.0", "8.0", "10.0", "12.0", "14.0", "16.0"]
    assert [row.split()[3] for row in rows[5:7]] == ["+300", "-200"]
    assert rows[7].endswith("star lost")


def pulses(night):
    import numpy as np

    said = []
    for name in ("north", "east"):
        sent = np.abs(getattr(night, f"{name}_pulse"))
        sent = sent[sent > 0]
        said.append(f"{name} {len(sent)} of {np.median(sent):.0f} ms (median), rate not stated, it is fitted")
    return [f"  pulses      {said[0]};", f"              {said[1]}"]


def test_what_is_refused_is_told(night):
    lines = Path("night.log").read_text(encoding="utf-8").splitlines()
    del lines[2]
    Path("night.log").write_text("\n".join(lines) + "\n", encoding="utf-8")
    ran = run_here("layout", "night.log", "--proof", "L.toml")
    assert ran.status == 0
    assert "240 rows, 1 section, 1 refused" in ran.out
    assert "refused: night.log:2: hour_angle was not found for this section" in ran.out
    del lines[126]
    Path("night.log").write_text("\n".join(lines) + "\n", encoding="utf-8")
    assert run_here("layout", "night.log", "--proof", "L.toml").status == 3


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--tz", "UTC"], "--tz goes with --proof"),
        (["--proof", "L.toml", "--output", "x.toml"], "--output goes with a draft, not with --proof"),
        (["--proof", "L.toml", "--tz", "Mars"], "--tz"),
    ],
)
def test_what_does_not_fit_together(night, arguments, said):
    ran = run_here("layout", "night.log", *arguments)
    assert (ran.status, ran.out) == (2, "")
    assert said in ran.err


def test_the_setup_tells_the_zone(night):
    Path("poleward.toml").write_text(
        '[site]\nlatitude = "47 deg"\ntimezone = "Europe/Zurich"\n', encoding="utf-8"
    )
    assert "2026-11-25 22:14:03 Europe/Zurich" in run_here("layout", "night.log", "--proof", "L.toml").out
