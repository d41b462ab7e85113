"""Regular expressions of a layout: compiled, and searched for in a time that any line of a log keeps to."""

from __future__ import annotations

import functools
import re
import time
import warnings
from typing import Any

from poleward.errors import InputError

LONGEST = 1000
"""Signs of a line that are searched: a pattern with several repeats in a row takes a power of the line's length. Headers
of 40 columns with 20 signs each are within it."""
MANY = 3
"""Repeats: two take a line of 1000 signs half a million steps, 5 ms; three a hundred million."""
SHORT = 16
"""Signs: eight repeats in a row look into them in 10 ms."""
MOST_S = 0.1
"""Of processor time for one pattern on a part of one line: a log has 100,000 lines."""
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
    """Look for a pattern in a line, as far as any line is read for one.

    Raises
    ------
    InputError
        It has so many repeats that this line would take it minutes or years.
    """
    if _repeats(mark.pattern) >= MANY:
        _try(mark, line)
    return mark.search(line, 0, LONGEST)


@functools.cache
def _repeats(value: str) -> int:
    """Return how many repeats of a pattern may go back."""
    found = [token["repeat"] for token in _TOKEN.finditer(value) if token["repeat"]]
    return sum(
        not ((len(one) > 1 and one[-1] == "+") or one[0] == "?" or _ONE_WAY.fullmatch(one)) for one in found
    )


def _try(mark: re.Pattern[str], line: str) -> None:
    """Look in twice as much of the line each time: n repeats then take 2 ** n times as long at most, and are found out early."""
    length = SHORT
    while length < min(len(line), LONGEST):
        begin = time.thread_time()
        mark.search(line, 0, length)
        if time.thread_time() - begin > MOST_S:
            raise InputError(
                f"the layout's pattern '{mark.pattern}' takes too long on a line of {len(line)} signs",
                "between its repeats write what stands there, or let them never go back: '*+' for '*'",
            )
        length *= 2


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
