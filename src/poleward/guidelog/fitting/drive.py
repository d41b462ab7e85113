"""What moved the telescope: a first look for play and guide rate, and whether the pulses are what they say."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from poleward.guidelog.fitting.bouts import suspected
from poleward.guidelog.fitting.correct import Track, glitches, robust_sigma
from poleward.guidelog.fitting.integral import Quadratic
from poleward.guidelog.fitting.lattice import FAR, beliefs_of, layout_of
from poleward.guidelog.fitting.law import readings
from poleward.guidelog.fitting.noise import Noise
from poleward.guidelog.fitting.oddities import row_column, stands_out
from poleward.guidelog.fitting.parts import Drive, Part, State, curve
from poleward.guidelog.fitting.tables import NO_MEMORY, Rows, table_of
from poleward.sky.axis import Floats
from poleward.sky.pole import Pole

PLAYS_MS = np.array(
    [0.0, 40, 80, 120, 160, 200, 250, 300, 350, 400, 500, 600, 800, 1000, 1300, 1700, 2200, 3000]
)
"""Plays looked at first; their likelihood is smooth on the scale of one pulse, some 100 ms."""
NOISES = np.log(
    [*((ratio, time) for time in (8.0, 25.0, 80.0, 250.0) for ratio in (0.03, 0.3, 3.0)), NO_MEMORY]
)
"""Noises looked at first: factors of three to ten, over all that wind, gears and seeing are likely to do."""
DRIVE_ROWS = 4000
"""That search uses so many rows in all, from the middle of each section, and at least `DRIVE_LEAST` of each.

They stay in a row: means of rows, that would do for the noise alone, hide which pulse answered to what.
"""
DRIVE_LEAST = 400
"""Of more than ten sections, ten spread over all of them search; the noise is then judged in each."""
COARSE_ROWS = 1500
"""All plays at all noises are looked at in so many rows only: that tells where to look, and takes little for impossible."""
FINE = 9
LEAST_PLAYS = 5
CLOSER = 6
"""Plays in each closer look, how many must be about equally likely in the last, and how many looks at most."""
MOVE_ARCSEC = 5.0
"""How far a star is moved on purpose, roughly: what a jump is worth that is not there."""
HANDY = 3_000_000
"""Rows times plays that are kept laid out, 24 MB: to lay a section out costs as much as to weigh it by three noises."""
LEAST_RATE = 0.05
"""In units of the stated rate: less is no motion."""
SIGN_ROWS = 1200
"""Rows from the middle of a section by which the sign of its pulses is judged."""
SIGN_MARGIN = 12.0
"""Log-likelihood by which pulses turned round, or left out, must do better before they are not believed.

