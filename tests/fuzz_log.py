"""Damage to guide logs, at random: `python tests/fuzz_log.py --runs 5000 --seed N`.

Small logs of known truth in five forms are damaged (bytes, lines, fields, clocks, columns) and given to `poleward log`.
A finding is: exit status 70, more than 20 s or 1 GB, an end without words, or an answer that is off by more than five
sigmas without a warning that names the damage. `--only K` does one run again and shows all of it.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import os
import re
import sys
import tempfile
import warnings
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

from limits import Outcome, limited
from logfile import BARE

from poleward.guidelog.reading.section import Section
from poleward.simulate.night import Guider, Scatter, Stretch, night
from poleward.sky.site import Site

SITE = Site("47.1 deg", "8.4 deg", "560 m")
PLACE = ("--latitude", "47.1deg", "--longitude", "8.4deg", "--elevation", "560m", "--tz", "UTC")
TRUTH = (9.0, -7.0)  # arcmin
START = datetime(2024, 3, 10, 18, tzinfo=UTC)
SPOTS = ((-3.5, 20.0), (0.2, 5.0), (3.0, 40.0))
MOST_S, MOST_MB, MOST_SIGMAS = 20.0, 1000.0, 5.0
NAMES_DAMAGE = frozenset(
    (
        "rows-unread", "rows-repeated", "clock-set-back", "gap", "late-rows", "section-anew", "section-refused",
        "file-refused", "last-row-cut", "wrong-encoding", "scatter", "guide-rate", "guide-rate-not-used", "section-unused",
        "one-pointing-for-all", "same-pulse", "odd-pulses",
        "drive-unlike", "drive-early", "pulses-mended", "drive-dead", "drive-uneven", "drive-short", "clock",
        "moves-not-noted", "other-pace", "long-gap", "place-still", "pulses-empty", "star-held", "times-count",
        "rows-outside", "below-horizon", "daylight",
    )
)  # fmt: skip
Rng = np.random.Generator


@dataclass(frozen=True)
class Base:
    """An undamaged log."""

    name: str
    layout: str
    lines: tuple[str, ...]
    guided: bool


# The logs --------------------------------------------------------------------------------------------------------------

HEADED = (
    BARE.replace("begin = '^>> watch'\n", "")
    .replace("end = '^<< end'\n", "")
    .replace('unit = "s"', 'unit = "iso"')
)
COMMA = BARE.replace('delimiter = ";"', 'delimiter = ";"\ndecimal = ","').replace(
    "'from (\\S+)'", "'from (\\S+ \\S+)'"
)
SPACED = BARE.replace('delimiter = ";"', 'delimiter = "space"').replace("'^t;'", r"'^t\s'")
COLUMNS = r"""
[text]
delimiter = ","
[facts.found]
ra = { name = "ra", unit = "deg" }
dec = { name = "dec", unit = "deg" }
[columns]
time = { name = "when", unit = "iso" }
north = { name = "n", unit = "arcsec", positive = "north" }
north_pulse = { name = "pn", unit = "ms", positive = "north" }
shift = { name = "m", values = ["1"] }
"""


@cache
def sections(guided: bool, by_ra: bool) -> tuple[Section, ...]:
    guider = Guider(true_rate=7.2, move_every_s=240) if guided else None
    stretches = [
        Stretch(number * 900.0, 640.0, hour, dec, 4.0, guider, by_ra=by_ra)
        for number, (hour, dec) in enumerate(SPOTS)
    ]
    return night(SITE, *TRUTH, stretches, START, Scatter(0.5, 0.3, 20.0), np.random.default_rng(4))


def rows_of(section: Section, mark: str, stamp: Callable[[float], str]) -> list[str]:
    sent = np.zeros(len(section.seconds)) if section.north_pulse_ms is None else section.north_pulse_ms
    rows = zip(section.seconds.tolist(), section.north_arcsec, sent, section.moved, strict=True)
    return [mark.join((stamp(t), f"{n:.3f}", f"{p:.0f}", f"{m:d}")) for t, n, p, m in rows]


def base(name: str, guided: bool) -> Base:
    """One of the logs."""
    lines = ["kept by nobody"] if name != "columns" else ["when,n,pn,m,ra,dec"]
    layout = {"marked": BARE, "headed": HEADED, "comma": COMMA, "spaced": SPACED, "columns": COLUMNS}[name]
    for number, section in enumerate(sections(guided, name == "columns"), 1):
        point, start = section.pointing, section.start
        assert start is not None

        def moment(seconds: float, start: datetime = start) -> str:
            return (start + timedelta(seconds=seconds)).isoformat(timespec="milliseconds")

        if name == "columns":
            place = f",{np.degrees(point.ra):.5f},{np.degrees(point.dec):.5f}"
            lines += [row + place for row in rows_of(section, ",", moment)]
            continue
        begun = start.strftime("%d.%m.%Y %H:%M:%S") if name == "comma" else start.isoformat()
        where = f"west {np.degrees(point.hour_angle) / 15:.6f} up {np.degrees(point.dec):.5f}"
        own = [f">> watch {number} from {begun} {where}", "t;n;pn;m"]
        own += rows_of(section, ";", moment if name == "headed" else lambda s: f"{s:.3f}")
        own += ["<< end"] * (name != "headed")
        if name == "comma":
            own = [
                own[0].replace(".", ",").replace(begun.replace(".", ","), begun),
                *(r.replace(".", ",") for r in own[1:]),
            ]
        if name == "spaced":
            own = [own[0], *(row.replace(";", "  ") for row in own[1:])]
        lines += own
    return Base(name, layout, tuple(lines), guided)


# The damage ------------------------------------------------------------------------------------------------------------


def is_row(line: str) -> bool:
    return line[:1].isdigit()


def stretch(rng: Rng, lines: Sequence[str]) -> list[int]:
    """Some rows that follow each other: one, a few, half of a section."""
    rows = [k for k, line in enumerate(lines) if is_row(line)]
    if not rows:
        return []
    first = int(rng.integers(len(rows)))
    return rows[first : first + int(rng.choice([1, 2, 6, 7, 30, 150]))]


def some(rng: Rng, lines: Sequence[str]) -> list[int]:
    """Rows here and there."""
    rows = [k for k, line in enumerate(lines) if is_row(line)]
    return [k for k in rows if rng.random() < rng.choice([0.003, 0.03, 0.3])]


def cell_mark(line: str) -> str:
    return ";" if ";" in line else "," if "," in line else "  "


def edited(lines: list[str], rows: Sequence[int], column: int, change: Callable[[str, int], str]) -> None:
    for place, k in enumerate(rows):
        mark = cell_mark(lines[k])
        cells = lines[k].split(mark)
        if column < len(cells):
            cells[column] = change(cells[column], place)
            lines[k] = mark.join(cells)


def shifted(cell: str, seconds: float, factor: float = 1.0) -> str:
    """A time moved: a moment, or seconds."""
    try:
        if "T" in cell:
            return (datetime.fromisoformat(cell) + timedelta(seconds=seconds)).isoformat(
                timespec="milliseconds"
            )
        number = float(cell.replace(",", ".")) * factor + seconds
    except (ValueError, OverflowError):
        return cell
    return f"{number:.3f}".replace(".", ",") if "," in cell else f"{number:.3f}"


WORDS = (
    "",
    "nan",
    "inf",
    "-inf",
    "1e300",
    "-1e9",
    "9999",
    "?",
    "0",
    "-0",
    "1,5",
    "1.5.2",
    "0x1f",
    "--",
    "1e-320",
    "7" * 40,
    "\N{BULLET}",
)


def clock(rng: Rng, lines: list[str]) -> str:
    """Times that go wrong: set back or ahead for good or a while, stuck, of another day or unit, in another order."""
    rows = [k for k, line in enumerate(lines) if is_row(line)]
    off = float(rng.choice([-1, 1]) * rng.choice([5, 40, 700, 3600, 43200, 86400, 3e7, 1e9]))
    what = str(rng.choice(["for good", "a while", "stuck", "one section", "shuffled", "unit", "noise"]))
    at = stretch(rng, lines)
    if not rows or not at:
        return "clock: no rows"
    if what == "for good":
        at = [k for k in rows if k >= at[0]]
    if what in ("for good", "a while"):
        edited(lines, at, 0, lambda cell, _: shifted(cell, off))
    elif what == "stuck":
        still = lines[at[0]].split(cell_mark(lines[at[0]]))[0]
        edited(lines, at, 0, lambda cell, _: still)
    elif what == "one section":
        edited(lines, one_section(rng, lines), 0, lambda cell, _: shifted(cell, off))
    elif what == "shuffled":
        cells = [lines[k].split(cell_mark(lines[k]))[0] for k in at]
        rng.shuffle(cells)
        edited(lines, at, 0, lambda cell, place: cells[place])
    elif what == "unit":
        factor = float(rng.choice([1000, 60, 10, 0.1]))
        edited(
            lines,
            one_section(rng, lines) if factor < 1 or rng.random() < 0.5 else rows,
            0,
            lambda c, _: shifted(c, 0, factor),
        )
    else:
        edited(lines, some(rng, lines), 0, lambda cell, _: shifted(cell, float(rng.normal(0, abs(off)))))
    return f"clock {what} {off:g} s, {len(at)} rows from line {at[0] + 1}"


def one_section(rng: Rng, lines: Sequence[str]) -> list[int]:
    """The rows of one section: until another line stands between them, or the columns tell another target."""
    rows = [k for k, line in enumerate(lines) if is_row(line)]
    targets = [lines[k].split(",")[4:] for k in rows]
    breaks = [0]
    breaks += [i for i in range(1, len(rows)) if rows[i] != rows[i - 1] + 1 or targets[i] != targets[i - 1]]
    breaks.append(len(rows))
    which = int(rng.integers(len(breaks) - 1))
    return rows[breaks[which] : breaks[which + 1]]


def fields(rng: Rng, lines: list[str]) -> str:
    """Cells that hold something else."""
    at = stretch(rng, lines) if rng.random() < 0.5 else some(rng, lines)
    column = int(rng.integers(5))
    what = str(rng.choice(["word", "negated", "tenfold", "constant", "more cells", "fewer cells"]))
    word = str(rng.choice(WORDS))
    for k in at:
        mark = cell_mark(lines[k])
        cells = lines[k].split(mark)
        if what == "more cells":
            cells.insert(column, word)
        elif what == "fewer cells":
            del cells[min(column, len(cells) - 1)]
        elif column < len(cells) and what == "negated":
            cells[column] = cells[column][1:] if cells[column][:1] == "-" else f"-{cells[column]}"
        elif column < len(cells):
            cells[column] = word if what == "word" else f"{cells[column]}0" if what == "tenfold" else "250"
        lines[k] = mark.join(cells)
    return f"fields: {what} '{word}' in column {column + 1} of {len(at)} rows"


def columns(rng: Rng, lines: list[str]) -> str:
    """Columns that are swapped, lost, doubled or named anew, with or without their header, in one section or all."""
    rows = (
        one_section(rng, lines) if rng.random() < 0.5 else [k for k, line in enumerate(lines) if is_row(line)]
    )
    headed = [k for k, line in enumerate(lines) if re.match(r"t[;\s]|when,", line)]
    where = rows + (headed if rng.random() < 0.3 else [])
    what = str(rng.choice(["swap", "lose", "double", "rename", "blank", "constant"]))
    one, other = (int(k) for k in rng.choice(4, 2, replace=False))
    for k in headed if what == "rename" else where:
        mark = cell_mark(lines[k])
        cells = lines[k].split(mark)
        if max(one, other) >= len(cells):
            continue
        if what == "swap":
            cells[one], cells[other] = cells[other], cells[one]
        elif what == "lose":
            del cells[one]
        elif what == "double":
            cells.insert(other, cells[one])
        else:
            cells[one] = {"rename": "what", "blank": "", "constant": "250"}[what]
        lines[k] = mark.join(cells)
    return f"columns: {what} {one + 1} {other + 1} in {len(where)} lines"


def whole_lines(rng: Rng, lines: list[str]) -> str:
    """Lines that are lost, doubled, exchanged, joined, cut or strange."""
    what = str(
        rng.choice(
            [
                "lose",
                "lose free",
                "double",
                "exchange",
                "join",
                "cut",
                "strange",
                "copy block",
                "lose block",
                "reverse",
            ]
        )
    )
    free = [k for k, line in enumerate(lines) if not is_row(line)]
    k = int(rng.choice(free)) if what == "lose free" and free else int(rng.integers(len(lines)))
    size = int(rng.choice([1, 3, 20, 200]))
    if what in ("lose", "lose free"):
        del lines[k]
    elif what == "double":
        lines.insert(k, lines[k])
    elif what == "exchange":
        other = int(rng.integers(len(lines)))
        lines[k], lines[other] = lines[other], lines[k]
    elif what == "join" and k + 1 < len(lines):
        lines[k : k + 2] = [lines[k] + lines[k + 1]]
    elif what == "cut":
        lines[k] = lines[k][: int(rng.integers(len(lines[k]) + 1))]
    elif what == "strange":
        lines.insert(
            k,
            str(
                rng.choice(
                    [
                        "",
                        "* * *",
                        "t;n;pn;m",
                        ">> watch",
                        "<< end",
                        "Error 5: no star",
                        "1;2;3",
                        ";;;;;;",
                        "\0\0\0",
                    ]
                )
            ),
        )
    elif what == "copy block":
        to = int(rng.integers(len(lines)))
        lines[to:to] = lines[k : k + size]
    elif what == "lose block":
        del lines[k : k + size]
    else:
        lines[k : k + size] = lines[k : k + size][::-1]
    return f"lines: {what} at {k + 1}, {size}"


def raw(rng: Rng, data: bytes) -> tuple[bytes, str]:
    """Bytes that are changed, lost, NUL, random or of another encoding; a file that is cut."""
    what = str(rng.choice(["flip", "flip", "lose", "nul", "random", "cut", "utf-16", "cr", "mark"]))
    at = int(rng.integers(len(data) + 1))
    size = int(rng.choice([1, 3, 50, 4096]))
    if what == "flip":
        changed = bytearray(data)
        for k in rng.integers(len(data), size=int(rng.choice([1, 5, 50]))) if data else ():
            changed[int(k)] = int(rng.integers(256))
        return bytes(changed), "bytes: some are others"
    if what == "utf-16":
        return data.decode("latin-1").encode("utf-16"), "bytes: UTF-16"
    if what == "cr":
        return data.replace(b"\n", b"\r\n" if rng.random() < 0.5 else b"\r"), "bytes: other line ends"
    if what == "mark":
        return b"\xef\xbb\xbf" + data, "bytes: a byte-order mark"
    new = {"lose": b"", "nul": b"\0" * size, "random": rng.bytes(size), "cut": b""}[what]
    rest = b"" if what == "cut" else data[at + (size if what != "random" else 0) :]
    return data[:at] + new + rest, f"bytes: {what} {size} at {at}"


KINDS: tuple[Callable[[Rng, list[str]], str], ...] = (clock, fields, columns, whole_lines)


def damaged(rng: Rng, sound: Base) -> tuple[bytes, list[str]]:
    """A log with one to three kinds of damage, and what they are."""
    lines, told = list(sound.lines), []
    count = int(rng.choice([1, 1, 1, 2, 3]))
    bytes_too = rng.random() < 0.25
    for _ in range(count - bytes_too):
        told.append(KINDS[int(rng.integers(len(KINDS)))](rng, lines))
        if not lines:
            break
    data = "".join(f"{line}\n" for line in lines).encode()
    if bytes_too:
        data, how = raw(rng, data)
        told.append(how)
    return data, told


# A run -----------------------------------------------------------------------------------------------------------------


def solve(folder: Path) -> tuple[int, str, str]:
    """Run the command line on the log in a folder."""
    from poleward.cli import run

    os.chdir(folder)
    os.environ["XDG_CONFIG_HOME"] = str(folder)
    warnings.simplefilter("error")
    out, err = io.StringIO(), io.StringIO()
    status: Any = 0
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            run(["log", "night.log", "--layout", "l.toml", "--json", *PLACE])
        except SystemExit as left:
            status = left.code
    return status, out.getvalue(), err.getvalue()


def verdict(outcome: Outcome, guided: bool) -> str:
    """What is wrong with an outcome, or nothing."""
    if outcome.ended:
        return outcome.ended
    if outcome.megabytes > MOST_MB:
        return f"{outcome.megabytes:.0f} MB"
    status, out, err = outcome.result
    if status not in (0, 3, 4):
        return f"exit status {status}: {err.strip()[:200]}"
    if status == 3:
        return (
            ""
            if err.startswith("poleward: ") and "fault of poleward" not in err
            else f"no words: {err[:200]}"
        )
    record = json.loads(out)
    if "fault of poleward" in out:
        return (
            "a section raised: "
            + next(n["text"] for n in record["warnings"] if "fault of" in n["text"])[:200]
        )
    axis = record["axis"]
    codes = {note["code"] for note in record["warnings"]}
    codes |= {note["code"] for section in record["sections"] for note in section["warnings"]}
    told = (
        NAMES_DAMAGE | {"only-watched"} if guided else NAMES_DAMAGE
    )  # that there are no corrections says it
    for name, truth in zip(("azimuth", "altitude"), TRUTH, strict=True):
        value, sigma = axis[f"{name}_error_arcmin"], axis[f"{name}_sigma_arcmin"]
        if value is not None and abs(value - truth) > MOST_SIGMAS * sigma and not codes & told:
            return f"{name} off by {(value - truth) / sigma:+.0f} sigma ({value:.1f} +/- {sigma:.2f}), no word; {sorted(codes)}"
    return ""


def warm_up(folder: Path, sound: Base) -> None:
    """Import and load everything once, not in every child."""
    (folder / "astropy").mkdir()
    (folder / "night.log").write_text("\n".join(sound.lines) + "\n", encoding="utf-8")
    (folder / "l.toml").write_text(sound.layout, encoding="utf-8")
    here = Path.cwd()
    assert solve(folder)[0] == 0
    os.chdir(here)


FORMS = ("marked", "headed", "comma", "spaced", "columns")


def bases() -> list[Base]:
    return [base(name, guided) for name in FORMS for guided in (False, True)]


def one_run(seed: int, run: int, pool: Sequence[Base], folder: Path) -> tuple[str, Base, list[str], Outcome]:
    """Do one run; return what was found, the log, the damage and the outcome."""
    rng = np.random.default_rng([seed, run])
    sound = pool[int(rng.integers(len(pool)))]
    data, told = damaged(rng, sound)
    (folder / "night.log").write_bytes(data)
    (folder / "l.toml").write_text(sound.layout, encoding="utf-8")
    outcome = limited(lambda: solve(folder), MOST_S, MOST_MB)
    return verdict(outcome, sound.guided), sound, told, outcome


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--first", type=int, default=0, help="number of the first run")
    parser.add_argument("--only", type=int, help="do this run alone, and show all of it")
    wanted = parser.parse_args()
    pool = bases()
    found: Counter[str] = Counter()
    slowest = largest = 0.0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        warm_up(folder, pool[-1])
        first, last = (
            (wanted.only, wanted.only + 1)
            if wanted.only is not None
            else (wanted.first, wanted.first + wanted.runs)
        )
        for run in range(first, last):
            wrong, sound, told, outcome = one_run(wanted.seed, run, pool, folder)
            slowest, largest = max(slowest, outcome.seconds), max(largest, outcome.megabytes)
            status = outcome.result[0] if outcome.result else "-"
            found[f"status {status}" if not wrong else "FOUND"] += 1
            found["sections not fitted"] += "its rows cannot be fitted" in str(outcome.result)
            if (run + 1 - first) % 250 == 0:
                print(f"... {run + 1 - first} runs: {dict(found)}", file=sys.stderr, flush=True)
            if wrong or wanted.only is not None:
                print(
                    f"run {run}: {sound.name}{' guided' * sound.guided}; {'; '.join(told)}\n    {wrong}",
                    flush=True,
                )
            if wanted.only is not None:
                Path("found.log").write_bytes((folder / "night.log").read_bytes())
                Path("found.toml").write_text(sound.layout, encoding="utf-8")
                print(*(outcome.result or ())[1:], "written: found.log, found.toml", sep="\n")
    print(
        f"seed {wanted.seed}, {last - first} runs: {dict(found)}; slowest {slowest:.1f} s, largest {largest:.0f} MB"
    )
    return 1 if found["FOUND"] else 0


if __name__ == "__main__":
    sys.exit(main())
