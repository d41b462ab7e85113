"""Files and words from strangers: nothing is fetched, nothing waits, nothing grows; one line says what it was."""

from __future__ import annotations

import os
from pathlib import Path

import fuzz
import pytest
from conftest import run_here

pytestmark = pytest.mark.usefixtures("workdir")

PLACE = ("--latitude", "47d", "--longitude", "8.4d")
NORTH = "{name: north, unit: arcsec, datatype: float64, description: camera}"
LIST = "{name: north, unit: arcsec, datatype: string, subtype: 'float64[2]'}"
HEAD = "hour_angle,dec,duration,north"


def told(text: str | bytes, name: str, *command: str) -> tuple[int, str]:
    """What is said of a file: the status and the first line, without the program's name."""
    Path(name).write_bytes(text if isinstance(text, bytes) else text.encode())
    ran = run_here(*(command or ("solve", name)), *PLACE)
    lines = ran.err.splitlines()
    assert len(lines) in (1, 2), ran.err
    return ran.status, lines[0].removeprefix("poleward: ")


def votable(data: str) -> str:
    begin, end = fuzz.VOTABLE.index("<TABLEDATA>"), fuzz.VOTABLE.index("</DATA>")
    return fuzz.VOTABLE[:begin] + data + fuzz.VOTABLE[end:]


@pytest.mark.parametrize(
    "data",
    [
        "<BINARY><STREAM href='http://192.0.2.1/x'/></BINARY>",
        "<FITS><STREAM HREF='file:///etc/hostname'/></FITS>",
        "<BINARY2><v:STREAM xmlns:v='v' href='ftp://192.0.2.1/x'/></BINARY2>",
    ],
)
def test_a_votable_fetches_nothing(data: str) -> None:
    """IVOA VOTable 1.4, section 5.4 (M): a STREAM may name where its rows are."""
    assert told(votable(data), "v.xml") == (
        3,
        "v.xml: the rows of this VOTable are elsewhere (STREAM href), nothing is fetched",
    )


def test_votables_that_would_grow() -> None:
    arrays = fuzz.VOTABLE.replace('datatype="int"', 'datatype="int" arraysize="2"')
    assert told(arrays, "v.xml") == (3, "v.xml: column 'duration' holds arrays")
    entity = fuzz.VOTABLE.replace("<VOTABLE", "<!DOCTYPE a [<!ENTITY b 'c'>]><VOTABLE")
    assert told(entity, "v.xml") == (3, "v.xml: this VOTable has a document type, which is not read")
    assert told("<A>" * 100_000, "v.xml") == (3, "v.xml: this VOTable is nested too deeply")
    wide = fuzz.VOTABLE.replace('arraysize="*"', 'arraysize="9999999999"')
    assert told(wide, "v.xml")[1].startswith("v.xml: this VOTable cannot be read: ")
    status, text = told(fuzz.VOTABLE.replace("<TABLE>", "<TABLE nrows='99999999'>"), "v.xml")
    assert (status, text) == (3, "v.xml: this table has 99999999 rows, allowed are 2000")


