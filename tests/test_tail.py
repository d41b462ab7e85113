"""Following a log that is still being written."""

from __future__ import annotations

import numpy as np
import pytest
from oddlog import LAYOUT, Night, log_of

from poleward.errors import InputError
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


def test_a_log_that_is_gone(tail, tmp_path):
    (tmp_path / "now.log").unlink()
    with pytest.raises(InputError) as caught:
        tail.look()
    assert str(caught.value) == f"{tmp_path / 'now.log'}: this log cannot be read: No such file or directory"
