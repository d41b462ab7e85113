"""How a camera lies on the sky, from a star that runs through the picture and a push of the telescope."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

from poleward.door import quantity
from poleward.door.record import record_of
from poleward.errors import InputError, Note, UsageError
from poleward.sky.axis import ARCSEC, STELLAR_RATE

if TYPE_CHECKING:
    from poleward.door.quantity import Duration, Value

HIGHEST_DEC_DEG = 70.0
"""Nearer to the pole an axis 10 arcmin off it turns north by more than half a degree (10' / cos 70), and a dec wrong by
a quarter of a degree makes the scale more than 1 % wrong (tan 70 x 0.25 deg)."""
CLOCK_SIGMA_S = 0.2
"""Of one end of the run: a hand at a stopwatch (common practice, no source)."""
DEC_SIGMA_DEG = 0.1
"""A star's dec off an atlas, not precessed: 26 years move it by 0.14 deg at most, half of that on average."""
SHORTEST_RUN = 20.0
"""Length of a run or a push in standard uncertainties of a displacement: a shorter run is worse than 5 % and 3 deg."""
LEAST_PUSH = 4.0
"""The same for the side to which a push has gone: one in 30,000 goes wrong."""
SQUARE_DEG = 30.0
"""The two axes of a mount stand square to a degree; what is farther off was no push north. For one told in words (up,
left, ...), which leave 45 deg on either side, as much more."""
WRONG_LENGTH = 0.10
"""Focal lengths are stated to some percent, reducers change them by more; a run longer or shorter by this cannot be."""
WORDS = {"up": (0.0, 1.0), "down": (0.0, -1.0), "left": (-1.0, 0.0), "right": (1.0, 0.0)}
"""Ways on the screen: to the right, up."""


@dataclass(frozen=True)
class Run:
    """A star's run through the picture with the drive stopped: from its first place to its last, as counted on the screen."""

    x_pix: float
    y_pix: float
    duration_s: float
    dec_rad: float


@dataclass(frozen=True)
class CameraFound:
    """How a camera lies on the sky, as `GuideCamera` takes it.

    Attributes
    ----------
    scale_arcsec_per_pix, scale_sigma_arcsec_per_pix : float
    position_angle_deg, position_angle_sigma_deg : float
        Of up in the picture, north through east, 0 to 360.
    mirrored : bool
        With north up in the picture, east is to the right.
    rows : str
        ``up`` or ``down``, as y is counted.
    computed_scale_arcsec_per_pix : float or None
        From focal length and pixel size.
    warnings : tuple of Note
    """

    scale_arcsec_per_pix: float
    scale_sigma_arcsec_per_pix: float
    position_angle_deg: float
    position_angle_sigma_deg: float
    mirrored: bool
    rows: str
    computed_scale_arcsec_per_pix: float | None = None
    warnings: tuple[Note, ...] = ()

    def to_record(self) -> dict[str, Any]:
        """Return the record."""
        return {"record": "camera", "version": 1, **record_of(self)}

    def setup_block(self) -> str:
        """Return the lines that describe it in a setup file."""
        return (
            "[guide_camera]\n"
            f'scale = "{self.scale_arcsec_per_pix:.5g} arcsec/pix"\n'
            f'position_angle = "{self.position_angle_deg:.2f} deg"\n'
            f"mirrored = {'true' if self.mirrored else 'false'}\n"
            f'rows = "{self.rows}"\n'
        )


def find_camera(
    run: tuple[tuple[Value, Value], tuple[Value, Value]],
    duration: Duration,
    dec: Value,
    push: str | tuple[tuple[Value, Value], tuple[Value, Value]],
    *,
    rows: Literal["up", "down"] = "down",
    reading_error: Value = "0.5 pix",
) -> CameraFound:
    """Return how a camera lies on the sky, from a star that runs with the drive stopped and a push north.

    Parameters
    ----------
    run : ((x, y), (x, y))
        The star's first and last place, pixels.
    duration : Quantity, TimeDelta or str
        From the one to the other.
    dec : Quantity or str
        The star's declination.
    push : str or ((x, y), (x, y))
        Where the star went when the telescope was pushed north: ``up``, ``down``, ``left`` or ``right`` on the screen,
        or its two places.
    rows : {"down", "up"}
        Which way y is counted.
    reading_error : Quantity, str or float
        Standard uncertainty of one place in x and in y.

    Returns
    -------
    CameraFound

    Raises
    ------
    InputError
        What cannot be.
    UsageError
        A word that is none of those.
    """
    if rows not in ("up", "down"):
        raise UsageError(f"rows is {rows!r}, allowed is 'down' or 'up'", "on a screen y is counted down")
    if isinstance(push, str) and push not in WORDS:
        raise UsageError(
            f"push is {push!r}, allowed is a way on the screen or two places", quantity.nearest(push, WORDS)
        )
    sigma = quantity.parse(reading_error, quantity.PIXELS, "", "reading_error")
    if not sigma > 0:
        raise InputError(f"it is {sigma:g}, allowed is more than 0", "", "reading_error")
    timed = quantity.parse(duration, quantity.DURATION, "run", "duration")
    measured = Run(*_between(run), timed, quantity.parse(dec, quantity.DECLINATION, "run", "dec"))
    way = push if isinstance(push, str) else _between(push)
    return orientation(measured, way, rows=rows, sigma_pix=sigma)


def _between(places: tuple[tuple[Value, Value], tuple[Value, Value]]) -> tuple[float, float]:
    try:
        (x1, y1), (x2, y2) = places
    except (TypeError, ValueError):
        raise UsageError(
            "two places are needed, each x and y", "e.g. ((812, 455), (537, 410)), in pixels"
        ) from None
    x1, y1, x2, y2 = (quantity.parse(each, quantity.PIXELS, "place") for each in (x1, y1, x2, y2))
    return x2 - x1, y2 - y1


def orientation(
    run: Run,
    push: str | tuple[float, float],
    *,
    rows: str = "down",
    sigma_pix: float = 0.5,
    computed_scale: float | None = None,
    clock_sigma_s: float = CLOCK_SIGMA_S,
) -> CameraFound:
    """Return how a camera lies on the sky, of plain numbers as `find_camera` reads them.

    With the drive stopped a star runs along its parallel: after the angle H, on the plane that touches the sky where it
    began, it is cos(dec) sin(H) / c to the west and sin(dec) cos(dec) (1 - cos H) / c toward the equator's far side
    from its pole, c = sin^2(dec) + cos^2(dec) cos(H): the gnomonic projection (Calabretta & Greisen 2002, 5.1.3; D).
    The run gives scale and angle for either hand; a push of the telescope north sends the star SOUTH and says which.

    `push` is a way on the screen or a displacement x, y in pixels; `sigma_pix` the standard uncertainty of one place in x and
    in y, `clock_sigma_s` that of either end of the run; `computed_scale`, arcsec per pixel, is held against what is found.

    Raises
    ------
    InputError
        What cannot be.
    """
    north, east = _along_the_parallel(run)
    right, up = run.x_pix, run.y_pix if rows == "up" else -run.y_pix
    length, sigma = math.hypot(right, up), math.sqrt(2) * sigma_pix
    if length < SHORTEST_RUN * sigma:
        raise InputError(
            f"the star ran {length:.0f} pixels, needed are {SHORTEST_RUN * sigma:.0f} for places read to {sigma_pix:g}",
            "let it run longer, or read the places more finely (--reading-error)",
            "--run",
        )
    mirrored = _mirrored(math.atan2(up, right), push, rows, sigma)
    hand = -1.0 if mirrored else 1.0
    angle = math.degrees(math.atan2(hand * right, up) - math.atan2(-east, north)) % 360
    scale = math.hypot(north, east) / length
    clock = math.sqrt(2) * clock_sigma_s / run.duration_s
    doubt = math.hypot(sigma / length, clock, math.tan(run.dec_rad) * math.radians(DEC_SIGMA_DEG))
    compared = _compared(scale, doubt, computed_scale)
    angle_sigma = math.degrees(sigma / length)
    return CameraFound(scale, scale * doubt, angle, angle_sigma, mirrored, rows, computed_scale, compared)


def _along_the_parallel(run: Run) -> tuple[float, float]:
    """North and east of where the star has got to, arcsec."""
    degrees = math.degrees(run.dec_rad)
    if abs(degrees) > HIGHEST_DEC_DEG:
        raise InputError(
            f"dec is {degrees:+.1f} deg, allowed is -{HIGHEST_DEC_DEG:g} to +{HIGHEST_DEC_DEG:g} deg",
            "so near the pole a star hardly runs, and not straight: take one nearer to the celestial equator",
            "--run",
        )
    if run.duration_s <= 0:
        raise InputError(
            f"duration is {run.duration_s:g} s, allowed is more than 0", "the later place is x2, y2", "--run"
        )
    turned = STELLAR_RATE * run.duration_s
    sine, cosine = math.sin(run.dec_rad), math.cos(run.dec_rad)
    depth = sine**2 + cosine**2 * math.cos(turned)
    west = cosine * math.sin(turned) / depth
    return sine * cosine * (1 - math.cos(turned)) / depth / ARCSEC, -west / ARCSEC


def _mirrored(run_angle: float, push: str | tuple[float, float], rows: str, sigma: float) -> bool:
    """Whether the push went to the other side of the run than the sky's south is of its west as the eye sees it."""
    if isinstance(push, str):
        right, up = WORDS[push]
        allowed = SQUARE_DEG + 30
    else:
        right, up = push[0], push[1] if rows == "up" else -push[1]
        allowed = SQUARE_DEG
        if math.hypot(right, up) < LEAST_PUSH * sigma:
            raise InputError(
                f"the push moved the star {math.hypot(right, up):.1f} pixels, needed are {LEAST_PUSH * sigma:.1f}",
                "push farther",
                "--push",
            )
    # Seen by the eye with north up, west is to the right and south below: a quarter turn clockwise from the run.
    off = (math.degrees(math.atan2(up, right) - run_angle) + 180) % 360 - 180
    if abs(abs(off) - 90) > allowed:
        raise InputError(
            f"the push lies {min(abs(off), 180 - abs(off)):.0f} deg from the star's run, it should be 90",
            "push north with the drive running and nothing else moved; docs: camera.md#how-the-camera-lies-on-the-sky"
            + (", or give the star's two places instead of a word" if isinstance(push, str) else ""),
            "--push",
        )
    return off > 0


def _compared(scale: float, doubt: float, computed: float | None) -> tuple[Note, ...]:
    """Hold the scale against focal length and pixel size."""
    if computed is None:
        return ()
    off = scale / computed - 1
    if abs(off) > WRONG_LENGTH:
        raise InputError(
            f"the run makes {scale:.3g} arcsec/pix, focal length and pixel size, or the setup, make {computed:.3g}",
            "was the drive stopped, and are the seconds right? Binned pixels count as many times larger, a reducer or "
            "a Barlow lens changes the focal length; docs: camera.md#how-sure",
            "--run",
        )
    if abs(off) > 3 * doubt:
        return (
            Note(
                "scale-differs",
                f"the scale differs by {100 * off:+.1f} % from what focal length and pixel size, or the "
                f"setup, make ({computed:.4g} arcsec/pix): more than its uncertainty",
            ),
        )
    return ()
