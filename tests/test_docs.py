"""The docs cannot drift: their Python runs, their help texts are the program's, their links lead somewhere."""

from __future__ import annotations

import doctest
import re
from pathlib import Path

import pytest
from conftest import run_here

from poleward.cli import COMMANDS

ROOT = Path(__file__).parent.parent
PAGES = sorted(
    [
        ROOT / "README.md",
        ROOT / "DEVELOPERS.md",
        *ROOT.glob("docs/*.md"),
        *ROOT.glob("worked_examples/**/*.md"),
    ]
)


@pytest.mark.parametrize("page", sorted(ROOT.glob("docs/*.md")), ids=lambda page: page.name)
def test_python_in_the_docs_runs(page: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)
    result = doctest.testfile(
        str(page), module_relative=False, optionflags=doctest.NORMALIZE_WHITESPACE, encoding="utf-8"
    )
    assert result.failed == 0


def anchors(page: Path) -> set[str]:
    """Return what its headings are called in a link: as the book's builder and the usual viewers of Markdown do it."""
    text = re.sub(r"^(```|~~~).*?^\1", "", page.read_text(encoding="utf-8"), flags=re.MULTILINE | re.DOTALL)
    titles = re.findall(r"^#+ +(.*)", text, re.MULTILINE)
    return {
        re.sub(r"[^\w -]", "", re.sub(r"\]\([^)]*\)", "", title).lower()).replace(" ", "-")
        for title in titles
    }


@pytest.mark.parametrize("page", PAGES, ids=lambda page: str(page.relative_to(ROOT)))
def test_links_lead_somewhere(page: Path) -> None:
    for target, _, anchor in re.findall(r"\]\(([^)#]*)(#([^)]*))?\)", page.read_text(encoding="utf-8")):
        if "://" not in target:
            there = page.parent / target if target else page
            assert there.exists(), f"{page}: {target}"
            assert not anchor or anchor in anchors(there), f"{page}: {target}#{anchor}"


def test_every_page_has_its_place_in_the_book() -> None:
    lines = (ROOT / "docs" / "index.md").read_text(encoding="utf-8").splitlines()
    pages = {str(page.relative_to(ROOT).with_suffix("")) for page in PAGES} - {"docs/index"}
    listed = [
        str((ROOT / "docs" / line).resolve().relative_to(ROOT))
        for line in lines
        if re.fullmatch(r"[\w./-]+", line)
    ]
    assert sorted(listed) == sorted(pages)


@pytest.mark.parametrize("command", COMMANDS)
def test_help_in_the_reference_is_the_programs(command: str) -> None:
    """docs/commands.md is a page of transcripts, so test_examples.py compares the text; here: none is missing."""
    assert f"$ poleward {command} --help\n" in (ROOT / "docs" / "commands.md").read_text(encoding="utf-8")
    ran = run_here(command, "--help")
    assert ran.status == 0
    assert f"poleward {command}" in ran.out.split("Options:")[0].split("Examples:")[1], (
        "help leads with an example"
    )


def test_every_story_is_in_the_index() -> None:
    index = (ROOT / "worked_examples" / "README.md").read_text(encoding="utf-8")
    for story in ROOT.glob("worked_examples/*/README.md"):
        assert f"({story.parent.name}/README.md)" in index, story


def test_every_page_is_reached_from_the_readme() -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    index = "docs/index.md"  # the book's own contents
    for page in ROOT.glob("docs/*.md"):
        assert f"docs/{page.name}" == index or f"(docs/{page.name})" in text, page


def test_no_forty_lines_twice() -> None:
    """README and first-solve share no run of twenty lines."""
    pages = [
        (ROOT / name).read_text(encoding="utf-8").splitlines()
        for name in ("README.md", "docs/first-solve.md")
    ]
    runs = [{tuple(page[i : i + 20]) for i in range(len(page) - 19)} for page in pages]
    assert not runs[0] & runs[1]
