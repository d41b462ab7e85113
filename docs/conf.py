"""The book: `sphinx-build -W -c docs . FOLDER` from the top of the repository. The pages are read as they stand, too.

The whole repository is the source, so that a link in a page leads to the same file in the book and in plain Markdown.
"""

from __future__ import annotations

import poleward

project = "poleward"
author = "The poleward developers"
copyright = f"2026, {author}"
version = release = poleward.__version__

root_doc = "docs/index"
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

html_theme = "pydata_sphinx_theme"
html_title = "poleward"
html_show_sourcelink = False
html_theme_options = {"show_prev_next": True, "navigation_depth": 2, "footer_start": [], "footer_end": []}
