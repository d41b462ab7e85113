"""Rows and sections that stand twice: pasted again, or in a log and its copy."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from poleward.errors import Note
from poleward.guidelog.reading.blocks import Block
from poleward.guidelog.reading.section import Bools, Section

COPIED_ROWS = 10
"""As many rows must repeat earlier ones of another section, one after the other, to count as a copied block. Within
a section one is enough: it repeats the time too. Places written to a tenth of a pixel agree by chance in about one
row of fifty (7 x 7 likely values), so ten in a row never do."""


def copied_rows(blocks: Sequence[Block]) -> list[Bools]:
    """Which rows of each block repeat earlier lines of the file to the letter."""
    sizes = [len(block.rows) for block in blocks]
    owner = np.repeat(np.arange(len(blocks)), sizes)
    marks = np.fromiter(
        (hash(row) for block in blocks for row in block.rows), dtype=np.int64, count=sum(sizes)
    )
    _, index, inverse = np.unique(marks, return_index=True, return_inverse=True)
    copied = np.zeros(len(marks), dtype=bool)
    if len(index) < len(marks):
        first = index[inverse]
        repeats = first < np.arange(len(marks))
        copied = repeats & (owner[first] == owner)
        follows = np.zeros(len(marks), dtype=bool)
        follows[1:] = repeats[1:] & repeats[:-1] & (np.diff(first) == 1)
        starts = np.flatnonzero(repeats & ~follows)
        run = np.cumsum(repeats & ~follows) - 1
        lengths = np.bincount(run[repeats], minlength=len(starts))
        copied |= repeats & (lengths[np.maximum(run, 0)] >= COPIED_ROWS)
    return np.split(copied, np.cumsum(sizes)[:-1])


def without_copies(sections: Sequence[Section]) -> tuple[list[Section], list[Note]]:
    """Leave out sections whose rows stand in another one too, as where a log is given and its copy: they count once.

    They have the same name and place and begin with the same rows; the longer one stays, of two as long the first.
    """
    kept: dict[object, Section] = {}
    notes: list[Note] = []
    for number, section in enumerate(sections):
        key: object = number
        if len(section.seconds) >= COPIED_ROWS:
            rows = (section.seconds[:COPIED_ROWS], np.nan_to_num(section.north_arcsec[:COPIED_ROWS]))
            key = (section.start, section.label, section.pointing, *(column.tobytes() for column in rows))
        other = kept.setdefault(key, section)
        if other is section:
            continue
        if len(section.seconds) > len(other.seconds):
            kept[key], section, other = section, other, section
        text = f"{section.where}: its rows stand in the section at {other.where} too: they are used once"
        notes.append(Note("section-refused", text))
    return list(kept.values()), notes
