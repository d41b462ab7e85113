"""The facts of one section: looked for in the log's free lines, else as the layout states them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, time
from typing import Any

from poleward.errors import InputError, shortened
from poleward.guidelog.reading.facts import NUMBERS, RATES, Fact, number_of
from poleward.guidelog.reading.patterns import searched
from poleward.guidelog.reading.times import moment
from poleward.sky.look import Pointing

OF_THE_MOMENT = ("hour_angle", "azimuth", "altitude", "start", "label")
"""Never taken over from the head of the file: what held at one moment does not hold for the next section."""
OF_THE_TARGET = ("ra", "dec", "reversed")
"""Taken over from the head of the file only where sections have a begin line of their own."""

OF_ONE_VALUE = ("image_scale", *RATES, "reversed")
"""Where these stand twice with two values, each may be right, and any of them moves the answer."""

Line = tuple[int, str]


@dataclass(frozen=True)
class Scopes:
    """The free lines in which a section's facts are looked for.

    Attributes
    ----------
    own : sequence of (line number, text)
        From the line that opens the section to its last row, without the rows.
    before : sequence
        Between the last row of the section before, or the file's beginning, and the line that opens this one.
    after : sequence
        Between its last row and the line that opens the next section.
    head : sequence
        Before the first section of the file.
    begun : bool
        Sections have a begin line, so that the head belongs to no section.
    above, trailing, unclear : frozenset of str
        Facts that this log tells before the line that opens a section; after a section's rows; and those that stand
        between sections, but neither before the first one nor after the last, so that nobody can tell whose they are.
    cells : mapping of str to (line number, text)
        Facts that stand in a column.
    """

    own: Sequence[Line]
    before: Sequence[Line]
    after: Sequence[Line]
    head: Sequence[Line]
    begun: bool
    above: frozenset[str] = frozenset()
    trailing: frozenset[str] = frozenset()
    unclear: frozenset[str] = frozenset()
    cells: Mapping[str, Line] = field(default_factory=dict)

    def lines_for(self, name: str) -> Iterable[Line]:
        """Return the lines where a fact may stand, nearest first."""
        if name in self.above:
            yield from reversed(self.before)
        yield from self.own
        if name in self.trailing:
            yield from self.after
        elif name not in self.unclear | self.above:
            yield from reversed(self.before)
        if name not in OF_THE_MOMENT and (self.begun or name not in OF_THE_TARGET):
            yield from self.head


def found_in(fact: Fact, line: str) -> str | None:
    """Return what a free line says about a fact, None where it says nothing."""
    matched = searched(fact.pattern, line) if fact.pattern is not None else None
    return None if matched is None or matched.group(1) is None else matched.group(1).strip()


class Held:
    """The facts of one section, each looked for when it is asked for.

    Parameters
    ----------
    facts : mapping of str to Fact
    scopes : Scopes
    file : str
        For messages.
    decimal : str
        The log's decimal mark.
    """

    def __init__(self, facts: Mapping[str, Fact], scopes: Scopes, file: str, decimal: str) -> None:
        self.facts, self.scopes, self.file, self.decimal = facts, scopes, file, decimal

    def value(self, name: str) -> tuple[Any, str] | None:
        """Return what is written and where; None where neither the log nor the layout says it.

        Raises
        ------
        InputError
            It stands twice with two values, and each may be the right one.
        """
        fact = self.facts.get(name)
        if fact is None:
            return None
        found = self.scopes.cells.get(name)
        if fact.pattern is not None:
            lines = ((number, found_in(fact, line)) for number, line in self.scopes.lines_for(name))
            found = next(((number, text) for number, text in lines if text is not None), None)
            if found is not None and name in OF_ONE_VALUE:
                self._check_once(fact, *found)
        if found is not None:
            number, text = found
            if self.decimal == "," and name in (*NUMBERS, *RATES):
                text = text.replace(",", ".")
            return text, f"{self.file}:{number}, {name}"
        return None if fact.stated is None else (fact.stated, fact.where)

    def _check_once(self, fact: Fact, number: int, text: str) -> None:
        """Refuse a fact that stands with another value beside the line where it was found."""
        scopes = (self.scopes.own, self.scopes.before, self.scopes.after, self.scopes.head)
        beside = next(lines for lines in scopes if any(line[0] == number for line in lines))
        for other, line in beside:
            said = found_in(fact, line)
            if said is not None and said != text:
                (first, one), (last, two) = sorted([(number, text), (other, said)])
                raise InputError(
                    f"{fact.name} stands twice in this section with two values, '{shortened(one)}' at line {first} and "
                    f"'{shortened(two)}' at line {last}",
                    "its pattern matches too much: it must match once in each section",
                    f"{self.file}:{number}",
                )

    def needed(self, name: str, where: str) -> tuple[Any, str]:
        """Return as `value`, or refuse the section.

        Raises
        ------
        InputError
            The fact is nowhere.
        """
        seen = self.value(name)
        if seen is None:
            fact = self.facts.get(name)
            sought = f" (no free line matches '{fact.pattern.pattern}')" if fact and fact.pattern else ""
            hint = ""
            if name in self.scopes.unclear:
                sought = ", only between sections, where it may belong to either"
                hint = "say in [section] how a line begins that opens a section: begin = '^...'"
            raise InputError(f"{name} was not found for this section{sought}", hint, where)
        return seen

    def told_at(self, *names: str) -> dict[str, str]:
        """Return where some facts stand: ``line 4`` of the log, or ``the layout``."""
        seen = {name: self.value(name) for name in names}
        places = {name: at[1].removeprefix(f"{self.file}:").split(",")[0] for name, at in seen.items() if at}
        return {name: f"line {at}" if at.isdecimal() else "the layout" for name, at in places.items()}

    def number(self, name: str, where: str) -> float:
        """Return a number that is needed, in its kind's unit; raises as `needed` and `number_of`."""
        return number_of(self.facts[name], *self.needed(name, where))


def start_as_written(held: Held) -> tuple[datetime | time | None, str]:
    """Return a section's start as written, a moment or a time of day, and where; None where nothing says it.

    Raises
    ------
    InputError
        What is there is no moment.
    """
    seen = held.value("start")
    if seen is None:
        return None, ""
    value, place = seen
    if isinstance(value, datetime | time):
        return value, place
    try:
        return moment(str(value), held.facts["start"].format), place
    except (ValueError, OverflowError):
        raise InputError(
            f"'{value}' is not a moment",
            "e.g. 2026-11-25T20:14:00+01:00, or say how it is written: start = { find = '...', format = \"%d.%m.%Y %H:%M\" }",
            place,
        ) from None


def pointing_of(held: Held, start: datetime | None, where: str) -> Pointing:
    """Return where the telescope pointed at a section's start.

    Raises
    ------
    InputError
        A fact is missing or cannot be used.
    """
    if "ra" in held.facts:
        if start is None:
            raise InputError("a right ascension needs the section's start with its date", "", where)
        return Pointing(ra=held.number("ra", where), dec=held.number("dec", where), time=start, where=where)
    if "azimuth" in held.facts:
        azimuth, altitude = held.number("azimuth", where), held.number("altitude", where)
        return Pointing(azimuth=azimuth, altitude=altitude, time=start, where=where)
    return Pointing(
        hour_angle=held.number("hour_angle", where), dec=held.number("dec", where), time=start, where=where
    )
