"""``poleward rounds``: measure, adjust, measure again."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Any

import click

from poleward.cli import common

if TYPE_CHECKING:
    from poleward.rounds.story import Told
    from poleward.setup import Setup
    from poleward.solving.knobs import Move
    from poleward.solving.solution import Solution

DEFAULT_LIMIT = "2 arcmin"
LIMIT = click.option(
    "--limit", default=DEFAULT_LIMIT, metavar="ANGLE", help="Offset that is good enough [2 arcmin]."
)
APPEND = click.option(
    "--append",
    metavar="FILE",
    help="Keep this round in a rounds file, and say what to turn from all of them.",
)


@click.command("rounds")
@click.argument("path", metavar="FILE")
@click.option(
    "--turned",
    metavar="TURNS",
    help='What was turned after the last round: "azimuth=0.25 clockwise, altitude=0", or "as advised".',
)
@LIMIT
@click.option(
    "--setup", "setup_file", metavar="FILE", help="Setup file; else poleward.toml here, else your own."
)
@common.output_options
def command(path: str, turned: str | None, limit: str, setup_file: str | None, output: common.Output) -> int:
    """Rounds of measuring and adjusting: history, what the knobs really do, what to turn next.

    FILE is what poleward solve --append FILE or poleward log --append FILE keeps.

    \b
    Examples:
      poleward rounds tonight.json
      poleward rounds tonight.json --turned "azimuth=0.25 clockwise, altitude=0"
      poleward rounds tonight.json \\
        --turned "azimuth=0, altitude=1.1 counter-clockwise then 0.2 clockwise"
    """
    from poleward.rounds.asked import tell_rounds
    from poleward.rounds.history import read_rounds, update_rounds
    from poleward.rounds.turns import KNOBS, read_turned
    from poleward.setup import find_setup

    output.check()
    setup = find_setup(setup_file)
    history = read_rounds(path)
    if turned is None:
        output.give(tell_rounds(history.rounds, setup, limit), setup.source)
        return 0
    said = read_turned(turned, advised=history.rounds[-1].advised if history.rounds else None)
    unsaid = [knob for knob in KNOBS if knob not in said]
    strokes = {**dict.fromkeys(KNOBS, ()), **said}
    told = tell_rounds(history.with_turned(strokes).rounds, setup, limit)
    update_rounds(path, lambda kept: kept.with_turned(strokes))
    for knob in unsaid:
        common.tell(f"nothing was said of the {knob} knob: noted as not turned; if it was, note both again")
    output.give(told, setup.source)
    return 0


def appended(solution: Solution, path: str | None, setup: Setup) -> tuple[Told, str] | None:
    """Keep a solution as one more round with what is advised.

    Returns
    -------
    tuple of Told and str, or None
        What all rounds tell, and a line that says what was kept; None without a file, or if it makes no round.
    """
    from dataclasses import replace
    from datetime import UTC, datetime

    from poleward.rounds.asked import tell_rounds
    from poleward.rounds.history import History, round_of, update_rounds

    if path is None:
        return None
    if solution.determined != "both":
        common.tell(f"not kept in {path}: a round needs both errors")
        return None
    one = round_of(solution.to_record()["axis"], datetime.now(UTC))
    told: list[tuple[Told, str]] = []

    def add(kept: History) -> History:
        if (same := kept.number_of(one.axis)) is not None:
            line = f"NOT kept in {path}: these are the same timings as round {same}."
            told.append((tell_rounds(kept.rounds, setup, DEFAULT_LIMIT), line))
            return kept
        more = kept.with_round(one)
        now = tell_rounds(more.rounds, setup, DEFAULT_LIMIT)
        now = now.watching(solution.moves)
        line = f"Kept as round {len(more.rounds)} in {path}; poleward rounds {path} tells them all."
        told.append((now, line))
        return replace(more, rounds=(*kept.rounds, now.round_advised))

    update_rounds(path, add)
    return told[-1]


def give_with(kept: tuple[Told, str] | None, result: Any, output: common.Output, setup: Setup) -> None:
    """Give a solution, of drifts or of logs; with rounds, what they advise stands in place of its own turns."""
    from poleward.report.rounds_text import what_to_turn_next
    from poleward.report.style import signs_for

    if kept is None:
        output.give(result, setup.source)
        return
    told, line = kept
    footer = f"\n\n{what_to_turn_next(told, signs_for(sys.stdout))}\n\n{line}"
    output.give(_with_moves(result, told.moves), setup.source, "", footer, _with_moves(result, ()))


def _with_moves(result: Any, moves: tuple[Move, ...]) -> Any:
    from dataclasses import replace

    if hasattr(result, "solution"):
        return replace(result, solution=replace(result.solution, moves=moves))
    return replace(result, moves=moves)
