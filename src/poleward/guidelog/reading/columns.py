"""What each column of a log holds, in words: moments, a place that goes to and fro, few states."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby

import numpy as np

from poleward.guidelog.reading.blocks import shorten
from poleward.guidelog.reading.rows import BLANKS
from poleward.guidelog.reading.signs import FARTHEST_ARCSEC
from poleward.guidelog.reading.times import moment
from poleward.sky.axis import Floats

FEW_VALUES = 6
"""A column with at most so many different values is shown with all of them: it may be a flag or a direction."""
RISING_SHARE = 0.98
"""Of the steps of a column of times, so many go up; the others are new sections and damage."""

SLOW_SHARE = 0.1
"""A star's place written to a tenth of a pixel changes in most rows; what changes in fewer than this is set by hand,
or is a temperature."""
LEAST_STEPS = 20
"""So many steps in one direction are no chance."""


@dataclass(frozen=True)
class Column:
    """What one column holds.

    Attributes
    ----------
    number : int
        From 1.
    name : str
        Of the header; empty where there is none.
    kind : str
        ``moments``, ``rising``, ``counter``, ``slow`` (hardly changes, or in one direction only), ``few``, ``whole``,
        ``numbers``, ``flags`` (few words), ``words`` or ``empty``.
    held : bool
        Each of several values stands in one stretch of rows: what was looked at, not a state that comes and goes.
    seen : str
        The same in words, with what was seen.
    values : tuple of str
        Of a column with few of them, the most frequent first.
    """

    number: int
    name: str
    kind: str
    seen: str
    values: tuple[str, ...] = ()
    held: bool = False


def number(cell: str, decimal: str) -> float | None:
    """Return a cell's number, None where it is none."""
    text = cell.strip()
    if decimal == ",":
        if "." in text:
            return None
        text = text.replace(",", ".")
    if not text.isascii() or "_" in text:
        return None
    try:
        value = float(text)
    except ValueError:
        return None
    return value if np.isfinite(value) else None


def is_moment(cell: str) -> bool:
    """Whether a cell is a moment with a time of day."""
    try:
        moment(cell, "")
    except (ValueError, OverflowError):
        return False
    return ":" in cell


def _is_held(cells: Sequence[str]) -> bool:
    """Whether each of several values stands in one stretch of rows."""
    lengths = [len(list(stretch)) for _, stretch in groupby(cells)]
    return 1 < len(lengths) == len(set(cells)) and min(lengths) >= LEAST_STEPS


def _is_slow(steps: Floats) -> bool:
    """Whether a column hardly ever changes, or only in one direction: a star's place goes to and fro."""
    moves = steps[steps != 0]
    one_way = max(np.mean(moves > 0), np.mean(moves < 0)) if len(moves) >= LEAST_STEPS else 0.0
    return bool(one_way >= RISING_SHARE or len(moves) < SLOW_SHARE * len(steps))


def column_of(index: int, name: str, runs: Sequence[Sequence[str]], decimal: str) -> Column:
    """Describe one column from its cells, section by section."""
    cells = [cell for run in runs for cell in run]
    filled = [cell for cell in cells if cell.lower() not in BLANKS]
    if not filled:
        return Column(index + 1, name, "empty", "empty")
    counts = Counter(filled)
    few = ", ".join(f"{shorten(value, 20)} ({count}x)" for value, count in counts.most_common(FEW_VALUES))
    values_of = tuple(value for value, _ in counts.most_common(FEW_VALUES))
    blanks = len(cells) - len(filled)
    more = f", empty in {blanks} of {len(cells)} rows" if blanks else ""
    if sum(is_moment(cell) for cell in filled[:50]) * 2 > len(filled[:50]):
        return Column(index + 1, name, "moments", f"moments, the first {shorten(filled[0], 40)}{more}")
    read = [[number(cell, decimal) for cell in run] for run in runs]
    values = np.array([v for run in read for v in run if v is not None])
    if len(values) * 2 < len(filled):
        kind = "flags" if len(counts) <= FEW_VALUES else "words"
        words = f"words: {few}{' ...' if len(counts) > FEW_VALUES else ''}{more}"
        return Column(index + 1, name, kind, words, values_of, _is_held(filled))
    steps = np.concatenate([np.diff([v for v in run if v is not None]) for run in read])
    if len(steps) and np.mean(steps > 0) >= RISING_SHARE:
        if np.mean(steps == 1) >= RISING_SHARE:
            return Column(
                index + 1, name, "counter", f"counts up by one, from {values.min():g} to {values.max():g}"
            )
        shown = f"rises, by {np.median(steps):g} from row to row, from {values.min():g} to {values.max():g}"
        return Column(index + 1, name, "rising", f"{shown}{more}")
    if len(counts) <= FEW_VALUES:
        return Column(index + 1, name, "few", f"few values: {few}{more}", values_of, _is_held(filled))
    if _is_slow(steps) or np.abs(values).max() > FARTHEST_ARCSEC or blanks > len(filled):
        shown = f"numbers from {values.min():g} to {values.max():g}{more}; not a star's place"
        return Column(index + 1, name, "slow", shown)
    spread = f"from {values.min():g} to {values.max():g}"
    if np.all(values == np.round(values)):
        zero = np.mean(values == 0)
        return Column(index + 1, name, "whole", f"whole numbers {spread}, {zero:.0%} of them zero{more}")
    return Column(index + 1, name, "numbers", f"numbers {spread}, median {np.median(values):.3g}{more}")
