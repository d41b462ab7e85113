"""What all reports share: number formats, signs for the stream, colours."""

from __future__ import annotations

import math
import os
import textwrap
from dataclasses import dataclass
from typing import TextIO

# Okabe & Ito (2008), "Color Universal Design": the set that all common kinds of colour vision tell apart.
BLACK, ORANGE, SKY_BLUE, GREEN = "#000000", "#E69F00", "#56B4E9", "#009E73"
YELLOW, BLUE, VERMILION, PURPLE = "#F0E442", "#0072B2", "#D55E00", "#CC79A7"


WIDTH = 80
"""Letters to a line: what every terminal shows."""
WIDEST_NAME = 18
"""Of a row of a table, so that the row fits."""


@dataclass(frozen=True)
class Signs:
    """How to spell what not every terminal can show."""

    plus_minus: str


def signs_for(stream: TextIO) -> Signs:
    """Signs the stream can show: Unicode only where it says that it is UTF-8."""
    wide = (getattr(stream, "encoding", "") or "").lower().replace("-", "") == "utf8"
    return Signs("\N{PLUS-MINUS SIGN}" if wide else "+/-")


def wants_colour(stream: TextIO) -> bool:
    """Colour only on a terminal that shows it, and not where NO_COLOR asks for none."""
    if os.environ.get("NO_COLOR") or os.environ.get("TERM") == "dumb":
        return False
    return bool(getattr(stream, "isatty", lambda: False)())


def decimals_for(sigma: float) -> int:
    """Decimals that show a sigma with two digits when it begins with 1 or 2, else one (0 to 4 decimals)."""
    if not sigma > 0 or not math.isfinite(sigma):
        return 2
    exponent = math.floor(math.log10(sigma))
    leading = sigma / 10**exponent
    return min(max(-exponent + (1 if leading < 2.95 else 0), 0), 4)


UNEVEN = 1.25
"""Sides of an interval that differ by more than this factor are shown as they are; a sigma tells the others."""


def is_uneven(value: float, interval: tuple[float, float]) -> bool:
    """Whether a value may be much further off on one side than on the other."""
    below, above = value - interval[0], interval[1] - value
    return max(below, above) > UNEVEN * min(below, above)


def with_sigma(value: float, sigma: float, signs: Signs) -> str:
    """Return ``5.0 +/- 0.2``, both with the decimals that the sigma deserves."""
    places = decimals_for(sigma)
    return f"{value:.{places}f} {signs.plus_minus} {sigma:.{places}f}"


def signed_number(value: float, places: int) -> str:
    """Return a number with its sign; a zero has none."""
    text = f"{value:+.{places}f}"
    return text[1:] if float(text) == 0 else text


def signed(value: float, sigma: float, signs: Signs) -> str:
    """Return ``+5.0 +/- 0.2``; a zero has no sign."""
    places = decimals_for(sigma)
    return f"{signed_number(value, places)} {signs.plus_minus} {sigma:.{places}f}"


def counted(count: int, word: str) -> str:
    """Return ``1 answer``, ``2 answers``."""
    return f"{count} {word}" + ("s" if count != 1 else "")


IN_DEGREES_ARCMIN = 120.0
"""From here on an angle is told in degrees."""


def angle_text(arcmin: float, sigma: float, signs: Signs, largest: float = 0.0) -> str:
    """Return ``5.0 +/- 0.2 arcmin``; degrees where that, or the `largest` beside it, would be three digits and more."""
    if max(abs(arcmin), sigma, largest) < IN_DEGREES_ARCMIN:
        return f"{with_sigma(arcmin, sigma, signs)} arcmin"
    return f"{with_sigma(arcmin / 60, sigma / 60, signs)} deg"


def cut(name: str, width: int) -> str:
    """Return a name that fits a column: of a longer one the end, which tells it from its like."""
    return name if len(name) <= width else f"..{name[len(name) - width + 2 :]}"


def seconds_text(seconds: float) -> str:
    """Return a time as people say it: ``45 s``, ``1m37s``, ``1h10m``; rounded down, so that it keeps the promise."""
    if seconds < 10:
        return f"{int(seconds * 10) / 10:.1f} s"
    whole = int(seconds + 1e-6)
    if whole <= 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60}m{whole % 60:02d}s"
    return f"{whole // 3600}h{whole % 3600 // 60:02d}m"


def paragraph(text: str, indent: str = "", width: int = WIDTH) -> str:
    """Return text broken into lines, all but the first indented."""
    return "\n".join(textwrap.wrap(text, width, subsequent_indent=indent, break_on_hyphens=False))


def ra_text(hours: float) -> str:
    """Return a right ascension to the tenth of a minute that a hand control takes: ``19h50.8m``."""
    whole, tenths = divmod(round(600 * hours) % 14400, 600)
    return f"{whole:02d}h{tenths / 10:04.1f}m"


def dec_text(degrees: float) -> str:
    """Return a declination to the minute of arc: ``+08d52m``."""
    whole, minutes = divmod(round(60 * abs(degrees)), 60)
    return f"{'-' if degrees < 0 else '+'}{whole:02d}d{minutes:02d}m"
