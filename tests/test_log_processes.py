"""Many logs in several processes: the same answers, and what happens when one of the processes is ended."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
import time
from datetime import timedelta
from pathlib import Path

import pytest
from logfile import SITE, START, sections_of, write_log

from poleward.guidelog.fitting import drive, runs
from poleward.guidelog.fitting.crew import Crew
from poleward.guidelog.fitting.night import Wanted
from poleward.guidelog.reading.layout import read_layout

SPOTS = ((-3.5, 20.0), (0.2, 5.0))


@pytest.fixture
def three_nights(workdir):
    for number in range(3):
        start = START + timedelta(days=number)
        write_log(workdir, f"n{number}.log", sections_of(SPOTS, start=start, seed=20 + number))
    return [f"n{number}.log" for number in range(3)]


@pytest.fixture
def workers_pay(monkeypatch):
    monkeypatch.setattr(runs, "WORTH_BYTES", 0)
    monkeypatch.setattr(runs, "_cores", lambda: 2)


@pytest.mark.slow
@pytest.mark.parametrize("when", ["reading", "solving"])
def test_a_killed_worker_is_told_and_its_work_done(three_nights, workers_pay, workdir, when):
    """The system ends a worker, as it does when memory is short."""
    layout, wanted = read_layout("l.toml"), Wanted(each="file")

    def kill(what, done, count):
        children = multiprocessing.active_children()
        if (what, done) == (when, 1):
            assert children
            os.kill(children[0].pid, signal.SIGKILL)

    whole = runs.solve_logs(three_nights, layout, SITE, wanted, kill)
    assert [note.code for note in whole.solution.solution.warnings].count("worker-ended") == 1
    assert [group.name for group in whole.solution.groups] == three_nights
    assert all(group.solution is not None for group in whole.solution.groups)


LONG = 10_000_000
"""Bytes: far more than a pipe holds, so that a worker writes as long as nobody reads."""


def job(name):
    """A worker's: "cut ..." is killed while it writes its answer, "fails" raises; in the first process both are done."""
    at_work = multiprocessing.parent_process() is not None
    if at_work and name.startswith("cut"):
        wait_until(Path(name.removeprefix("cut ")).exists)
        threading.Timer(0.5, os.kill, (os.getpid(), signal.SIGKILL)).start()
        return b"x" * LONG
    if at_work and name == "fails":
        raise ZeroDivisionError("here alone")
    return name, os.getpid()


def wait_until(so):
    """Wait for a condition, half a minute at most."""
    end = time.monotonic() + 30
    while not so() and time.monotonic() < end:
        time.sleep(0.02)


def test_a_worker_killed_while_it_answers_holds_up_nobody(tmp_path):
    """What it left is done here, what is left is done by the other worker, and what a worker cannot do is done here."""
    crew, told, begin = Crew(2), [], tmp_path / "begin"

    def tell(count):
        told.append(count)
        if count == 1:  # nobody reads meanwhile: the other one writes, and is killed
            begin.touch()
            wait_until(lambda: len(multiprocessing.active_children()) < 2)

    cut = f"cut {begin}"
    try:
        found = crew.each(job, ["first", cut, "fails", "last"], tell)
    finally:
        crew.end()
    assert [name for name, _ in found] == ["first", cut, "fails", "last"]
    here = os.getpid()
    assert [process == here for _, process in found] == [False, True, True, False]
    assert crew.lost
    assert told == [0, 1, 2, 3, 4]
    assert not multiprocessing.active_children()


def test_where_no_process_can_be_copied_workers_begin_anew(three_nights, workers_pay, monkeypatch):
    """As on Windows (not tried there): Python is started again in each, and everything is handed over."""
    monkeypatch.setattr(multiprocessing, "get_all_start_methods", lambda: ["spawn"])
    kinds = set()

    def look(*_):
        kinds.update(type(child).__name__ for child in multiprocessing.active_children())

    layout, wanted = read_layout("l.toml"), Wanted(each="file")
    found = runs.solve_logs(three_nights[:2], layout, SITE, wanted, look)
    assert "SpawnProcess" in kinds
    assert "worker-ended" not in [note.code for note in found.solution.solution.warnings]
    assert all(group.solution is not None for group in found.solution.groups)


def test_a_season_in_one_group_is_laid_out_in_turn_and_not_traced(three_nights, monkeypatch):
    """To the same answer: what is kept in memory is no part of it. A few sections keep their traces, however long."""
    layout, wanted = read_layout("l.toml"), Wanted()
    whole = runs.solve_logs(three_nights, layout, SITE, wanted).solution
    monkeypatch.setattr(drive, "HANDY", 0)
    monkeypatch.setattr(runs, "KEPT_ROWS", 0)
    assert len(whole.groups[0].traces) == len(whole.sections) == 6
    kept = runs.solve_logs(three_nights, layout, SITE, wanted).solution
    assert len(kept.groups[0].traces) == 6
    monkeypatch.setattr(runs, "KEPT_TRACES", 5)
    found = runs.solve_logs(three_nights, layout, SITE, wanted).solution
    assert found.groups[0].traces == ()
    for answer in (kept, found):
        assert answer.solution == whole.solution
