"""The rounds file: whole or not at all, nothing lost, and a damaged or later one left alone."""

from __future__ import annotations

import itertools
import json
import os
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from poleward import InputError
from poleward.rounds.history import Round, read_rounds, round_of, update_rounds

AXIS: dict[str, Any] = {
    "reference": "apparent pole",
    "azimuth_error_arcmin": 12.0,
    "altitude_error_arcmin": -8.0,
    "azimuth_sigma_arcmin": 0.5,
    "altitude_sigma_arcmin": 0.4,
    "correlation": 0.1,
    "pole_altitude_deg": 47.1,
    "latitude_deg": 47.1,
}
AT = datetime(2026, 11, 25, 21, 10, tzinfo=UTC)


def one(azimuth: float = 12.0) -> Round:
    return round_of(
        {**AXIS, "azimuth_error_arcmin": azimuth}, AT, {"azimuth": (-0.3, 0.2), "altitude": (0.4,)}
    )


def test_what_is_written_is_read(tmp_path: Path) -> None:
    path = tmp_path / "r.json"
    update_rounds(path, lambda kept: kept.with_round(one()))
    update_rounds(path, lambda kept: kept.with_turned({"azimuth": (-0.25,), "altitude": ()}))
    kept = update_rounds(path, lambda kept: kept.with_round(one(3.0)))
    assert read_rounds(path) == kept
    assert kept.rounds[0].turned == {"azimuth": (-0.25,), "altitude": ()}
    assert kept.rounds[1].turned is None
    assert [path.name] == [each.name for each in tmp_path.iterdir()]  # no lock and no spare file stays


def test_an_error_that_is_not_determined_makes_no_round() -> None:
    with pytest.raises(InputError, match="a round needs both errors"):
        round_of({**AXIS, "azimuth_error_arcmin": None}, AT)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("{", "this rounds file is damaged: it is not JSON"),
        ("[" * 100_000, "this rounds file is damaged: it is not JSON"),
        ('{"record": "solution", "version": 1}', "this is not a rounds file"),
        (
            '{"record": "rounds file", "version": 2}',
            "a rounds file of version 2, this poleward knows version 1",
        ),
        ('{"record": "rounds file", "version": 1}', "this rounds file is damaged: it has no list of rounds"),
        (
            '{"record": "rounds file", "version": 1, "rounds": [{}]}',
            "this rounds file is damaged: round 1 has no axis",
        ),
        (
            json.dumps(
                {"record": "rounds file", "version": 1, "rounds": [{"at": AT.isoformat(), "axis": {}}]}
            ),
            "this rounds file is damaged: round 1: azimuth_error_arcmin is no number",
        ),
    ],
)
def test_a_file_that_is_none_is_named_and_left_alone(tmp_path: Path, text: str, said: str) -> None:
    path = tmp_path / "r.json"
    path.write_text(text, encoding="utf-8")
    for action in (
        lambda: read_rounds(path),
        lambda: update_rounds(path, lambda kept: kept.with_round(one())),
    ):
        with pytest.raises(InputError) as raised:
            action()
        assert raised.value.args[0] == f"{path}: {said}"
    assert path.read_text(encoding="utf-8") == text


TOUCHING = ("open", "os.rename", "os.link", "os.remove", "os.chmod")


def append_and_end_at(path: Path, at: int) -> None:
    count = itertools.count(1)
    sys.addaudithook(lambda event, _: os._exit(9) if event in TOUCHING and next(count) == at else None)
    update_rounds(path, lambda kept: kept.with_round(one(at)))
    os._exit(0)


@pytest.mark.skipif(not hasattr(os, "fork"), reason="a child that is a copy of us")
def test_killed_at_any_moment_of_an_append(tmp_path: Path) -> None:
    """The program ends at each call that touches a file: the old or the new file is there, whole."""
    path = tmp_path / "r.json"
    update_rounds(path, lambda kept: kept.with_round(one()))
    for at in range(1, 40):
        before = read_rounds(path)
        child = os.fork()
        if child == 0:
            append_and_end_at(path, at)
        status = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
        after = read_rounds(path)
        assert after in (before, before.with_round(one(at)))
        if status == 0:
            assert after != before
            assert at >= 5  # lock, spare file, mode, rename, and the lock away: each was tried
            return
        assert status == 9
    raise AssertionError("the append never ended")


def test_two_programs_at_once_lose_nothing(tmp_path: Path) -> None:
    path = tmp_path / "r.json"
    code = (
        f"import sys; sys.path.insert(0, {str(Path(__file__).parent)!r})\n"
        "from test_rounds_file import one\nfrom poleward.rounds.history import update_rounds\n"
        "for i in range(15):\n"
        f"    update_rounds({str(path)!r}, lambda kept: kept.with_round(one(float(sys.argv[1]) + i)))\n"
    )
    running = [subprocess.Popen([sys.executable, "-c", code, start]) for start in ("100", "200")]
    assert [each.wait() for each in running] == [0, 0]
    seen = sorted(each.axis["azimuth_error_arcmin"] for each in read_rounds(path).rounds)
    assert seen == [*range(100, 115), *range(200, 215)]


@pytest.mark.skipif(os.name == "nt", reason="modes are POSIX")
def test_a_folder_that_may_not_be_written(tmp_path: Path) -> None:
    if os.geteuid() == 0:
        pytest.skip("root may write anywhere")
    tmp_path.chmod(0o500)
    with pytest.raises(Exception, match="cannot be written"):
        update_rounds(tmp_path / "r.json", lambda kept: kept.with_round(one()))
