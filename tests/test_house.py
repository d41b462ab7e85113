"""The house stands as DEVELOPERS.md says: imports run one way, few public names, a light front door."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from pathlib import Path

import pytest

import poleward
from poleward.cli import COMMANDS

ROOT = Path(__file__).parent.parent
PACKAGE = ROOT / "src" / "poleward"

LADDER = [
    "errors",
    "files",
    "quantity",
    "clock",
    "camera",
    "site",
    "axis",
    "earth",
    "sky",
    "tables",
    "drift_rows",
    "drifts",
    "fit",
    "determine",
    "model",
    "estimate",
    "solution",
    "statement",
    "solver",
    "knobs",
    "setup",
    "guidelog",
    "simulate",
    "targets",
    "stars",
    "sun",
    "window",
    "trail",
    "exposure",
    "forecast",
    "axis_record",
    "outlook",
    "checked",
    "check",
    "timing",
    "pairing",
    "planned",
    "propose",
    "plan",
    "needed",
    "report",
    "cli",
]
"""From the cellar to the roof."""

PUBLIC = [
    "Air",
    "Drifts",
    "GuideCamera",
    "InputError",
    "Layout",
    "LogFile",
    "LogGroup",
    "LogSolution",
    "PolewardError",
    "Section",
    "SectionResult",
    "Site",
    "Solution",
    "UsageError",
    "read_drifts",
    "read_layout",
    "read_log",
    "solve",
    "solve_log",
]


def floor_of(module: str) -> int:
    return LADDER.index(module.split(".")[0])


def imports_of(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module and node.module.startswith("poleward."):
            found.add(node.module.removeprefix("poleward."))
        elif isinstance(node, ast.ImportFrom) and node.module == "poleward":
            found.update(
                alias.name for alias in node.names if (PACKAGE / alias.name).with_suffix(".py").exists()
            )
        elif isinstance(node, ast.Import):
            found.update(
                a.name.removeprefix("poleward.") for a in node.names if a.name.startswith("poleward.")
            )
    return found


def source_files() -> list[Path]:
    return [path for path in PACKAGE.rglob("*.py") if path.name not in ("__init__.py", "__main__.py")]


@pytest.mark.parametrize("path", source_files(), ids=lambda path: str(path.relative_to(PACKAGE)))
def test_imports_run_one_way(path: Path) -> None:
    here = ".".join(path.relative_to(PACKAGE).with_suffix("").parts)
    for other in imports_of(path):
        assert floor_of(other) <= floor_of(here), f"{here} imports {other} from above"
        if floor_of(other) == floor_of(here):
            assert other.split(".")[0] == here.split(".")[0]


def test_no_import_cycles() -> None:
    edges = {
        ".".join(path.relative_to(PACKAGE).with_suffix("").parts): imports_of(path) for path in source_files()
    }
    done: set[str] = set()

    def walk(module: str, trail: tuple[str, ...]) -> None:
        assert module not in trail, f"cycle: {' -> '.join((*trail, module))}"
        if module in done:
            return
        for other in edges.get(module, set()):
            walk(other, (*trail, module))
        done.add(module)

    for module in edges:
        walk(module, ())


def test_only_the_sky_knows_coordinates() -> None:
    """Quantity.parse may ask for Angle, a parser; frames and ERFA's places belong to sky and earth."""
    for path in source_files():
        text = path.read_text(encoding="utf-8")
        if path.stem not in ("sky", "earth", "simulate"):
            assert not re.search(r"^\s*import erfa|AltAz|HADec|EarthLocation", text, re.MULTILINE), path


def test_public_names() -> None:
    assert sorted(poleward.__all__) == sorted(PUBLIC)
    for name in PUBLIC:
        assert getattr(poleward, name) is not None
    assert set(PUBLIC) <= set(dir(poleward))
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        _ = poleward.nothing


@pytest.mark.parametrize("arguments", [["--help"], ["--version"], ["solve", "--help"], []])
def test_help_is_light(arguments: list[str]) -> None:
    code = (
        "import sys\nfrom poleward.cli import run\n"
        f"try:\n    run({arguments!r})\nexcept SystemExit as left:\n    assert left.code == 0\n"
        "heavy = {'numpy', 'scipy', 'astropy', 'lmfit', 'matplotlib'} & set(sys.modules)\n"
        "assert not heavy, heavy"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert "poleward" in done.stdout


def test_files_stay_small() -> None:
    """320: a little room above the 300 of the house rules."""
    long = {str(p): n for p in source_files() if (n := len(p.read_text(encoding="utf-8").splitlines())) > 320}
    assert not long


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_is_in_the_docs(command: str) -> None:
    pages = [path.read_text(encoding="utf-8") for path in (ROOT / "docs").glob("*.md")]
    assert any(f"poleward {command}" in page for page in pages)


def test_no_module_hides_a_public_name() -> None:
    """Importing poleward.NAME puts the module on the package, where it would hide a function of that name."""
    modules = {path.stem for path in PACKAGE.iterdir()}
    assert not modules & set(PUBLIC)
