"""The rounds file: each solve of an evening, what was advised and what was turned. Written whole or not at all."""

from __future__ import annotations

import json
import math
import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from poleward.door.files import refuse_existing, write_whole
from poleward.door.record import record_of
from poleward.errors import InputError, UsageError
from poleward.rounds.held import held
from poleward.rounds.turns import KNOBS, MOST_TURNS, Strokes

KIND, VERSION = "rounds file", 1
MOST_BYTES = 10_000_000
"""A thousand rounds make one megabyte; more is another file."""
ERRORS = ("azimuth_error_arcmin", "altitude_error_arcmin", "azimuth_sigma_arcmin", "altitude_sigma_arcmin")
KEPT = ("reference", *ERRORS, "correlation", "pole_altitude_deg", "latitude_deg")
"""What a round keeps of a solution's axis."""

Turned = Mapping[str, Strokes]


@dataclass(frozen=True)
class Round:
    """One solve and what followed it.

    Attributes
    ----------
    at : str
        When, ISO 8601 with its offset.
    axis : mapping
        The axis of the solution's record: both errors determined.
    advised, turned : mapping of Strokes, or None
        Turns of each knob, clockwise positive; None where nothing was advised or noted.
    """

    at: str
    axis: Mapping[str, Any]
    advised: Turned | None = None
    turned: Turned | None = None

    @property
    def was_turned(self) -> bool:
        """Whether turns were noted after it: the axis then stands elsewhere."""
        return self.turned is not None and any(self.turned.values())


@dataclass(frozen=True)
class Entry:
    """An answer of an evening as it was given: when, to which question."""

    at: str
    key: str
    answer: str


@dataclass(frozen=True)
class History:
    """What a rounds file holds.

    Attributes
    ----------
    rounds : tuple of Round
    entries : tuple of Entry
        Answers of the evening under way, if one is.
    """

    rounds: tuple[Round, ...] = ()
    entries: tuple[Entry, ...] = ()

    def before_evening(self) -> tuple[Round, ...]:
        """Return the rounds that the evening under way began with."""
        if not self.entries:
            return self.rounds
        begin = datetime.fromisoformat(self.entries[0].at)
        return tuple(each for each in self.rounds if datetime.fromisoformat(each.at) < begin)

    def number_of(self, axis: Mapping[str, Any]) -> int | None:
        """Return the number of the round with this very axis, or None: two measurements never agree in every digit."""
        same = [n for n, each in enumerate(self.rounds, 1) if _digits(each.axis) == _digits(axis)]
        return same[0] if same else None

    def with_round(self, one: Round) -> History:
        """Return the history with one more round."""
        return replace(self, rounds=(*self.rounds, one))

    def with_turned(self, turned: Turned) -> History:
        """Return the history with what was turned after the last round; a second note replaces the first.

        Raises
        ------
        UsageError
            There is no round to note it to.
        """
        if not self.rounds:
            raise UsageError("there is no round yet", "append a solve first")
        return replace(self, rounds=(*self.rounds[:-1], replace(self.rounds[-1], turned=dict(turned))))


def _digits(axis: Mapping[str, Any]) -> tuple[str, ...]:
    """Twelve of each number: another machine may round the last ones otherwise."""
    return tuple(f"{axis[name]:.12g}" for name in ERRORS)


def round_of(axis: Mapping[str, Any], at: datetime, advised: Turned | None = None) -> Round:
    """Return a round from the axis of a solution's record.

    Raises
    ------
    InputError
        One of the errors is not determined.
    """
    if any(axis.get(name) is None for name in ERRORS):
        raise InputError(
            "a round needs both errors of the axis, and these data do not determine both",
            "time a star where the text says, then append",
        )
    return Round(at.isoformat(timespec="seconds"), {name: axis.get(name) for name in KEPT}, advised)


def read_rounds(path: str | Path) -> History:
    """Read a rounds file.

    Raises
    ------
    InputError
        There is none, it is damaged, or a later version of poleward wrote it.
    """
    name = str(path)
    try:
        if not os.path.isfile(path):
            raise InputError(
                "there is no such rounds file", "poleward solve drifts.csv --append FILE begins one", name
            )
        if Path(path).stat().st_size > MOST_BYTES:
            raise InputError("this file is too long for a rounds file", "", name)
        content = json.loads(Path(path).read_text(encoding="utf-8"))
    except OSError as error:
        raise InputError(f"this file cannot be read: {error.strerror}", "", name) from None
    except (ValueError, RecursionError):
        raise _damaged("it is not JSON", name) from None
    return _history_of(content, name)


