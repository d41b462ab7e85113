"""`poleward log` as a user meets it: simulated nights whose truth is known, damage, and what is said of it."""

from __future__ import annotations

import io
import json
import signal
import subprocess
import sys
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from conftest import run_here
from logfile import PLACE, START, TRUTH, log_lines, sections_of, write_log

from poleward.cli.progress import Bar, bar_text
from poleward.guidelog.fitting import runs
from poleward.report.log_text import MOST_LINES, WORST
from poleward.simulate.night import Guider

SCHEMA = json.loads(
    (Path(__file__).parent.parent / "src/poleward/data/record.schema.json").read_text(encoding="utf-8")
)
SPOTS = ((-3.5, 20.0), (0.2, 5.0), (3.0, 40.0))
GUIDER = Guider(true_rate=7.2, move_every_s=600)


@pytest.fixture
def watched(workdir):
    return write_log(workdir, "watched.log", sections_of(SPOTS))


@pytest.fixture
def guided(workdir):
    return write_log(workdir, "guided.log", sections_of(SPOTS, seconds=2400, guider=GUIDER))


def log(*arguments):
    return run_here("log", *map(str, arguments), "--layout", "l.toml", *PLACE)


def record_of(*arguments):
    ran = log(*arguments, "--json")
    record = json.loads(ran.out)
    jsonschema.Draft202012Validator(SCHEMA).validate(record)
    return ran.status, record


@pytest.mark.parametrize("name", ["watched", "guided"])
def test_the_truth_comes_back(name, request):
    """Truth is made with astropy and scipy's Rotation (simulate); four sigmas leave one in 16,000 (normal tails)."""
    request.getfixturevalue(name)
    status, record = record_of(f"{name}.log")
    axis = record["axis"]
    assert status == 0
    assert axis["determined"] == "both"
    for error, truth in (("azimuth", TRUTH[0]), ("altitude", TRUTH[1])):
        sigma = axis[f"{error}_sigma_arcmin"]
        assert abs(axis[f"{error}_error_arcmin"] - truth) < 4 * sigma
        assert sigma < 0.8  # arcmin: an answer that is worth having
    assert [section["used"] for section in record["sections"]] == [True] * 3
    for section, (hour, dec) in zip(record["sections"], SPOTS, strict=True):
        assert section["hour_angle_h"] == pytest.approx(hour, abs=0.002)  # the first row is some seconds late
        assert section["dec_deg"] == pytest.approx(dec, abs=1e-4)
        # Spherical triangle, and refraction of half an arcminute or less up there.
        h, d, phi = np.radians([15 * hour, dec, 47.1])
        altitude = np.degrees(np.arcsin(np.sin(phi) * np.sin(d) + np.cos(phi) * np.cos(d) * np.cos(h)))
        assert section["altitude_deg"] == pytest.approx(altitude, abs=0.05)
    assert record["groups"][0]["name"] == "all sections"
    assert record["agreement"] is record["season"] is None
    if name == "guided":
        section = record["sections"][0]
        assert abs(section["guide_rate_arcsec_per_s"] - 7.2) < 4 * section["guide_rate_sigma_arcsec_per_s"]
        assert abs(section["backlash_ms"] - 200) < 4 * section["backlash_sigma_ms"]


def test_text_says_verdict_first_then_sections_and_guiding(guided):
    ran = log("guided.log")
    assert ran.status == 0
    assert ran.err == ""
    blocks = [block.splitlines()[0] for block in ran.out.split("\n\n")]
    assert blocks[0].startswith("The axis stands ")
    assert blocks[1] == "What to turn (the axis points above the northern horizon)"
    assert blocks[2] == "Sections (start: UTC; where they pointed then)"
    assert blocks[3].startswith("Drift north in arcsec a minute, corrections undone; off by: in sigmas")
    assert blocks[4].startswith("3 sections, 1 value to spare: ")
    assert blocks[5] == "Guiding in declination, as the log itself tells it"
    for hour, dec in SPOTS:
        assert f"{hour:+6.2f}h  {dec:+5.1f}  " in ran.out
    assert blocks[-1].startswith("Site: latitude +47.10, longitude +8.40 deg")
    assert ran.out.isascii()
    assert max(map(len, ran.out.splitlines())) <= 122


