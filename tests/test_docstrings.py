"""Docstrings of the public names are numpydoc's: every parameter, what is returned, with a description."""

from __future__ import annotations

import inspect
from collections.abc import Iterator

import pytest

import poleward

numpydoc = pytest.importorskip("numpydoc.validate")  # extra `docs`

WAIVED = {
    "ES01": "a summary may say it all",
    "SA01": "what belongs together stands in one place in the book",
    "EX01": "the examples are those of docs/python.md, which run",
    "RT03": "a result has a name of its own, and its class a docstring",
}


def names() -> Iterator[str]:
    for name in poleward.__all__:
        thing = getattr(poleward, name)
        yield name
        if inspect.isclass(thing):
            kinds = (property, classmethod, staticmethod)
            for part, value in vars(thing).items():
                if not part.startswith("_") and (callable(value) or isinstance(value, kinds)):
                    yield f"{name}.{part}"


def complaints(name: str) -> list[str]:
    thing = poleward
    for part in name.split("."):
        thing = getattr(thing, part)
    said = inspect.getdoc(thing) or ""
    waived = set(WAIVED)
    if inspect.isclass(thing) and ("Attributes" in said or thing.__module__ == "poleward.errors"):
        waived.add(
            "PR01"
        )  # fields stand under Attributes, which is where a reader of a result looks; errors inherit
    if inspect.isclass(thing) and issubclass(thing, poleward.Drifts):
        waived.add("PR01")  # made by from_rows, from_table and read_drifts
    if said.startswith("Return "):
        waived.add("RT01")  # the summary says it
    found = numpydoc.validate(f"poleward.{name}")["errors"]
    return [f"{name}: {code} {text}" for code, text in found if code not in waived]


def test_public_docstrings_are_complete() -> None:
    assert [each for name in names() for each in complaints(name)] == []
