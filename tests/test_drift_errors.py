"""Every mistake in a drift table has its own line: where, what was seen, what is allowed, and what to do."""

from __future__ import annotations

from pathlib import Path

import pytest
from conftest import run_here

HEAD = "label,time,duration,hour_angle,dec,ra,azimuth,altitude,north,east,north_sigma,use\n"
GOOD = "meridian,,300,-0.33,3,,,,-4.2,,0.3,\neast,,300,-5,20,,,,-3.0,,0.3,\n"


def complain(text: str, *flags: str, name: str = "t.csv") -> str:
    Path(name).write_text(text, encoding="utf-8")
    ran = run_here("solve", name, "--latitude", "47.1deg", *flags)
    assert ran.status == 3, ran
    assert ran.out == ""
    return ran.err


def row(cells: str) -> str:
    return HEAD + GOOD + cells + "\n"


CASES = {
    "unknown column": (
        "label,hour_angel,dec,duration,north\na,1,2,300,4\n",
        "poleward: t.csv:1: unknown column 'hour_angel'\n  did you mean hour_angle?\n",
    ),
    "column named twice": (
        "dec,dec\n1,2\n",
        "poleward: t.csv:1: column 'dec' is named twice\n",
    ),
    "missing pointing": (
        row("x,,300,,,,,,-4,,,"),
        "poleward: t.csv:4: the pointing is missing\n"
        "  give hour_angle and dec, or star (or ra and dec) with time, or azimuth and altitude\n",
    ),
    "hour angle without dec": (row("x,,300,1,,,,,-4,,,"), "poleward: t.csv:4: an hour angle needs dec\n"),
    "azimuth without altitude": (
        row("x,,300,,,,90,,-4,,,"),
        "poleward: t.csv:4: an azimuth needs altitude\n",
    ),
    "altitude without azimuth": (
        row("x,,300,,,,,40,-4,,,"),
        "poleward: t.csv:4: an altitude needs azimuth\n",
    ),
    "two pointings": (
        row("x,,300,1,2,,90,40,-4,,,"),
        "poleward: t.csv:4: hour_angle and azimuth are both given\n  give one kind of pointing per row\n",
    ),
    "ambiguous unit": (
        row("x,2026-11-25T20:00Z,300,,3,1.2,,,-4,,,"),
        "poleward: t.csv:4, column ra: '1.2' has no unit and could be hours or degrees "
        "(05h34m or 83.6 deg says which)\n  write e.g. 05h34m32s\n",
    ),
    "ra without time": (
        row("x,,300,,3,1h12m,,,-4,,,"),
        "poleward: t.csv:4: a right ascension needs the time at which the timing began\n"
        "  fill the column time, or give hour_angle instead of ra\n",
    ),
    "naive time": (
        row("x,2026-11-25T20:00,300,,3,1h12m,,,-4,,,"),
        "poleward: t.csv:4, column time: '2026-11-25T20:00' has neither an offset nor a known zone\n"
        "  write 2026-11-25T20:00:00+01:00 with your clock's offset (2026-11-25T20:00:00Z if it is UTC), or name the "
        "zone: --tz Europe/Zurich, or timezone in [site] of the setup\n",
    ),
    "no time at all": (
        row("x,tonight,300,,3,1h12m,,,-4,,,"),
        "poleward: t.csv:4, column time: 'tonight' is not a time, allowed is ISO 8601\n"
        "  write e.g. 2026-11-25T21:14:00+01:00\n",
    ),
    "a clock's time alone": (
        row("x,22:00,300,,3,1h12m,,,-4,,,"),
        "poleward: t.csv:4, column time: '22:00' is not a time, allowed is ISO 8601\n"
        "  add the date: write e.g. 2026-11-25T21:14:00+01:00\n",
    ),
    "day first": (
        row("x,5.11.2026 20:36,300,,3,1h12m,,,-4,,,"),
        "poleward: t.csv:4, column time: '5.11.2026 20:36' is not a time, allowed is ISO 8601\n"
        "  write 2026-11-05T20:36\n",
    ),
    "zero duration": (
        row("x,,0,1,2,,,,-4,,,"),
        "poleward: t.csv:4, column duration: duration is 0 s, allowed is more than 0\n",
    ),
    "no duration": (row("x,,,1,2,,,,-4,,,"), "poleward: t.csv:4: a drift needs duration\n"),
    "a day's duration": (
        row("x,,1 d,1,2,,,,-4,,,"),
        "poleward: t.csv:4, column duration: duration is 24 h, allowed is up to 12 h\n",
    ),
    "NaN": (
        row("x,,300,1,2,,,,nan,,,"),
        "poleward: t.csv:4, column north: 'nan' is not a finite number\n"
        "  write a value such as -4.2 arcsec, or leave it empty\n",
    ),
    "not a number": (
        row("x,,300,1,2,,,,four,,,"),
        "poleward: t.csv:4, column north: 'four' cannot be read as a value such as -4.2 arcsec\n"
        "  write e.g. -4.2 arcsec\n",
    ),
    "wrong unit": (
        row("x,,300,1,2,,,,4 min,,,"),
        "poleward: t.csv:4, column north: '4 min': the unit 'min' does not fit here\n  write e.g. -4.2 arcsec\n",
    ),
    "wrong unit in the header": (
        "hour_angle,dec,duration,north [m]\n1,2,300,4\n",
        "poleward: t.csv:1, column north: the unit 'm' does not fit here\n  allowed is a unit as in -4.2 arcsec\n",
    ),
    "dec beyond 90": (
        row("x,,300,1,92,,,,-4,,,"),
        "poleward: t.csv:4, column dec: dec is 92 deg, allowed is -90 to +90 deg\n",
    ),
    "hour angle beyond a day": (
        row("x,,300,30,2,,,,-4,,,"),
        "poleward: t.csv:4, column hour_angle: an hour angle of 30 h is beyond 12 h: minutes? write 30m\n  allowed is -12 h to +12 h, or 0 h to 24 h\n",
    ),
    "below the horizon": (
        row("x,,300,11,2,,,,-4,,,"),
        "poleward: t.csv:4: the star is 39.3 deg below the horizon\n"
        "  check the signs of hour angle (west positive), dec, latitude and longitude (east positive), the time and its zone\n",
    ),
    "too low": (
        row("x,,300,5.2,2,,,,4,,,"),
        "poleward: t.csv:4: the star stands at 8.9 deg, allowed is 10 deg or more\n"
        "  refraction is not well known so low; --allow-low uses it all the same\n",
    ),
    "absurd drift": (
        row("x,,300,1,2,,,,4 deg,,,"),
        "poleward: t.csv:4: the north drift is 48 arcsec/s, faster than the sky itself turns\n"
        "  check its unit and the duration's\n",
    ),
    "zero sigma": (
        row("x,,300,1,2,,,,-4,,0,"),
        "poleward: t.csv:4, column north_sigma: north_sigma is 0, allowed is more than 0\n"
        "  leave it empty if it is not known\n",
    ),
    "sigma without value": (
        row("x,,300,1,2,,,,,3,0.3,"),
        "poleward: t.csv:4: north_sigma is given without north\n",
    ),
    "use neither yes nor no": (
        row("x,,300,1,2,,,,-4,,,maybe"),
        "poleward: t.csv:4, column use: 'maybe', allowed is yes or no\n",
    ),
    "short row": (
        row("x,,300,1,2"),
        "poleward: t.csv:4: this row has 5 cells, the header names 12 columns\n"
        "  an empty value still needs its separator\n",
    ),
    "header only": (HEAD, "poleward: t.csv: the table has a header and no rows\n  one row per timed drift\n"),
    "empty file": ("", "poleward: t.csv: this table is empty\n  its first line names the columns\n"),
    "nothing used": (
        "hour_angle,dec,duration,north,use\n1,2,300,4,no\n",
        "poleward: there is no timing to use\n  two at different hour angles give both errors\n",
    ),
    "pixels without a camera": (
        "hour_angle,dec,duration,x,y\n1,2,300,4,5\n",
        "poleward: t.csv:2: pixels need the guide camera's scale\n"
        "  give focal_length, pixel_size and position_angle in [guide_camera] of the setup\n",
    ),
    "x without y": (
        "hour_angle,dec,duration,x,y\n1,2,300,4,\n",
        "poleward: t.csv:2: a displacement in pixels needs y\n",
    ),
    "rate and displacement": (
        "hour_angle,dec,duration,north,north_rate\n1,2,300,4,1\n",
        "poleward: t.csv:2: north and north_rate are both given\n  give one of them per row\n",
    ),
    "one east drift alone": (
        "hour_angle,dec,duration,east\n1,2,300,4\n",
        "poleward: there is no drift to fit\n  give the north drift at two hour angles at least\n",
    ),
}


