"""Following a log that is still being written."""

from __future__ import annotations

import numpy as np
import pytest
from oddlog import LAYOUT, Night, log_of

from poleward.guidelog.reading.layout import read_layout
from poleward.guidelog.reading.tail import LogTail

LAST_BIT = 1e-9  # arcsec: floating point only


@pytest.fixture
def tail(tmp_path):
    (tmp_path / "L.toml").write_text(LAYOUT, encoding="utf-8")
    (tmp_path / "now.log").write_bytes(b"")
    return LogTail(tmp_path / "now.log", read_layout(tmp_path / "L.toml"))


@pytest.fixture
def write(tmp_path):
    def writing(text):
        with (tmp_path / "now.log").open("ab") as file:
            file.write(text.encode())

    return writing


def test_every_byte_in_turn(tail, write):
    """Wherever the writer stands, only whole rows are given, each once, and nothing is said of the half one."""
    night = Night(rows=12)
    text = "".join(f"{line}\n" for line in log_of(night))
    rows = 0
    for sign in text:
        write(sign)
        growth = tail.look()
        rows += growth.new_rows
        assert growth.log.notes == ()
        for section in growth.log:
            assert section.north_arcsec == pytest.approx(
                night.north[: len(section.north_arcsec)], abs=LAST_BIT
            )
    assert rows == 12
    assert tail.look().new_rows == 0


def test_a_new_section_begins(tail, write):
    first, second = Night(rows=5, number=1), Night(rows=5, number=2)
    lines = log_of(first, second)
    write("".join(f"{line}\n" for line in lines[:9]))
    growth = tail.look()
    assert (growth.new_rows, len(growth.log)) == (4, 1)
    write("".join(f"{line}\n" for line in lines[9:15]))  # the first ends, the header of the second is there
    growth = tail.look()
    assert (growth.new_rows, len(growth.log)) == (1, 1)
    write("".join(f"{line}\n" for line in lines[15:]))
    growth = tail.look()
    assert (growth.new_rows, len(growth.log)) == (5, 2)
    assert growth.log[1].north_arcsec == pytest.approx(second.north, abs=LAST_BIT)
    assert np.all(growth.log[0].good)


def test_a_log_begun_anew(tail, write, tmp_path):
    write("".join(f"{line}\n" for line in log_of(Night(rows=9))))
    assert tail.look().new_rows == 9
    (tmp_path / "now.log").write_bytes(b"")
    night = Night(rows=3, number=2)
    write("".join(f"{line}\n" for line in log_of(night)))
    growth = tail.look()
    assert growth.restarted
    assert (growth.new_rows, len(growth.log)) == (3, 1)
    assert growth.log[0].north_arcsec == pytest.approx(night.north, abs=LAST_BIT)


def test_a_log_replaced_by_a_longer_one(tail, write, tmp_path):
    """Not shorter, but not the same: begun anew too."""
    write("".join(f"{line}\n" for line in log_of(Night(rows=9))))
    tail.look()
    night = Night(rows=30, number=2)
    (tmp_path / "now.log").write_text("".join(f"{line}\n" for line in log_of(night)), encoding="utf-8")
    growth = tail.look()
    assert growth.restarted
    assert growth.new_rows == 30
    assert growth.log[0].north_arcsec == pytest.approx(night.north, abs=LAST_BIT)


def test_a_log_rotated(tail, write, tmp_path):
    write("".join(f"{line}\n" for line in log_of(Night(rows=9))))
    tail.look()
    (tmp_path / "now.log").rename(tmp_path / "now.log.1")
    assert tail.look().trouble == "there is no such file"
    write("".join(f"{line}\n" for line in log_of(Night(rows=3, number=2))))
    growth = tail.look()
    assert (growth.restarted, growth.new_rows, growth.trouble) == (True, 3, "")


TROUBLE = {
    "gone": (lambda path: path.unlink(), "there is no such file"),
    "folder": (lambda path: (path.unlink(), path.mkdir()), "this is a folder, a file is needed"),
    "binary": (lambda path: path.write_bytes(bytes(range(1, 256)) * 20 + b"\n"), "this is not a text file"),
    "nul": (lambda path: path.write_bytes(b"\0" * 500 + b"\n"), "this file holds only blanks or NUL bytes"),
}


@pytest.mark.parametrize("kind", TROUBLE)
def test_a_log_that_cannot_be_read_for_a_while(tail, write, tmp_path, kind):
    """What was read stays, and goes on where it was when the file comes back."""
    night = Night(rows=12)
    lines = [f"{line}\n" for line in log_of(night)]
    write("".join(lines[:11]))
    path = tmp_path / "now.log"
    before, held = tail.look(), path.read_bytes()
    change, said = TROUBLE[kind]
    change(path)
    growth = tail.look()
    assert (growth.trouble, growth.new_rows, growth.restarted) == (said, 0, False)
    assert growth.log is before.log
    if path.is_dir():
        path.rmdir()
    path.write_bytes(held + "".join(lines[11:]).encode())
    growth = tail.look()
    assert (growth.trouble, growth.new_rows, growth.restarted) == ("", 6, False)
    assert growth.log[0].north_arcsec == pytest.approx(night.north, abs=LAST_BIT)
