"""Names and colours that are our own or everybody's, and commands of the pages that can be typed."""

from __future__ import annotations

import json
import re
import shlex
from importlib.resources import files
from pathlib import Path

import pytest

from poleward import Drifts, Site, solve
from poleward.cli import COMMANDS, main
from poleward.report import style

ROOT = Path(__file__).parent.parent
PAGES = sorted([*ROOT.glob("worked_examples/*/README.md"), *ROOT.glob("docs/*.md"), ROOT / "README.md"])
OKABE_ITO = {"#000000", "#E69F00", "#56B4E9", "#009E73", "#F0E442", "#0072B2", "#D55E00", "#CC79A7"}
"""M. Okabe and K. Ito 2008, Color Universal Design: how to make figures that are friendly to colour-blind people. M."""
NOT_OURS = re.compile(r"aggressiv|--settle\b", re.IGNORECASE)
"""The share of an error that a guider sends back is called that; the other was an option once."""


def of_the_program() -> list[Path]:
    return [path for end in ("py", "json", "html", "toml") for path in ROOT.glob(f"src/poleward/**/*.{end}")]


def test_the_colours_are_the_published_ones():
    named = (
        style.BLACK,
        style.ORANGE,
        style.SKY_BLUE,
        style.GREEN,
        style.YELLOW,
        style.BLUE,
        style.VERMILION,
        style.PURPLE,
    )
    assert set(named) == OKABE_ITO


@pytest.mark.parametrize("path", sorted(ROOT.glob("src/poleward/report/*.py")), ids=lambda path: path.stem)
def test_charts_draw_in_them_in_greys_and_at_night_in_reds(path):
    for text in re.findall(r'"(#[0-9A-Fa-f]{6})"', path.read_text(encoding="utf-8")):
        red, green, blue = (int(text[i : i + 2], 16) for i in (1, 3, 5))
        grey, dim = red == green == blue, max(green, blue) < 0.35 * red
        assert text.upper() in OKABE_ITO or grey or dim, text


def test_no_name_that_is_somebody_elses():
    said = [path for path in [*of_the_program(), *PAGES] if NOT_OURS.search(path.read_text(encoding="utf-8"))]
    assert said == []
    schema = json.loads((files("poleward") / "data" / "record.schema.json").read_text(encoding="utf-8"))
    assert "common_choice" in schema["$defs"]["plan"]["properties"]
    assert "textbook" not in json.dumps(schema)


def typed(page: Path) -> list[str]:
    """Commands of a page: in fences, in indented blocks, and in running text where an option is given."""
    text = re.sub(r"\\\n\s*", " ", page.read_text(encoding="utf-8"))
    lines = re.findall(r"^(?:    |\$ )?(poleward [a-z]+\b.*)$", text, re.MULTILINE)
    # Not what the program says of itself, nor where words follow the name.
    lines = [line for line in lines if line.split()[1] in COMMANDS and (" -" in line or "." in line)]
    return lines + re.findall(r"`(poleward [a-z]+ [^`\n]*--[^`\n]*)`", text)


def options(name: str) -> set[str]:
    command = main.get_command(None, name)
    return {option for one in command.params for option in (*one.opts, *one.secondary_opts)} | {"--help"}


@pytest.mark.parametrize("page", PAGES, ids=lambda page: str(page.relative_to(ROOT)))
def test_commands_of_the_pages_can_be_typed(page):
    """Every option exists; what is shown as a transcript is also run, by tests/test_examples.py."""
    for line in typed(page):
        words = shlex.split(re.split(r" [|>] |\s#", line)[0])
        given = {word.split("=")[0] for word in words[2:] if word.startswith("--")}
        assert given <= options(words[1]), line


def test_the_pages_hold_commands():
    assert sum(len(typed(page)) for page in PAGES) > 60


def test_equal_timings_have_equal_solutions():
    rows = [{"hour_angle": h, "dec": 5, "duration": 300, "north": -5, "north_sigma": 1} for h in (-3, 1)]
    first, second = (solve(Drifts.from_rows(rows), Site("47 deg")) for _ in range(2))
    assert first == second
    assert hash(first) == hash(second)
    assert first != solve(Drifts.from_rows(rows), Site("47.1 deg"))
    assert first.pole != solve(Drifts.from_rows(rows), Site("47 deg"), pole="true").pole
