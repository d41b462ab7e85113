"""What happens to people: full disks, closed pipes, folders that may not be entered, no home, Ctrl-C at any moment."""

from __future__ import annotations

import contextlib
import errno
import io
import json
import os
import shutil
import signal
import stat
import subprocess
import sys
import time
from pathlib import Path

import pytest
from conftest import run_here

pytestmark = [
    pytest.mark.usefixtures("workdir"),
    pytest.mark.skipif(os.name == "nt", reason="made of shells, links, modes and signals"),
]

POLEWARD = [sys.executable, "-m", "poleward"]
ROWS = "hour_angle,dec,duration,north\n-0.3,2,300,-6.2\n-4.8,18,360,-10.5\n4.4,12,360,5.5\n"


def shell(line: str, **environment: str) -> subprocess.CompletedProcess[str]:
    """Run a line of bash in which $P is the program; the exit status is that of the program, the first of a pipe."""
    return subprocess.run(
        ["bash", "-c", f"{line}; exit ${{PIPESTATUS[0]}}"],
        env={**os.environ, "P": " ".join(POLEWARD), **environment},
        capture_output=True,
        text=True,
        check=False,
    )


def drifts() -> None:
    Path("drifts.csv").write_text(ROWS, encoding="utf-8")


# Standard output


def test_a_closed_pipe_is_no_fault_and_the_files_are_there() -> None:
    ran = shell("$P demo --json --output r.json --chart c.svg | true")
    assert (ran.returncode, ran.stderr) == (0, "")
    assert json.loads(Path("r.json").read_text(encoding="utf-8"))["record"] == "solution"
    assert Path("c.svg").exists()


@pytest.mark.parametrize("command", ["solve drifts.csv --latitude 47d", "--help"])
@pytest.mark.parametrize(
    ("where", "reason"), [(">/dev/full", "No space left on device"), (">&-", "it is closed")]
)
def test_output_that_cannot_be_written_is_one_line(command: str, where: str, reason: str) -> None:
    drifts()
    output = "--output r.json" if command != "--help" else ""
    ran = shell(f"$P {command} {output} {where}")
    assert (ran.returncode, ran.stdout) == (2, "")
    assert ran.stderr == f"poleward: standard output cannot be written: {reason}\n"
    assert Path("r.json").exists() == bool(output)


@pytest.mark.parametrize("where", ["2>/dev/full", "2>&-"])
def test_errors_that_nobody_can_read_keep_their_status(where: str) -> None:
    ran = shell(f"$P solve none.csv {where}")
    assert (ran.returncode, ran.stdout, ran.stderr) == (3, "", "")


def test_standard_input_that_is_closed() -> None:
    ran = shell("$P solve - --latitude 47d <&-")
    assert (ran.returncode, ran.stderr) == (
        3, "poleward: -: standard input is closed\n  name a file in place of -\n",
    )  # fmt: skip


def test_what_is_typed_in_another_encoding_is_no_fault() -> None:
    Path("poleward.toml").write_text('[site]\nlatitude = "47 deg"\n', encoding="utf-8")
    ran = shell(r"printf 'caf\xe9\n' | $P evening e.json; exit ${PIPESTATUS[1]}")
    assert ran.returncode == 0, ran.stderr


def test_a_pipe_that_windows_calls_an_invalid_argument(monkeypatch: pytest.MonkeyPatch) -> None:
    """There a reader that has gone is EINVAL, not EPIPE (common practice, no source: not tried on Windows)."""
    from poleward.cli import streams

    monkeypatch.setattr(streams, "GONE", streams.gone("win32"))
    monkeypatch.setattr(sys, "stdout", io.StringIO())  # pytest's own is not to be given up
    assert streams.given_up(OSError(errno.EINVAL, "Invalid argument")) == 0
    assert errno.EINVAL not in streams.gone("linux")


# Files


def test_a_file_that_is_read_is_not_written_over() -> None:
    drifts()
    Path("drifts.csv").rename("d.ecsv")
    Path("link.ecsv").symlink_to("d.ecsv")
    for name in ("d.ecsv", "link.ecsv", "./d.ecsv"):
        ran = run_here("solve", "d.ecsv", "--latitude", "47d", "--output", name, "--force")
        assert (ran.status, ran.err.splitlines()[0]) == (
            2, f"poleward: {name}: this file is read here, it is not written over",
        )  # fmt: skip
    assert Path("d.ecsv").read_text(encoding="utf-8") == ROWS
    assert run_here("demo", "--output", "axis.json").status == 0
    before = Path("axis.json").read_bytes()
    target = "name=nebula, ra=05h35m17s, dec=-5d23m, exposure=60s"
    ran = run_here("check", "--axis", "axis.json", "--target", target, "--output", "axis.json", "--force")
    assert ran.status == 2
    assert Path("axis.json").read_bytes() == before


