"""Pages that a program writes are what it writes today. Write them anew with ``python docs/pages/NAME.py``."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest

DOCS = Path(__file__).parent.parent / "docs"


def program(name: str) -> ModuleType:
    spec = importlib.util.spec_from_file_location(f"page_{name}", DOCS / "pages" / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize("name", sorted(path.stem for path in (DOCS / "pages").glob("*.py")))
def test_a_page_is_what_its_program_writes(name: str) -> None:
    same = (DOCS / f"{name}.md").read_text(encoding="utf-8") == program(name).made()
    assert same, (
        f"docs/{name}.md is not what the source says today: python docs/pages/{name}.py writes it anew"
    )


def test_every_experiment_tells_its_worst_case() -> None:
    assert set(program("checked").worst_cases()) == {path.stem for path in DOCS.glob("experiments/*.py")}
