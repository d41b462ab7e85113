"""The book: `sphinx-build -W -c docs . FOLDER` from the top of the repository. The pages are read as they stand, too.

The whole repository is the source, so that a link in a page leads to the same file in the book and in plain Markdown.
"""

from __future__ import annotations

import re
import shutil
from pathlib import Path
from typing import Any

import poleward

project = "poleward"
author = "The poleward developers"
copyright = f"2026, {author}"
version = release = poleward.__version__

root_doc = "docs/index"
PARTS = [
    "docs/index",
    "docs/tutorial",
    "docs/how-to",
    "docs/reference",
    "docs/explanation",
    "worked_examples/README",
]
"""Pages whose table of links is also the order of the book."""
include_patterns = ["docs/**", "worked_examples/**", "README.md", "DEVELOPERS.md"]
exclude_patterns = ["docs/experiments", "docs/drawings", "**/.venv"]
source_suffix = {".md": "markdown"}

extensions = ["myst_parser", "numpydoc", "sphinx.ext.autodoc", "sphinx_copybutton"]
myst_heading_anchors = 3
myst_enable_extensions = ["colon_fence"]
autosummary_generate = False
numpydoc_show_class_members = False
numpydoc_class_members_toctree = False
autodoc_typehints = "none"  # numpydoc says them in words
copybutton_prompt_text = r"\$ |>>> |\.\.\. "
copybutton_prompt_is_regexp = True

smartquotes = False  # an option stays --robust in a sentence, too

html_theme = "pydata_sphinx_theme"
html_title = "poleward"
html_static_path = ["book.css"]
html_css_files = ["book.css"]
html_show_sourcelink = False
html_theme_options = {
    "show_prev_next": True,
    "navigation_depth": 3,
    "footer_start": [],
    "footer_end": [],
    "navbar_align": "left",
}


def add_contents(app: Any, name: str, source: list[str]) -> None:
    """Make chapters of the pages that a part's table names: one list, whether it is read as Markdown or as a book."""
    if name in PARTS:
        pages = re.findall(r"^\| \[([^\]]*)\]\(([^)#]+)\.md\)", source[0], re.MULTILINE)
        lines = [f"{title} <{page}>" for title, page in pages]
        source[0] += "\n```{toctree}\n:hidden:\n\n" + "\n".join(lines) + "\n```\n"


def show_inks(app: Any, name: str, source: list[str]) -> None:
    """Show a drawing in the ink of the site's own switch; in plain Markdown the reader's system decides."""
    both = r'<img class="only-light" src="\2" alt="\3"><img class="only-dark" src="\1" alt="\3">'
    picture = r'<picture><source [^>]*srcset="([^"]*)"><img\s+src="([^"]*)"\s+alt="([^"]*)"[^>]*></picture>'
    source[0] = re.sub(picture, both, source[0])


def add_door(app: Any, failed: Exception | None) -> None:
    """Lead from the site's top to its first page; bring along the drawings, which the builder does not look for."""
    if not failed and app.builder.format == "html":
        for drawing in Path(__file__).parent.glob("*.svg"):
            shutil.copy(drawing, Path(app.outdir) / "docs")
        door = '<!doctype html><meta http-equiv="refresh" content="0; url=docs/index.html"><title>poleward</title>\n'
        (Path(app.outdir) / "index.html").write_text(door, encoding="utf-8")


def setup(app: Any) -> None:
    """Hook them in."""
    app.connect("source-read", add_contents)
    app.connect("source-read", show_inks)
    app.connect("build-finished", add_door)
