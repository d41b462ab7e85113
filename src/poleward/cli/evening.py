"""``poleward evening``: through plan, timing, turning and checking, one question at a time."""

from __future__ import annotations

import os
import sys
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from poleward.cli import common, rounds, streams
from poleward.errors import InputError, UsageError

if TYPE_CHECKING:
    from poleward.report.style import Signs
    from poleward.rounds.evening import Evening
    from poleward.rounds.history import History
    from poleward.rounds.situation import Means
    from poleward.setup import Setup
    from poleward.tonight.checked import Check

WIDE = 80
"""Columns of the narrowest terminal in use."""
WORDS = (
    "At every question: ? tells more, undo goes back one, skip passes on, quit leaves (every answer is kept)."
)


def now() -> datetime:
    """Return the moment, by the computer's clock."""
    return datetime.now(UTC)


@click.command("evening")
@click.argument("path", metavar="[FILE]", default="rounds.json")
@rounds.LIMIT
@click.option(
    "--setup", "setup_file", metavar="FILE", help="Setup file; else poleward.toml here, else your own."
)
@click.option(
    "--targets", metavar="FILE", help="At the end, check tonight's targets with the axis as it stands."
)
@click.option("--page", metavar="FILE", help="At the end, write one page to keep: .html.")
@click.option("--force", is_flag=True, help="Write over an existing page.")
@click.option("--night", is_flag=True, help="Print in dim red.")
def command(
    path: str,
    limit: str,
    setup_file: str | None,
    targets: str | None,
    page: str | None,
    force: bool,
    night: bool,
) -> int:
    """An evening led step by step: where to point, the stopwatch, what to turn, and round again.

    FILE keeps the rounds and every answer [rounds.json]: leave at any moment, and go on with the same command.

    \b
    Examples:
      poleward evening
      poleward evening balcony.json --night
    """
    from poleward.door.quantity import SMALL_ANGLE, parse
    from poleward.report.style import signs_for
    from poleward.rounds.evening import Evening
    from poleward.rounds.history import History, check_rounds_file, read_rounds
    from poleward.rounds.next import suggestions
    from poleward.rounds.situation import World
    from poleward.setup import find_setup

    output = common.Output(page=page, force=force, night=night)
    output.check()
    check_rounds_file(path)
    setup = find_setup(setup_file)
    if targets is not None and not os.path.isfile(targets):
        raise InputError("there is no such file", "a targets table: name, ra, dec, exposure", targets)
    arcmin = parse(limit, SMALL_ANGLE, "", "--limit") / 60
    kept = read_rounds(path) if os.path.exists(path) else History()
    before = kept.before_evening()
    proposed = "" if page is not None else str(Path(path).with_suffix(".html"))
    evening = Evening(lambda: World(setup, list(before), suggestions, arcmin, proposed), list(kept.entries))
    talk = Talk(evening, path, setup, signs_for(sys.stdout), night)
    talk.say(f"Going on with {path}. {WORDS}" if kept.entries else WORDS)
    try:
        ended = talk.run()
    except KeyboardInterrupt:
        talk.left()
        raise
    if not ended:
        talk.left()
        return 0
    assert evening.told is not None
    if evening.world.keep is not None:  # a file that was there was asked about
        output = common.Output(page=evening.world.keep, force=True, night=night)
    if output.page is not None:
        output.write(evening.told, setup.source)
        talk.say(f"\nThe page: {output.page}")
    talk.end()
    if targets is not None:
        checked = _checked(targets, evening, setup)
        common.Output(night=night).give(checked, setup.source)
        return 0 if checked.all_within else 5
    return 0


def _checked(targets: str, evening: Evening, setup: Setup) -> Check:
    """Check tonight's targets with the axis where the evening has left it."""
    from poleward.cli.tonight import Tonight
    from poleward.tonight.axis_record import AxisError
    from poleward.tonight.check import check

    assert evening.told is not None
    assert evening.world.site is not None
    told, site, wanted = evening.told, evening.world.site, Tonight(targets=targets)
    (azimuth, altitude), covariance = told.response.errors[-1], told.response.errors_covariance
    reference = told.rounds[-1].axis["reference"]
    (a, b), (c, d) = covariance.tolist()
    error = AxisError(float(azimuth), float(altitude), ((a, b), (c, d)), reference)
    lowest = wanted.lowest(setup)
    return check(wanted.read(site), site, error, wanted.outfit(setup), at=now(), lowest_altitude_deg=lowest)


def _folded(text: str) -> str:
    from poleward.report.style import paragraph

    lines = (line if len(line) <= WIDE else paragraph(line, "  ", WIDE) for line in text.split("\n"))
    return "\n".join(lines)


