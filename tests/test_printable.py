"""Text from strangers reaches terminal, chart and message only as printable text, and there is no way round it."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest
from conftest import run_here

from poleward import Drifts, InputError, Site, solve
from poleward.errors import printable, printable_lines
from poleward.report.chart import figure_bytes

SOURCES = Path(__file__).parent.parent / "src" / "poleward"
HOSTILE = "a\x1b[31mred\x1b]0;title\x07 \x9b2J \x85 \u202egnp.exe\u2066 \x0c \x7f \u2028 \ud800 end"
"""Escape sequences, C1, a next line, marks of direction, a form feed, delete, a line separator, a lone surrogate."""
FORBIDDEN = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ud800-\udfff]"
)
PLACE = ("--latitude", "47.1deg", "--longitude", "8.4deg")


def test_what_is_printable() -> None:
    assert not FORBIDDEN.search(printable(HOSTILE))
    assert printable("two\nlines\t") == r"two\nlines\t"
    assert printable_lines("two\nlines\t\x1b") == "two\nlines\t\\x1b"
    for fine in ("M 31", "Große Straße 5°", "星", "שלום", "naïve café"):
        assert printable(fine) == fine


@pytest.mark.usefixtures("workdir")
def test_labels_on_the_terminal_and_in_charts() -> None:
    label = HOSTILE.replace("\ud800", "")
    rows = [(0, "-0h20m", -6), (1, "-5h", -10), (2, "4h", 6)]
    text = "label,hour_angle,dec,duration,north\n"
    text += "".join(f'"{label} {n}",{h},5,300,{north}\n' for n, h, north in rows)
    Path("t.csv").write_text(text, encoding="utf-8", newline="")
    ran = run_here("solve", "t.csv", *PLACE, "--chart", "axis.svg", "--page", "axis.html")
    assert ran.status == 0, ran.err
    assert r"a\x1b[31mred" in ran.out
    written = [Path(name).read_text(encoding="utf-8") for name in ("axis.svg", "axis.html")]
    assert "31mred" in written[1]
    for shown in (ran.out, ran.err, *written):
        assert not FORBIDDEN.search(shown)


@pytest.mark.usefixtures("workdir")
def test_names_of_targets_in_text_and_chart() -> None:
    name = HOSTILE.replace("\ud800", "")
    target = f"name={name}, ra=05h35m17s, dec=-5d23m, exposure=300s, start=2025-01-15T20:00Z, end=2025-01-16T00:30Z"
    camera = ("--camera", "focal_length=600mm, pixel_size=3.76um, width=6248, height=4176")
    axis = ("--axis", "azimuth=5arcmin, altitude=-3arcmin")
    ran = run_here("check", *PLACE, *camera, *axis, "--target", target, "--chart", "c.svg")
    assert ran.status in (0, 5), ran.err
    for shown in (ran.out, ran.err, Path("c.svg").read_text(encoding="utf-8")):
        assert not FORBIDDEN.search(shown)


@pytest.mark.usefixtures("workdir")
@pytest.mark.parametrize(
    "command",
    [
        "solve {0}.csv", "solve --drift {0}=1", "{0}", "solve --{0}", "log {0} --layout {0}", "plan --tz {0}",
        "check --axis {0} --targets {0}", "layout {0}", "solve t.csv --chart {0}", "plan --pointings {0}",
    ],
)  # fmt: skip
def test_names_of_files_and_words_of_the_command_line(command: str) -> None:
    """Whatever is wrong is told without moving a cursor, by us and by click alike."""
    hostile = HOSTILE.replace("\x07", "").replace("\x0c", "")
    words = [word.format(hostile) for word in shlex.split(command)]
    ran = run_here(*words, *(PLACE if len(words) > 1 and words[0] != "layout" else ()))
    assert ran.status in (2, 3)
    assert ran.err.startswith("poleward: ")
    assert not FORBIDDEN.search(ran.err + ran.out)


def test_from_python_too() -> None:
    rows = [
        {"label": HOSTILE, "hour_angle": f"{h} h", "dec": "5d", "duration": "5 min", "north": n}
        for h, n in ((0, -6), (-5, -10))
    ]
    solution = solve(Drifts.from_rows(rows), Site("47 deg"))
    assert not FORBIDDEN.search(str(solution) + repr(solution) + solution._repr_html_())
    assert not FORBIDDEN.search(figure_bytes(solution.chart(), "x.svg").decode())


def test_long_cells_are_shortened_in_messages() -> None:
    with pytest.raises(InputError) as caught:
        Site("x" * 60000)
    assert len(str(caught.value)) < 200
    assert "..." in str(caught.value)
    advice = "the section's start is late (check start, the unit of time, and that times count from the section's start)"
    assert str(InputError(advice)) == advice  # no cell stands between two apostrophes


def test_no_way_round() -> None:
    """Only these write: `print_result`, `streams.say`, the progress bar (no text of strangers), click's own help."""
    writers = {"cli/common.py": 1, "cli/streams.py": 1, "cli/progress.py": 2, "cli/__init__.py": 1}
    writes = re.compile(
        r"std(?:out|err)\.(?:write|buffer)|stream\.write|(?<![\w.])print\(|click\.s?echo\(|\.savefig\("
    )
    for path in SOURCES.rglob("*.py"):
        name, text = str(path.relative_to(SOURCES)), path.read_text(encoding="utf-8")
        allowed = 1 if name == "report/chart.py" else writers.get(name, 0)  # figure_bytes
        assert len(writes.findall(text)) <= allowed, f"{name}: use print_result, streams.say or figure_bytes"
        if "jinja2" in text:
            assert "printable_lines" in text, (
                f"{name}: give the Environment finalize, see errors.printable_lines"
            )
    for name, gate in (
        ("cli/common.py", "printable_lines(text)"),
        ("cli/streams.py", "printable_lines(text)"),
        ("report/chart.py", "printable_texts(figure)"),
        ("report/page.py", "finalize=_printable"),
    ):
        assert gate in (SOURCES / name).read_text(encoding="utf-8")