def _damaged(why: str, name: str) -> InputError:
    return InputError(f"this rounds file is damaged: {why}", "it is left as it is; begin another", name)


def _history_of(content: Any, name: str) -> History:
    if not isinstance(content, dict) or content.get("record") != KIND:
        raise InputError(
            "this is not a rounds file", "poleward solve drifts.csv --append FILE begins one", name
        )
    version = content.get("version")
    if version != VERSION:
        raise InputError(
            f"a rounds file of version {str(version)[:20]}, this poleward knows version {VERSION}",
            "it is left as it is; use the newer poleward that wrote it",
            name,
        )
    rounds = content.get("rounds")
    if not isinstance(rounds, list):
        raise _damaged("it has no list of rounds", name)
    entries = content.get("evening", [])
    if not isinstance(entries, list):
        raise _damaged("its evening is no list", name)
    return History(
        tuple(_round_from(each, f"round {number}", name) for number, each in enumerate(rounds, 1)),
        tuple(_entry_from(each, name) for each in entries),
    )


def _entry_from(content: Any, name: str) -> Entry:
    texts = [content.get(key) if isinstance(content, dict) else None for key in ("at", "key", "answer")]
    if not all(isinstance(text, str) for text in texts):
        raise _damaged("an answer of its evening has no time, question or text", name)
    at, key, answer = map(str, texts)
    try:
        known = datetime.fromisoformat(at).tzinfo is not None
    except ValueError:
        known = False
    if not known:
        raise _damaged("an answer of its evening has no time", name)
    return Entry(at, key, answer)


def _round_from(content: Any, where: str, name: str) -> Round:
    if not isinstance(content, dict) or not isinstance(content.get("axis"), dict):
        raise _damaged(f"{where} has no axis", name)
    try:
        at = datetime.fromisoformat(str(content.get("at")))
    except ValueError:
        raise _damaged(f"{where} has no time", name) from None
    if at.tzinfo is None:
        raise _damaged(f"{where} has a time without its offset", name)
    axis = content["axis"]
    for key in (*ERRORS, "correlation", "pole_altitude_deg"):
        value = axis.get(key)
        if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
            raise _damaged(f"{where}: {key} is no number", name)
    if min(axis[key] for key in ERRORS[2:]) <= 0 or abs(axis["correlation"]) >= 1:
        raise _damaged(f"{where}: a sigma is not positive, or the correlation beyond 1", name)
    if axis.get("reference") not in ("apparent pole", "true pole"):
        raise _damaged(f"{where} does not say which pole", name)
    advised, turned = (
        _turned_from(content.get(key), f"{where}: {key}", name) for key in ("advised", "turned")
    )
    return Round(at.isoformat(), {key: axis.get(key) for key in KEPT}, advised, turned)


def _turned_from(content: Any, where: str, name: str) -> Turned | None:
    if content is None:
        return None
    strokes = {}
    for knob in KNOBS:
        values = content.get(knob) if isinstance(content, dict) else None
        good = isinstance(values, list) and all(
            isinstance(v, int | float) and not isinstance(v, bool) and abs(v) <= MOST_TURNS for v in values
        )
        if not good or values is None:
            raise _damaged(f"{where} has no turns of the {knob} knob", name)
        strokes[knob] = tuple(float(value) for value in values)
    return strokes


def _text(history: History) -> str:
    content = {
        "record": KIND,
        "version": VERSION,
        "rounds": [record_of(each) for each in history.rounds],
        "evening": [record_of(each) for each in history.entries],
    }
    return json.dumps(content, indent=1, allow_nan=False) + "\n"


def check_rounds_file(path: str | Path) -> None:
    """Refuse, before anything is asked, a name under which nothing can be kept.

    Raises
    ------
    UsageError
        No such folder, or nothing can be written there.
    """
    refuse_existing(path, force=True)
    with held(Path(path)):
        pass


def update_rounds(path: str | Path, change: Callable[[History], History]) -> History:
    """Read, change and write a rounds file while no other program can; return what it now holds.

    Parameters
    ----------
    path : str or Path
        A file that is not there yet counts as an empty one.
    change : callable
        From what it holds to what it is to hold.

    Raises
    ------
    InputError
        The file is damaged or of a later version: it is left alone.
    UsageError
        It cannot be written, or another program holds it.
    """
    with held(Path(path)):
        history = change(read_rounds(path) if os.path.exists(path) else History())
        write_whole(path, _text(history), force=True)
    return history
