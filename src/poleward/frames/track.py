"""What is known of a picture once its stars are found, and of a field once it was followed."""

from __future__ import annotations

from dataclasses import dataclass, replace

from poleward.errors import InputError
from poleward.frames.adjust import StarWays
from poleward.frames.image import Frame
from poleward.frames.match import Indices
from poleward.frames.stars import Stars, find_stars
from poleward.sky.axis import Floats


@dataclass(frozen=True, eq=False)
class Sighting:
    """The stars of one picture, and when they stood there.

    Attributes
    ----------
    source : str
    middle_s : float
        Middle of the exposure, s.
    stars : Stars
    """

    source: str
    middle_s: float
    stars: Stars


@dataclass(frozen=True)
class LeftOut:
    """A picture that tells nothing, and why, in a few words."""

    source: str
    reason: str


@dataclass(frozen=True, eq=False)
class FieldTrack:
    """How one field moved over F pictures: place = centre + (x, y) + turned(reference - centre).

    Attributes
    ----------
    sources : tuple of str
    seconds : array (F,)
        Middles of the exposures.
    x, y : array (F,)
        Where the field's centre is, pixels from the picture's centre; its own place in the first picture is near 0.
    turn : array (F,)
        Radians, from x toward y.
    x_sigma, y_sigma, turn_sigma : array (F,)
        By the stars' noise alone. What all stars share (air, wind, drive) is not in it.
    matched : int array (F,)
        Stars used.
    reference : array (m, 2)
        The field's catalogue, pixels as in the first picture.
    shape : tuple of int
        Height and width of the pictures.
    ways : StarWays or None
        Each star's own; None where no stars were followed.
    """

    sources: tuple[str, ...]
    seconds: Floats
    x: Floats
    y: Floats
    turn: Floats
    x_sigma: Floats
    y_sigma: Floats
    turn_sigma: Floats
    matched: Indices
    reference: Floats
    shape: tuple[int, int]
    ways: StarWays | None = None

    def part(self, chosen: Indices) -> FieldTrack:
        """Return some of its pictures."""
        columns = {
            name: getattr(self, name)[chosen]
            for name in ("seconds", "x", "y", "turn", "x_sigma", "y_sigma", "turn_sigma", "matched")
        }
        sources = tuple(self.sources[int(i)] for i in chosen)
        ways = None if self.ways is None else self.ways.part(chosen)
        return replace(self, sources=sources, ways=ways, **columns)


@dataclass(frozen=True, eq=False)
class Followed:
    """What became of a group of pictures.

    Attributes
    ----------
    tracks : tuple of FieldTrack
        One for each place at which the telescope stood, by time.
    left_out : tuple of LeftOut
    """

    tracks: tuple[FieldTrack, ...]
    left_out: tuple[LeftOut, ...]


def sighting(frame: Frame) -> Sighting | LeftOut:
    """Find a picture's stars; the picture itself need not be kept."""
    try:
        stars = find_stars(frame.image, frame.saturation, frame.source)
    except InputError as error:
        return LeftOut(frame.source, error.message)
    return Sighting(frame.source, frame.middle_s, stars)
