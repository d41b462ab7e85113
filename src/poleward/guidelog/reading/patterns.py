"""Regular expressions of a layout: compiled, and searched for in a time that any line of a log keeps to."""

from __future__ import annotations

import re
import warnings
from typing import Any

from poleward.errors import InputError

LONGEST = 1000
"""Signs of a line that are searched: a pattern with several repeats in a row takes a power of the line's length. Headers
of 40 columns with 20 signs each are within it."""
_TOKEN = re.compile(
    r"""(?P<aside> \\. | \[\^?\]?(?:\\.|[^\]\\])*+\] | \(\?\#[^)]*\) | \(\?[a-zA-Z]+\) | \(\?P=\w+\) )
    | (?P<open> \( (?: \?P<\w+> | \?<?[=!:>] | \?[a-zA-Z-]+: | \?\(\w+\) )? ) | (?P<close> \) ) | (?P<either> \| )
    | (?P<repeat> (?: [*+?] | \{\d+(?:,\d*)?\} | \{,\d+\} ) [+?]? )""",
    re.VERBOSE | re.DOTALL,
)
_ONE_WAY = re.compile(r"\{(\d+)(?:,\1)?\}\??")


def pattern(value: Any, where: str, *, group: bool = False) -> re.Pattern[str]:
    """Compile one regular expression of the layout.

    Raises
    ------
    InputError
        It is not one, or has no group although its group is the value, or there are lines on which Python's `re` would
        look for it for years.
    """
    if not isinstance(value, str):
        raise InputError(f"{value!r} is not a regular expression", "write it in single quotes: '^t,'", where)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of constructs that may change their meaning in a later Python
            compiled = re.compile(value)
    except (re.error, RecursionError, OverflowError) as error:
        raise InputError(f"'{value}' is not a regular expression: {error}", "", where) from None
    if group and compiled.groups < 1:
        raise InputError(
            f"'{value}' has no group, and the first group is the value",
            r"put the value in brackets: 'HA\s+(\S+)'",
            where,
        )
    repeat = _repeat_of_what_varies(value)
    if repeat:
        raise InputError(
            f"'{value}' repeats a bracket that can match in several ways, {repeat}: some lines would take for ever",
            f"repeat what has one length and no '|', or never go back: '{repeat}+'",
            where,
        )
    return compiled


def searched(mark: re.Pattern[str], line: str) -> re.Match[str] | None:
    """Look for a pattern in a line, as far as any line is read for one."""
    return mark.search(line, 0, LONGEST)


def _repeat_of_what_varies(value: str) -> str:
    """Return the first repeated bracket in which something varies, with its repeat: it may go back exponentially often."""
    opened = [[0, False]]  # where each bracket begins, and whether something in it varies
    closed: tuple[int, int] | None = None  # begin and end of the last bracket, if it varies
    for token in _TOKEN.finditer(value):
        text = token[0]
        if token["open"]:
            opened.append([token.start(), False])
        elif token["close"] and len(opened) > 1:
            start, varies = opened.pop()
            atomic = value.startswith("(?>", start)
            closed = (start, token.end()) if varies and not atomic else None
            opened[-1][1] |= bool(closed)
        elif token["either"]:
            opened[-1][1] = True
        elif token["repeat"]:
            possessive = len(text) > 1 and text[-1] == "+"
            if closed and closed[1] == token.start() and text[0] != "?" and not possessive:
                return value[closed[0] : token.end()]
            opened[-1][1] |= not (possessive or _ONE_WAY.fullmatch(text))
    return ""
