"""Reading a guide log through its layout: sections ready for the fit, and what could not be used."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import tzinfo
from pathlib import Path
from typing import Any

import numpy as np

from poleward.door.clock import zone_of
from poleward.door.incoming import LOG_BYTES, name_of, read_bytes
from poleward.errors import InputError, Note, show_traceback
from poleward.guidelog.reading.assemble import build
from poleward.guidelog.reading.blocks import Block, find_blocks
from poleward.guidelog.reading.copies import copied_rows
from poleward.guidelog.reading.form import Layout
from poleward.guidelog.reading.layout import read_layout
from poleward.guidelog.reading.logtext import LogText, log_text
from poleward.guidelog.reading.pieces import Piece, divided
from poleward.guidelog.reading.section import Section

OVERLAP_S = 60.0
"""Starts written to the minute may be wrong by so much."""
LATER_S, LATER = 60.0, 5.0
"""A guider that chooses a star and measures its way takes some minutes each time; one section so late alone has lost rows."""
ALL_BUT_DAMAGE = 0.98
"""A camera takes some time to be read: of exposures of one second, every tenth or so is two whole seconds after the last."""
OTHER_PACE = 8.0
"""Who guides with exposures of two seconds and then of ten is far from it, and the smallest slip of a unit is by ten."""


@dataclass(frozen=True)
class LogFile(Sequence[Section]):
    """What one guide log holds: a sequence of its usable sections.

    Attributes
    ----------
    file : str
    sections : tuple of Section
    refused : tuple of Note
        Sections that cannot be used, each with its place and reason.
    notes : tuple of Note
        About the file as a whole; notes about a section are with the section.
    rows : int
        Lines that stand where rows stand.
    """

    file: str
    sections: tuple[Section, ...]
    refused: tuple[Note, ...] = ()
    notes: tuple[Note, ...] = ()
    rows: int = 0

    def __getitem__(self, index: Any) -> Any:
        """Return one section, or a tuple of them for a slice."""
        return self.sections[index]

    def __len__(self) -> int:
        """Return the number of usable sections."""
        return len(self.sections)


def read_log(path: str | Path, layout: Layout | str | Path, *, timezone: str = "") -> LogFile:
    """Read one guide log.

    Parameters
    ----------
    path : str or Path
        ``-`` is standard input.
    layout : Layout, str or Path
        How the log is written; a path is read by `read_layout`.
    timezone : str
        Zone of times that carry no offset; ``timezone`` in the layout's facts wins. Without either, times without an
        offset tell how much time went by but not when: an error only where a right ascension needs it.

    Returns
    -------
    LogFile
        Sections in the order of the file. The star's place north and east in arcsec, pulses in ms, times in s, as
        `Section` describes.

    Raises
    ------
    InputError
        The file cannot be read, is empty, is not text, or no line in it opens a section; or the layout cannot be used.
    """
    plan = layout if isinstance(layout, Layout) else read_layout(layout)
    name = name_of(path)
    text = log_text(read_bytes(path, LOG_BYTES), plan.text.encoding, name)
    return parse_log(text, plan, name, timezone=timezone)


def parse_log(text: LogText, layout: Layout, name: str, *, timezone: str = "") -> LogFile:
    """Read a log whose text is at hand; see `read_log`."""
    local: tzinfo | None = zone_of(timezone, "timezone") if timezone else None
    blocks = find_blocks(text, layout, name)
    sections: list[Section] = []
    refused: list[Note] = []
    number = 0
    for block, copied in zip(blocks, copied_rows(blocks), strict=True):
        pieces: list[Piece | Exception] = []
        try:
            pieces += divided(block, copied, layout, name)
        except Exception as error:  # noqa: BLE001 - whatever one section raises, the others go on
            pieces.append(error)
        for piece in pieces:
            number += 1
            try:
                if isinstance(piece, Exception):
                    raise piece
                sections.append(build(piece, number, layout, name, local))
            except Exception as error:  # noqa: BLE001
                refused.append(_refusal(error, piece, f"{name}:{block.first}"))
    sections, overlapping = _apart(sections)
    refused += overlapping
    notes = list(text.notes)
    if blocks[-1].cut is not None:
        notes.append(
            Note(
                "last-row-cut",
                f"{name}:{blocks[-1].cut}: the last row has no line end and may be cut, it was left out",
            )
        )
    if len(blocks) > 1 and "hour_angle" in layout.facts and layout.facts["hour_angle"].pattern is None:
        notes.append(
            Note(
                "one-pointing-for-all",
                f"{name}: the layout states one hour angle for all {len(blocks)} sections; where they began at "
                "different hour angles, the result is wrong",
            )
        )
    pulses = [section.north_pulse_ms for section in sections]
    if pulses and not any(sent is None or np.any(sent) for sent in pulses):
        notes.append(
            Note(
                "pulses-empty",
                f"{name}: the column of north pulses holds none at all: if the guider corrected in declination, they stand "
                "elsewhere, and the answer is far too small",
            )
        )
    notes += (
        _outside(blocks, name)
        + _counted(sections, layout, name)
        + _other_paces(sections)
        + _later_than_others(sections)
    )
    rows = sum(len(block.rows) for block in blocks)
    return LogFile(name, tuple(sections), tuple(refused), tuple(notes), rows)


def _refusal(error: Exception, piece: Piece | Exception, where: str) -> Note:
    """Say in one line why a section is refused, and what to check."""
    if isinstance(error, InputError):
        text = f"{error} ({error.hint})" if error.hint else str(error)
    else:
        show_traceback(error)
        text = (
            f"{where}: this section cannot be read, which is a fault of poleward: check the lines from here on for what stands "
            "in no other section"
        )
    if isinstance(piece, Piece) and piece.anew:
        text += f"; no line opens this section, but {piece.anew}: its first line may be lost"
    return Note("section-refused", text)


def _apart(sections: Sequence[Section]) -> tuple[list[Section], list[Note]]:
    """Refuse sections that run at the same time for longer than a slack: one guider watches one star.

    The one with the most others in its time goes first; where two have as many, nobody can tell which one is wrong.
    """
    dated = [section for section in sections if section.start is not None and section.duration_s > OVERLAP_S]
    begins, ends = np.array([_span(section) for section in dated]).reshape(-1, 2).T
    left = np.ones(len(dated), dtype=bool)
    notes: dict[str, Note] = {}
    while left.any():
        # Of those that last longer than the slack, all that begin before its end but those that end before it begins.
        crowd = np.searchsorted(np.sort(begins[left]), ends[left] - OVERLAP_S) - 1
        crowd -= np.searchsorted(np.sort(ends[left]), begins[left] + OVERLAP_S, side="right")
        if not (most := int(crowd.max())):
            break
        here = np.flatnonzero(left)
        for at in here[crowd == most].tolist():
            with_it = (
                (begins[here] < ends[at] - OVERLAP_S) & (ends[here] > begins[at] + OVERLAP_S) & (here != at)
            )
            other = dated[here[np.argmax(with_it)]]
            text = f"{dated[at].where}: its rows run into the time of the section at {other.where}"
            hint = "check start, the unit of time, and the clock"
            notes[dated[at].where] = Note("section-refused", f"{text} ({hint})")
            left[at] = False
    return [section for section in sections if section.where not in notes], list(notes.values())


def _span(section: Section) -> tuple[float, float]:
    assert section.start is not None
    begun = section.start.timestamp()
    return begun + float(section.seconds[0]), begun + float(section.seconds[-1])


def _other_paces(sections: Sequence[Section]) -> list[Note]:
    """Say which section has its rows so much more or less often than the others that its clock may be in another unit."""
    several = [section for section in sections if len(section.seconds) > 1]
    paces = [float(np.median(np.diff(section.seconds))) for section in several]
    notes = []
    for number, (section, own) in enumerate(zip(several, paces, strict=True)):
        rest = paces[:number] + paces[number + 1 :]
        if (len(several) == 2 and number == 0) or not rest:
            continue  # of two the second is named: nobody can tell which one is wrong
        others = float(np.median(rest))
        if not others < OTHER_PACE * own < OTHER_PACE**2 * others:
            text = f"{section.where}: a row every {own:.3g} s, in other sections every {others:.3g} s"
            notes.append(
                Note("other-pace", f"{text}: if times are in another unit there, the result is wrong")
            )
    return notes


def _outside(blocks: Sequence[Block], name: str) -> list[Note]:
    """Say that rows stand before the first section or after the end of one: a line that opens theirs may be lost."""
    numbers = [number for block in blocks for number in block.outside]
    if not numbers:
        return []
    seen = "line that looks like a row stands" if len(numbers) == 1 else "lines that look like rows stand"
    text = f"{name}:{numbers[0]}: {len(numbers)} {seen} in no section, the first here: not used"
    return [Note("rows-outside", text)]


def _counted(sections: Sequence[Section], layout: Layout, name: str) -> list[Note]:
    """Say that the column of seconds may only number the rows: the drift would be as many times too fast as rows last seconds."""
    steps = np.concatenate([np.diff(section.seconds) for section in sections]) if sections else np.zeros(0)
    if layout.time.factor != 1 or not len(steps) or np.mean(steps == 1) < ALL_BUT_DAMAGE:
        return []
    text = f"{name}: the times go up by exactly 1 s from row to row: if they only number the rows, the result is wrong"
    return [Note("times-count", text)]


def _later_than_others(sections: Sequence[Section]) -> list[Note]:
    """Say whose first row stands long after its start while all others begin soon: lines were lost, and whose rows are these?"""
    firsts = [float(section.seconds[0]) if section.start is not None else 0.0 for section in sections]
    notes = []
    for number, (section, own) in enumerate(zip(sections, firsts, strict=True)):
        rest = firsts[:number] + firsts[number + 1 :]
        if (
            rest
            and LATER_S < own
            and LATER * max(rest) < own
            and not any(n.code == "late-rows" for n in section.notes)
        ):
            text = f"{section.where}: the first row stands {own:.0f} s after the section's start, in the others {max(rest):.0f} s"
            notes.append(
                Note("late-rows", f"{text}: if lines were lost, its rows may be those of the next section")
            )
    return notes
