"""Notations that people write: sexagesimal angles, sides of the sky, durations, units in words.

Each function takes text in which signs are plain already (see `plain_signs`) and says None where it is not of its kind.
Where two readings are possible, the error shows both.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from poleward.errors import InputError

NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")
_PART = r"(\d+\.?\d*|\.\d+)"
_COLONS = re.compile(rf"([+-]?) *(\d+)(?: *: *| +){_PART}(?:(?: *: *| +){_PART})?")
_ANGLED = re.compile(
    rf"([+-]?) *(?:{_PART} *(h|hr|d|deg) *)?(?:{_PART} *(m|min|') *)?(?:{_PART} *(s|sec|\"|'') *)?"
)
_STOPWATCH = re.compile(rf"(?:(\d+) *: *)?(\d+) *: *{_PART}")
_CLOCKED = re.compile(
    rf"(?:{_PART} *(?:h|hr|hrs|hours?) *)?(?:{_PART} *(?:m|min|mins|minutes?) *)?(?:{_PART} *(?:s|sec|secs|seconds?) *)?"
)
_SIDE = re.compile(r"(?P<first>[NSEW]?) *(?P<angle>[^NSEW]*?) *(?P<last>(?:[NSEW]|(?<![A-Za-z])[new])?)")
_SIGNS = str.maketrans(
    {"\N{MINUS SIGN}": "-", "\N{PRIME}": "'", "\N{DOUBLE PRIME}": '"', "\N{DEGREE SIGN}": "d",
     "\N{RIGHT SINGLE QUOTATION MARK}": "'", "\N{RIGHT DOUBLE QUOTATION MARK}": '"', "\N{NO-BREAK SPACE}": " "}
)  # fmt: skip
_WORDS = {
    "px": "pix", "pixel": "pix", "pixels": "pix", "sec": "s", "secs": "s", "mins": "min", "hr": "h", "hrs": "h",
    "hour": "h", "second": "s", "minute": "min", "degree": "deg", "arcminute": "arcmin", "arcsecond": "arcsec",
    "metre": "m", "millimetre": "mm", "C": "deg_C", "dC": "deg_C", "degC": "deg_C", "in": "inch", "inche": "inch",
    "feet": "foot", "ft": "foot",
}  # fmt: skip
"""Units in words, without the s of many, as astropy writes them."""
LONGEST = 80
"""Characters in a value; a longer text is none."""


def plain_signs(text: str) -> str:
    """Return text with typographic signs as the keyboard has them, and without blanks around."""
    return text.translate(_SIGNS).strip()


def unit_name(text: str) -> str:
    """Return a unit as astropy writes it: ``px``, ``minutes``, ``arcsec per min``, ``"/min``, inches."""
    text = text.replace("''", "arcsec").replace('"', "arcsec").replace("'", "arcmin").replace(" per ", "/")
    words = [word.strip() for word in text.split("/")]
    return "/".join(_WORDS.get(word, _WORDS.get(word.removesuffix("s"), word)) for word in words)


def sided(text: str, sides: str) -> tuple[str, float]:
    """Take a side of the sky off an angle: ``33S`` is 33 and -1; of the two letters allowed the positive stands first."""
    found = _SIDE.fullmatch(text)
    letter = (found["first"] or found["last"]).upper() if found else ""
    if re.fullmatch(rf"[+-]? *{_PART} *s", text) and "S" in sides:
        raise InputError(
            f"'{text}' could be {text.rstrip('s ')} deg south or so many seconds of arc",
            f"write {text.rstrip('s ')}S, or the unit arcsec",
        )
    if found is None or not letter:
        return text, 1.0
    if letter not in sides:
        raise InputError(f"'{text}': {letter} does not fit here, allowed are {' and '.join(sides)}")
    angle = found["angle"]
    if angle[:1] in ("+", "-"):
        bare = angle[1:].strip()
        raise InputError(
            f"'{text}' has a sign and a side: it could be {bare}{sides[0]} or {bare}{sides[1]}",
            "give a sign or a side",
        )
    return angle, 1.0 if letter == sides[0] else -1.0


