"""The fuzzer of guide logs is sound: its logs give the truth undamaged, and it sees what it looks for."""

from __future__ import annotations

import json

import pytest

pytest.importorskip("resource", reason="limits of time and memory by POSIX")

import fuzz_log
from limits import Outcome, limited


@pytest.fixture(scope="module")
def pool():
    return fuzz_log.bases()


@pytest.mark.parametrize("number", range(0, 10, 3))
def test_undamaged_logs_give_the_truth(pool, tmp_path, number):
    """Within three sigmas: a finding at five is then damage."""
    sound = pool[number]
    (tmp_path / "night.log").write_text("\n".join(sound.lines) + "\n", encoding="utf-8")
    (tmp_path / "l.toml").write_text(sound.layout, encoding="utf-8")
    (tmp_path / "astropy").mkdir()
    outcome = limited(lambda: fuzz_log.solve(tmp_path), fuzz_log.MOST_S, fuzz_log.MOST_MB)
    assert fuzz_log.verdict(outcome, sound.guided) == ""
    axis = json.loads(outcome.result[1])["axis"]
    for name, truth in zip(("azimuth", "altitude"), fuzz_log.TRUTH, strict=True):
        assert abs(axis[f"{name}_error_arcmin"] - truth) < 3 * axis[f"{name}_sigma_arcmin"]


def test_limits_hold():
    assert limited(lambda: 42, 5, 100).result == 42
    assert limited(lambda: len(bytearray(500 << 20)), 5, 100).ended == "ended by 1"  # MemoryError
    assert limited(lambda: sum(1 for _ in iter(int, 1)), 0.5, 100).ended.startswith(
        ("ended by -", "over 0.5 s")
    )


def ran(status, err="", axis=(9.0, -7.0), codes=()):
    record = {
        "axis": {
            "azimuth_error_arcmin": axis[0], "azimuth_sigma_arcmin": 0.1,
            "altitude_error_arcmin": axis[1], "altitude_sigma_arcmin": 0.1,
        },
        "warnings": [{"code": code, "text": ""} for code in codes],
        "sections": [],
    }  # fmt: skip
    return Outcome((status, json.dumps(record), err), "", 1.0, 0.0)


@pytest.mark.parametrize(
    ("outcome", "found"),
    [
        (ran(0), ""),
        (ran(0, axis=(9.6, -7.0)), "azimuth off by +6 sigma"),
        (ran(0, axis=(9.0, -7.6), codes=["only-watched"]), "altitude off by -6 sigma"),
        (ran(0, axis=(9.0, -7.6), codes=["gap"]), ""),
        (ran(70, "poleward: a fault of ours"), "exit status 70"),
        (ran(3, "poleward: no section can be used: its rows cannot be read"), ""),
        (ran(3, "Traceback"), "no words"),
        (Outcome(None, "over 20 s", 21.0, 0.0), "over 20 s"),
        (Outcome((0, "{}", ""), "", 1.0, 2000.0), "2000 MB"),
    ],
)
def test_what_is_a_finding(outcome, found):
    said = fuzz_log.verdict(outcome, guided=False)
    assert said.startswith(found) if found else said == ""


@pytest.mark.slow
def test_some_runs(pool, tmp_path):
    """A few, so that the command keeps working; .ci/run does more, and by hand: tests/fuzz_log.py --runs 5000."""
    (tmp_path / "astropy").mkdir()
    found = [fuzz_log.one_run(1, run, pool, tmp_path)[0] for run in range(8)]
    assert found == [""] * 8
