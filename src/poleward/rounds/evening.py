"""An evening under way: its questions, its answers, and the way back.

The script yields questions and is sent the values of their answers. Answers are kept as they were written, with their
moment; playing them back leads to the same place, so an evening can be left at any time, and undoing is playing back
one answer less. Nothing here prints, waits or looks at a clock.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from poleward.errors import InputError
from poleward.rounds.history import Entry
from poleward.rounds.questions import LONGEST_ANSWER, Question
from poleward.rounds.script import Script, evening_script
from poleward.rounds.situation import Heard, World
from poleward.rounds.story import Told


@dataclass
class Evening:
    """An evening under way.

    Parameters
    ----------
    begin : callable
        Makes a fresh World; called again by every undo.
    entries : list of Entry
        Answers given so far; those to questions that are no longer asked (the setup knows by now) are dropped.
    """

    begin: Callable[[], World]
    entries: list[Entry] = field(default_factory=list)
    question: Question | None = field(init=False)
    told: Told | None = field(init=False, default=None)
    world: World = field(init=False)
    _script: Script = field(init=False, repr=False)

    def __post_init__(self) -> None:
        """Play back what was answered."""
        self._play()

    def _play(self) -> None:
        self.world = self.begin()
        self._script = evening_script(self.world)
        self.question = next(self._script)
        kept, self.entries = self.entries, []
        for entry in kept:
            if entry.key == getattr(self.question, "key", None):
                with suppress(InputError, ValueError):  # of another version, or a time that is none
                    self._take(entry.answer, datetime.fromisoformat(entry.at))

    def answer(self, text: str, at: datetime) -> None:
        """Take an answer given at a moment, and go on to the next question.

        Raises
        ------
        InputError
            It is no answer to this question: the question stands.
        """
        self._take(text.strip(), at)

    def _take(self, text: str, at: datetime) -> None:
        asked = self.question
        if asked is None:
            raise InputError("the evening has ended", "start another")
        if len(text) > LONGEST_ANSWER:
            raise InputError(f"this answer has {len(text)} characters", f"allowed are {LONGEST_ANSWER}")
        value: Any
        if text.lower() == "skip":
            if not asked.optional:
                raise InputError("this cannot be skipped", "? says what it is for")
            value = None
        else:
            value = self._read(asked, text, at)
        self.entries.append(Entry(at.isoformat(), asked.key, text))
        try:
            self.question = self._script.send(Heard(value, at))
        except StopIteration as ended:
            self.question, self.told = None, ended.value

    @staticmethod
    def _read(asked: Question, text: str, at: datetime) -> Any:
        if not text and asked.default is None:
            skip = ", or skip" if asked.optional else ""
            raise InputError(f"an answer is needed here{skip}", "? says what it is for")
        return asked.read(text or asked.default or "", at)

    def undo(self) -> None:
        """Take the last answer back."""
        self.entries = self.entries[:-1]
        self._play()
