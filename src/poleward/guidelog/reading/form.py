"""How a guide log is written, as plain data: what `read_layout` makes of a layout file and `read_log` goes by."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from poleward.guidelog.reading.facts import Cell, Fact


@dataclass(frozen=True)
class TextForm:
    """How the text is written.

    Attributes
    ----------
    encoding : str
        A byte-order mark in the file wins over it.
    delimiter : str
        One character; empty: any run of blanks.
    decimal : str
        ``.`` or ``,``.
    comment : str
        Lines that begin with it are not rows; empty: there are none.
    short_rows : bool
        Whether a row may leave out empty cells at its end.
    """

    encoding: str = "utf-8"
    delimiter: str = ","
    decimal: str = "."
    comment: str = "#"
    short_rows: bool = False


@dataclass(frozen=True)
class Marks:
    """Regular expressions for the lines around the rows; None where the layout gives none.

    Attributes
    ----------
    begin, header, end : re.Pattern or None
        The line that opens a section, the one that names the columns, the one after the last row.
    shift : re.Pattern or None
        A free line between rows: the guide star was placed anew on purpose.
    ignore : re.Pattern or None
        A free line between rows that means nothing.
    """

    begin: re.Pattern[str] | None = None
    header: re.Pattern[str] | None = None
    end: re.Pattern[str] | None = None
    shift: re.Pattern[str] | None = None
    ignore: re.Pattern[str] | None = None


@dataclass(frozen=True)
class Words:
    """A column of words and the values that count; for a direction, north/east first, south/west second."""

    cell: Cell
    values: frozenset[str]
    opposite: frozenset[str] = frozenset()


@dataclass(frozen=True)
class Measure:
    """A column of numbers.

    Attributes
    ----------
    cell : Cell
    factor : float
        From the log's unit to arcsec (places), ms (pulses) or s (times), with the sign of the layout's `positive`.
    pixels : bool
        The unit is the pixel: the image scale comes in too.
    direction : Words or None
        The column that tells which way an unsigned pulse went.
    answers : {"", "this", "before"}
        Of a pulse: the row it answers to, this one or the one before; empty where the layout does not say.
    """

    cell: Cell
    factor: float = 1.0
    pixels: bool = False
    direction: Words | None = None
    answers: str = ""


@dataclass(frozen=True)
class TimeColumn:
    """The column of times.

    Attributes
    ----------
    cell : Cell
    factor : float or None
        To seconds since the section's start; None: the cells are moments.
    format : str
        How moments are written (as for strptime); empty: ISO 8601, or a time of day.
    """

    cell: Cell
    factor: float | None = 1.0
    format: str = ""


@dataclass(frozen=True)
class Layout:
    """How a guide log is written.

    Attributes
    ----------
    source : str
        The layout file, for messages.
    text : TextForm
    marks : Marks
    facts : mapping of str to Fact
        What holds for each section, stated or found.
    time : TimeColumn
    north : Measure
    east, north_pulse, east_pulse : Measure or None
    status, shift : Words or None
    """

    source: str
    text: TextForm
    marks: Marks
    facts: Mapping[str, Fact]
    time: TimeColumn
    north: Measure
    east: Measure | None = None
    north_pulse: Measure | None = None
    east_pulse: Measure | None = None
    status: Words | None = None
    shift: Words | None = None

    @property
    def measures(self) -> dict[str, Measure]:
        """The columns of numbers that the layout names, without the time."""
        found = {name: getattr(self, name) for name in ("north", "east", "north_pulse", "east_pulse")}
        return {name: measure for name, measure in found.items() if measure is not None}

    @property
    def cells(self) -> list[Cell]:
        """Every column that the layout names."""
        words = [self.status, self.shift, *(m.direction for m in self.measures.values())]
        told = (fact.cell for fact in self.facts.values())
        cells = [self.time.cell, *(m.cell for m in self.measures.values()), *(w.cell for w in words if w)]
        return [*cells, *(cell for cell in told if cell is not None)]
