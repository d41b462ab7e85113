"""Write docs/checked.md: every check against something outside the project, and every experiment.

``python docs/pages/checked.py`` writes the page with the figures that stand on it; with the word ``run`` it runs those
tests first and takes their figures. The tests compare: tests/test_pages.py that no check is missing, the fixture
`compared` in tests/conftest.py that a figure is not much worse than the page says.
"""

from __future__ import annotations

import ast
import json
import re
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parent.parent.parent
PAGE = ROOT / "docs" / "checked.md"
MARK = re.compile(r"(?:^|(?<!E\.)[\s(;,])(?:status )?([VSMD])(?=[:.,;)]|$)")
HEAD = """# How the answers are checked

This page is written by `docs/pages/checked.py` from the tests themselves: a test that names a source with its status stands
here, and running the tests gives the figures.

Status: **V** read in the primary text or data file; **S** read in a secondary text; **M** from memory; **D** derived
independently of this project, no published number.

## Against sources outside the project

Of all values that a test compares, the one that comes closest to its tolerance is shown: what came out, what is published,
the tolerance, and how much of it is used. Where a test asks for a yes or no, there is no figure.

"""
BELOW = """## By simulation

Where nothing is published, truth is made by another route (astropy.coordinates for the stars, scipy's Rotation for the
mount). Each line is a program under `docs/experiments/`; its tables stand on the page named, and the worst of them is
repeated here. `python docs/experiments/NAME.py` makes it again.

| experiment | what it asks | table | last run | worst case |
| --- | --- | --- | --- | --- |
"""


@dataclass(frozen=True)
class Check:
    """One test against outside sources, as it stands in its file."""

    file: str
    function: str
    source: str
    status: str


def of_file(path: Path) -> list[Check]:
    """Return the checks of a file of tests: functions whose docstring or comments name a source and its status."""
    text = path.read_text(encoding="utf-8")
    lines, found = text.splitlines(), []
    for node in ast.parse(text).body:
        if not isinstance(node, ast.FunctionDef) or not node.name.startswith("test"):
            continue
        first = min([each.lineno for each in node.decorator_list] + [node.lineno])
        said = [" ".join((ast.get_docstring(node) or "").split())]
        run: list[str] = []
        for line in [*lines[first - 1 : node.end_lineno], ""]:
            comment = re.match(r"\s*# ?(.*)", line)
            if comment:
                run.append(comment[1])
            elif run:
                said.append(" ".join(run))
                run = []
        said = [each for each in said if MARK.search(each) or "from memory" in each]
        if said:
            status = {mark for each in said for mark in MARK.findall(each)} or {"M"}
            found.append(
                Check(path.name, node.name, " ".join(said), "".join(s for s in "VSMD" if s in status))
            )
    return found


def checks() -> list[Check]:
    """Return all of them."""
    return [check for path in sorted((ROOT / "tests").glob("test_*.py")) for check in of_file(path)]


def stated() -> dict[tuple[str, str], str]:
    """Return the figures that stand on the page: the last two cells of each line."""
    if not PAGE.exists():
        return {}
    lines = re.findall(
        r"^\| `(test_\w+\.py)::(\w+)` \| .* \| (.* \| .*) \|$", PAGE.read_text("utf-8"), re.MULTILINE
    )
    return {(file, name): figure for file, name, figure in lines}


def measured() -> dict[tuple[str, str], str]:
    """Run the checks and return their figures."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "figures.json"
        names = [f"tests/{check.file}::{check.function}" for check in checks()]
        command = [sys.executable, "-m", "pytest", "-q", "-p", "no:randomly", *names]
        subprocess.run([*command, "--figures", str(path)], cwd=ROOT, check=True)
        found = json.loads(path.read_text("utf-8"))
    figures = {}
    for file, name, got, wanted, tolerance, share in found:
        # Numerical noise differs from machine to machine; less than a thousandth is none.
        used = f"{share:.1%}" if share >= 0.001 else "under 0.1%"
        figures[file, name] = f"{got:.7g} for {wanted:.7g} within {tolerance:.2g} | {used.replace('%', ' %')}"
    return figures


def cell(text: str) -> str:
    """Return text for one cell of a table in Markdown."""
    return re.sub(r"([|<>*_\[\]`$\\])", r"\\\1", " ".join(text.split()))


def worst_cases() -> dict[str, tuple[str, str, str]]:
    """Return of each experiment its date, what its worst line means, and how that line begins on its page."""
    return json.loads((ROOT / "docs" / "pages" / "worst_cases.json").read_text("utf-8"))


def experiments() -> list[str]:
    """Return a line for each experiment."""
    known, lines = worst_cases(), []
    pages = {
        path.name: path.read_text("utf-8") for path in sorted((ROOT / "docs").glob("*.md")) if path != PAGE
    }
    for path in sorted((ROOT / "docs" / "experiments").glob("*.py")):
        asks = (ast.get_docstring(ast.parse(path.read_text("utf-8"))) or "").split("\n\n")[0].split(". ")[0]
        there = [name for name, text in pages.items() if f"experiments/{path.name}" in text]
        date, words, begins = known.get(path.stem, ("", "", ""))
        links = ", ".join(f"[{name}]({name})" for name in there)
        worst = [line for name in there for line in pages[name].splitlines() if begins and begins in line]
        if begins and not worst:
            sys.exit(
                f"worst_cases.json: no line of {', '.join(there)} holds '{begins}', the worst case of {path.name}"
            )
        seen = worst[0] if worst else ""
        seen = " / ".join(each.strip() for each in seen.strip("| ").split("|"))
        said = ": ".join(each for each in (words, seen) if each)
        lines.append(f"| `{path.name}` | {cell(asks.rstrip('.'))} | {links} | {date} | {cell(said)} |")
    return lines


def made(figures: dict[tuple[str, str], str] | None = None) -> str:
    """Return the page, with the figures that stand on it unless others are given."""
    figures = stated() if figures is None else figures
    lines = [
        "| test | source | status | worst figure | of the tolerance |",
        "| --- | --- | --- | --- | --- |",
    ]
    for check in checks():
        figure = figures.get((check.file, check.function), "yes or no | ")
        lines.append(
            f"| `{check.file}::{check.function}` | {cell(check.source)} | {check.status} | {figure} |"
        )
    return HEAD + "\n".join(lines) + "\n\n" + BELOW + "\n".join(experiments()) + "\n"


if __name__ == "__main__":
    PAGE.write_text(made(measured() if "run" in sys.argv[1:] else None), encoding="utf-8")
