"""Turns of the knobs: as people write them, and what is left of them after play.

A turn is a stroke: clockwise positive, in turns of the knob. Play is a gap between screw and mount: after the screw
has changed its way it first crosses the gap, and those turns move nothing.
"""

from __future__ import annotations

import re

from poleward.door.quantity import nearest
from poleward.errors import InputError

KNOBS = ("azimuth", "altitude")
MOST_TURNS = 100.0
"""No adjustment has so long a thread; more is a slip of the decimal point."""

Strokes = tuple[float, ...]

_STROKE = re.compile(
    r"(\d{1,4}(?:\.\d{0,6})?|\.\d{1,6})(?:\s{0,4}(turns?|deg))?\s{0,4}(clockwise|counter-clockwise)"
)
_EXAMPLE = "e.g. azimuth=0.25 clockwise, altitude=1.2 counter-clockwise then 0.25 clockwise; 0 for not turned"


def read_turned(text: str, where: str = "--turned") -> dict[str, Strokes]:
    """Read what was turned: ``azimuth=0.25 clockwise, altitude=0``; several strokes are joined by ``then``.

    Parameters
    ----------
    text : str
        For each knob turns (or degrees of the knob, with ``deg``) and the way it went; a knob left out was not turned.
    where : str
        For messages.

    Returns
    -------
    dict
        Strokes, in turns, clockwise positive, for both knobs.

    Raises
    ------
    InputError
        Another knob, no way, or a number that no knob makes.
    """
    strokes: dict[str, Strokes] = dict.fromkeys(KNOBS, ())
    seen = set()
    for piece in text.split(","):
        name, _, value = (part.strip() for part in piece.partition("="))
        if name not in KNOBS:
            raise InputError(f"unknown knob '{name[:40]}'", nearest(name, KNOBS), where)
        if name in seen:
            raise InputError(
                f"{name} is given twice", "join strokes by then: 0.5 clockwise then 0.2 clockwise", where
            )
        seen.add(name)
        strokes[name] = (
            tuple(_stroke(part, name, where) for part in value.split(" then ")) if value != "0" else ()
        )
    return strokes


def _stroke(text: str, knob: str, where: str) -> float:
    found = _STROKE.fullmatch(text.strip().lower())
    if found is None:
        raise InputError(f"{knob}: '{text.strip()[:40]}' is no turn of a knob", _EXAMPLE, where)
    turns = float(found[1]) / (360 if found[2] == "deg" else 1)
    if turns > MOST_TURNS:
        raise InputError(f"{knob}: {turns:g} turns, allowed is up to {MOST_TURNS:g}", _EXAMPLE, where)
    return turns if found[3] == "clockwise" else -turns


def approach(net: float, way: float, gap: float, overrun: float) -> Strokes:
    """Return strokes that move the mount by `net` turns and end on the side that takes out the play.

    Parameters
    ----------
    net : float
        Turns wanted of the mount, clockwise positive.
    way : float
        +1 to end clockwise, -1 counter-clockwise.
    gap : float
        Turns from where the screw stands to the end of its play that `way` leads to; the sign of `way`, or 0.
    overrun : float
        How far to go past the goal before coming back, turns: more than any likely play.
    """
    if net == 0:
        return ()
    total = net + gap
    if total * way > 0 and (gap == 0 or abs(total) >= overrun):
        return (total,)
    return (total - way * overrun, way * overrun)