@pytest.mark.usefixtures("workdir")
@pytest.mark.parametrize("name", CASES)
def test_the_exact_line(name: str) -> None:
    text, expected = CASES[name]
    assert complain(text) == expected


@pytest.mark.usefixtures("workdir")
def test_a_star_with_a_time_but_no_longitude() -> None:
    assert complain(row("x,2026-11-25T20:00Z,300,,3,1h12m,,,-4,,,")) == (
        "poleward: t.csv:4: a right ascension needs the site's longitude\n"
        "  give --longitude or [site] longitude (east positive), or hour_angle instead of ra\n"
    )


@pytest.mark.usefixtures("workdir")
@pytest.mark.parametrize(
    ("time", "says"),
    [
        ("2026-10-25T02:30", "'2026-10-25T02:30' happens twice in Europe/Zurich: the clock is set back"),
        ("2026-03-29T02:30", "'2026-03-29T02:30' does not exist in Europe/Zurich: the clock jumps over it"),
    ],
)
def test_summer_time(time: str, says: str) -> None:
    err = complain(row(f"x,{time},300,,3,1h12m,,,-4,,,"), "--tz", "Europe/Zurich", "--longitude", "8.4")
    assert err.splitlines()[0] == f"poleward: t.csv:4, column time: {says}"


