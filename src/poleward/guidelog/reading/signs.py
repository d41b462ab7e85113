"""Signs and units of a section: columns as written to arcsec and ms, north and east positive."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from poleward.errors import InputError, Note
from poleward.guidelog.reading.facts import rate_of, said
from poleward.guidelog.reading.form import Measure, Words
from poleward.guidelog.reading.held import Held
from poleward.guidelog.reading.rows import Table
from poleward.guidelog.reading.section import Bools
from poleward.sky.axis import Floats
from poleward.sky.look import Pointing

FARTHEST_ARCSEC = 36_000.0
"""No guide camera sees ten degrees; a place beyond is a garbled number."""


def among(words: Sequence[str], values: frozenset[str]) -> Bools:
    """Return which words are among some."""
    return np.fromiter((word in values for word in words), dtype=bool, count=len(words))


def reversed_columns(held: Held) -> tuple[str, ...]:
    """Return the columns that are turned end for end in this section.

    Raises
    ------
    InputError
        The word found means neither yes nor no.
    """
    seen = held.value("reversed")
    fact = held.facts.get("reversed")
    return fact.columns if seen is not None and fact is not None and said(fact, str(seen[0]), seen[1]) else ()


def column(table: Table, name: str, measure: Measure, scale: float | None, turned: bool) -> Floats:
    """Return one column in arcsec or ms, north and east positive."""
    values = table.values[name] * (measure.factor * (scale or 1.0 if measure.pixels else 1.0))
    if name.endswith("_pulse"):
        values = np.nan_to_num(values)
        if measure.direction is not None:
            values = _directed(values, table.words[name.replace("_pulse", "_way")], measure.direction)
    else:
        values[np.abs(np.nan_to_num(values)) > FARTHEST_ARCSEC] = np.nan
    return -values if turned else values


def _directed(values: Floats, ways: Sequence[str], direction: Words) -> Floats:
    """Give unsigned pulses their sign, and none to those of the other axis; a sign they have already is not used."""
    plus, minus = among(ways, direction.values), among(ways, direction.opposite)
    signs: Floats = plus.astype(float) - minus.astype(float)
    signed: Floats = np.abs(values) * signs
    return signed


def rates(
    held: Held, scale: float | None, pointing: Pointing, notes: list[Note]
) -> tuple[float | None, float | None, float | None, float | None]:
    """Return guide rates and their sigmas on the sky, arcsec/s: north, east, north sigma, east sigma.

    A part of the sidereal rate is the speed of the mount's axis; on the sky an hour axis moves a star slower by
    cos(dec). Rates in arcsec/s and pix/s are taken as they are: on the sky.
    """
    found: list[float | None] = []
    for name in ("north_guide_rate", "east_guide_rate", "north_guide_rate_sigma", "east_guide_rate_sigma"):
        seen = held.value(name)
        if seen is None:
            found.append(None)
            continue
        try:
            rate = rate_of(held.facts[name], *seen)
        except InputError as error:
            notes.append(Note("guide-rate-not-used", f"{error}; the guide rate is fitted instead"))
            found.append(None)
            continue
        value: float | None = rate.value
        if rate.kind == "pix":
            value = None if scale is None else rate.value * scale
        elif rate.kind == "axis" and name.startswith("east"):
            value = None if pointing.dec is None else rate.value * math.cos(pointing.dec)
        if value is None:
            why = "needs image_scale" if rate.kind == "pix" else "needs dec, give it in arcsec/s on the sky"
            notes.append(Note("guide-rate-not-used", f"{seen[1]}: {name} {why}; it is fitted instead"))
        found.append(value)
    return found[0], found[1], found[2], found[3]
