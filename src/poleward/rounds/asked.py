"""Rounds told as they are asked for: from a file, with what the setup says of the knobs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from poleward.door import quantity
from poleward.errors import UsageError
from poleward.rounds.history import Round, read_rounds
from poleward.rounds.story import Told, told_from
from poleward.setup import Setup

if TYPE_CHECKING:
    from poleward.door.quantity import Value


def tell_rounds(
    rounds: Sequence[Round] | str | Path, setup: Setup | None = None, limit: Value = "2 arcmin"
) -> Told:
    """Learn what the knobs do from rounds of measuring and turning, and say what to turn next.

    Parameters
    ----------
    rounds : str, Path, or sequence of Round
        A rounds file, as `poleward solve --append` keeps it.
    setup : Setup, optional
        From `read_setup`: what is stated of the knobs and the base. Left out: nothing is.
    limit : str or Quantity
        Offset of the axis from the pole that is good enough.

    Returns
    -------
    Told

    Raises
    ------
    InputError
        No rounds file, a damaged one, no round in it, or rounds of different poles or sites.
    UsageError
        A limit of nothing.
    """
    arcmin = quantity.parse(limit, quantity.SMALL_ANGLE, "", "limit") / 60
    if arcmin <= 0:
        raise UsageError(f"limit: {limit}, allowed is more than 0", "e.g. 2 arcmin")
    known = read_rounds(rounds).rounds if isinstance(rounds, str | Path) else rounds
    setup = setup or Setup()
    zone = str(setup.site_values.get("timezone", ""))
    return replace(told_from(known, setup.knobs, setup.base, arcmin), timezone=zone)