@pytest.mark.usefixtures("workdir")
def test_a_missing_file_a_folder_and_a_binary() -> None:
    assert run_here("solve", "no.csv", "--latitude", "47").err == "poleward: no.csv: there is no such file\n"
    Path("folder").mkdir()
    assert run_here("solve", "folder", "--latitude", "47").err == (
        "poleward: folder: this is a folder, a file is needed\n"
    )
    Path("b.csv").write_bytes(b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR")
    ran = run_here("solve", "b.csv", "--latitude", "47")
    assert (ran.status, ran.err) == (
        3,
        "poleward: b.csv: this is not a text file (it holds NUL bytes)\n  a table is CSV, ECSV or VOTable\n",
    )


@pytest.mark.usefixtures("workdir")
def test_broken_ecsv_and_votable() -> None:
    Path("e.ecsv").write_text("# %ECSV 1.0\n# ---\n# datatype:\n# - {name: dec}\ndec\n1\n", encoding="utf-8")
    ran = run_here("solve", "e.ecsv", "--latitude", "47")
    assert ran.status == 3
    assert ran.err.startswith("poleward: e.ecsv: this ECSV cannot be read: ")
    Path("v.xml").write_text("<VOTABLE><RESOURCE>", encoding="utf-8")
    ran = run_here("solve", "v.xml", "--latitude", "47")
    assert ran.status == 3
    assert ran.err.startswith("poleward: v.xml:1: this VOTable cannot be read: ")


@pytest.mark.usefixtures("workdir")
def test_an_unknown_ecsv_unit_is_named() -> None:
    """astropy lets unknown units pass without a word."""
    Path("e.ecsv").write_text(
        "# %ECSV 1.0\n# ---\n# datatype:\n"
        "# - {name: hour_angle, unit: hourangle, datatype: float64}\n"
        "# - {name: dec, unit: deg, datatype: float64}\n# - {name: duration, unit: min, datatype: float64}\n"
        "# - {name: north_rate, unit: asec/h, datatype: float64}\n"
        "hour_angle dec duration north_rate\n1 2 5 3\n",
        encoding="utf-8",
    )
    ran = run_here("solve", "e.ecsv", "--latitude", "47")
    assert ran.err == (
        "poleward: e.ecsv, column north_rate: the unit 'asec/h' does not fit here\n"
        "  allowed is a unit as in -0.84 arcsec/min\n"
    )


@pytest.mark.parametrize(
    ("inline", "line"),
    [
        (
            "hour_angle=1h, dec=2d, duration=5min, south=4",
            "poleward: --drift 1: unknown name 'south'\n"
            "  south is north with the other sign: write north=-4.2 for 4.2 south\n",
        ),
        (
            "ha=1h, dec=2d, duration=5min, north=4",
            "poleward: --drift 1: unknown name 'ha'\n  did you mean hour_angle?\n",
        ),
        (
            "hour_angle=20 min east, dec=2d, duration=5min, north=4",
            "poleward: --drift 1, column hour_angle: '20 min east': the unit 'min east' does not fit here\n"
            "  no words for ways: east is negative, write e.g. -0h20m\n",
        ),
        (
            "hour_angle=1h, dec=2d, duration=5min, north=4 arcsec south",
            "poleward: --drift 1, column north: '4 arcsec south': the unit 'arcsec south' does not fit here\n"
            "  no words for ways: south or west is negative, write e.g. -4.2 arcsec\n",
        ),
        (
            "hour_angle=1h, dec=2d, duration=5min, nort=4",
            "poleward: --drift 1: unknown name 'nort'\n  did you mean north?\n",
        ),
        (
            "hour_angle=1h, dec=2d, duration=5min, north=-4,2",
            "poleward: --drift 1: '2' is not name=value\n"
            "  e.g. hour_angle=-0h20m, dec=+3d, duration=5min, north=-4.2arcsec (a decimal point, not a comma)\n",
        ),
        ("dec=1d, dec=2d", "poleward: --drift 1: 'dec' is given twice\n"),
        (
            "hour_angle=1h, dec=95d, duration=5min, north=4",
            "poleward: --drift 1, column dec: dec is 95 deg, allowed is -90 to +90 deg\n",
        ),
    ],
)
@pytest.mark.usefixtures("workdir")
def test_inline(inline: str, line: str) -> None:
    ran = run_here("solve", "--latitude", "47", "--drift", inline)
    assert (ran.status, ran.err) == (3, line)
