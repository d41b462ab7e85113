"""Damaged files and odd command lines, in process: `python tests/fuzz.py --runs 10000 --seed N`.

Every reader gets good files and the same ones damaged; every command its own options, with good values and odd ones, as
it declares them, so that a new command is in it without a word here. A finding is: exit status 70 or one that has no
meaning, a traceback, an error that is not one line and a hint, a byte outside printable text, more than 5 s or 1 GB, a
file that is lost, changed or half written, a file left over, a process left, or the network asked.
`--only K` does one run again, makes it as small as it stays, and shows it. POSIX only.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import multiprocessing
import os
import re
import shlex
import socket
import sys
import tempfile
import warnings
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from functools import cache
from itertools import count
from pathlib import Path
from typing import Any

os.environ["OPENBLAS_NUM_THREADS"] = os.environ["OMP_NUM_THREADS"] = "1"

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

import click
import truth
from limits import limited
from logfile import BARE
from skyframes import Scene

from poleward.cli import COMMANDS, evening, main, run

HERE = Path(__file__).parent
DEMO = HERE.parent / "src" / "poleward" / "data" / "demo"
MOST_S, MOST_MB = 5.0, 1000.0
NOW = datetime(2026, 11, 14, 18, tzinfo=UTC)
MEANINGS = (0, 2, 3, 4, 5)
"""130 is an interruption, 70 a fault of ours, 1 has no meaning."""
Rng = np.random.Generator


# Good files -----------------------------------------------------------------------------------------------------------

CSV = (DEMO / "drifts.csv").read_text(encoding="utf-8")
ECSV = """# %ECSV 1.0
# ---
# datatype:
# - {name: label, datatype: string}
# - {name: hour_angle, unit: hourangle, datatype: float64}
# - {name: dec, unit: deg, datatype: float64}
# - {name: duration, unit: min, datatype: float64}
# - {name: north, unit: arcsec, datatype: float64, description: camera}
# meta: {kept: nobody, list: [1, 2, {deep: [3]}]}
# schema: astropy-2.0
label hour_angle dec duration north
"over there" -0.3 2.0 5.0 -6.2
east -4.8 18.0 6.0 -10.5
west 4.4 12.0 6.0 ""
high -1.6 25.0 5.0 -7.9
"""
VOTABLE = """<?xml version="1.0"?>
<VOTABLE version="1.4" xmlns="http://www.ivoa.net/xml/VOTable/v1.3"><RESOURCE><TABLE>
<FIELD name="label" datatype="char" arraysize="*"/><FIELD name="hour_angle" datatype="double" unit="h"/>
<FIELD name="dec" datatype="double" unit="deg"/><FIELD name="duration" datatype="int" unit="s"/>
<FIELD name="north" datatype="float" unit="arcsec"/>
<DATA><TABLEDATA>
<TR><TD>a</TD><TD>-0.3</TD><TD>2</TD><TD>300</TD><TD>-6.2</TD></TR>
<TR><TD>b</TD><TD>-4.8</TD><TD>18</TD><TD>360</TD><TD>-10.5</TD></TR>
<TR><TD>c</TD><TD>4.4</TD><TD>12</TD><TD>360</TD><TD></TD></TR>
</TABLEDATA></DATA></TABLE></RESOURCE></VOTABLE>
"""
SETUP = (
    (DEMO / "poleward.toml")
    .read_text(encoding="utf-8")
    .replace(
        "[mount.altitude_knob]",
        'per_turn_sigma = "4 arcmin"\ndivisions = 60\nrange = "8 turn"\nplay = "0.1 turn"\n[mount.altitude_knob]',
    )
    .replace("mirrored = false", 'mirrored = false\nrows = "down"')
    + """
[mount]
drive_rate = "sidereal"
[mount.base]
tilt = "1 deg"
toward = "120 deg"
[reticle]
division = "20 arcsec"
position_angle = "0 deg"
[camera]
focal_length = "600 mm"
pixel_size = "3.76 um"
width = 6248
height = 4176
[frames]
keywords = { exposure = "XPOSURE [s]", time = "DATE-BEG", ra = "CRVAL1 [deg]", dec = "CRVAL2 [deg]" }
stamp = "start"
[limits]
trail = "1.0 pix"
lowest_altitude = "20 deg"
"""
)
TARGETS = """name,ra,dec,start,end,exposure,guide_star_offset_north
spiral,00h42m44s,+41d16m,2026-11-14T19:00Z,2026-11-14T22:00Z,300 s,10 arcmin
nebula,05h35m17s,-5d23m,2026-11-14T22:30Z,2026-11-15T01:00Z,120 s,
"""
RECORD = """{"record": "solution", "version": 1, "axis": {"reference": "apparent pole", "determined": "both",
 "azimuth_error_arcmin": 5.0, "azimuth_sigma_arcmin": 0.2, "altitude_error_arcmin": -3.1, "altitude_sigma_arcmin": 0.2,
 "correlation": -0.12, "latitude_deg": 46.9}, "warnings": []}
