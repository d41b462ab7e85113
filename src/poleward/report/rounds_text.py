"""Rounds as text: where the axis stands, what to turn, what each turning did, what the knobs really do."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import numpy as np

from poleward.door.clock import zone_of
from poleward.report.moves_text import large_moves, star_lines
from poleward.report.style import (
    IN_DEGREES_ARCMIN,
    WIDTH,
    Signs,
    angle_text,
    counted,
    decimals_for,
    paragraph,
    signed,
    with_sigma,
)
from poleward.rounds.history import Round
from poleward.rounds.story import Told
from poleward.rounds.turns import KNOBS, strokes_text, turned_text
from poleward.solving.knobs import CAUTIONS, SIDES, Knob, Move

FEW_TURNS = 1.0
"""Below one turn the knob's own degrees are easier to follow than a fraction."""


def rounds_text(told: Told, signs: Signs) -> str:
    """Return all that a rounds file tells.

    Parameters
    ----------
    told : Told
    signs : Signs
    """
    stands, following = where_it_stands(told, signs), what_to_turn_next(told, signs)
    apart = [stands, following] if following.startswith("What to turn") else [f"{stands}\n{following}"]
    blocks = [*apart, _rounds(told)]
    if len(told.rounds) > 1:
        blocks.append(_knobs(told, signs))
    if told.notes:
        blocks.append(notes_text(told))
    return "\n\n".join(blocks)


def notes_text(told: Told) -> str:
    """Return what the knobs do that was not stated."""
    return "\n".join(paragraph(f"note: {note.text}", "      ") for note in told.notes)


def where_it_stands(told: Told, signs: Signs) -> str:
    """Return where the axis stands after all rounds."""
    count = len(told.rounds)
    errors, sigma = told.response.errors[-1], np.sqrt(np.diag(told.response.errors_covariance))
    pole = told.rounds[-1].axis["reference"]
    begins = (
        "Before the turns noted the axis stood"
        if told.rounds[-1].was_turned
        else f"After {counted(count, 'round')} the axis stands"
    )
    largest = _largest(told)
    lines = [f"{begins} {_plain(told.offsets[-1], 1, largest)} from the {pole}:"]
    for index, (knob, sides) in enumerate((("azimuth", ("EAST", "WEST")), ("altitude", ("HIGH", "LOW")))):
        side = sides[0 if errors[index] > 0 else 1]
        far = "too" if knob == "altitude" else "too far"
        value = angle_text(abs(float(errors[index])), float(sigma[index]), signs, largest)
        lines.append(f"  {knob:<9} {value} {far} {side}")
    return "\n".join(lines)


def _largest(told: Told) -> float:
    """Largest angle of where the axis stands, arcmin: all of them are told in one unit."""
    return max(told.offsets[-1], float(np.abs(told.response.errors[-1]).max()))


def _plain(arcmin: float, places: int, largest: float) -> str:
    """Return an angle in arcmin; in degrees where that, or the `largest` beside it, would be three digits and more."""
    return f"{arcmin:.{places}f} arcmin" if largest < IN_DEGREES_ARCMIN else f"{arcmin / 60:.2f} deg"


def what_to_turn_next(told: Told, signs: Signs) -> str:
    """Return the next turns in words, or that it is time to stop, or that the last turns are to be measured."""
    last = told.rounds[-1]
    if last.turned is not None and last.was_turned:
        noted = f"Noted after round {len(told.rounds)}: {turned_text(last.turned)}. Now measure again."
        return paragraph(noted, "  ")
    if told.next_turn.stop:
        return paragraph(f"Stop: {told.next_turn.reason}.", "  ")
    lines = [
        f"What to turn (the axis is {_plain(told.offsets[-1], 1, _largest(told))} off, the limit is {told.limit_arcmin:g} arcmin)"
    ]
    for move in told.moves:
        lines += _move_lines(told, move)
    watched = [move for move in told.moves if move.star is not None]
    if watched:
        lines += star_lines(watched, float(last.axis["latitude_deg"] or 0.0))
    large = large_moves([move for move in told.moves if move.large])
    lines += [f"  ! {caution}" for caution in (*large, *CAUTIONS)]
    return "\n".join(
        line if len(line) <= WIDTH or "\n" in line else paragraph(line, "    ") for line in lines
    )


