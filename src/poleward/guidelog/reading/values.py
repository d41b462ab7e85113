"""Regular expressions that find the values of a log's free line, each by the words before it."""

from __future__ import annotations

import re
from collections.abc import Sequence

_VALUE = re.compile(r"\d{1,4}[-./]\d\d?[-./]\d{2,4} \d\d:\d\d\S*|[+-]?\d[^\s,;]*")
TERMS = re.compile(
    r"ra|dec|ha|az|alt|lst|utc?|(right )?ascension|declination|hour|angle|altitude|azimuth|elevation|scale|pixel|image"
    r"|guid(e|ing)|rate|speed|start(ed)?|beg[iau]n|at|on|date|time|pier|side|position|right"
)
"""Words of the field that are no names though they may begin with a capital letter."""
MOST_VALUES = 8
"""Of one line: a line with more numbers is no line of words."""


def escaped(text: str) -> str:
    """Return text as a regular expression that matches it, blanks left as they are."""
    return re.sub(r"\\([ #&~-])", r"\1", re.escape(text)).replace("\\\t", r"\t")


def expressions(line: str, decimal: str) -> list[tuple[str, str]]:
    """Return expressions that find the moments and numbers of a free line, each by the words before it, and what it finds."""
    # A comma ends a number unless it is the decimal mark; after a number it never belongs to it.
    value = r"([+-]?\d(?:[^\s;]*[^\s;,])?)" if decimal == "," else r"([+-]?\d[^\s,;]*)"
    made = []
    for matched in list(_VALUE.finditer(line))[:MOST_VALUES]:
        before = line[: matched.start()]
        words = before.split()
        if words and not before[-1].isspace():
            if re.search(r"\d", words[-1]):
                continue
            ways = [f"{escaped(words[-1])}{value}"]
        else:
            found = r"(\d\S+ \S+)" if " " in matched.group() else value
            ways = [f"{_lead(words)}{found}", rf"^\s*{''.join(map(_as_it_stands, words))}{found}"]
        for way in ways:
            seen = re.search(way, line)
            if seen and seen.start(1) == matched.start():
                made.append((way, seen[1]))
                break
    return made


def _as_it_stands(word: str) -> str:
    """Return the expression for a word and what parts it from the next; of one that holds a number it is another number."""
    if not re.search(r"\d", word):
        return rf"{escaped(word)}\s+"
    return r"[+-]?\d\S*\s+" if re.match(r"[+-]?\d", word) else r"\S+\s+"


def _lead(words: Sequence[str]) -> str:
    """Return the expression for the words before a value.

    The last two of them, if they are words that stand in every section's line: those with an equals sign or a colon, words of
    the field, and whatever has no capital. A name, whose line will hold another one next time, and a number are passed over
    back to such a word. Where there is none, the last word has to do.
    """
    parts: list[str] = []
    fixed, named, label = 0, False, False
    for word in reversed(words):
        if parts and word.endswith((",", ";")):
            break  # another clause
        bare = word.strip("()[]<>:=.,'\"").lower()
        if not bare and not fixed:
            parts.append(_as_it_stands(word))
            label = word in ("=", ":")
            continue
        if not re.search(r"\d", word) and (
            label or word == word.lower() or word.endswith((":", "=")) or TERMS.fullmatch(bare)
        ):
            parts.append(_as_it_stands(word))
            fixed += 1
        elif fixed:
            break
        elif re.search(r"\d", word):
            parts.append(_as_it_stands(word))
        else:
            parts += [] if named else [r".*?\s"]
            named = True
        label = False
        if fixed == 2:
            break
    if not fixed and words:
        parts = [_as_it_stands(words[-1])]
    lead = "".join(reversed(parts))
    if len(parts) == len(words):
        return rf"^\s*{lead}"
    return rf"\b{lead}" if lead[0].isalnum() else lead