@dataclass
class Talk:
    """Questions and answers at a terminal, or in a pipe."""

    evening: Evening
    path: str
    setup: Setup
    signs: Signs
    night: bool

    def say(self, text: str, end: str = "\n") -> None:
        """Print lines, none wider than a terminal."""
        common.print_result(_folded(text), self.night, end)

    def left(self) -> None:
        """Say where the evening is kept, and how to go on."""
        if os.path.exists(self.path):
            text = f"All answers are kept in {self.path}; go on with: poleward evening {self.path}"
        else:
            text = "Nothing was answered, so nothing is kept."
        self.say(f"\n{text}")

    def run(self) -> bool:
        """Ask until the evening ends; False if it was left before."""
        from poleward.report.evening_text import shown

        said = None
        while (asked := self.evening.question) is not None:
            if asked.key != said:
                about = shown(asked.about, self.signs)
                self.say(f"\n{about}\n" if about else "")
            said = asked.key
            if asked.default is not None:  # Enter acts: a second one, typed too early, must not
                streams.forget_typed()
            default = f" [{asked.default}]" if asked.default else ""
            self.say(f"{asked.asks}{default}", " ")
            line = sys.stdin.readline()
            if not line or line.strip().lower() in ("quit", "exit"):
                return False
            self._heard(line.strip())
        return True

    def _heard(self, text: str) -> None:
        from poleward.rounds.situation import Means

        asked = self.evening.question
        assert asked is not None
        if text == "?":
            self.say(asked.more)
            return
        if text.lower() == "undo":
            self.evening.undo()
        else:
            try:
                self.evening.answer(self._measured(text), now())
            except (InputError, UsageError) as error:
                said, hint = (text[:1].upper() + text[1:] for text in (str(error.args[0]), error.hint))
                self.say(f"{said}. {hint}".rstrip(". ") + ".")
                return
            if isinstance(asked.about, Means) and self.evening.entries[-1].answer in ("", "yes", "y"):
                self._keep_setup(asked.about)
        self._save()

    def _measured(self, text: str) -> str:
        """Return an answer as it was typed; one that names frames, in place of a drift, as what they say."""
        from poleward.cli.progress import Bar
        from poleward.rounds.questions import FRAMES, frames_answer

        asked = self.evening.question
        if asked is None or not asked.key.startswith("drift ") or not text.lower().startswith(FRAMES):
            return text
        from dataclasses import replace

        from poleward.frames.asked import read_frames
        from poleward.report.style import signed

        # Only where pixels are read the side of the tube was asked for.
        setup = replace(self.setup, guide_camera=asked.about if "pixels" in asked.asks else None)
        anywhere = {"label": "*", "hour_angle": "0h", "dec": "0d"}  # the star that was named is the pointing
        with Bar() as bar:
            found = read_frames(text[len(FRAMES) :].strip(), setup, pointings=[anywhere], tell=bar.tell)
        one = found.pointings[-1]
        for note in found.warnings:
            self.say(f"note: {note.text}")
        north = signed(one.north_arcsec, one.north_sigma_arcsec, self.signs)
        said = f"{one.label}: {one.frames_used} frames in {one.duration_s / 60:.1f} min, north {north} arcsec"
        if one.rotation_arcmin is not None and one.rotation_sigma_arcmin is not None:
            turn = signed(one.rotation_arcmin, one.rotation_sigma_arcmin, self.signs)
            said += f", turn of the field {turn} arcmin"
        self.say(f"{said}.")
        return frames_answer(one)

    def _keep_setup(self, means: Means) -> None:
        from poleward.rounds.situation import setup_blocks
        from poleward.setup import add_keys, add_section

        path = self.setup.source or "poleward.toml"
        left = ""
        for name, block in setup_blocks(means, self.setup).items():
            try:
                try:
                    add_section(path, name, block)
                except UsageError:  # it has such a section
                    add_keys(path, name, block)
                self.say(f"Added [{name}] to {path}.")
            except (InputError, UsageError):
                if block not in Path(path).read_text(encoding="utf-8"):  # as it does once yes was taken back
                    left += block
        if left:
            self.say(f"Add by hand to {path}, each line under its [heading] there:\n\n{left}")

    def _save(self) -> None:
        """Put the evening on disk before the next question."""
        from poleward.rounds.history import History, update_rounds

        entries, mine = tuple(self.evening.entries), tuple(self.evening.world.rounds)

        def change(kept: History) -> History:
            # Rounds of another program that came in between stay.
            own = {each.at for each in mine}
            others = [each for each in kept.rounds if each.at not in own and each.at not in self._known]
            return History(tuple(sorted([*others, *mine], key=lambda each: each.at)), entries)

        update_rounds(self.path, change)
        self._known |= {each.at for each in mine}

    def __post_init__(self) -> None:
        """Remember which rounds are this evening's: an undo takes them out of the file."""
        self._known = {each.at for each in self.evening.world.rounds}

    def end(self) -> None:
        """The answers have served: the rounds stay, and the next evening begins anew."""
        from dataclasses import replace

        from poleward.rounds.history import update_rounds

        def change(kept: History) -> History:
            return replace(kept, entries=())

        update_rounds(self.path, change)
        self.say(
            f"\nThe rounds are kept in {self.path}: poleward rounds {self.path} tells them. Clear skies."
        )
