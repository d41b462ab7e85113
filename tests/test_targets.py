"""The targets table: what it takes, and the words with which it refuses."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from poleward.errors import InputError
from poleward.tonight.targets import read_targets, targets_from_rows

GOOD = {"name": "ring", "ra": "18h53m35s", "dec": "+33d02m", "exposure": "3 min"}


def table(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "targets.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_all_columns(tmp_path):
    path = table(
        tmp_path,
        "name,ra [deg],dec,start,end,exposure [min],guide_star_offset_north [arcmin],guide_star_offset_east\n"
        "ring,283.4,+33d02m,2025-06-01T22:00Z,2025-06-02T02:00+02:00,3,-12,0.5 deg\n"
        "plain,0,-10,,,45 s,,\n",
    )
    first, second = read_targets(path)
    assert first.name == "ring"
    assert math.degrees(first.ra) == pytest.approx(283.4)
    assert math.degrees(first.dec) == pytest.approx(33 + 2 / 60)
    assert first.start is not None
    assert first.end is not None
    assert (first.end - first.start).total_seconds() == 7200
    assert first.exposure_s == 180
    assert math.degrees(first.guide_north) * 60 == pytest.approx(-12)
    assert math.degrees(first.guide_east) == pytest.approx(0.5)
    assert (second.start, second.exposure_s, second.guide_north) == (None, 45, 0)


def test_ecsv_units_and_times(tmp_path):
    from astropy.table import Table

    rows = Table({"name": ["a"], "ra": [10.0], "dec": [5.0], "exposure": [2.0]})
    rows["ra"].unit, rows["dec"].unit, rows["exposure"].unit = "deg", "deg", "min"
    rows.write(tmp_path / "t.ecsv", format="ascii.ecsv")
    (target,) = read_targets(tmp_path / "t.ecsv")
    assert math.degrees(target.ra) == pytest.approx(10)
    assert target.exposure_s == 120


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"ra": "1.2"}, "could be hours or degrees"),
        ({"ra": None}, "row 1: a target needs ra"),
        ({"dec": "+95"}, "row 1, column dec: dec is 95 deg, allowed is -90 to +90 deg"),
        ({"exposure": None}, "row 1: a target needs exposure"),
        ({"exposure": "0 s"}, "row 1, column exposure: exposure is 0 s, allowed is more than 0"),
        ({"start": "2025-06-01T22:00Z"}, "row 1: start is given without end"),
        (
            {"start": "2025-06-01T22:00Z", "end": "2025-06-01T21:00Z"},
            "row 1: from start to end are -1 h, allowed is more than 0 and up to 24 h",
        ),
        ({"start": "2025-06-01T22:00", "end": "2025-06-01T23:00"}, "has neither an offset nor a known zone"),
        ({"guide_star_offset_north": "12"}, "could be arcmin or degrees"),
        (
            {"guide_star_offset_east": "50 deg"},
            "guide_star_offset_east is 50 deg, allowed is up to 20 deg",
        ),
        ({"exposur": "3"}, "row 1: unknown name 'exposur'"),
    ],
)
def test_what_is_refused(change, message):
    cells = {key: value for key, value in {**GOOD, **change}.items() if value is not None}
    with pytest.raises(InputError) as caught:
        targets_from_rows([cells])
    assert message in str(caught.value)


@pytest.mark.parametrize(
    ("text", "seconds"),
    [("1m30s", 90), ("1h05m", 3900), ("45s", 45), ("2 min", 120), ("12m", 720), ("90", 90)],
)
def test_durations_as_people_say_them(text, seconds):
    (target,) = targets_from_rows([{**GOOD, "exposure": text}])
    assert target.exposure_s == seconds


def test_names_that_come_again_are_numbered():
    targets = targets_from_rows([GOOD, {**GOOD, "name": "other"}, GOOD])
    assert [target.name for target in targets] == [GOOD["name"], "other", f"{GOOD['name']} (2)"]


def test_an_empty_table_and_an_unknown_column(tmp_path):
    with pytest.raises(InputError, match="the table has a header and no rows"):
        read_targets(table(tmp_path, "name,ra,dec,exposure\n"))
    with pytest.raises(InputError, match="unknown column 'expo'") as caught:
        read_targets(table(tmp_path, "name,ra,dec,expo\na,1h,2,3\n"))
    assert caught.value.hint == "did you mean exposure?"