def test_ecsv_of_arrays_and_depth() -> None:
    cells = fuzz.ECSV.replace(NORTH, LIST)
    for old in ("-6.2\n", "-10.5\n", '""\n', "-7.9\n"):
        cells = cells.replace(old, '"[1,2]"\n')
    assert told(cells, "e.ecsv") == (
        3, "e.ecsv:12, column north: an array of shape (2,) is given, one value is needed",
    )  # fmt: skip
    deep = fuzz.ECSV.replace("meta: {", "meta: {a: " + "[" * 5000 + "]" * 5000 + ", ")
    assert told(deep, "e.ecsv")[1].startswith("e.ecsv: this ECSV cannot be read: ")
    long = fuzz.ECSV.replace("# meta", "# x: " + "a" * 70_000 + "\n# meta")
    assert told(long, "e.ecsv") == (3, "e.ecsv: this ECSV's header is too long")


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes with names here")
@pytest.mark.parametrize(
    "command",
    [
        ("solve", "pipe"),
        ("solve", "--setup", "pipe"),
        ("log", "pipe", "--layout", "form.toml"),
        ("log", "night.log", "--layout", "pipe"),
        ("layout", "pipe"),
        ("check", "--axis", "pipe"),
        ("plan", "--targets", "pipe"),
    ],
)
def test_a_pipe_is_not_waited_for(command: tuple[str, ...]) -> None:
    os.mkfifo("pipe")
    Path("night.log").write_text(fuzz.LOG, encoding="utf-8")
    Path("form.toml").write_text(fuzz.LAYOUT, encoding="utf-8")
    ran = run_here(*command, *(() if command[0] == "layout" else PLACE))
    assert (ran.status, ran.err) == (
        3, "poleward: pipe: this is a device or a pipe, a file is needed\n  - reads standard input\n",
    )  # fmt: skip


@pytest.mark.parametrize(
    "cell", ["9" * 60_000 + "x", "1 " * 30_000, "1." * 30_000, "-" * 60_000, "1h" * 30_000]
)
@pytest.mark.parametrize("column", HEAD.split(","))
def test_long_cells_take_no_time(cell: str, column: str) -> None:
    """What hung for a minute is over in a second, or the test's own limit of five minutes ends it."""
    fair = {"duration": "5 min"}
    row = ",".join(cell if name == column else fair.get(name, "1") for name in HEAD.split(","))
    status, text = told(f"{HEAD}\n{row}\n", "c.csv")
    assert status == 3
    assert text.startswith(f"c.csv:2, column {column}: '")
    assert len(text) < 250


def test_a_header_of_blanks_takes_no_time() -> None:
    assert told(f"{HEAD}{' ' * 3000}x\n1,1,1,1\n", "c.csv")[0] == 3
    assert told(f"{HEAD} [{' ' * 3000}\n1,1,1,1\n", "c.csv")[1].startswith("c.csv:1: 'north [ ")


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("[site]\nx = " + "[\n" * 20_000, "s.toml: this setup file is not TOML: it is nested too deeply"),
        ("x = " + "[" * 5000, "s.toml:1: this line has 5004 signs, allowed are 1000"),
        (".".join("a" * 490) + " = 1", "s.toml: unknown key 'a'"),
        ("[site]\nlatitude = 0x" + "f" * 900, "s.toml [site], latitude: 510486"),
        ("[site]\nlatitude = " + "9" * 900, "s.toml [site], latitude: 99999"),
        ("[site]\nlatitude = 0001-01-01", "s.toml [site], latitude: 0001-01-01 cannot be read"),
        ("[site]\nlatitude = 47\nelevation = '50 km'", "s.toml [site]: elevation is 50000 m"),
        (b"[site]\nlatitude = '\xff'", "s.toml: this setup file is not UTF-8 text"),
        ("# comment\n" * 7000, "s.toml: it is too large: allowed are 0.064 MB"),
    ],
    ids=range(9),
)
def test_setups_from_strangers(text: str | bytes, line: str) -> None:
    ran = told(text, "s.toml", "solve", "--setup", "s.toml")
    assert ran[0] == 3
    assert ran[1].startswith(line)


def test_records_with_numbers_that_are_too_long() -> None:
    for digits, line in (
        ("1" * 5000, "a.json: this is not a record: it holds a number too long to read"),
        ("1" + "0" * 900, "a.json: axis.azimuth_error_arcmin is inf, allowed is up to 1200 arcmin (20 deg)"),
    ):
        record = fuzz.RECORD.replace("5.0,", f"{digits},")
        assert told(record, "a.json", "check", "--axis", "a.json", "--target", "name=a") == (3, line)


