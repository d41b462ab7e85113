"""The Python API as someone who uses astropy meets it: what goes in, what comes out, what is refused and how."""

from __future__ import annotations

import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import Angle, SkyCoord
from astropy.table import QTable, Table
from astropy.time import Time, TimeDelta
from astropy.utils.masked import Masked

from poleward import Drifts, InputError, UsageError

START = Time("2026-11-25T20:00:00")


def stars() -> Drifts:
    """Three timings as text: what all other notations must come to."""
    return Drifts.from_rows(
        [
            {"time": "2026-11-25T20:00:00Z", "ra": "22h30m", "dec": "+5d", "duration": "300", "north": "-4.2"},
            {"time": "2026-11-25T20:10:00Z", "ra": "30 deg", "dec": "12d30m", "duration": "360", "north": "3",
             "north_sigma": "0.5"},
            {"time": "2026-11-25T20:20:00Z", "ra": "05h00m", "dec": "20d", "duration": "420", "north": "60"},
        ]
    )  # fmt: skip


def quantities() -> QTable:
    table = QTable()
    table["time"] = START + TimeDelta([0, 10, 20] * u.min)
    table["ra"] = Angle([22.5, 2.0, 5.0] * u.hourangle)
    table["dec"] = [5.0, 12.5, 20.0] * u.deg
    table["duration"] = TimeDelta([5, 6, 7] * u.min)
    table["north"] = [-4.2 / 60, 3 / 60, 1.0] * u.arcmin
    table["north_sigma"] = Masked([0, 500, 0] * u.mas, mask=[True, False, True])
    return table


def test_a_qtable_is_the_same_as_text() -> None:
    """Columns of Time, Angle, Quantity, TimeDelta and masked Quantity; a masked sigma is none, not 0."""
    ours, theirs = Drifts.from_table(quantities()).to_rows(), stars().to_rows()
    for mine, other in zip(ours, theirs, strict=True):
        assert mine.keys() == other.keys()
        for name, value in mine.items():
            if isinstance(value, float):
                assert value == pytest.approx(other[name], rel=1e-12)
            else:
                assert value == other[name]


def test_a_column_of_skycoord_stands_for_ra_and_dec() -> None:
    table = quantities()
    galactic = SkyCoord(table["ra"], table["dec"]).galactic
    table.remove_columns(["ra", "dec"])
    table["coord"] = galactic
    for mine, other in zip(Drifts.from_table(table), stars(), strict=True):
        # A turn to galactic coordinates and back: 1e-9 rad is 0.2 milliarcsec.
        assert (mine.pointing.ra, mine.pointing.dec) == pytest.approx(
            (other.pointing.ra, other.pointing.dec), abs=1e-9
        )
    (one,) = Drifts.from_rows(
        [{"place": galactic[0], "time": START, "duration": 5 * u.min, "north": 1 * u.arcsec}]
    )
    assert one.pointing.ra == pytest.approx(np.radians(337.5), abs=1e-9)
    with pytest.raises(InputError, match="ra and a SkyCoord are both given"):
        Drifts.from_rows(
            [{"place": galactic[0], "ra": "1h", "time": START, "duration": 5 * u.min, "north": 1}]
        )
    with pytest.raises(InputError, match="a SkyCoord of the frame 'altaz' turns with the Earth"):
        Drifts.from_rows([{"place": SkyCoord(1 * u.deg, 2 * u.deg, frame="altaz"), "time": START}])


def test_units_of_a_plain_table_are_honoured() -> None:
    table = Table({"hour_angle": [-5.0], "dec": [0.1], "duration": [5.0], "north": [2.0], "label": ["a"]})
    for name, unit in (("hour_angle", "deg"), ("dec", "rad"), ("duration", "min"), ("north", "arcmin")):
        table[name].unit = unit
    (drift,) = Drifts.from_table(table)
    assert drift.pointing.hour_angle == pytest.approx(np.radians(-5), rel=1e-12)
    assert (drift.pointing.dec, drift.duration_s, drift.north_arcsec, drift.label) == (0.1, 300, 120, "a")
    table["north"].unit = "m"
    with pytest.raises(InputError, match="table, column north: the unit 'm' does not fit here"):
        Drifts.from_table(table)


def test_there_and_back_through_a_table() -> None:
    assert Drifts.from_table(stars().to_table()) == stars()
    assert Drifts.from_table(QTable(stars().to_table())) == stars()
    assert stars().to_table()["north_sigma"].mask.tolist() == [True, False, True]


def test_drifts_are_a_sequence() -> None:
    drifts = stars()
    assert repr(drifts) == "<Drifts: 3 timings>"
    assert isinstance(drifts[:2], Drifts)
    assert drifts[-1] == list(drifts)[2]
    assert "<table" in drifts._repr_html_()


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (
            lambda: Drifts.from_table("drifts.csv"),
            "table is 'drifts.csv' (str), taken is an astropy Table or QTable",
        ),
        (
            lambda: Drifts.from_rows([["a"]]),
            "row 1 is ['a'] (list), taken is a mapping of column names to values",
        ),
        (lambda: Drifts.from_rows([{"nrth": None}]), "row 1: unknown name 'nrth'"),
    ],
)
def test_a_wrong_type_gets_one_line(call, said: str) -> None:
    with pytest.raises((InputError, UsageError)) as caught:
        call()
    assert str(caught.value) == said
    assert isinstance(caught.value, TypeError) == ("taken is" in said)