Five sigmas. Of 420 guided sections of docs/experiments/log_mix.py none is refused as it is, with its guide rate
stated or not; turned round 97 % are refused, and with pulses a thousand times too large all of them.
"""
SIGN_RATES = (np.array([0.87, 1.0, 1.15]), np.geomspace(0.8, 14.0, 12))
"""Guide rates by which it is judged: about a stated one, or where none was, arcsec/s."""


def middle(part: Part, rows: int) -> Part:
    """Return the same section with only so many rows, from its middle, in the fit."""
    kept = np.flatnonzero(part.kept)
    if len(kept) <= rows:
        return part
    first = (len(kept) - rows) // 2
    low, high = int(kept[first]), int(kept[first + rows - 1])
    inside = slice(low, high + 1)
    return replace(
        part,
        track=part.track.cropped(low, high),
        kept=part.kept[inside],
        gusts=part.gusts[inside],
        piece=part.piece[inside],
        scale=part.scale[inside],
    )


def mended(part: Part, whole: Track, early: bool = False) -> list[tuple[Part, int]]:
    """Return a section as it may be if some pulses were written down wrong, and how many; see `law`."""
    tracks = (
        (replace(part.track, pulse_ms=pulse).answering(early=early), count)
        for pulse, count in readings(whole, part.kept, early)
    )
    return [(replace(part, track=track), count) for track, count in tracks]


def first_guess(part: Part) -> Part:
    """Take out glitches roughly, and guess the noise from differences of neighbouring rows, and where it is larger."""
    part = replace(part, kept=~glitches(part.track.north_arcsec), scale=suspected(part.track.north_arcsec))
    steps = np.diff(part.track.north_arcsec[part.kept])
    white = max(robust_sigma(steps) / math.sqrt(2), 1e-3)
    return replace(part, noise=Noise(white, white * math.sqrt(0.5), 30.0))


def few(parts: Sequence[Part]) -> list[Part]:
    """Return as many rows of a drive's sections as a search needs."""
    rows = max(DRIVE_LEAST, DRIVE_ROWS // len(parts))
    return [middle(part, rows) for part in parts[:: math.ceil(len(parts) * DRIVE_LEAST / DRIVE_ROWS)]]


def reach_of(parts: Sequence[Part]) -> Floats:
    """Plays worth a look: none that would swallow all pulses."""
    reach = max(float(np.ptp(part.track.motor_ms)) for part in parts if part.track.motor_ms is not None)
    plays: Floats = PLAYS_MS[(PLAYS_MS == 0) | (PLAYS_MS < reach)]
    return plays


@dataclass(frozen=True, eq=False)
class Scan:
    """Some rows of a drive's sections, with what a first look asks of them.

    Attributes
    ----------
    parts : tuple of Part
    number : int or None
        Of their drive; None: only watched.
    state : State
        About which they are laid out.
    pole : Pole
    prior : array (2, 2)
        Information on A and e beforehand, about zero.
    """

    parts: tuple[Part, ...]
    number: int | None
    state: State
    pole: Pole
    prior: Floats

    @property
    def drive(self) -> Drive | None:
        """What is known of it."""
        return None if self.number is None else self.state.drives[self.number]

    @cached_property
    def curves(self) -> list[tuple[Floats, Floats]]:
        """What `curve` says of each, rows with weight."""
        return [curve(part, self.state, self.pole, part.track.seconds[part.kept]) for part in self.parts]

    def layouts(self, plays: Floats) -> Layouts:
        """Lay its sections out for plays (P,)."""
        return Layouts(self, plays)

    def outlook(self, noises: Floats, plays: Floats) -> tuple[Floats, Floats]:
        """Log evidence of noises (J, 2) and plays (P,), all noises alike beforehand, and the rate there: (J, P) each."""
        each = [Quadratic.of(table_of(layout, noises)) for layout in self.layouts(plays)]
        centre = -np.array([self.state.azimuth, self.state.altitude])
        beliefs = beliefs_of(plays, self.drive, self.prior, centre)
        height, rate, _ = Quadratic.total(each).outlook(
            replace(beliefs, noises=noises, noise=np.zeros(len(noises)))
        )
        return np.asarray(height + beliefs.play), rate

    def plays(self, noise: Floats, plays: Floats) -> Floats:
        """Look closer and closer, until at least five plays are about equally likely; (P,), rising."""
        for _ in range(CLOSER):
            height = self.outlook(noise, plays)[0][0]
            likely = np.flatnonzero(height > np.max(height) - FAR)
            low, high = max(likely[0] - 1, 0), min(likely[-1] + 1, len(plays) - 1)
            if len(likely) >= LEAST_PLAYS or high == low:
                break
            plays = np.linspace(plays[low], plays[high], FINE)
        chosen = plays[low : high + 1]
        return chosen if len(chosen) <= FINE else chosen[:: math.ceil(len(chosen) / FINE)]


@dataclass(frozen=True, eq=False)
class Layouts:
    """The sections of a scan laid out for plays (P,), each made when it is its turn: a season's together fill the memory."""

    scan: Scan
    plays: Floats

    def __iter__(self) -> Iterator[Rows]:
        """Lay out one after the other."""
        scan = self.scan
        for part, at in zip(scan.parts, scan.curves, strict=True):
            yield layout_of(part, scan.state, scan.pole, self.plays, at)

    def handy(self) -> Iterable[Rows]:
        """Return them all made, where they are not too many."""
        rows = sum(len(part.kept) for part in self.scan.parts)
        return list(self) if rows * len(self.plays) <= HANDY else self


@dataclass(frozen=True, eq=False)
class FirstLook:
    """What a first look found.

    Attributes
    ----------
    drive : Drive or None
        Its rate and play, roughly.
    noise : Noise
        Of its sections, the white part taken as 1.
    log : float
        Log evidence of all that.
    noises, plays : array (J, 2), array (P,)
        Where it may be at all: other ways to read the same rows need to be looked at only there.
    """

    drive: Drive | None
    noise: Noise
    log: float
    noises: Floats
    plays: Floats


def find_drive(scan: Scan) -> FirstLook:
    """Find roughly a drive's play, its rate, and the noise of its sections."""
    plays = np.zeros(1)
    if scan.drive is not None:
        plays = reach_of(scan.parts)
        rows = max(DRIVE_LEAST, COARSE_ROWS // len(scan.parts))
        height, _ = replace(scan, parts=tuple(middle(part, rows) for part in scan.parts)).outlook(
            NOISES, plays
        )
        best, likely = int(np.argmax(np.max(height, axis=1))), np.max(height, axis=0) > np.max(height) - FAR
        first, last = np.flatnonzero(likely)[[0, -1]]
        plays = scan.plays(NOISES[[best]], plays[max(first - 1, 0) : last + 2])
    return look_again(scan, NOISES, plays)


def look_again(scan: Scan, noises: Floats, plays: Floats) -> FirstLook:
    """Find the same where noise and play are known to be among these."""
    height, rate = scan.outlook(noises, plays)
    j, p = np.unravel_index(int(np.argmax(height)), height.shape)
    found = scan.drive and replace(
        scan.drive, rate=max(float(rate[j, p]), LEAST_RATE), backlash_ms=float(plays[p])
    )
    ratio, time = np.exp(noises[j])
    top = float(np.max(height))
    log = top + math.log(float(np.sum(np.exp(height - top))))
    there = noises[np.max(height, axis=1) > top - 2 * FAR]
    return FirstLook(found, Noise(1.0, math.sqrt(ratio), time), log, there, plays)


def own_row(scan: Scan, found: FirstLook) -> float:
    """How far it stands out of what is left over, in sigmas, that each pulse was sent before its own row.

    A pulse that answers to its row takes back the row's noise, and is as far below none as it is large; one that
    answers to the row before knows nothing of the row's own noise, and moves its star.
    """
    drive = found.drive
    if drive is None or scan.number is None:
        return -math.inf
    plays = np.array([drive.backlash_ms])
    matrix = np.zeros((5, 5))
    for part in scan.parts:
        layout = layout_of(part, scan.state, scan.pole, plays)
        column = row_column(part, drive)[None]
        table = table_of(layout.beside(column), found.noise.shape[None])
        matrix += table.matrix[0, 0] / table.white_variance()[0, 0]
    held = np.zeros((3, 3))
    held[:2, :2] = scan.prior
    return float(stands_out(matrix, (0, 1, 3), held, (2,), drive.rate)[0])


def wrong_way(part: Part, drive: Drive | None, pole: Pole) -> str:
    """Why a section's pulses cannot be what they say, or nothing.

    The section is fitted with its pulses as they are, turned round, and left out. A wrong sign would not show
    otherwise: it makes a drift of its own, twice the one that the guider has pushed away.
    """
    if drive is None:
        return ""
    part = replace(middle(first_guess(part), SIGN_ROWS), drive=0)
    found = _sign(part, drive, pole)
    # Where only some pulses are wrong, `fit.start` finds it, and it is said.
    rivals = mended(part, part.track) if found else ()
    return "" if any(count and not _sign(other, drive, pole) for other, count in rivals) else found


def _sign(part: Part, drive: Drive, pole: Pole) -> str:
    rates = SIGN_RATES[0] if math.isfinite(drive.sigma) else SIGN_RATES[1]
    plays = reach_of([part])
    # A few plays show that pulses do what they say; that they do not must be so at all.
    for some in (plays[::3], plays):
        table = table_of(layout_of(part, State(0.0, 0.0, (drive,)), pole, some), NOISES)
        still = float(np.max(table.profile(np.zeros(1))[:, :1]))
        right, turned = (float(np.max(table.profile(sign * rates))) for sign in (1.0, -1.0))
        if right > max(turned, still) + SIGN_MARGIN:
            return ""
    if turned > max(right, still) + SIGN_MARGIN:
        return (
            "its pulses move the star the wrong way: check `positive` of north and of north_pulse in the layout, "
            "and `reversed` (docs: log-layout.md#4-the-guide-corrections)"
        )
    if still > right + SIGN_MARGIN:
        return "its pulses do not move the star as they say: check their unit and the guide rate"
    return ""