"""
SHAKEN = np.random.default_rng(1).normal(0, 0.3, (3, 80)).round(2)
LOG = "kept by nobody\n" + "".join(
    f">> watch {k} from 2024-03-10T{18 + k}:00:00Z west {hour} up {dec}\nt;n;e;pn;ok\n"
    + "".join(f"{2 * i};{0.01 * i + SHAKEN[k, i]:.2f};{i % 3};{40 * (i % 4 == 0)};1\n" for i in range(80))
    + "<< end\n"
    for k, (hour, dec) in enumerate(((-3.5, 20.0), (0.2, 5.0), (3.0, 40.0)))
)
LAYOUT = (
    BARE.replace("[facts.found]", '[facts]\nimage_scale = "1.9 arcsec/pix"\n[facts.found]')
    .replace('name = "n", unit = "arcsec"', 'name = "n", unit = "pix"')
    .replace('shift = { name = "m", values = ["1"] }', 'status = { name = "ok", good = ["1"] }')
)
PIXELS = """label;azimuth;altitude;star;time;duration;x;y;use;reversed;rotation;rotation_sigma
a;180;45;;2026-11-14T18:00Z;300;-2,5;0,5;yes;no;;
b;;;Enif;2026-11-14T18:10:00+00:00;300 s;4;1;no;yes;0,5;1
c;95 deg;40d;;2026-11-14T18:20Z;5 min;12;2;yes;no;0,4 arcmin;0,3
"""
ROUNDS = (HERE / "data" / "rounds.json").read_text(encoding="utf-8")
TEXTS = {
    "drifts.csv": CSV, "drifts.ecsv": ECSV, "drifts.xml": VOTABLE, "pixels.csv": PIXELS, "poleward.toml": SETUP,
    "targets.csv": TARGETS, "axis.json": RECORD, "night.log": LOG, "form.toml": LAYOUT, "rounds.json": ROUNDS,
}  # fmt: skip
SKY = "sky"
"""A folder of camera frames."""


@cache
def good() -> dict[str, bytes]:
    """All files by name: texts, and five small frames."""
    with tempfile.TemporaryDirectory() as folder:
        scene = Scene(truth.Place(46.9), 6.0, -4.0, -1.0, 12.0, shape=(120, 160), stars=25)
        frames = scene.save(Path(folder), range(0, 300, 60), wcs="first").iterdir()
        return {name: text.encode() for name, text in TEXTS.items()} | {
            f"{SKY}/{frame.name}": frame.read_bytes() for frame in sorted(frames)
        }


ANSWERS = (
    "", "", "", "", "4.2 south", "3 n 1 e", "x 3 y -12", "turn", "measure", "skip", "undo", "?", "azimuth 0.25 clockwise",
    "altitude 0.5 turn counter-clockwise, then 0.1 clockwise", "none", "other", "46.9 deg", "8.4E", "ra 2h, dec +20d", "Enif",
    "stop", "quit",
)  # fmt: skip
"""What people type in an evening; each question takes what it can use of it."""

# Odd things -----------------------------------------------------------------------------------------------------------

WORDS = (
    "", " ", "-", "--", "nan", "inf", "-inf", "1e400", "-1e-400", "0", "-0", "00", "1e9", "9" * 5000, "9" * 60000 + "x",
    " " * 3000, "1" * 70 + "h", "0001-01-01", "0001-01-01T00:00", "9999-12-31T23:59:59Z", "2026-11-14T19:10:60Z",
    "2026-10-25T02:30", "2026-02-30", "24:00", "47:06.5", "-5:23.5", "47.1N", "33S", "1h60m", "+47d30m", "83.6 deg", "1/0",
    "5 min", "3 kg", "50 km", "-4.2 arcsec", "1e-6", "1e-300", "deg", "'", '"', '"""', "[[", "]" * 50, "{" * 2000, "[" * 5000,
    "\x00", "\x07\x1b[31mred\x1b[0m\x9b2J", "\u202eabc\u2066", "\x0c", "\x85", "\u2028", "\ufeff", "\ud800", "\udcff",
    "e\u0301", "\U0001f52d", "\N{MINUS SIGN}3", "1,5", "1;5", "a=b", "a=b,a=b", "=", "true", "null", "None", "apparent", "true",
    "../../etc/passwd", "file:///etc/hostname", "http://192.0.2.1/x", "/dev/zero", "/dev/tty", "pipe", "no/such/file", ".", "/",
    "<STREAM href='http://192.0.2.1/x'/>", "<!DOCTYPE a [<!ENTITY b 'c'>]>", "&b;", "<!--", "]]>", "arraysize='99999999999'",
    "# %ECSV 1.0", "!!python/object/apply:os.system [ls]", "&a [*a, *a]", "datatype: object", "\\", "%", "%n%s", "{0}", "${HOME}",
    "Europe/Zurich", "Mars/Olympus", "+99:00", "local", "UTC", "sidereal", "13 arcsec/s", "all", "night", "section",
)  # fmt: skip