def test_turns_of_the_setup_and_the_star(watched, workdir):
    (workdir / "poleward.toml").write_text(
        '[mount.azimuth_knob]\nper_turn = "30 arcmin"\nclockwise = "east"\n', encoding="utf-8"
    )
    _, record = record_of("watched.log", "--watch", "hour_angle=1h, dec=10d")
    move = record["moves"][0]
    assert move["turns"] == pytest.approx(abs(move["move_arcmin"]) / 30)
    assert move["direction"] == "counter-clockwise"  # the axis is too far east
    assert move["star"]["hour_angle_h"] == pytest.approx(1.0, abs=0.001)
    _, record = record_of("watched.log")
    assert record["moves"][0]["star"]["dec_deg"] == pytest.approx(SPOTS[-1][1], abs=0.01)


def test_one_short_section_leaves_an_error_open(workdir):
    write_log(workdir, "short.log", sections_of([(0.0, 5.0)], seconds=600))
    status, record = record_of("short.log")
    assert status == 4
    assert record["axis"]["determined"] == "azimuth"
    assert record["axis"]["altitude_error_arcmin"] is None
    ran = log("short.log")
    assert ran.status == 4
    assert "To learn the rest, " in ran.out
    assert "altitude  not determined" in ran.out
    assert "1 section, none to spare: nothing checks it." in ran.out
    assert "just enough sections" not in ran.out  # they are not


def test_standard_input(watched, monkeypatch):
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(watched.read_bytes())))
    ran = run_here("log", "-", "--layout", "l.toml", *PLACE, "--json")
    assert json.loads(ran.out)["sections"][0]["file"] == "standard input"


def test_bad_logs_are_told_and_the_good_go_on(watched, workdir):
    (workdir / "empty.log").write_bytes(b"")
    _, alone = record_of("watched.log")
    status, record = record_of("empty.log", "watched.log", "nowhere.log")
    assert status == 0
    assert record["axis"] == alone["axis"]
    refused = [note["text"] for note in record["warnings"] if note["code"] == "file-refused"]
    assert refused[0].startswith("empty.log: ")
    assert refused[1] == "nowhere.log: there is no such file: this log is not used"
    assert (
        "  not used: nowhere.log: there is no such file: this log is not used\n"
        in log("watched.log", "nowhere.log").out
    )


def test_a_refused_section_is_told(watched, workdir):
    lines = watched.read_text(encoding="utf-8").splitlines()
    lines += [">> watch 4 from 2024-03-10T22:00:00+00:00 west nowhere up 10", *lines[2:200], "<< end"]
    watched.write_text("\n".join(lines) + "\n", encoding="utf-8")
    status, record = record_of("watched.log")
    assert status == 0
    assert len(record["sections"]) == 3
    (refused,) = [note["text"] for note in record["warnings"] if note["code"] == "section-refused"]
    (table,) = [
        block for block in log("watched.log").out.split("\n\n") if block.startswith("Sections (start")
    ]
    assert f"not used: {refused}" in " ".join(table.split())


def test_what_a_section_has_to_say_stands_above_the_answer_and_once(guided):
    """The same pulse in thirty rows on end: the reader tells of it with its section."""
    lines = guided.read_text(encoding="utf-8").splitlines()
    for k in range(100, 130):
        t, n, _, moved = lines[k].split(";")
        lines[k] = f"{t};{n};25;{moved}"
    guided.write_text("\n".join(lines) + "\n", encoding="utf-8")
    out = " ".join(log("guided.log").out.split())
    said = "! guided.log:101: north_pulse is +25 ms in 30 rows on end: if it was not, the result is wrong"
    assert said in out.split("The axis stands")[0]
    assert out.count("in 30 rows on end") == 1