def _move_lines(told: Told, move: Move) -> list[str]:
    sigma = float(np.sqrt(told.response.errors_covariance[KNOBS.index(move.knob), KNOBS.index(move.knob)]))
    text = f"{_plain(abs(move.move_arcmin), decimals_for(sigma), _largest(told))} {move.toward.upper()}"
    strokes, knob = told.next_turn.strokes[move.knob], told.knobs.get(move.knob)
    under = f"  {'':<9} "
    if not strokes:
        lines = [
            f"  {move.knob:<9} {text}",
            f"{under}(what a turn does is not known: turn a quarter either way,",
        ]
        return [*lines, f"{under}note it, measure again; or watch a star while turning)"]
    lines = [f"  {move.knob:<9} {text}: {stroke_text(strokes[0], knob)}"]
    lines += [f"{under}then {stroke_text(stroke, knob)}" for stroke in strokes[1:]]
    if len(strokes) > 1:
        lines.append(f"{under}(the last stroke takes out the play)")
    if move.knob in told.next_turn.small:
        lines.append(f"{under}(a part of it only: which way the knob turns is not yet clear)")
    if knob is not None and knob.range_turns is not None and abs(strokes[0]) > knob.range_turns:
        lines.append(f"{under}(more than the {knob.range_turns:g} turns the bolt has: set the base anew)")
    return lines


def stroke_text(stroke: float, knob: Knob | None) -> str:
    """Return ``0.43 turn counter-clockwise (155 deg of the knob)``, in marks where the knob has some."""
    way = "clockwise" if stroke > 0 else "counter-clockwise"
    size = abs(stroke)
    text = f"{size:.2f} turn{'s' if size >= 1.995 else ''} {way}"
    if knob is not None and knob.divisions is not None:
        whole, marks = divmod(round(size * knob.divisions), knob.divisions)
        turns = f"{whole} turn{'s' if whole > 1 else ''} and " if whole else ""
        return f"{text} ({turns}{marks} of {knob.divisions} marks)"
    return f"{text} ({360 * size:.0f} deg of the knob)" if size < FEW_TURNS else text


def _rounds(told: Told) -> str:
    head = f"  {'':>2}  {'':<16}  {'azimuth':>8}  {'altitude':>8}  {'offset':>6}  then the turns took it"
    about = f"Rounds (arcmin, east and above positive; all together; times: {told.timezone or 'UTC'})"
    lines = [paragraph(about, "  "), head]
    moved = [*told.moved, None]
    for number, (each, errors, away, went) in enumerate(
        zip(told.rounds, told.response.errors, told.offsets, moved, strict=True), 1
    ):
        at = moment(each, told)
        line = f"  {number:>2}  {at:%Y-%m-%d %H:%M}  {errors[0]:>+8.1f}  {errors[1]:>+8.1f}  {away:>6.1f}"
        if went is not None:
            line += f"  {went[0]:+.1f}, {went[1]:+.1f}{_source(each)}"
        lines.append(line)
    return "\n".join(lines)


def page_rows(told: Told) -> list[dict[str, Any]]:
    """Return the rounds as a page's table shows them, the axis as all rounds together tell."""
    return [
        {
            "at": f"{moment(each, told):%Y-%m-%d %H:%M %Z}",
            "azimuth_error_arcmin": float(azimuth),
            "altitude_error_arcmin": float(altitude),
            "offset_arcmin": away,
        }
        | {f"{knob}_turned": strokes_text(each.turned[knob]) for knob in KNOBS if each.turned is not None}
        for each, (azimuth, altitude), away in zip(
            told.rounds, told.response.errors, told.offsets, strict=True
        )
    ]


def knob_rows(told: Told, signs: Signs) -> list[dict[str, str]]:
    """Return what a clockwise turn of each knob does as a page's table shows it: east and up positive."""
    found = told.response
    known = [
        ("azimuth_arcmin", found.slopes[0], found.slopes_sigma[0]),
        ("altitude_arcmin", found.slopes[1], found.slopes_sigma[1]),
        ("play [turn]", found.play, found.play_sigma),
    ]
    return [
        {"knob": knob} | {name: signed(float(of[i]), float(sigma[i]), signs) for name, of, sigma in known}
        for i, knob in enumerate(KNOBS)
    ]


def moment(each: Round, told: Told) -> datetime:
    """Return when a round was, in the zone in which times are shown."""
    zone = zone_of(told.timezone) if told.timezone else UTC
    return datetime.fromisoformat(each.at).astimezone(zone)


def _source(each: Round) -> str:
    if each.turned is not None:
        return ""
    return " (turned as advised?)" if each.advised is not None else " (turns not noted)"


def _knobs(told: Told, signs: Signs) -> str:
    lines = ["What a clockwise turn does"]
    found = told.response
    for index, knob in enumerate(KNOBS):
        own, sigma = float(found.slopes[index, index]), float(found.slopes_sigma[index, index])
        side = SIDES[knob][0 if own > 0 else 1].upper()
        other = KNOBS[1 - index]
        mixed, doubt = float(found.slopes[1 - index, index]), float(found.slopes_sigma[1 - index, index])
        way = SIDES[other][0 if mixed > 0 else 1].upper()
        lines.append(
            f"  {knob:<9} {with_sigma(abs(own), sigma, signs)} arcmin {side}, "
            f"{with_sigma(abs(mixed), doubt, signs)} {way}; play "
            f"{with_sigma(float(found.play[index]), float(found.play_sigma[index]), signs)} turn"
        )
    return "\n".join(lines)
