"""The docs cannot drift: their Python runs, their help texts are the program's, their links lead somewhere."""

from __future__ import annotations

import doctest
import re
from pathlib import Path

import pytest
from conftest import run_here

from poleward import read_setup, setup
from poleward.cli import COMMANDS
from poleward.guidelog.reading import layout
from poleward.timings import rows
from poleward.tonight import targets

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
    for target in re.findall(r'(?:src|srcset)="([^"]*)"', page.read_text(encoding="utf-8")):
        assert (page.parent / target).exists(), f"{page}: {target}"


def test_the_anchors_that_the_program_names_are_there() -> None:
    """In an error's hint, or below a verdict; the book's builder follows those on docs/errors.md."""
    source = "".join(path.read_text(encoding="utf-8") for path in ROOT.glob("src/**/*.py"))
    named = set(re.findall(r"docs: ([\w-]+\.md)#([\w-]+)", source))
    assert len(named) == source.count("docs: ") >= 6
    for page, anchor in named:
        assert anchor in anchors(ROOT / "docs" / page), f"{page}#{anchor}"


def test_every_page_has_its_place_in_the_book() -> None:
    """The tables of the parts name each page once; the book's builder makes its contents of them (docs/conf.py)."""
    parts = ["index", "tutorial", "how-to", "reference", "explanation"]
    listed = []
    for part in [*(ROOT / "docs" / f"{name}.md" for name in parts), ROOT / "worked_examples" / "README.md"]:
        for page in re.findall(
            r"^\| \[[^\]]*\]\(([^)#]+\.md)\)", part.read_text(encoding="utf-8"), re.MULTILINE
        ):
            listed.append((part.parent / page).resolve())
    assert sorted(listed) == sorted(set(PAGES) - {ROOT / "docs" / "index.md"})


@pytest.mark.parametrize("page", sorted(ROOT.glob("docs/*.md")), ids=lambda page: page.name)
def test_a_table_of_figures_names_what_made_it(page: Path) -> None:
    """As docs/index.md promises: a program, or a test, in the same section; six numbers make a table of figures."""
    if page.name in ("checked.md", "record.md", "errors.md", "commands.md"):
        return  # written by programs, and say so at their heads; exit statuses
    text = re.sub(r"^```.*?^```", "", page.read_text(encoding="utf-8"), flags=re.MULTILINE | re.DOTALL)
    for section in re.split(r"^(?=## )", text, flags=re.MULTILINE):
        cells = re.findall(r"(?<=\|) [+-]?\d[\d.,]*( %|')? (?=\|)", section)
        named = re.search(r"docs/experiments/\w+\.py|tests/(bench/)?\w+\.py|\(accuracy\.md#", section)
        assert len(cells) < 6 or named, section.splitlines()[0]


@pytest.mark.parametrize("command", COMMANDS)
def test_help_in_the_reference_is_the_programs(command: str) -> None:
    """docs/commands.md is a page of transcripts, so test_examples.py compares the text; here: none is missing."""
    assert f"$ poleward {command} --help\n" in (ROOT / "docs" / "commands.md").read_text(encoding="utf-8")
    ran = run_here(command, "--help")
    assert ran.status == 0
    assert f"poleward {command}" in ran.out.split("Options:")[0].split("Examples:")[1], (
        "help leads with an example"
    )


def test_every_story_is_reached_from_the_page_it_illustrates() -> None:
    text = "".join(page.read_text(encoding="utf-8") for page in ROOT.glob("docs/*.md"))
    for story in ROOT.glob("worked_examples/*/README.md"):
        assert f"(../worked_examples/{story.parent.name}/README.md)" in text, story


def test_the_readme_leads_to_the_four_parts() -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    for part in ("tutorial", "how-to", "reference", "explanation"):
        assert f"(docs/{part}.md)" in text, part


def test_no_forty_lines_twice() -> None:
    """README and first-solve share no run of twenty lines."""
    pages = [
        (ROOT / name).read_text(encoding="utf-8").splitlines()
        for name in ("README.md", "docs/first-solve.md")
    ]
    runs = [{tuple(page[i : i + 20]) for i in range(len(page) - 19)} for page in pages]
    assert not runs[0] & runs[1]


@pytest.mark.parametrize(
    ("page", "keys"),
    [
        ("files.md", [key for keys in setup.KEYS.values() for key in keys]),
        ("files.md", [*rows.COLUMNS, *targets.COLUMNS]),
        ("log-keys.md", [key for keys in layout.KEYS.values() for key in keys]),
    ],
)
def test_what_the_readers_take_stands_in_the_reference(page: str, keys: list[str]) -> None:
    text = (ROOT / "docs" / page).read_text(encoding="utf-8")
    assert [key for key in keys if not re.search(rf"\b{key}\b", text)] == []


def test_the_setup_file_of_the_reference_can_be_read(workdir: Path) -> None:
    text = (ROOT / "docs" / "files.md").read_text(encoding="utf-8")
    blocks = re.findall(r"```toml\n(.*?)```", text, re.DOTALL)
    (workdir / "poleward.toml").write_text(blocks[0].replace('"..."', '"CRVAL1 [deg]"'), encoding="utf-8")
    assert read_setup("poleward.toml").guide_camera is not None
