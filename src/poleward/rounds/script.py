"""The script of an evening: what the setup lacks, timings, turns, and round again."""

from __future__ import annotations

import os
from collections.abc import Generator
from dataclasses import replace
from datetime import datetime
from typing import Any

from poleward.errors import InputError
from poleward.rounds.measuring import Measuring
from poleward.rounds.next import Offers
from poleward.rounds.questions import Question, choice
from poleward.rounds.situation import Heard, World, means_of
from poleward.rounds.story import Told
from poleward.rounds.turns import KNOBS, Strokes, read_turned

Script = Generator[Question, Heard, Any]


def evening_script(world: World) -> Script:
    """Yield the questions of an evening; see the module."""
    means = yield from means_of(world)
    offers = Offers(world, means.site)
    while True:
        told = yield from Measuring(world, means, offers).until_it_pays()
        world.rounds.append(told.round_advised)
        if told.next_turn.stop:
            if world.page:
                world.keep = yield from _page(world.page)
            return told
        yield from _turning(world, told)


def _turning(world: World, told: Told) -> Generator[Question, Heard, None]:
    """Have the knobs turned and note what was done."""

    def read(text: str, at: datetime) -> dict[str, Strokes]:
        strokes = read_turned(text, "turned", told.advised)
        unsaid = [knob for knob in KNOBS if knob not in strokes]
        if unsaid:
            raise InputError(
                f"nothing is said of the {unsaid[0]} knob",
                f"if it was not turned: {text.strip(' ,')}, {unsaid[0]}=0",
            )
        return strokes

    whole = len(told.advised) == len(KNOBS)
    enter = "Enter: as advised; or as " if whole else "As "
    turned = yield Question(
        f"turned {len(world.rounds)}",
        f'What did you turn? {enter}"azimuth=0.25 clockwise, altitude=0"',
        read,
        "Turns of the knob and which way, seen looking at its head; several strokes joined by then. "
        "Neither: azimuth=0, altitude=0.",
        "as advised" if whole else None,
        about=told,
    )
    world.rounds[-1] = replace(world.rounds[-1], turned=turned.value)


def _page(proposed: str) -> Generator[Question, Heard, str | None]:
    """Ask whether a page is wanted, and where: None for none; never over a file without asking."""
    while True:
        heard = yield Question(
            "page",
            "One page to keep, for the phone and the notebook: Enter, another name, or skip",
            _page_name,
            "Verdict, rounds, charts and what the knobs do, in one file that needs nothing else. skip: no page.",
            proposed,
            True,
        )
        name: str | None = heard.value
        if name is None or not os.path.exists(name):
            return name
        over = yield Question(
            "over",
            f"{name} is there already: write over it?",
            choice("no", "yes"),
            "no: another name is asked for.",
            "no",
        )
        if over.value == "yes":
            return name


def _page_name(text: str, at: datetime) -> str:
    if not text.lower().endswith((".html", ".htm")):
        raise InputError(f"'{text}' is no name of a page", "it ends in .html; or skip")
    if os.path.isdir(text) or not os.path.isdir(os.path.dirname(text) or "."):
        raise InputError(f"nothing can be written to {text}", "a file in a folder that is there; or skip")
    return text
