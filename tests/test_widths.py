"""No line that is printed is longer than 80 letters, in a pipe too: what the pages show, and what long names do."""

from __future__ import annotations

from pathlib import Path

import pytest
from conftest import run_here
from test_examples import BLOCK, PAGES, ROOT

from poleward.report.style import WIDTH, cut

LONG = "a name that somebody wrote without an end in sight, and then some"


def printed(page: Path) -> list[tuple[str, str]]:
    """Commands of a page's transcripts, each with one line that it printed; a file that is only shown is its writer's."""
    found, command, more = [], "", False
    for block in BLOCK.findall(page.read_text(encoding="utf-8")):
        for line in block.splitlines():
            if line.startswith("$ ") or more:
                command, more = line if line.startswith("$ ") else command, line.endswith("\\")
            elif not command.startswith("$ cat "):
                found.append((command, line))
    return found


@pytest.mark.parametrize("page", PAGES, ids=lambda page: str(page.relative_to(ROOT)))
def test_transcripts_fit(page):
    # tests/test_examples.py proves that they are what is printed, and there is no terminal there.
    assert [line for _, line in printed(page) if len(line) > WIDTH] == []


def test_they_are_many():
    assert sum(len(printed(page)) for page in PAGES) > 500


@pytest.mark.parametrize(
    "more", ["", ", east=1arcsec", ", east=1arcsec, rotation=0.1arcmin, rotation_sigma=0.1arcmin", ", use=no"]
)
def test_a_long_label_in_solve(more):
    drift = f"label={LONG.replace(',', '')}, hour_angle=%sh, dec=+10d, duration=5min, north=-10arcsec{more}"
    good = ("--drift", "hour_angle=0h, dec=0d, duration=5min, north=3arcsec")
    ran = run_here("solve", "--latitude", "47deg", "--drift", drift % -4, "--drift", drift % 3, *good)
    assert "Timings" in ran.out
    assert max(map(len, (ran.out + ran.err).splitlines())) <= WIDTH


def test_of_a_long_name_the_end_is_shown():
    assert cut("terrace.log watch 1", 18) == "..race.log watch 1"
    assert cut("watch 1", 18) == "watch 1"
