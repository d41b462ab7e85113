"""A first layout for a log, drafted from the log's own structure alone; the user completes it."""

from __future__ import annotations

import json
import re
from pathlib import Path

from poleward.door.incoming import LOG_BYTES, name_of, read_bytes
from poleward.errors import InputError
from poleward.guidelog.reading.blocks import shorten
from poleward.guidelog.reading.columns import Column
from poleward.guidelog.reading.logtext import log_text
from poleward.guidelog.reading.structure import Structure, look, prefix
from poleward.guidelog.reading.values import escaped, expressions

_CLOCK = re.compile(r"\d\d([.\- h])\d\d([.\- m])\d\d")
"""A time of day in another form than with colons."""
MOST_STATES = 3
"""A column of numbers with more different values is hardly one of states."""


def draft_layout(path: str | Path) -> str:
    """Look at a guide log and draft its layout.

    What can be seen is filled in: encoding, delimiter, decimal mark, the line that names the columns, lines that
    open and close sections, the column of times. What only the user knows is a commented line with what was seen:
    the pointing, which columns hold the star's place and the pulses, units and signs.

    Parameters
    ----------
    path : str or Path
        ``-`` is standard input.

    Returns
    -------
    str
        TOML.

    Raises
    ------
    InputError
        The file cannot be read, is empty or is not text, or holds no rows of numbers.
    """
    name = name_of(path)
    data = read_bytes(path, LOG_BYTES)
    encoding = _encoding(data)
    seen = look(log_text(data, encoding, name).lines)
    if seen is None:
        raise InputError(
            "no rows of numbers were found",
            "a guide log has a line that names its columns, and under it rows of numbers",
            name,
        )
    parts = (_head(name, seen), _text(seen, encoding), _section(seen), _facts(seen), _columns(seen))
    return "\n".join(parts)


def _encoding(data: bytes) -> str:
    """Guess the encoding: two bytes per sign where every second byte is NUL, UTF-8 where it is that, else Latin-1."""
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return "utf-16"
    head = data[:400]
    for low, encoding in ((1, "utf-16-le"), (0, "utf-16-be")):
        if len(head) > 20 and head[low::2].count(0) > 0.9 * len(head[low::2]) and 0 not in head[1 - low :: 2]:
            return encoding
    try:
        data.decode("utf-8")
    except UnicodeDecodeError as error:
        # A last sign that is cut is damage, not another encoding.
        return "utf-8" if error.start > len(data) - 4 else "latin-1"
    return "utf-8"


def quoted(text: str) -> str:
    """Return text as a TOML string, in single quotes where that needs no escapes."""
    if "'" not in text and text.isprintable():
        return f"'{text}'"
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _head(name: str, seen: Structure) -> str:
    sections = "1 section" if seen.sections == 1 else f"{seen.sections} sections"
    shown = "-" if name == "standard input" else shorten(name, 80)
    return f"""\
# A layout drafted by looking at {shorten(name, 80)}: {sections}, {seen.rows} rows.
# Lines that begin with # are choices only you can make: take away the # and put in the right word.
# Then try it: poleward layout {shown} --proof THIS_FILE
"""


def _text(seen: Structure, encoding: str) -> str:
    short = (
        "short_rows = true                # most rows leave out cells at their end\n"
        if seen.short_rows
        else ""
    )
    delimiter = {"\t": "tab", "": "space"}.get(seen.delimiter, seen.delimiter)
    return f"""\
[text]
encoding = "{encoding}"
delimiter = {quoted(delimiter)}
decimal = "{seen.decimal}"
comment = "#"
{short}"""


def _section(seen: Structure) -> str:
    if not seen.header:
        return """\
# No line that names the columns was seen: they are told by their number, and the whole file is one section.
# [section]
# begin = '^...'                 # a line that opens a section
# end = '^...'                   # the line after a section's last row
"""
    lines = ["[section]"]
    if seen.begin:
        lines.append(f"begin = {quoted('^' + escaped(seen.begin))}")
    else:
        lines.append(
            "# begin = '^...'                 # no line was seen that opens every section; the header does"
        )
    lines.append(f"header = {quoted('^' + escaped(seen.header) + '$')}")
    if seen.end:
        lines.append(f"end = {quoted('^' + escaped(seen.end))}")
    else:
        lines.append("# end = '^...'                   # the line after a section's last row")
    if seen.between:
        lines.append(
            "# Free lines among the rows. Where one says that the guide star was placed anew on purpose, name it"
        )
        lines.append("# as shift; name as ignore those that say nothing:")
        for number, line in seen.between:
            lines.append(f"#   line {number}: {shorten(line)}")
        lines.append(f"# shift = {quoted('^' + escaped(prefix(seen.between[0][1])))}")
        lines.append(f"# ignore = {quoted('^' + escaped(prefix(seen.between[0][1])))}")
    return "\n".join(lines) + "\n"