def test_none_can_be_used(workdir):
    write_log(workdir, "low.log", sections_of([(-5.5, -10.0)], seconds=600))
    ran = log("low.log")
    assert (ran.status, ran.out) == (3, "")
    assert ran.err.startswith("poleward: low.log:2: no section can be used: the star ")
    ran = log("nowhere.log", "elsewhere.log")
    assert ran.status == 3
    assert ran.err.startswith(
        "poleward: no section of 2 logs can be used: nowhere.log: there is no such file: this log is not used\n"
    )


def test_a_log_that_is_not_there_needs_no_layout(watched):
    ran = run_here("log", "nix.log", *PLACE)
    assert (ran.status, ran.out, ran.err) == (3, "", "poleward: nix.log: there is no such file\n")


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["log"], "no guide log is given"),
        (["log", "watched.log"], "no layout is given: it says how the log is written"),
        (["log", "a.log", "a.log", "-l", "l.toml"], "a.log: this log is named twice"),
        (["log", "-", "-l", "-"], "standard input cannot be both log and layout"),
        (
            ["log", "a.log", "b.log", "-l", "l.toml", "--follow"],
            "--follow takes one log, a file that is still",
        ),
        (["log", "a.log", "-l", "l.toml", "--until", "1arcmin"], "--until goes with --follow"),
        (["log", "a.log", "-l", "l.toml", "--interval", "1s"], "--interval goes with --follow"),
        (["log", "a.log", "-l", "l.toml", "--chart", "a.gif"], "--chart: 'a.gif' has an unknown ending"),
        (
            ["log", "watched.log", "-l", "l.toml", "--each", "hour"],
            "each: 'hour', allowed is all, night, file or",
        ),
        (
            ["log", "watched.log", "-l", "l.toml", "--pole", "south"],
            "pole: 'south', allowed is apparent or true",
        ),
        (
            ["log", "watched.log", "-l", "l.toml", "--follow", "--interval", "0s"],
            "--interval must be more than zero",
        ),
    ],
)
def test_usage_errors(watched, arguments, said):
    ran = run_here(*arguments, *(PLACE if len(arguments) > 1 else ()))
    assert (ran.status, ran.out) == (2, "")
    assert ran.err.startswith(f"poleward: {said}")


