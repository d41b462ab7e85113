"""Turns of the knobs: as people write them, and what is left of them after play.

A turn is a stroke: clockwise positive, in turns of the knob. Play is a gap between screw and mount: after the screw
has changed its way it first crosses the gap, and those turns move nothing.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

from poleward.door.quantity import nearest
from poleward.errors import InputError

KNOBS = ("azimuth", "altitude")
MOST_TURNS = 100.0
"""No adjustment has so long a thread; more is a slip of the decimal point."""

Strokes = tuple[float, ...]

_KNOB = re.compile(r"[,;]?\s{0,4}(?:and )?\b(az(?:imuth)?|alt(?:itude)?)\b\s{0,4}[=:]?\s{0,4}")
_STROKE = re.compile(
    r"(\d{1,4}(?:\.\d{0,6})?|\.\d{1,6})(?:\s?/\s?([1-9]\d{0,2}))?\s{0,4}(turns?|deg(?:rees?)?|°)?\s{0,4}"
    r"(?:(clockwise|cw)|(?:counter|anti)[- ]?clockwise|ccw)"
)
_SIGNED = re.compile(r"[+-]\s?[\d.]{1,12}\s{0,4}(turns?|deg(?:rees?)?|°)?")
_EXAMPLE = "e.g. azimuth=0.25 clockwise, altitude=1.2 counter-clockwise then 0.25 clockwise; 0 for not turned"
_NOT_TURNED = ("0", "0.0", "none", "nothing", "no", "not turned", "-")


def pointed(text: str) -> str:
    """Return text with a point for each decimal comma."""
    return re.sub(r"(?<=\d),(?=\d)", ".", text)


def read_turned(
    text: str, where: str = "--turned", advised: Mapping[str, Strokes] | None = None
) -> dict[str, Strokes]:
    """Read what was turned: ``azimuth=0.25 clockwise, altitude=0``; several strokes are joined by ``then``.

    Parameters
    ----------
    text : str
        For each knob turns (or degrees of the knob, with ``deg``) and the way it went; ``none``: neither was turned.
    where : str
        For messages.
    advised : mapping of Strokes, optional
        What ``as advised`` stands for, of all or of one knob; left out: nothing.

    Returns
    -------
    dict
        Strokes, in turns, clockwise positive, of the knobs that were named.

    Raises
    ------
    InputError
        Another knob, no way, or a number that no knob makes.
    """
    plain = pointed(" ".join(text.lower().split()))
    if plain in _NOT_TURNED:
        return dict.fromkeys(KNOBS, ())
    if plain == "as advised":
        return {knob: _advised(knob, advised, where) for knob in KNOBS}
    before, *pieces = _KNOB.split(plain)
    if before or not pieces:
        name = re.split("[=:]| (?=[0-9])", before)[0].strip()
        raise InputError(f"unknown knob '{name[:40]}'", nearest(name, KNOBS), where)
    strokes: dict[str, Strokes] = {}
    for short, value in zip(pieces[::2], pieces[1::2], strict=True):
        name = next(knob for knob in KNOBS if knob.startswith(short))
        if name in strokes:
            raise InputError(
                f"{name} is given twice", "join strokes by then: 0.5 clockwise then 0.2 clockwise", where
            )
        if value == "as advised":
            strokes[name] = _advised(name, advised, where)
        else:
            parts = re.split(r",? then ", value.strip(" ,;"))
            strokes[name] = (
                () if value in _NOT_TURNED else tuple(_stroke(part, name, where) for part in parts)
            )
    return strokes


def _advised(knob: str, advised: Mapping[str, Strokes] | None, where: str) -> Strokes:
    strokes = (advised or {}).get(knob)
    if strokes is None:
        raise InputError(f"no turn of the {knob} knob was advised", f"say what was turned, {_EXAMPLE}", where)
    return strokes


def _stroke(text: str, knob: str, where: str) -> float:
    found = _STROKE.fullmatch(text.strip())
    if found is None:
        hint = _EXAMPLE
        if _SIGNED.fullmatch(text.strip()):
            hint = "a sign does not say which way: write clockwise or counter-clockwise, as seen at the knob's head"
        raise InputError(f"{knob}: '{text.strip()[:40]}' is no turn of a knob", hint, where)
    turns = float(found[1]) / float(found[2] or 1) / (360 if (found[3] or "t")[0] in "d°" else 1)
    if turns > MOST_TURNS:
        raise InputError(f"{knob}: {turns:g} turns, allowed is up to {MOST_TURNS:g}", _EXAMPLE, where)
    return turns if found[4] else -turns


def strokes_text(strokes: Strokes) -> str:
    """Return ``2.40 clockwise then 0.20 counter-clockwise``."""
    ways = (f"{abs(one):.2f} {'clockwise' if one > 0 else 'counter-clockwise'}" for one in strokes)
    return " then ".join(ways) or "not turned"


def turned_text(strokes: Mapping[str, Strokes]) -> str:
    """Return ``azimuth 2.40 clockwise, altitude not turned``."""
    return ", ".join(f"{knob} {strokes_text(strokes[knob])}" for knob in KNOBS)


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
