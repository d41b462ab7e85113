"""Reading tables: three formats, units in headers and cells, encodings; and writing them back."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from astropy.table import QTable, Table

from poleward import Drifts, GuideCamera, InputError, read_drifts

ROWS = [
    ("meridian", -1 / 3, 3.0, 300.0, -4.2, 0.3),
    ("east, low", -5.0, 20.0, 360.0, -3.0, 0.4),
]


def as_table(kind: type = Table) -> Table:
    table = kind(
        rows=ROWS,
        names=["label", "hour_angle", "dec", "duration", "north", "north_sigma"],
        dtype=["U9", *["f8"] * 5],
    )
    for name, unit in zip(table.colnames[1:], ["hourangle", "deg", "s", "arcsec", "arcsec"], strict=True):
        table[name].unit = unit
    return table


def same(drifts: Drifts) -> None:
    assert [drift.label for drift in drifts] == ["meridian", "east, low"]
    for drift, row in zip(drifts, ROWS, strict=True):
        assert drift.pointing.hour_angle == pytest.approx(math.radians(15 * row[1]), abs=1e-14)
        assert drift.pointing.dec == pytest.approx(math.radians(row[2]), abs=1e-14)
        assert (drift.duration_s, drift.north_arcsec, drift.north_sigma_arcsec) == row[3:]
        assert drift.east_arcsec is None


CSV = 'label,hour_angle,dec,duration,north,north_sigma\nmeridian,-0h20m,3,300,-4.2,0.3\n"east, low",-5h,+20d,6 min,-0.05 arcmin,0.4\n'


@pytest.mark.usefixtures("workdir")
@pytest.mark.parametrize(
    "data",
    [
        CSV.encode(),
        b"\xef\xbb\xbf" + CSV.encode(),
        CSV.replace("\n", "\r\n").encode(),
        CSV.encode("utf-16"),
        ("# a comment\n\n" + CSV).encode(),
        CSV.replace(",", "\t").replace("east\t low", "east, low").encode(),
        CSV.replace("north,", "north [arcmin],").replace("-4.2,", "-0.07,").encode(),
        CSV.replace("-0h20m", "\N{MINUS SIGN}0h20m").encode(),
        CSV.replace("duration", "duration [min]").replace("300", "5").encode(),
        CSV.replace("hour_angle", "hour_angle [deg]").replace("-0h20m", "-5").encode(),
    ],
    ids=[
        "plain",
        "bom",
        "crlf",
        "utf-16",
        "comments",
        "tabs",
        "header unit",
        "minus sign",
        "minutes",
        "degrees",
    ],
)
def test_csv(data: bytes) -> None:
    Path("t.csv").write_bytes(data)
    same(read_drifts("t.csv"))


@pytest.mark.usefixtures("workdir")
@pytest.mark.parametrize("kind", [Table, QTable])
def test_ecsv(kind: type) -> None:
    table = as_table(kind)
    table.write("t.ecsv", format="ascii.ecsv")
    same(read_drifts("t.ecsv"))
    table.write("t2.ecsv", format="ascii.ecsv", delimiter=",")
    same(read_drifts("t2.ecsv"))


@pytest.mark.usefixtures("workdir")
def test_votable() -> None:
    as_table().write("t.vot", format="votable")
    same(read_drifts("t.vot"))


@pytest.mark.usefixtures("workdir")
def test_ecsv_units_are_honoured_and_masked_cells_left_out() -> None:
    Path("t.ecsv").write_text(
        "# %ECSV 1.0\n# ---\n# datatype:\n"
        "# - {name: hour_angle, unit: deg, datatype: float64}\n# - {name: dec, unit: rad, datatype: float64}\n"
        "# - {name: duration, unit: min, datatype: float64}\n# - {name: north_rate, unit: arcmin / h, datatype: float64}\n"
        "# - {name: east_rate, unit: arcsec / min, datatype: float64}\n# delimiter: ','\n"
        "hour_angle,dec,duration,north_rate,east_rate\n-5,0.1,5,2,\n-75,0.2,10,3,1\n",
        encoding="utf-8",
    )
    first, second = read_drifts("t.ecsv")
    assert first.pointing.hour_angle == pytest.approx(math.radians(-5))
    assert first.pointing.dec == pytest.approx(0.1)
    # 2 arcmin per hour for 5 minutes is 10 arcsec; 3 for 10 minutes is 30, and 1 arcsec per minute makes 10.
    assert (first.north_arcsec, first.east_arcsec) == (pytest.approx(10), None)
    assert (second.north_arcsec, second.east_arcsec) == (pytest.approx(30), pytest.approx(10))


@pytest.mark.usefixtures("workdir")
def test_written_and_read_back_is_the_same() -> None:
    drifts = Drifts.from_rows(
        [
            {"hour_angle": "-0h20m17.123s", "dec": "+3d", "duration": "5 min", "north": "-4.2 arcsec", "label": "a,b"},
            {"time": "2026-11-25T20:00:00.5+01:00", "ra": "1h12m", "dec": "20d", "duration": "7 min",
             "north_rate": "0.5 arcsec/min", "north_rate_sigma": "0.1 arcsec/min", "east": "3 arcsec", "use": "no"},
            {"azimuth": "123.4 deg", "altitude": "45 deg", "duration": "300", "x": "3", "y": "-4"},
        ],
        guide_camera=GuideCamera(2.0, "17 deg", True),
    )  # fmt: skip
    assert Drifts.from_rows(drifts.to_rows()) == drifts
    for name in ("t.csv", "t.ecsv"):
        drifts.write(name)
        assert read_drifts(name) == drifts
    with pytest.raises(Exception, match="exists already"):
        drifts.write("t.csv")


@pytest.mark.usefixtures("workdir")
def test_times_of_a_table_in_its_own_zone() -> None:
    text = "time [Europe/Zurich],ra,dec,duration,north\n2026-11-25T20:00,1h,2,300,4\n"
    Path("t.csv").write_text(text, encoding="utf-8")
    assert read_drifts("t.csv")[0].pointing.time.isoformat() == "2026-11-25T19:00:00+00:00"
    Path("t.csv").write_text(text.replace("Europe/Zurich", "UTC"), encoding="utf-8")
    assert (
        read_drifts("t.csv", timezone="Asia/Tokyo")[0].pointing.time.isoformat()
        == "2026-11-25T20:00:00+00:00"
    )
    Path("t.csv").write_text(text.replace(" [Europe/Zurich]", ""), encoding="utf-8")
    assert (
        read_drifts("t.csv", timezone="Asia/Tokyo")[0].pointing.time.isoformat()
        == "2026-11-25T11:00:00+00:00"
    )
    with pytest.raises(InputError, match="neither an offset nor a known zone"):
        read_drifts("t.csv")


def test_quantities_come_in_as_they_are() -> None:
    from astropy import units as u
    from astropy.time import Time

    drift = Drifts.from_rows(
        [
            {
                "ra": 15 * u.deg,
                "dec": 0.1 * u.rad,
                "time": Time("2026-11-25T19:00:00"),
                "duration": 5 * u.min,
                "north": -0.07 * u.arcmin,
            }
        ]
    )[0]
    assert (drift.pointing.ra, drift.pointing.dec) == (pytest.approx(math.radians(15)), pytest.approx(0.1))
    assert (drift.duration_s, drift.north_arcsec) == (300, pytest.approx(-4.2))
    assert drift.pointing.time.isoformat() == "2026-11-25T19:00:00+00:00"
