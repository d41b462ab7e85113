"""What to turn, in words: the moves of the knobs, what a star does meanwhile, the cautions."""

from __future__ import annotations

import math
from collections.abc import Sequence

from poleward.report.style import IN_DEGREES_ARCMIN, decimals_for, paragraph
from poleward.solving.knobs import CAUTION, CAUTIONS, STILL, Move
from poleward.solving.solution import Solution


def what_to_turn(solution: Solution) -> str:
    """Return the moves that undo the errors, with the cautions: in full with large moves."""
    sigmas = {"azimuth": solution.azimuth_sigma_arcmin, "altitude": solution.altitude_sigma_arcmin}
    lines = [
        f"What to turn (the axis points above the {'northern' if solution.pole.hemisphere > 0 else 'southern'} horizon)"
    ]
    for move in solution.moves:
        sigma = sigmas[move.knob] or 0.0
        text = move_text(move, decimals_for(sigma), max(abs(each.move_arcmin) for each in solution.moves))
        if abs(move.move_arcmin) < sigma:
            lines.append(
                f"  {move.knob:<9} nothing to turn: {text.split(':')[0]} is less than its uncertainty"
            )
            continue
        lines.append(f"  {move.knob:<9} {text}")
        if abs(move.move_arcmin) < 2 * sigma:
            lines.append(f"  {'':<9} (less than twice its uncertainty: it may be left)")
    if any(move.turns is None for move in solution.moves):
        lines.append("  (turns: give per_turn and clockwise of the knobs in the setup file)")
    else:
        lines.append("  (clockwise as you look at the knob's head)")
    large = [move for move in solution.moves if move.large]
    lines += [paragraph(f"  ! {text}", "    ") for text in large_moves(large)]
    watched = [
        move for move in solution.moves
        if move.star is not None and abs(move.move_arcmin) >= (sigmas[move.knob] or 0.0)
    ]  # fmt: skip
    if watched:
        lines += star_lines(watched, solution.latitude_deg)
    lines += [paragraph(f"  ! {caution}", "    ") for caution in (CAUTIONS if large else (CAUTION,))]
    return "\n".join(lines)


def large_moves(moves: Sequence[Move]) -> list[str]:
    """Say what moves far beyond a fine adjustment ask for."""
    if not moves:
        return []
    knobs = " and ".join(move.knob for move in moves)
    lines = [
        f"The {knobs} move is no fine adjustment: knobs have few turns and bolts an end. "
        + "Set the base or the tripod anew so that the axis stands near the pole, then measure again."
    ]
    if any(move.toward == "down" for move in moves):
        lines.append(
            "DOWN lowers telescope and counterweights: somebody or something must hold them all the way."
        )
    return lines


def move_text(move: Move, places: int, largest: float = 0.0) -> str:
    """Return ``5.0 arcmin WEST: 0.13 turn counter-clockwise (47 deg of the knob)``; `largest`: arcmin, told beside it."""
    size = abs(move.move_arcmin)
    amount = f"{size:.{places}f} arcmin" if max(size, largest) < IN_DEGREES_ARCMIN else f"{size / 60:.2f} deg"
    text = f"{amount} {move.toward.upper()}"
    if move.turns is None:
        return text
    amount = f"{move.turns:.2f} turn" + ("s" if move.turns >= 1.995 else "")
    if move.turns < 1:
        amount += f" ({360 * move.turns:.0f} deg of the knob)"
    return f"{text}: {amount} {move.direction}"


def star_lines(moves: Sequence[Move], latitude_deg: float) -> list[str]:
    """Return how a watched star moves meanwhile, line by line; all moves have one."""
    star = moves[0].star
    assert star is not None
    at = f"hour angle {star.hour_angle_h:+.1f} h, dec {star.dec_deg:+.0f} deg"
    lines = [
        paragraph(
            f"  Or watch a star while turning, azimuth first, the telescope tracking at {at}. It must move:",
            "  ",
        )
    ]
    for move in moves:
        star = move.star
        assert star is not None
        north, east = star.north_arcsec, star.east_arcsec
        text = f"{abs(north):.0f} arcsec {'north' if north > 0 else 'south'}, "
        text += f"{abs(east):.0f} arcsec {'east' if east > 0 else 'west'}"
        if star.x_pix is not None and star.y_pix is not None:
            text += f"; in pixels x {star.x_pix:+.0f}, y {star.y_pix:+.0f}"
        lines.append(f"  {move.knob:<9} {text}")
        if math.hypot(north, east) < STILL * 60 * abs(move.move_arcmin):
            dec = latitude_deg - math.copysign(45, latitude_deg)
            lines.append(
                paragraph(
                    f"  {'':<9} (it hardly moves; one on the meridian halfway up does: "
                    f'--watch "hour_angle=0h, dec={dec:+.0f}d")',
                    " " * 12,
                )
            )
    if star.x_pix is not None:
        side = (
            "on its other side (reversed), as when that star was timed"
            if star.reversed
            else "on the side where the camera's angle was found; on the other x and y change sign"
        )
        lines.append(paragraph(f"  (pixels of the guide camera: with the tube {side})", "   "))
    return lines