def refuse_hours(text: str) -> None:
    """Doubt an angle in hours where nobody counts in them: 8h24m of longitude is 126 deg, and 8d24m is meant."""
    found = re.match(r"([+-]?) *([\d.]+) *(?:h|hr|hrs|hours?)(?![a-z])(.*)", text)
    turned = sexagesimal(f"{found[1]}{found[2]}h{found[3]}", hours=True) if found else None
    if found and turned is not None:
        meant = f"{found[1]}{found[2]}d{found[3].strip()}"
        raise InputError(
            f"'{text}' is in hours: it could be {turned:g} deg, or a slip for {meant}",
            f"write {meant} or {turned:g} deg",
        )


def sexagesimal(text: str, hours: bool) -> float | None:
    """Degrees of an angle in two or three parts, or in one with a short unit such as ``20m``.

    With `hours`, ``12:34:56`` and ``20m`` are of time; else of arc.
    """
    if found := _COLONS.fullmatch(text):
        sign, *parts = found.groups()
        return _degrees(text, sign, parts, ":") * (15 if hours else 1)
    found = _ANGLED.fullmatch(text)
    if found is None or not (found[2] or found[4] or found[6]):
        return None
    timed = found[3] in ("h", "hr")
    if not found[3] and (found[5] or found[7]) in ("m", "min", "s", "sec"):
        if not hours:
            size, unit, other = found[4], "arcmin", "metres or minutes of time"
            if not size:
                size, unit, other = found[6], "arcsec", "seconds of time"
            raise InputError(
                f"'{text}' could be {size} {unit} or {size} {other}", f"write {size} {unit} if that is meant"
            )
        timed = True
    parts = [found[2], found[4], found[6]]
    return _degrees(text, found[1], parts, "h" if timed else "d") * (15 if timed else 1)


def _checked(text: str, parts: Sequence[str | None], first: str) -> tuple[float, float, float]:
    """Numbers of three parts; minutes and seconds that follow a greater part stay under 60."""
    great, minutes, seconds = (float(part or 0) for part in parts)
    given = [part is not None for part in parts]
    if (given[0] and minutes >= 60) or (any(given[:2]) and seconds >= 60):
        raise InputError(
            f"'{text}': minutes and seconds after a greater part go up to 59",
            f"it could be {_spelled(3600 * great + 60 * minutes + seconds, first)}, or a slip of the finger",
        )
    return great, minutes, seconds


def _degrees(text: str, sign: str, parts: Sequence[str | None], first: str) -> float:
    great, minutes, seconds = _checked(text, parts, first)
    size = great + minutes / 60 + seconds / 3600
    return -size if sign == "-" else size


def _spelled(total_s: float, first: str) -> str:
    whole, seconds = divmod(round(total_s), 60)
    great, minutes = divmod(whole, 60)
    if first == ":":
        return f"{great}:{minutes:02d}:{seconds:02d}"
    return f"{great}{first}{minutes:02d}m" + (f"{seconds:02d}s" if seconds else "")


def clocked(text: str) -> float | None:
    """Seconds of a duration as people say it: ``1h05m``, ``10 min 30 s``, ``10 minutes``, and 10:00 on a stopwatch."""
    clock = _STOPWATCH.fullmatch(text) or _CLOCKED.fullmatch(text)
    if clock is None or not any(clock.groups()):
        return None
    hours, minutes, seconds = _checked(text, clock.groups(), ":" if ":" in text else "h")
    return 3600 * hours + 60 * minutes + seconds


def decimal_point(cell: str) -> str:
    """Return a cell of a table separated by semicolons with its decimal comma as a point."""
    if not re.fullmatch(r"[^,]*\d,\d[^,]*", cell):
        return cell
    if re.search(r"\d\.\d", cell):
        without, point = cell.replace(".", "").replace(",", "."), cell.replace(",", "")
        raise InputError(
            f"'{cell}' has a decimal point and a decimal comma: it could be {without} or {point}",
            "write one of them, without a mark for thousands",
        )
    return cell.replace(",", ".")