def _facts(seen: Structure) -> str:
    pixels = '# image_scale = "1.9 arcsec/pix"             # where places are in pixels\n'
    stated = f"""\
[facts]
# Where the telescope pointed when a section began; one of these three ways:
# hour_angle = "-0h20m"                      # west of the meridian positive
# dec = "+21 deg"
#   or ra = "05h34m" and dec = "+22 deg", and the start below
#   or azimuth = "171 deg" and altitude = "52 deg"
# start = "2026-11-25T20:14:00+01:00"        # needed with ra; tells the night
{pixels}# north_guide_rate = "0.5 sidereal"          # speed of a guide correction; left out: it is fitted
# east_guide_rate = "0.5 sidereal"
# reversed = "yes"                           # north and east were swapped end for end
"""
    found = [
        "[facts.found]",
        "# The same facts, read from the log's free lines: the part in brackets is the value.",
    ]
    found.append("# A fact may stand in a column too: ra = { name = '...', unit = \"deg\" }")
    held = [c for c in seen.columns if c.held]
    if not seen.free:
        found.append("# No free line with a number was seen above the rows.")
    if seen.free or held:
        found.append("# Put one of the names above in place of WHAT:")
    for column in held:
        what = "label" if column.kind == "flags" else "WHAT"
        found.append(f"# {what} = {{ {_which(column)} }}     # {shorten(', '.join(column.values), 60)}")
    for number, line in seen.free:
        found.append(f"#   line {number}: {shorten(line, 80)}")
        found += [
            f"# WHAT = {quoted(expression)}     # {shorten(value, 30)}"
            for expression, value in expressions(line, seen.decimal)
        ]
    return stated + "\n" + "\n".join(found) + "\n"


def _columns(seen: Structure) -> str:
    lines = ["[columns]", "# What was seen in each column:"]
    for column in seen.columns:
        shown = f"{column.number}" if not column.name else f"{column.number} {shorten(column.name, 30)}"
        lines.append(f"#   {shown}: {column.seen}")
    time = _time_column(seen.columns)
    lines += [_time(time), *_places(seen.columns, time), *_pulses(seen.columns, time), *_flags(seen.columns)]
    return "\n".join(lines) + "\n"


def _time(column: Column | None) -> str:
    if column is None:
        return '# time = { name = "...", unit = "s" }     # no column was seen that rises from row to row'
    if column.kind == "moments":
        return f'time = {{ {_which(column)}, unit = "iso" }}'
    if column.kind == "words" and (clock := _CLOCK.fullmatch(column.values[0])):
        return f'time = {{ {_which(column)}, format = "%H{clock[1]}%M{clock[2]}%S" }}'
    seconds = f'time = {{ {_which(column)}, unit = "s" }}     # '
    # Rows counted as if they were seconds give a wrong answer that nothing betrays.
    if column.kind == "counter":
        return f"# {seconds}it counts up by one: seconds, or only rows?"
    return f"{seconds}since the section's start; is the unit right?"


def _places(columns: tuple[Column, ...], time: Column | None) -> list[str]:
    likely = [c for c in columns if c.kind == "numbers"] or [c for c in columns if c.kind in ("whole", "few")]
    lines = [
        "# The star's place: which column, its unit (pix or arcsec), and which way a positive number points."
    ]
    for way in ("north", "east"):
        lines += [
            f'# {way} = {{ {_which(c)}, unit = "pix", positive = "{way}" }}' for c in likely if c is not time
        ]
    return lines


def _pulses(columns: tuple[Column, ...], time: Column | None) -> list[str]:
    numeric = [c for c in columns if c.kind in ("whole", "few", "numbers") and c is not time and not c.held]
    likely = [c for c in numeric if c.kind == "whole"] or [c for c in numeric if c.kind == "few"] or numeric
    lines = [
        "# Guide corrections, positive for a telescope that moves north or east; leave them out where the log has",
        "# none. A pulse without a sign needs a direction: the words for the two ways, in the column that holds them.",
    ]
    for column in likely:
        for way in ("north", "east"):
            lines.append(f'# {way}_pulse = {{ {_which(column)}, unit = "ms", positive = "{way}" }}')
    for words in (
        [c for c in columns if c.kind == "flags" and len(c.values) > 1 and not c.held] if likely else []
    ):
        for way, plus, minus in (("north", "north", "south"), ("east", "east", "west")):
            told = f'{_which(words)}, {plus} = "...", {minus} = "..."'
            lines.append(f'# {way}_pulse = {{ {_which(likely[0])}, unit = "ms", direction = {{ {told} }} }}')
    return lines


def _flags(columns: tuple[Column, ...]) -> list[str]:
    likely = [
        c
        for c in columns
        if not c.held and (c.kind == "flags" or (c.kind == "few" and len(c.values) <= MOST_STATES))
    ]
    lines = ["# Whether the star was seen in a row, and rows from which on it was placed anew on purpose:"]
    for column in likely:
        lines.append(f"# status = {{ {_which(column)}, good = [{quoted(column.values[0])}] }}")
        lines.append(f"# shift = {{ {_which(column)}, values = [{quoted(column.values[-1])}] }}")
    return lines


def _time_column(columns: tuple[Column, ...]) -> Column | None:
    """Return moments before seconds, seconds before another clock, that before a counter."""
    for kind in ("moments", "rising", "words", "counter"):
        for column in columns:
            if column.kind == kind and (kind != "words" or all(map(_CLOCK.fullmatch, column.values))):
                return column
    return None


def _which(column: Column) -> str:
    return f"name = {quoted(column.name)}" if column.name else f"number = {column.number}"
