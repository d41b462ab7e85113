"""What is looked for in a VOTable before astropy reads it: it would fetch what the file names, and fill what it asks for."""

from __future__ import annotations

from typing import Any
from xml.parsers import expat

from poleward.errors import InputError

DEEPEST = 100
"""Elements inside each other: a VOTable needs nine."""
TEXT_TYPES = ("char", "unicodeChar")
MOST_ROWS = 2_000
"""Of any table: some years of timings. The fit of so many takes a second, and its time grows with their square."""


def refuse_many(rows: int, name: str) -> None:
    """Refuse a table with more rows than any has."""
    if rows > MOST_ROWS:
        raise InputError(
            f"this table has {rows} rows, allowed are {MOST_ROWS}", "is this the right file?", name
        )


def check_votable(data: bytes, name: str) -> None:
    """Refuse a VOTable that leads elsewhere, or is not a table of single values.

    Raises
    ------
    InputError
        A STREAM with an address (IVOA VOTable 1.5, section 5.4), a document type, a column of arrays, elements nested too deeply,
        or it is not XML.
    """
    depth = 0

    def begin(tag: str, marks: dict[str, str]) -> None:
        nonlocal depth
        depth += 1
        kind = tag.rsplit(":", 1)[-1].upper()
        if depth > DEEPEST:
            raise InputError("this VOTable is nested too deeply", "", name)
        if kind == "STREAM" and any(mark.lower().endswith("href") for mark in marks):
            raise InputError(
                "the rows of this VOTable are elsewhere (STREAM href), nothing is fetched",
                "save the table with its rows inside it",
                name,
            )
        if kind == "TABLE" and (count := marks.get("nrows", "").strip()).isdecimal():
            refuse_many(int(count[:12]), name)  # astropy makes room for as many as are told
        if kind == "FIELD" and marks.get("datatype") not in TEXT_TYPES and marks.get("arraysize", "1") != "1":
            raise InputError(
                f"column '{marks.get('name', '')}' holds arrays", "one value is needed in each cell", name
            )

    def end(_: str) -> None:
        nonlocal depth
        depth -= 1

    def doctype(*_: Any) -> None:
        raise InputError("this VOTable has a document type, which is not read", "remove its DOCTYPE", name)

    parser = expat.ParserCreate()
    parser.StartElementHandler, parser.EndElementHandler = begin, end
    parser.StartDoctypeDeclHandler = doctype
    try:
        parser.Parse(data, True)
    except expat.ExpatError as error:
        reason = expat.ErrorString(error.code)
        raise InputError(f"this VOTable cannot be read: {reason}", "", f"{name}:{error.lineno}") from None
