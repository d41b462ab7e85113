"""Twelve kinds of damage: the right rows or one clear line, never a wrong number without a note, never a traceback."""

from __future__ import annotations

import contextlib
import zlib
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from oddlog import LAYOUT, SCALE, Night, log_of

from poleward.errors import InputError, PolewardError
from poleward.guidelog.reading.layout import read_layout
from poleward.guidelog.reading.reader import LogFile, read_log

LAST_BIT = 1e-9  # arcsec, ms, s: floating point only
NIGHT = Night(rows=400)
FIRST_ROW = 6  # line number of the first row in log_of(NIGHT)


@pytest.fixture
def read(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    Path("L.toml").write_text(LAYOUT, encoding="utf-8")

    def reading(log, layout="L.toml") -> LogFile:
        if isinstance(log, list):
            log = "".join(f"{line}\n" for line in log)
        Path("night.log").write_bytes(log if isinstance(log, bytes) else log.encode())
        return read_log("night.log", layout)

    return reading


def assert_rows(section, rows):
    """The section holds exactly these rows of the truth."""
    assert section.seconds == pytest.approx(NIGHT.seconds[rows], abs=LAST_BIT)
    assert section.north_arcsec == pytest.approx(NIGHT.north[rows], abs=LAST_BIT)
    assert section.east_arcsec == pytest.approx(NIGHT.east[rows], abs=LAST_BIT)
    assert section.north_pulse_ms == pytest.approx(NIGHT.north_pulse[rows], abs=LAST_BIT)
    assert section.east_pulse_ms == pytest.approx(NIGHT.east_pulse[rows], abs=LAST_BIT)


def codes(section):
    return [note.code for note in section.notes]


@pytest.mark.parametrize("lost", [3, 9, 25])
def test_1_cut_last_line(read, lost):
    """A row cut anywhere, even where what is left still reads as a row, is left out."""
    text = "\n".join(log_of(NIGHT)[:-1])[:-lost]
    log = read(text)
    assert_rows(log[0], np.arange(399))
    assert [note.text for note in log.notes] == [
        "night.log:405: the last row has no line end and may be cut, it was left out"
    ]


@pytest.mark.parametrize("size", [1, 4096])
def test_2_nul_bytes(read, size):
    """What a crash leaves: a stretch of NUL bytes where a row was, and at the end of the file."""
    lines = log_of(NIGHT)
    whole = "\n".join(lines[:-1]).encode()
    at = whole.index(lines[100].encode()) + 1
    holed = whole[:at] + b"\0" * size + whole[at + 2 :] + b"\n" + b"\0" * size
    log = read(holed)
    assert_rows(log[0], np.delete(np.arange(400), 95))
    assert log[0].moved.nonzero()[0].tolist() == [95]  # the lost row's pulses are not known
    assert codes(log[0]) == ["rows-unread"]
    assert log[0].notes[0].text.startswith("night.log:101: this row was left out: '")


def test_3_wrong_encoding(read):
    """Written in Latin-1, read as UTF-8: words suffer, numbers do not."""
    lines = log_of(NIGHT)
    lines.insert(50, "# die Schrauben \xfcberpr\xfcft")
    log = read("".join(f"{line}\n" for line in lines).encode("latin-1"))
    assert_rows(log[0], np.arange(400))
    assert [note.text for note in log.notes] == [
        "night.log:51: 2 signs that are not utf-8, the first one here; numbers that hold one are not used, the others "
        "are right whatever the encoding (encoding in [text] of the layout mends it)"
    ]


@pytest.mark.parametrize("twin", ["utf-16-le", "utf-16-be"])
def test_3_two_bytes_per_sign_without_a_mark(read, twin):
    with pytest.raises(InputError) as caught:
        read("\n".join(log_of(NIGHT)).encode(twin))
    assert str(caught.value) == (
        "night.log: the layout says utf-8, but this file is written with two bytes per sign"
    )
    assert caught.value.hint == f'encoding = "{twin}" in [text] of the layout'


def test_3_one_byte_per_sign_where_two_are_stated(read):
    Path("two.toml").write_text(LAYOUT.replace('"utf-8"', '"utf-16"'), encoding="utf-8")
    with pytest.raises(
        InputError, match="the layout says utf-16, but this file is written with one byte per sign"
    ):
        read(log_of(NIGHT), "two.toml")


def test_4_decimal_comma(read):
    """Not in the layout: no number is guessed at."""
    log = read([line.replace(".", ",") if line[0].isdigit() else line for line in log_of(NIGHT)])
    assert len(log) == 0
    assert [note.text for note in log.refused] == [
        "night.log:2: 400 of 400 rows cannot be read, the first at line 6: '2,0' is no number "
        "(see delimiter and decimal in [text], and the units, names and format in [columns])"
    ]


def test_4_decimal_comma_where_the_comma_divides_cells(read):
    """Twice as many cells as names: reading the first ones would give wrong numbers."""
    Path("comma.toml").write_text(
        LAYOUT.replace('";"', '","').replace("'^sec;'", "'^sec,'"), encoding="utf-8"
    )
    lines = [line.replace(".", ",") if line[0].isdigit() else line for line in log_of(NIGHT)]
    log = read([line.replace(";", ",") for line in lines], "comma.toml")
    assert len(log) == 0
    assert "400 of 400 rows cannot be read, the first at line 6: 11 cells, not 7" in log.refused[0].text


@pytest.mark.parametrize("iso", [False, True])
def test_5_clock_steps_back_an_hour(read, iso):
    times = NIGHT.seconds - np.where(np.arange(400) < 250, 0, 3600)
    start = datetime(2026, 11, 25, 21, 14, 3, tzinfo=UTC)
    lines = log_of(NIGHT)
    for k, seconds in enumerate(times):
        shown = (start + timedelta(seconds=seconds)).isoformat() if iso else f"{seconds:.1f}"
        lines[FIRST_ROW - 1 + k] = f"{shown};{NIGHT.row(k).split(';', 1)[1]}"
    if iso:
        Path("L.toml").write_text(
            LAYOUT.replace('"sec", unit = "s"', '"sec", unit = "iso"'), encoding="utf-8"
        )
    section = read(lines)[0]
    assert_rows(section, np.arange(400))
    assert section.moved.nonzero()[0].tolist() == [250]
    assert [note.text for note in section.notes] == [
        "night.log:256: the clock steps back by 1:00:00; the rows after it are taken to follow on, and are wrong "
        "if a line that opens a section is lost there"
    ]


def test_5_newest_row_first(read):
    """Each step back had been taken for a clock that was set back, and each row for a piece of its own."""
    lines = log_of(NIGHT)
    lines[FIRST_ROW - 1 : -1] = lines[FIRST_ROW - 1 : -1][::-1]
    assert [note.text for note in read(lines).refused] == [
        "night.log:2: the times go back in 399 of 399 rows: the newest row stands first (turn the lines round, or check "
        "which column holds the time)"
    ]


@pytest.mark.parametrize("size", [1, 2, 3, 50])
def test_6_duplicated_block(read, size):
    lines = log_of(NIGHT)
    section = read(lines[: 100 + size] + lines[100 : 100 + size] + lines[100 + size :])[0]
    assert_rows(section, np.arange(400))
    assert not section.moved.any()
    repeat = (
        "1 row that repeats an earlier one was" if size == 1 else f"{size} rows that repeat earlier ones were"
    )
    assert [note.text for note in section.notes] == [f"night.log:{101 + size}: {repeat} left out"]


def test_6_duplicated_section_and_block_across_sections(read):
    other = Night(rows=300, number=2)
    lines = log_of(NIGHT, other)
    assert len(read(lines + lines[1:407])) == 2
    assert read(lines + lines[1:407]).refused[0].text == (
        "night.log:712: all rows of this section repeat earlier ones"
    )
    # The end of the first section, the begin line of the second and its first rows are there twice.
    log = read(lines[:500] + lines[350:500] + lines[500:])
    assert_rows(log[0], np.arange(400))
    read_rows = np.concatenate([section.north_arcsec for section in log[1:]])
    assert read_rows == pytest.approx(other.north, abs=LAST_BIT)
    assert "rows-repeated" in codes(log[1]) + codes(log[2])


def test_7_gap_of_20_minutes(read):
    lines = log_of(NIGHT)
    for k in range(200, 400):
        lines[FIRST_ROW - 1 + k] = f"{NIGHT.seconds[k] + 1200:.1f};{NIGHT.row(k).split(';', 1)[1]}"
    section = read(lines)[0]
    assert section.seconds == pytest.approx(
        NIGHT.seconds + np.where(np.arange(400) < 200, 0, 1200), abs=LAST_BIT
    )
    assert section.north_arcsec == pytest.approx(NIGHT.north, abs=LAST_BIT)
    assert codes(section) == ["long-gap"]  # told above the answer
    assert [note.text for note in section.notes] == [
        "night.log:206: no row for 0:20:02 before this one: if rows are lost there, or the clock was set ahead, the "
        "result may be wrong"
    ]


def test_7_a_short_gap_weighs_more_behind_lines_that_cannot_be_read(read):
    """Three minutes are as long as it takes to write another section's first lines."""
    lines = log_of(NIGHT)
    del lines[206:296]
    assert codes(read(lines)[0]) == ["gap"]
    lines.insert(206, "\0" * 4096)
    assert codes(read(lines)[0]) == ["rows-unread", "long-gap"]


def test_8_all_rows_lost(read):
    log = read([line.replace(";open;", ";shut;") for line in log_of(NIGHT)])
    assert len(log) == 0
    assert [note.text for note in log.refused] == [
        "night.log:2: the star was lost in all 400 rows of this section"
    ]


def test_9_header_only(read):
    log = read(log_of(NIGHT)[:5])
    assert len(log) == 0
    assert [note.text for note in log.refused] == ["night.log:2: this section has no rows"]


@pytest.mark.parametrize(
    ("data", "seen"),
    [
        (b"", "this file is empty"),
        (b" \n\n", "this file holds only blanks or NUL bytes"),
        (b"\0" * 5000, "this file holds only blanks or NUL bytes"),
    ],
    ids=["nothing", "blanks", "nul"],
)
def test_10_empty_file(read, data, seen):
    with pytest.raises(InputError) as caught:
        read(data)
    assert str(caught.value) == f"night.log: {seen}"
    assert caught.value.hint == "a guide log has a line that names its columns, and rows"


@pytest.mark.parametrize("kind", ["random", "deflated", "doubles"])
def test_11_binary_file(read, kind):
    draw = np.random.default_rng(1)
    data = {
        "random": draw.bytes(20_000),
        "deflated": zlib.compress("\n".join(log_of(NIGHT)).encode()),
        "doubles": draw.normal(size=3000).tobytes(),
    }[kind]
    with pytest.raises(InputError) as caught:
        read(data)
    assert str(caught.value) == "night.log: this is not a text file"
    assert caught.value.hint == "a guide log is delimited text"


def garbled(draw, line, how):
    at = int(draw.integers(1, len(line)))
    if how == "bytes":
        return "".join(chr(int(c)) for c in draw.integers(0x80, 0x2FF, len(line)))
    if how == "missing cell":
        return line.split(";", 1)[1]
    if how == "cut and joined":
        return line[:at] + line
    return line[: line.index(";") + 2] + "?#" + line[line.index(";") + 2 :]  # in the place north


@pytest.mark.parametrize("how", ["bytes", "missing cell", "cut and joined", "place"])
def test_12_five_per_cent_of_rows_garbled(read, how):
    draw = np.random.default_rng(7)
    hit = np.sort(draw.choice(np.arange(1, 399), 20, replace=False))
    lines = log_of(NIGHT)
    for k in hit:
        lines[FIRST_ROW - 1 + k] = garbled(draw, lines[FIRST_ROW - 1 + k], how)
    log = read(lines)
    section = log[0]
    sound = np.setdiff1d(np.arange(400), hit)
    note = next(note for note in section.notes if note.code == "rows-unread")
    shown = ", ".join(str(FIRST_ROW + k) for k in hit[:5])
    assert note.text.startswith(f"night.log:{FIRST_ROW + hit[0]}: 20 rows were left out (here: ")
    assert note.text.endswith(f"lines {shown}, ...")
    if how == "place":  # the pulses can be read, so the rows stay as lost stars
        assert np.flatnonzero(~section.good).tolist() == hit.tolist()
        assert section.north_pulse_ms == pytest.approx(NIGHT.north_pulse, abs=LAST_BIT)
        assert section.north_arcsec[sound] == pytest.approx(NIGHT.north[sound], abs=LAST_BIT)
        assert not section.moved.any()
    else:
        assert_rows(section, sound)
        # A row after a lost one begins a new level: what the lost pulse did is not known.
        assert section.moved.tolist() == [k - 1 in hit for k in sound]


@pytest.mark.parametrize("wrong", [0.0, 3.0, 77777.0, 1e300])
def test_a_garbled_time_is_no_clock_step(read, wrong):
    lines = log_of(NIGHT)
    lines[FIRST_ROW - 1 + 200] = f"{wrong};{NIGHT.row(200).split(';', 1)[1]}"
    section = read(lines)[0]
    assert_rows(section, np.delete(np.arange(400), 200))
    assert section.notes[0].text == "night.log:206: this row was left out: a time out of order"


def test_a_wrong_unit_of_time_is_refused(read):
    Path("L.toml").write_text(LAYOUT.replace('"sec", unit = "s"', '"sec", unit = "h"'), encoding="utf-8")
    log = read(log_of(NIGHT))
    assert [note.text for note in log.refused] == [
        "night.log:2: the rows of this section span 798 h, allowed is up to 16 h (check the unit of time)"
    ]


def test_a_missing_file(read):
    with pytest.raises(InputError) as caught:
        read_log("none.log", "L.toml")
    assert str(caught.value) == "none.log: there is no such file"


FAST = settings(max_examples=200, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


@FAST
@given(st.binary(max_size=400))
def test_any_bytes_give_sections_or_an_error_in_words(tmp_path_factory, data):
    folder = tmp_path_factory.getbasetemp()
    (folder / "any.log").write_bytes(data)
    (folder / "any.toml").write_text(LAYOUT, encoding="utf-8")
    plan = read_layout(folder / "any.toml")
    with contextlib.suppress(PolewardError):
        read_log(folder / "any.log", plan)


@FAST
@given(st.lists(st.tuples(st.integers(0, 1500), st.binary(min_size=1, max_size=12)), min_size=1, max_size=6))
def test_any_bytes_written_over_a_log(tmp_path_factory, wounds):
    """Sections stay sound whatever is written over a log: equal lengths, rising times, places finite where good."""
    folder = tmp_path_factory.getbasetemp()
    night = Night(rows=30)
    data = bytearray("\n".join(log_of(night)).encode() + b"\n")
    for at, new in wounds:
        data[at : at + len(new)] = new
    (folder / "any.log").write_bytes(data)
    (folder / "any.toml").write_text(LAYOUT, encoding="utf-8")
    try:
        log = read_log(folder / "any.log", folder / "any.toml")
    except PolewardError:
        return
    for section in log:
        assert np.all(np.diff(section.seconds) > 0)
        assert np.isfinite(section.north_arcsec[section.good]).all()
        assert np.isfinite(section.north_pulse_ms).all()
        assert len(section.seconds) == len(section.good) == len(section.moved) == len(section.east_pulse_ms)


def test_the_truth_is_in_the_log():
    """The helper writes what it says it writes (else every test here is empty)."""
    cells = NIGHT.row(7).split(";")
    assert float(cells[1]) * SCALE == pytest.approx(NIGHT.north[7], abs=LAST_BIT)