HOSTILE = (
    r"(a+)+$", r"(x|x)*y", r"(?:.*)*z", r"(\w+\s?)*$", r"\w*\w*\w*\w*\w*!", r"(.+)(.+)(.+)(.+)#", r"(?P<a>.)(?P=a)+$", r"(?=(\S+))\1;",
    "(", ")", "[", "*", "(?i)", "\\", "", ".", "()", r"(\S+", r"x{1,999999999}", r"(?<=a*)b", "(" * 300 + ")" * 300, r"\N{BEL}", "^", "$",
)  # fmt: skip
"""In place of a layout's patterns."""
LONG = ("a" * 30_000, " " * 30_000, "a " * 15_000, "9;" * 15_000, ">> watch " * 3000, "\t" * 5000)
"""Lines of a log, for patterns to run along."""


def harmed(name: str, data: bytes, rng: Rng) -> bytes:
    """A file damaged as its kind can be: a pattern of a layout, a long line of a log, a card of a frame's header."""
    if name == "form.toml" and rng.random() < 0.4:
        patterns = re.findall(rb"'[^'\n]*'", data)
        return data.replace(patterns[rng.integers(len(patterns))], f"'{rng.choice(HOSTILE)}'".encode())
    if name == "night.log" and rng.random() < 0.15:
        lines = data.split(b"\n")
        lines.insert(int(rng.integers(len(lines))), str(rng.choice(LONG)).encode())
        return b"\n".join(lines)
    if name.startswith(SKY) and rng.random() < 0.9:
        at = 80 * int(rng.integers(data.index(b"END     ") // 80))
        card = damaged(data[at : at + 80].rstrip(), rng)
        return data[:at] + (card.ljust(80)[:80] if rng.random() < 0.8 else card) + data[at + 80 :]
    return damaged(data, rng)


def odd_bytes(rng: Rng) -> bytes:
    if rng.random() < 0.1:
        return rng.bytes(int(rng.choice([1, 2, 30, 3000])))
    return str(rng.choice(WORDS)).encode("utf-8", errors="surrogatepass")


def damaged(data: bytes, rng: Rng) -> bytes:
    """Some of it changed, once or a few times."""
    for _ in range(int(rng.choice([1, 1, 2, 3, 8]))):
        a, b = sorted(int(k) for k in rng.integers(0, len(data) + 1, 2))
        cells = [k for k, sign in enumerate(data) if sign in b" ,;=\n\"'<>"]
        if cells and rng.random() < 0.7:  # from one mark to the next: a cell, a word, a value
            a = int(rng.choice(cells)) + 1
            b = min((k for k in cells if k >= a), default=len(data))
        piece = data[a:b]
        data = data[:a] + [
            lambda piece=piece: odd_bytes(rng),
            lambda piece=piece: piece + odd_bytes(rng),
            lambda piece=piece: b"",
            lambda piece=piece: piece * int(rng.choice([2, 3, 300])),
            lambda piece=piece: bytes(rng.permutation(list(piece)).tolist()),
            lambda piece=piece: piece.swapcase(),
        ][int(rng.choice(6, p=[0.5, 0.1, 0.15, 0.1, 0.05, 0.1]))]() + data[b:]  # fmt: skip
    if rng.random() < 0.05:
        return data[: int(rng.integers(len(data) + 1))]
    if rng.random() < 0.03:
        return data.decode("utf-8", "replace").encode(
            str(rng.choice(["utf-16", "utf-32", "utf-8-sig", "cp1252", "utf-16-be"])), "replace"
        )
    return data


@dataclass(frozen=True)
class Case:
    """A command line and the files beside it."""

    arguments: tuple[str, ...]
    files: tuple[tuple[str, bytes], ...]
    stdin: bytes


VALUES = {
    "ANGLE": ("47.1 deg", "8.4deg", "20 deg", "-33d52m", "1 arcsec", "0.5arcmin", "2.5arcsec", "90", "-90 deg", "0deg"),
    "LENGTH": ("560 m", "0.55um"), "PRESSURE": ("950 hPa", "0hPa"), "TEMP": ("4 deg_C",), "FRACTION": ("0.7",),
    "ZONE": ("UTC", "+01:00", "Europe/Zurich"), "RATE": ("king", "2 deg/s", "15.0369 arcsec/s"), "POLE": ("apparent", "true"),
    "PAIRS": (
        "label=sky, hour_angle=-1h, dec=+12d", "hour_angle=-0h20m, dec=+3d, duration=5min, north=-4.2arcsec", "hour_angle=-5h, dec=20d, duration=5 min, north=1",
        "name=nebula, ra=05h35m17s, dec=-5d23m, exposure=60s", "from=60deg, to=150deg, up_to=40deg", "azimuth=5arcmin, altitude=1arcmin",
        "focal_length=600mm, pixel_size=3.76um, width=6248, height=4176", "x1=812, y1=455, x2=405, y2=388, duration=60s, dec=+5d",
    ),
    "WAY": ("up", "down", "left", "x1=0, y1=0, x2=8, y2=-60"), "TURNS": ("azimuth=0.25 clockwise, altitude=0", "altitude=1 counter-clockwise"),
    "AXIS": ("axis.json", "azimuth=5arcmin, altitude=-3arcmin"), "TIME": ("2026-11-14T18:00Z", "2 s"), "WHAT": ("all", "file", "night"),
    "FRAMES": (SKY, "sky/f002.fits"), "FITS...": (SKY, "sky/f001.fits"), "PIXELS": ("1 pix",), "N": ("2", "3"), "FOLDER": ("kept", "."), "RECORD": ("axis.json",), "DRIFTS": ("drifts.csv", "drifts.ecsv", "drifts.xml", "pixels.csv"),
}  # fmt: skip
BESIDE = {
    "setup": "poleward.toml",
    "setup_file": "poleward.toml",
    "append": "rounds.json",
    "path": "rounds.json",
    "proof": "form.toml",
    "layout": "form.toml",
    "targets": "targets.csv",
    "log": "night.log",
    "files": "night.log",
}
NEEDED = {"log": ("layout",), "check": ("axis", "targets"), "solve": ("drifts",), "camera": ("run", "push")}
SEEN_ELSEWHERE = ("follow", "help")
"""Following never ends by itself; tests/test_cli_log.py and test_log_tail.py have it."""


def good_value(param: click.Parameter, rng: Rng) -> str:
    name, shown = str(param.name), param.metavar or str(param.name).upper()
    if name in ("output", "chart", "table", "write", "page"):
        ending = {"output": (".json", ".ecsv", ".toml"), "chart": (".svg", ".png")}.get(
            name, (".csv", ".html")
        )
        return f"out{rng.choice(ending)}"
    beside = BESIDE.get(name) if shown not in VALUES else None
    return beside or str(rng.choice(VALUES.get(shown, ("1",))))


def case(seed: int, number: int) -> Case:
    """One case, the same each time."""
    rng = np.random.default_rng((seed, number))
    files = dict(good())
    command = str(rng.choice(list(COMMANDS)))
    found = main.get_command(click.Context(main), command)
    assert found is not None
    words: list[str] = []
    for param in found.params:
        if param.name in SEEN_ELSEWHERE:
            continue
        needed = isinstance(param, click.Argument) or param.name in NEEDED.get(command, ())
        if rng.random() > (0.95 if needed else 0.12):
            continue
        option = "" if isinstance(param, click.Argument) else str(param.opts[-1])
        if getattr(param, "is_flag", False):
            words.append(option)
            continue
        for _ in range(1 + 2 * bool(getattr(param, "multiple", False))):
            value = good_value(param, rng)
            if rng.random() < 0.08:
                value = odd_bytes(rng).replace(b"\0", b"").decode("utf-8", "surrogateescape")[:100_000]
            elif rng.random() < 0.08:
                value = (
                    damaged(value.encode(), rng)
                    .replace(b"\0", b"")
                    .decode("utf-8", "surrogateescape")[:100_000]
                )
            words += [option, value] if option else [value]
    if command in ("solve", "log") and "--latitude" not in words and rng.random() < 0.5:
        words += ["--latitude", "47.1deg", "--longitude", "8.4deg"]
    if rng.random() < 0.03:
        words.insert(
            int(rng.integers(len(words) + 1)),
            odd_bytes(rng).replace(b"\0", b"").decode("utf-8", "surrogateescape"),
        )
    for name, data in files.items():
        read = name in words or (name.startswith(SKY) and any(word.startswith(SKY) for word in words))
        setup = 0.2 if command == "frames" else 0.06
        if rng.random() < (
            (0.2 if name.startswith(SKY) else 0.6) if read else setup if name == "poleward.toml" else 0
        ):
            files[name] = harmed(name, data, rng)
    named = [name for name in files if name in words]
    stdin = files[named[0]] if named and rng.random() < 0.05 else b""
    if stdin:
        words[words.index(named[0])] = "-"
    if command == "evening":
        lines = "\n".join(rng.choice(ANSWERS, int(rng.integers(40)))).encode() + b"\n"
        stdin = damaged(lines, rng) if rng.random() < 0.5 else lines
    return Case((command, *words), tuple(files.items()), stdin)


# What must not happen -------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Ran:
    """What the command line did; `asked` is whether it asked the network."""

    status: Any
    out: str
    err: str
    asked: bool
    complaints: tuple[str, ...]


def did(this: Case) -> Ran:
    """Run a case in this process and the current folder; called in a process of its own."""
    asked: list[Any] = []

    def ask(*words: Any, **_: Any) -> None:
        asked.append(words)
        raise OSError("no network here")

    socket.socket.connect = socket.create_connection = socket.getaddrinfo = ask  # type: ignore
    Path(SKY).mkdir()
    for name, data in this.files:
        Path(name).write_bytes(data)
    os.mkfifo("pipe")
    before = set(os.listdir())
    beats = count()
    evening.now = lambda: NOW + timedelta(minutes=next(beats))  # timings last, and nothing waits
    streams = [
        io.TextIOWrapper(io.BytesIO(data), encoding="utf-8", write_through=True)
        for data in (this.stdin, b"", b"")
    ]
    sys.stdin, (out, err) = streams[0], streams[1:]  # type: ignore[assignment]
    status: Any = None
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        warnings.simplefilter("always")
        try:
            run(list(this.arguments))
        except SystemExit as left:
            status = left.code
    told = [stream.buffer.getvalue().decode("utf-8") for stream in (out, err)]  # type: ignore[attr-defined]
    return Ran(status, *told, bool(asked), tuple(lost(this, before)))


def lost(this: Case, before: set[str]) -> Iterator[str]:
    """What has become of files and processes."""
    outputs = ("out.", "kept")
    command = this.arguments[0]
    for name, data in this.files:
        now = Path(name).read_bytes() if Path(name).is_file() else b""
        kept = now == data
        if name == "poleward.toml" and ("--write" in this.arguments or command == "evening"):
            kept = now.startswith(data)  # what is found out is added
        elif name == "rounds.json" and (
            {"--append", "--turned"} & set(this.arguments) or command == "evening"
        ):
            kept = kept or json.loads(now)["record"] == "rounds file"
        if not kept and not {"--force", "."} <= set(this.arguments):  # demo --keep . --force asks for it
            yield f"{name} is lost or changed"
    for name in set(os.listdir()) - before:
        path = Path(name)
        if name.startswith(".") and name not in this.arguments:
            yield f"{name} is left over"
        elif name.startswith(outputs) and path.is_file():
            data = path.read_bytes()
            if path.suffix == ".json" and not data.rstrip().endswith(b"}"):
                yield f"{name} is half written"
            if path.suffix in (".json", ".ecsv", ".svg", ".html", ".csv", ".toml"):
                yield from (f"{name} holds {sign!r}" for sign in unprintable(data.decode("utf-8", "replace")))
    if multiprocessing.active_children():
        yield "a process is left"


def unprintable(text: str) -> list[str]:
    return sorted({sign for sign in text if not (sign.isprintable() or sign in "\n")})[:3]


def finding(this: Case) -> str:
    """What is wrong with it, in a word and its circumstances; empty when all is well."""
    with tempfile.TemporaryDirectory() as folder:
        home = os.getcwd()
        os.chdir(folder)
        try:
            done = limited(lambda: did(this), MOST_S, MOST_MB)
        finally:
            os.chdir(home)
    if done.result is None:
        return f"limit: {done.ended}"
    return judged(done.result)


def judged(ran: Ran) -> str:
    if ran.asked:
        return "network"
    if ran.complaints:
        return f"files: {ran.complaints[0]}"
    if ran.status not in MEANINGS:
        return f"status {ran.status}: {ran.err.strip().splitlines()[0] if ran.err.strip() else ''}"
    signs = unprintable(ran.out) or unprintable(ran.err)
    if signs:
        return f"unprintable {signs}"
    lines = ran.err.splitlines()
    told = ran.status == 3 and ran.out and not lines  # a proof shows why nothing can be read
    if (
        ran.status in (2, 3)
        and not told
        and (not lines or not lines[0].startswith("poleward: ") or len(lines) > 2)
    ):
        return f"error not in one line and a hint: {ran.err[:200]!r}"
    if "Traceback" in ran.err or any("Warning" in line for line in lines):
        return f"noise: {ran.err[:200]!r}"
    if ran.status in (2, 3) and max(map(len, lines), default=0) > 1000:
        return f"an error line of {max(map(len, lines))} signs"
    return ""


def smaller(this: Case, kind: str) -> Case:
    """The same finding with less of everything."""

    def still(other: Case) -> bool:
        return finding(other).split(":")[0] == kind

    for k in reversed(range(1, len(this.arguments))):
        for width in (2, 1):
            less = replace(this, arguments=this.arguments[:k] + this.arguments[k + width :])
            if still(less):
                this = less
                break
    for name, data in this.files:
        if name in this.arguments or name == "poleward.toml" or data != good()[name]:
            less = shrunk(data, lambda part, this=this, name=name: still(with_file(this, name, part)))
            this = with_file(this, name, less)
    return this


def with_file(this: Case, name: str, data: bytes) -> Case:
    return replace(this, files=tuple((other, data if other == name else kept) for other, kept in this.files))


def shrunk(data: bytes, still: Callable[[bytes], bool]) -> bytes:
    """As many pieces left out as can be, from halves to single bytes."""
    width = len(data) // 2
    tries = 0
    while width and tries < 400:
        k = 0
        while k < len(data) and tries < 400:
            less = data[:k] + data[k + width :]
            tries += 1
            data, k = (less, k) if still(less) else (data, k + width)
        width //= 2
    return data


def one(job: tuple[int, int]) -> tuple[int, str]:
    return job[1], finding(case(*job))


def begin() -> None:
    """Import what commands would, once for all runs."""
    import astropy.coordinates
    import astropy.io.votable
    import astropy.table  # noqa: F401
    import lmfit  # noqa: F401
    import matplotlib.backends.backend_agg
    import matplotlib.backends.backend_svg  # noqa: F401
    import scipy.optimize  # noqa: F401

    good()


def main_of_fuzz() -> int:
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    words.add_argument("--runs", type=int, default=1000)
    words.add_argument("--seed", type=int, default=1)
    words.add_argument("--only", type=int, default=None)
    words.add_argument("--jobs", type=int, default=len(os.sched_getaffinity(0)))
    told = words.parse_args()
    begin()
    if told.only is not None:
        return show(case(told.seed, told.only))
    findings: list[tuple[int, str]] = []
    with multiprocessing.get_context("fork").Pool(told.jobs) as pool:
        for number, found in pool.imap_unordered(
            one, ((told.seed, k) for k in range(told.runs)), chunksize=8
        ):
            if found:
                findings.append((number, found))
                print(f"--seed {told.seed} --only {number}  {found[:300]!r}", flush=True)
    kinds = Counter(found.split(":")[0] for _, found in findings)
    print(f"{told.runs} runs, {len(findings)} findings {dict(kinds) if kinds else ''}")
    return bool(findings)


def show(this: Case) -> int:
    kind = finding(this).split(":")[0]
    if kind:
        this = smaller(this, kind)
    for name, data in this.files:
        if name in this.arguments or data != good()[name]:
            print(f"--- {name}\n{data[:3000]!r}")
    print("--- poleward", shlex.join(this.arguments).encode("utf-8", "backslashreplace").decode()[:3000])
    print("---", finding(this) or "nothing is wrong with it")
    return bool(kind)


if __name__ == "__main__":
    sys.exit(main_of_fuzz())