def test_dates_at_the_edge_of_the_calendar() -> None:
    row = "0001-01-01T00:00+10:00,1h,1,300,1"
    assert told(f"time,ra,dec,duration,north\n{row}\n", "c.csv")[1].startswith(
        "c.csv:2, column time: '0001-01-01T00:00+10:00' is out of range"
    )
    ran = run_here("plan", *PLACE, "--at", "0001-01-01T00:00+14:00")
    assert ran.status == 3
    assert ran.err.startswith("poleward: --at: '0001-01-01T00:00+14:00' is out of range")


def test_tables_that_are_too_large() -> None:
    rows = "1,1,300,1\n" * 2001
    assert told(f"{HEAD}\n{rows}", "c.csv") == (3, "c.csv: this table has 2001 rows, allowed are 2000")
    assert told(b"a" * 4_000_001, "c.csv") == (3, "c.csv: it is too large: allowed are 4 MB")
    targets = "name,ra,dec,exposure\n" + "a,1h,1d,1s\n" * 101
    command = ("check", "--axis", "azimuth=1arcmin, altitude=1arcmin", "--targets", "t.csv")
    camera = ("--camera", "focal_length=600mm, pixel_size=3.76um, width=6248, height=4176")
    assert told(targets, "t.csv", *command, *camera) == (
        3, "t.csv: this table has 101 targets, allowed are 100",
    )  # fmt: skip


def test_words_that_no_terminal_can_show() -> None:
    """Lone surrogates (bytes that are no UTF-8), escape sequences, in the words of a command line."""
    for words in (("solve", "\ud800"), ("\x1b[2J",), ("solve", "--\x9b", "x"), ("solve", "a", "b\x07")):
        ran = run_here(*words)
        assert ran.status in (2, 3)
        assert fuzz.unprintable(ran.err) == []


def test_a_sigma_of_a_millionth_beside_one() -> None:
    Path("c.csv").write_text(
        f"{HEAD},north_sigma\n-4,10,300,1,1e-6\n0,5,300,1,1\n4,10,300,2,1\n", encoding="utf-8"
    )
    ran = run_here("solve", "c.csv", *PLACE)
    assert ran.status == 0, ran.err


# The fuzzer itself


@pytest.mark.parametrize(
    ("ran", "word"),
    [
        (fuzz.Ran(0, "fine\n", "", False, ()), ""),
        (fuzz.Ran(3, "", "poleward: x: bad\n  mend it\n", False, ()), ""),
        (fuzz.Ran(70, "", "poleward: a fault of ours\n", False, ()), "status 70"),
        (fuzz.Ran(1, "", "", False, ()), "status 1"),
        (fuzz.Ran(0, "a\x1b[31m", "", False, ()), "unprintable"),
        (fuzz.Ran(3, "", "", False, ()), "error not in one line"),
        (fuzz.Ran(0, "", "", True, ()), "network"),
        (fuzz.Ran(0, "", "", False, ("x is lost or changed",)), "files"),
        (fuzz.Ran(0, "", "x.py:1: UserWarning: y", False, ()), "noise"),
    ],
)
def test_the_fuzzer_knows_a_finding(ran: fuzz.Ran, word: str) -> None:
    assert fuzz.judged(ran).startswith(word)
    assert bool(fuzz.judged(ran)) == bool(word)


def test_the_fuzzer_says_the_same_each_time() -> None:
    assert [fuzz.case(5, k) for k in range(20)] == [fuzz.case(5, k) for k in range(20)]


@pytest.mark.parametrize(
    "words",
    ["solve drifts.csv", "solve drifts.ecsv", "solve drifts.xml", "solve pixels.csv", "log night.log --layout form.toml",
     "frames sky", "check --axis axis.json --targets targets.csv", "rounds rounds.json --chart c.svg --output r.ecsv --page p.html",
     "layout night.log"],
)  # fmt: skip
@pytest.mark.usefixtures("workdir")
def test_what_the_fuzzer_damages_is_sound(words: str) -> None:
    """Else nothing behind the first check would ever be reached."""
    Path("sky").mkdir()
    for name, data in fuzz.good().items():
        Path(name).write_bytes(data)
    assert run_here(*words.split()).status in (0, 4, 5)
