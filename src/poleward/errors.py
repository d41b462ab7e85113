"""What can go wrong, each with the exit status it leads to, and the notes a result carries.

::

    PolewardError
    |-- UsageError        2   the command was put wrongly
    |   '-- WrongTypeError    a Python argument of a type that is not taken; a TypeError too
    |-- InputError        3   something read cannot be used; says where, what was seen, what is allowed
    '-- (undetermined)    4   not an exception: a Solution says what it does not determine
"""

from __future__ import annotations

import os
import re
from collections.abc import Sequence
from dataclasses import dataclass

WIDEST_CELL = 60
"""Characters of a user's cell that a message repeats."""
_QUOTED = re.compile(rf"(?<!\w)'([^']{{{WIDEST_CELL + 1},}})'(?!\w)")  # an apostrophe stands between letters


def shortened(text: str) -> str:
    """Return a long text with its middle left out."""
    return text if len(text) <= WIDEST_CELL else f"{text[: WIDEST_CELL - 20]}...{text[-12:]}"


def printable(text: str) -> str:
    """Return text from strangers on one line as it may be shown: what moves a cursor or turns a line is spelled out.

    Control characters (escape sequences, C1), marks of direction, lone surrogates and line separators are no printable
    characters of the Unicode standard, which `str.isprintable` follows.
    """
    if text.isprintable():
        return text
    return "".join(sign if sign.isprintable() else repr(sign)[1:-1] for sign in text)


def printable_lines(text: str) -> str:
    """Return text of several lines as it may be shown; line feeds and tabs stay."""
    parts = re.split(r"([\n\t])", text)
    return "".join(part if part in ("\n", "\t") else printable(part) for part in parts)


def _told(text: str) -> str:
    """Return a message on one printable line, the cells that it quotes shortened."""
    return printable(_QUOTED.sub(lambda quoted: f"'{shortened(quoted[1])}'", text))


def show_traceback(error: BaseException) -> None:
    """Print where something was raised, if POLEWARD_TRACEBACK is set: for those who look for a fault, not for users."""
    if os.environ.get("POLEWARD_TRACEBACK"):
        import traceback

        traceback.print_exception(error)


class PolewardError(Exception):
    """A mistake the user can mend, told in one line and, where it helps, a hint.

    Parameters
    ----------
    message : str
        What was found and what is allowed.
    hint : str
        What to do next; shown on a line of its own.
    """

    exit_status = 70

    def __init__(self, message: str, hint: str = "") -> None:
        self.message = _told(message)
        self.hint = _told(hint)
        super().__init__(self.message)


class UsageError(PolewardError):
    """The command line asks for something that does not exist or does not fit together."""

    exit_status = 2


class WrongTypeError(UsageError, TypeError):
    """A Python argument of a type that is not taken.

    Parameters
    ----------
    name : str
        Of the argument.
    value : object
        What was given.
    taken : str
        What is taken.
    hint : str
        What to do next.
    """

    def __init__(self, name: str, value: object, taken: str, hint: str = "") -> None:
        shown = repr(value)
        given = f"{shown} ({type(value).__name__})" if len(shown) < 40 else f"of type {type(value).__name__}"
        super().__init__(f"{name} is {given}, taken is {taken}", hint)


def listed(names: Sequence[str], most: int = 3) -> str:
    """Return some names, and how many there are more: ``T1, T2, T3 and 4 more``."""
    shown = ", ".join(names[:most])
    return f"{shown} and {len(names) - most} more" if len(names) > most else shown


class InputError(PolewardError):
    """A file or a value that cannot be read or used.

    Parameters
    ----------
    message : str
        What was found and what is allowed.
    hint : str
        What to do next.
    where : str
        The place: ``FILE:LINE`` or ``--drift 2``, followed by the column where there is one.
    """

    exit_status = 3

    def __init__(self, message: str, hint: str = "", where: str = "") -> None:
        super().__init__(message, hint)
        self.where = printable(where)
        self.args = (f"{self.where}: {self.message}" if where else self.message,)


@dataclass(frozen=True)
class Note:
    """A warning that belongs to a result.

    Attributes
    ----------
    code : str
        A short fixed word for programs, such as ``low-altitude``.
    text : str
        The same for people, one or two sentences.
    """

    code: str
    text: str