def test_a_link_stays_a_link_and_a_mode_a_mode() -> None:
    Path("shelf").mkdir()
    real, link = Path("shelf/real.json"), Path("link.json")
    real.write_text("old", encoding="utf-8")
    real.chmod(0o640)
    link.symlink_to(real)
    assert run_here("demo", "--output", "link.json", "--force").status == 0
    assert link.is_symlink()
    assert json.loads(real.read_text(encoding="utf-8"))["record"] == "solution"
    assert stat.S_IMODE(real.stat().st_mode) == 0o640
    real.unlink()
    assert run_here("demo", "--output", "link.json").status == 0  # a link to a file that is not there yet
    assert link.is_symlink()
    assert real.exists()
    assert os.listdir("shelf") == ["real.json"]


def test_what_is_no_file_is_not_replaced() -> None:
    os.mkfifo("pipe.json")
    Path("null.json").symlink_to("/dev/null")
    for name in ("pipe.json", "null.json"):
        ran = run_here("demo", "--output", name, "--force")
        assert (ran.status, ran.err) == (
            2, f"poleward: {name}: this is a device or a pipe, a file is needed\n",
        )  # fmt: skip


def test_names_that_are_too_long() -> None:
    drifts()
    long = "a" * 300
    for arguments, status, text in (
        (("demo", "--output", f"{long}.json"), 2, f"{long}.json: cannot be written: File name too long"),
        (("solve", long, "--latitude", "47d"), 3, f"{long}: File name too long"),
        (("solve", "--setup", long), 3, f"{long}: File name too long"),
        (("frames", long), 3, f"{long}: File name too long"),
        (
            ("evening", "e.json", "--targets", long),
            3,
            f"{long}: there is no such file\n  a targets table: name, ra, dec, exposure",
        ),
        (("evening", ""), 2, ".: a file name is needed"),  # and too short
        (("solve", "drifts.csv", "--latitude", "47d", "--append", ""), 2, ".: a file name is needed"),
    ):
        ran = run_here(*arguments)
        assert (ran.status, ran.err) == (status, f"poleward: {text}\n")
    # As long as a system allows, though the temporary file's name is made of it.
    assert run_here("demo", "--output", f"{'a' * 250}.json").status == 0


def test_a_working_folder_that_is_gone() -> None:
    ran = shell("mkdir gone; cd gone; rmdir ../gone; $P demo --output x.json")
    assert (ran.returncode, ran.stderr) == (
        2, "poleward: x.json: cannot be written: No such file or directory\n",
    )  # fmt: skip


def powerless() -> str:
    """How to run without root's right to pass every door; nobody else needs it."""
    if os.geteuid() != 0:
        return ""
    if shutil.which("setpriv") is None:
        pytest.skip("root without setpriv enters every folder")
    rights = "-dac_override,-dac_read_search"
    return f"setpriv --bounding-set={rights} --inh-caps={rights}"


@pytest.mark.slow
def test_folders_that_may_not_be_entered() -> None:
    drifts()
    Path("locked").mkdir(mode=0)
    try:
        for line, status, text in (
            ("solve locked/drifts.csv --latitude 47d", 3, "locked/drifts.csv: this file may not be read"),
            ("demo --output locked/r.json", 2, "locked/r.json: cannot be written: Permission denied"),
            ("demo --keep locked", 2, "locked/drifts.csv: cannot be written: Permission denied"),
            ("solve drifts.csv --setup locked/s.toml", 3, "locked/s.toml: this file may not be read"),
        ):
            ran = shell(f"{powerless()} $P {line}")
            assert (ran.returncode, ran.stderr.splitlines()[0]) == (status, f"poleward: {text}")
        # The user's own setup in such a folder is none.
        ran = shell(f"{powerless()} $P solve drifts.csv --latitude 47d", XDG_CONFIG_HOME="locked")
        assert (ran.returncode, ran.stderr) == (0, "")
    finally:
        Path("locked").chmod(0o700)


def test_a_file_that_is_read_only_is_kept() -> None:
    Path("r.json").write_text("mine", encoding="utf-8")
    Path("r.json").chmod(0o400)
    ran = shell(f"{powerless()} $P demo --output r.json --force")
    assert (ran.returncode, ran.stderr.splitlines()[0]) == (2, "poleward: r.json: this file is read-only")
    assert Path("r.json").read_text(encoding="utf-8") == "mine"