def test_files_are_written_and_not_over_others(watched, workdir):
    names = ["axis.json", "axis.ecsv"]
    for name in names:
        assert log("watched.log", "--output", name).status == 0
    record = json.loads((workdir / "axis.json").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator(SCHEMA).validate(record)
    from astropy.table import Table

    table = Table.read(workdir / "axis.ecsv", format="ascii.ecsv")
    assert len(table) == 3
    assert str(table["north_rate"].unit) == "arcsec / min"
    assert table["north_rate"][0] == pytest.approx(record["sections"][0]["north_rate_arcsec_per_min"])
    assert table.meta["axis"]["azimuth_error_arcmin"] == record["axis"]["azimuth_error_arcmin"]
    ran = log("watched.log", "--output", "axis.json")
    assert (ran.status, ran.out) == (2, "")
    assert "this file exists already" in ran.err


@pytest.fixture
def three_nights(workdir):
    for number in range(3):
        start = START + timedelta(days=number)
        write_log(workdir, f"n{number}.log", sections_of(SPOTS[:2], start=start, seed=20 + number))
    return [f"n{number}.log" for number in range(3)]


def test_night_by_night(three_nights):
    status, record = record_of(*three_nights, "--each", "night")
    assert status == 0
    assert [group["name"] for group in record["groups"]] == ["2024-03-10", "2024-03-11", "2024-03-12"]
    for group in record["groups"]:
        off = group["axis"]["azimuth_error_arcmin"] - TRUTH[0]
        assert abs(off) < 4 * group["axis"]["azimuth_sigma_arcmin"]
    (spell,) = record["season"]["spells"]
    assert (spell["first"], spell["last"], spell["groups"]) == ("2024-03-10", "2024-03-12", 3)
    assert spell["on_last"]["azimuth_arcmin"] == record["axis"]["azimuth_error_arcmin"]
    change = spell["change"]
    assert abs(change["azimuth_arcmin_per_day"]) < 4 * change["azimuth_sigma_arcmin_per_day"]
    assert abs(record["agreement"]["mean"]["azimuth_error_arcmin"] - TRUTH[0]) < 0.5
    ran = log(*three_nights, "--each", "night")
    assert "Group by group, in arcmin (east and up positive)" in ran.out
    assert "So it stood on 2024-03-12, by the line through 3 answers." in ran.out
    assert "  2024-03-10 to 2024-03-12: 3 answers\n    it stands at " in ran.out


def test_processes_change_nothing(three_nights, monkeypatch):
    """The same record from workers as from one process."""
    _, alone = record_of(*three_nights, "--each", "file")
    monkeypatch.setattr(runs, "WORTH_BYTES", 0)
    monkeypatch.setattr(runs, "_cores", lambda: 2)
    _, together = record_of(*three_nights, "--each", "file")
    assert together == alone


def test_long_tables_are_cut(workdir):
    spots = [(hour / 4, 20.0) for hour in range(-6, 8)]
    assert len(spots) > MOST_LINES
    write_log(workdir, "many.log", sections_of(spots, seconds=450))
    out = log("many.log").out
    assert f"Sections: of {len(spots)} the {WORST} that fit worst (" in out
    assert sum(line.startswith("  watch ") for line in out.splitlines()) == 2 * WORST  # in both tables


def test_the_bar():
    assert bar_text("solving", 15, 60, 4.2) == f"solving [{'#' * 7}{' ' * 23}] 15 of 60, 4 s"
    assert bar_text("solving", 0, 1, 12.0) == "solving, 12 s"


def test_no_bar_without_a_terminal(capsys):
    with Bar() as bar:
        bar.tell("solving", 1, 2)
    assert capsys.readouterr().err == ""


# --follow -------------------------------------------------------------------------------------------------------------


class Feeder:
    """Writes the next bit of a log, ending in the middle of lines, each time that somebody waits for it."""

    def __init__(self, path: Path, lines: list[str]) -> None:
        text = "\n".join(lines) + "\n"
        step = len(text) // 40 | 1
        self._path, self._bits = path, [text[at : at + step] for at in range(0, len(text), step)]

    def sleep(self, seconds: float) -> None:
        assert seconds == pytest.approx(2.0)  # the default, s
        if self._bits:
            with self._path.open("a", encoding="utf-8") as file:
                file.write(self._bits.pop(0))


def test_follow_until_certain(workdir, monkeypatch):
    """Two sections come in; the first alone leaves an error open, and the next pointing is named."""
    lines = log_lines(sections_of([(0.0, 5.0), (-4.5, 25.0)], seconds=900))
    write_log(workdir, "whole.log", [])  # for the layout
    (workdir / "now.log").write_text("", encoding="utf-8")
    monkeypatch.setattr("poleward.cli.follow.time", Feeder(workdir / "now.log", lines))
    ran = log("now.log", "--follow", "--until", "1arcmin")
    assert ran.status == 0
    updates, report = ran.out.split("both errors are as certain as was asked for\n")
    assert "altitude not determined" in updates
    assert "  to learn the rest, " in updates
    counts = [int(line.split()[1]) for line in updates.splitlines() if " rows  " in line]
    assert counts == sorted(counts)
    assert len(counts) < 30  # not one solve for each look
    assert "\nThe axis stands " in report
    assert "may be cut" not in ran.out  # the half-written line was waited for
    for name in ("azimuth", "altitude"):
        line = next(line for line in report.splitlines() if line.startswith(f"  {name}"))
        assert float(line.split("+/- ")[1].split()[0]) <= 1.0


def test_follow_a_log_begun_anew(workdir, monkeypatch):
    """A shorter file is another log: what the first one held is forgotten, and the user is told."""
    first = write_log(workdir, "now.log", sections_of(SPOTS[:2], seconds=900))
    later = "\n".join(log_lines(sections_of(SPOTS[1:], seconds=600, seed=9))) + "\n"

    class Swap:
        def sleep(self, seconds: float) -> None:
            if first.read_text(encoding="utf-8") == later:
                raise KeyboardInterrupt
            first.write_text(later, encoding="utf-8")

    monkeypatch.setattr("poleward.cli.follow.time", Swap())
    ran = log("now.log", "--follow")
    assert ran.status == 130
    assert ran.err == "poleward: now.log: this log was begun anew, what it held before is forgotten\n"
    assert "2 sections, none to spare" in ran.out


def test_follow_what_happens_to_files(workdir, monkeypatch):
    """Gone, binary, begun anew and too short to tell: the last answer is given at the end all the same."""
    now = write_log(workdir, "now.log", sections_of(SPOTS[:2], seconds=900))
    held = now.read_bytes()
    happens = [
        lambda: now.unlink(),
        lambda: None,
        lambda: now.write_bytes(bytes(range(1, 256)) * 40 + b"\n"),
        lambda: now.write_bytes(held),
        lambda: now.write_bytes(held[: len(held) // 30]),
    ]

    class Happens:
        def sleep(self, seconds: float) -> None:
            if not happens:
                raise KeyboardInterrupt
            happens.pop(0)()

    monkeypatch.setattr("poleward.cli.follow.time", Happens())
    ran = log("now.log", "--follow")
    assert ran.status == 130
    assert ran.err.splitlines() == [
        "poleward: now.log: there is no such file; waiting for it",
        "poleward: now.log: this is not a text file; waiting for it",
        "poleward: now.log: it can be read again",
        "poleward: now.log: this log was begun anew, what it held before is forgotten",
    ]
    assert "interrupted; what is known so far is from before the log was begun anew:" in ran.out
    assert "2 sections, none to spare" in ran.out


def test_follow_takes_the_doubt_of_pointings(workdir, monkeypatch):
    """As without --follow: it had been left out, and the sigma was too small."""
    now = write_log(workdir, "now.log", sections_of(SPOTS[:2], seconds=900))
    whole = log(now.name, "--pointing-error", "9deg").out

    class Stop:
        def sleep(self, seconds: float) -> None:
            raise KeyboardInterrupt

    monkeypatch.setattr("poleward.cli.follow.time", Stop())
    followed = log(now.name, "--pointing-error", "9deg", "--follow").out
    assert followed.endswith(whole)
    assert whole != log(now.name).out


def test_follow_a_log_that_is_not_there(workdir):
    write_log(workdir, "whole.log", [])
    ran = log("now.log", "--follow")
    assert (ran.status, ran.out) == (3, "")
    assert ran.err == "poleward: now.log: there is no such file\n"


def test_follow_goes_on_after_a_fault(watched, monkeypatch):
    """Whatever a solve raises, the next rows may mend it."""
    import poleward.guidelog.fitting.night as fitting

    whole, calls = fitting.solve_log, []

    def solve_log(*arguments, **options):
        calls.append(1)
        if len(calls) == 2:
            raise ZeroDivisionError("of all things")
        return whole(*arguments, **options)

    class Grow:
        def sleep(self, seconds: float) -> None:
            if len(calls) == 2:
                raise KeyboardInterrupt
            lines = watched.read_text(encoding="utf-8").splitlines()
            later = [line.replace("watch 1", "watch 4") for line in lines[1:]]
            watched.write_text(
                "\n".join(lines + [line.replace("03-10", "03-11") for line in later]) + "\n", encoding="utf-8"
            )

    monkeypatch.setattr(fitting, "solve_log", solve_log)
    monkeypatch.setattr("poleward.cli.follow.time", Grow())
    ran = log("watched.log", "--follow")
    assert ran.status == 130
    assert "a fault of ours, going on without these rows: check what was written last" in ran.err
    assert "what is known so far:" in ran.out
    assert "The axis stands " in ran.out


def interrupted(how: signal.Signals) -> tuple[str, str, str]:
    """Follow now.log in a process of its own and end it after its first line: that line, the rest, standard error."""
    words = ("poleward", "log", "now.log", "-l", "l.toml", *PLACE, "--follow", "--interval", "50ms")
    process = subprocess.Popen(
        [sys.executable, "-m", *words], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    first = process.stdout.readline()
    process.send_signal(how)
    out, err = process.communicate()
    assert process.returncode == 130
    return first, out, err


@pytest.mark.slow
@pytest.mark.parametrize("how", ["SIGINT", "SIGTERM", "SIGHUP"])
def test_follow_interrupted(workdir, how):
    """Ctrl-C, and whatever else ends a program, gives what is known, and status 130."""
    write_log(workdir, "now.log", sections_of(SPOTS[:2], seconds=900))
    first, out, err = interrupted(getattr(signal, how))
    assert " rows  azimuth +" in first
    assert "interrupted; what is known so far:\n" in out
    assert "The axis stands " in out
    assert err == ""


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(signal, "SIGHUP"), reason="Windows has no SIGHUP")
def test_what_was_to_be_ignored_stays_ignored(workdir):
    """Begun by nohup, it goes on when the terminal is closed: SIGHUP ends nothing, and SIGTERM does."""
    write_log(workdir, "now.log", sections_of(SPOTS[:2], seconds=900))
    ignored = signal.signal(signal.SIGHUP, signal.SIG_IGN)  # which those it begins inherit
    words = ("poleward", "log", "now.log", "-l", "l.toml", *PLACE, "--follow", "--interval", "50ms")
    process = subprocess.Popen([sys.executable, "-m", *words], stdout=subprocess.PIPE, text=True)
    signal.signal(signal.SIGHUP, ignored)
    assert process.stdout is not None
    assert " rows  azimuth +" in process.stdout.readline()
    process.send_signal(signal.SIGHUP)
    with pytest.raises(subprocess.TimeoutExpired):
        process.wait(1.0)
    process.send_signal(signal.SIGTERM)
    out, _ = process.communicate()
    assert process.returncode == 130
    assert "The axis stands " in out


def test_follow_keeps_the_last_answer_until_there_is_one(workdir, monkeypatch):
    """A log begun anew whose few rows determine neither error takes no answer away."""
    now = write_log(workdir, "now.log", sections_of(SPOTS[:2], seconds=900))
    few = "\n".join(log_lines(sections_of(SPOTS[:1], seconds=240, seed=9))) + "\n"

    class Swap:
        def __init__(self) -> None:
            self.looks = 0

        def sleep(self, seconds: float) -> None:
            now.write_text(few, encoding="utf-8")
            self.looks += 1
            if self.looks == 9:
                raise KeyboardInterrupt

    monkeypatch.setattr("poleward.cli.follow.time", Swap())
    ran = log("now.log", "--follow")
    assert "azimuth not determined  altitude not determined" in ran.out
    assert "interrupted; what is known so far is from before the log was begun anew:" in ran.out
    assert "2 sections, none to spare" in ran.out


def test_follow_before_there_is_enough(workdir):
    lines = log_lines(sections_of([(0.0, 5.0)], seconds=600))
    write_log(workdir, "whole.log", [])
    (workdir / "now.log").write_text("\n".join(lines[:30]) + "\n", encoding="utf-8")
    first, out, _ = interrupted(signal.SIGINT)
    assert "27 rows  not enough yet: " in first
    assert "interrupted before any answer" in out


def test_follow_with_a_record_keeps_standard_output_for_it(watched):
    ran = log("watched.log", "--follow", "--until", "30arcmin", "--interval", "10ms", "--json")
    assert ran.status == 0
    jsonschema.Draft202012Validator(SCHEMA).validate(json.loads(ran.out))
    assert " rows  azimuth +" in ran.err


def test_what_makes_the_result_wrong_stands_above_it(workdir):
    """A section whose clock runs ten times too slow: said before the answer, and not again below it."""
    sections = sections_of(SPOTS, seconds=900)
    slow = replace(sections[2], seconds=10 * sections[2].seconds)
    write_log(workdir, "night.log", [*sections[:2], slow])
    ran = log("night.log")
    assert ran.out.index("a row every") < ran.out.index(" axis stands ")
    assert ran.out.count("a row every") == 1