def test_a_file_that_another_program_holds_open(monkeypatch: pytest.MonkeyPatch) -> None:
    """As Windows says it (not tried there): it lets no open file be replaced."""

    def refuse(*_: object) -> None:
        raise PermissionError(errno.EACCES, "Access is denied")

    Path("r.json").write_text("mine", encoding="utf-8")
    monkeypatch.setattr(os, "replace", refuse)
    ran = run_here("demo", "--output", "r.json", "--force")
    assert (ran.status, ran.out, ran.err) == (
        2, "", "poleward: r.json: cannot be written: Access is denied\n"
        "  may you write there? is the file open in another program?\n",
    )  # fmt: skip
    assert Path("r.json").read_text(encoding="utf-8") == "mine"
    assert sorted(os.listdir()) == ["config", "r.json"]


# Users without a home


@pytest.mark.parametrize(
    "home",
    ["env -u HOME -u XDG_CONFIG_HOME", "env -u XDG_CONFIG_HOME HOME=/nonexistent MPLCONFIGDIR=/proc/none"],
)
def test_no_home_and_no_cache_are_no_news(home: str) -> None:
    ran = shell(f"{home} $P demo --chart c.png")
    assert (ran.returncode, ran.stderr) == (0, "")


@pytest.mark.slow
def test_a_user_whom_the_system_does_not_know() -> None:
    if os.geteuid() != 0 or shutil.which("setpriv") is None:
        pytest.skip("only root can be another")
    user = "setpriv --reuid=54321 --regid=54321 --clear-groups --inh-caps=+dac_read_search --ambient-caps=+dac_read_search"
    if shell(f"{user} true").returncode:
        pytest.skip("root of a namespace without other users")
    Path("open").mkdir()
    Path("open").chmod(0o777)
    ran = shell(f"{user} env -u HOME -u XDG_CONFIG_HOME $P demo --chart open/c.png")
    assert (ran.returncode, ran.stderr) == (0, "")


# Ctrl-C and being asked to end


@pytest.mark.slow
@pytest.mark.parametrize(("number", "waits_s"), [(signal.SIGINT, (0.4, 1.4)), (signal.SIGTERM, (0.7,))])
def test_an_end_at_any_moment_leaves_nothing(number: signal.Signals, waits_s: tuple[float, ...]) -> None:
    """Sent after waits that fall into imports, fits, charts and files: no traceback, whole files, no process."""
    for wait_s in waits_s:
        name = f"r{wait_s}.json"
        program = subprocess.Popen(
            [*POLEWARD, "demo", "--output", name, "--chart", "c.png", "--force"],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            start_new_session=True,
        )
        time.sleep(wait_s)
        program.send_signal(number)
        _, told = program.communicate(timeout=30)
        # A signal may reach the interpreter before it has read a line of ours.
        assert program.returncode in (0, 130, -number, -signal.SIGINT)
        assert "poleward/" not in told, told
        assert told.strip() in ("", "poleward: interrupted") or program.returncode == -number
        if Path(name).exists():
            assert json.loads(Path(name).read_text(encoding="utf-8"))["record"] == "solution"
        assert not [left for left in os.listdir() if left.startswith(".")]


def alive(group: int) -> list[str]:
    """Processes of a session, by /proc; dead ones that nobody has asked about do not count."""
    found = []
    for folder in Path("/proc").glob("[0-9]*"):
        with contextlib.suppress(OSError):
            words = (folder / "stat").read_text().rsplit(")", 1)[1].split()
            if int(words[3]) == group and words[0] != "Z":
                found.append((folder / "cmdline").read_text().replace("\0", " "))
    return found


@pytest.mark.slow
@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="looks into /proc")
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGKILL])
@pytest.mark.parametrize("when", [0.0, 1.5])
def test_workers_end_with_the_first_process(number: signal.Signals, when: float) -> None:
    """Sent to the first process alone, while two workers solve: none of the session is left after two seconds."""
    code = """
import time
from poleward.guidelog.fitting import runs
if __name__ == "__main__":
    runs.WORTH_BYTES, runs._cores = 0, lambda: 2
    open("a", "w").write("x"), open("b", "w").write("x")
    with runs.workers(["a", "b"], "file") as crew:
        crew.each(time.sleep, [60] * 4, lambda count: print("working", flush=True))
"""
    Path("busy.py").write_text(code, encoding="utf-8")
    program = subprocess.Popen(
        [sys.executable, "busy.py"], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, start_new_session=True
    )
    assert program.stdout is not None
    assert program.stdout.readline() == b"working\n"
    end = time.monotonic() + 60
    while len(alive(program.pid)) < 4 and time.monotonic() < end:
        time.sleep(0.05)
    time.sleep(when)  # at first both have only begun
    program.send_signal(number)
    program.wait(20)
    program.stdout.close()
    end = time.monotonic() + 20
    while alive(program.pid) and time.monotonic() < end:
        time.sleep(0.1)
    assert alive(program.pid) == []
