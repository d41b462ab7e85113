"""What a frame's header says: when, where to, how large. The pixels stay in the file until they are asked for."""

from __future__ import annotations

import math
import warnings
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from poleward.door import quantity
from poleward.door.incoming import open_plain
from poleward.errors import InputError, PolewardError, printable
from poleward.frames.keywords import Header, Trusted
from poleward.frames.moment import exposed
from poleward.frames.whereabouts import site_of_header
from poleward.sky.site import Site

if TYPE_CHECKING:
    from astropy.wcs import WCS

LARGEST_PIXELS = 250_000_000
"""Of all colours together: an 80-megapixel colour cube. More is a header that lies, and would fill the memory."""
PLACES = (
    ("ra", quantity.RIGHT_ASCENSION), ("hour_angle", quantity.HOUR_ANGLE), ("azimuth", quantity.ANGLE),
)  # fmt: skip
"""The first coordinate of each kind of pointing; the second is dec, or altitude."""


@dataclass(frozen=True, eq=False)
class Shot:
    """What a frame's header says.

    Attributes
    ----------
    path : str
    source : str
        The file as it was named, printable.
    height, width : int
        Of the picture as it is stored, pixels.
    middle : datetime
        Of the exposure, aware, UTC.
    exposure_s : float or None
    place : mapping
        Where the telescope pointed, by the user's keywords, radians: ra and dec, hour_angle and dec, or azimuth and
        altitude; empty where none are mapped.
    wcs : astropy.wcs.WCS or None
        Celestial, two axes, of the picture as it is stored.
    label : str
        What was photographed, by the standard's OBJECT or a keyword of the user's.
    mosaic : bool
        Its pixels stand under a raster of colours.
    saturation : float or None
        By the user's keyword.
    keywords : mapping
        Which keyword said what.
    stamp_assumed : bool
        Nobody said what DATE-OBS marks.
    site : Site or None
        Where the mount stands, by the standard's keywords.
    """

    path: str
    source: str
    height: int
    width: int
    middle: datetime
    exposure_s: float | None
    place: Mapping[str, float] = field(default_factory=dict)
    wcs: WCS | Any | None = None
    label: str = ""
    mosaic: bool = False
    saturation: float | None = None
    keywords: Mapping[str, str] = field(default_factory=dict)
    stamp_assumed: bool = False
    site: Site | None = None

    @property
    def folder(self) -> str:
        """The folder it lies in."""
        return str(Path(self.path).parent)


@contextmanager
def picture(path: str | Path) -> Iterator[tuple[Any, Any]]:
    """Open a FITS file and give its first picture, an HDU of astropy, and its primary header, inside a ``with``.

    Raises
    ------
    InputError
        It cannot be read, is no FITS, ends early, or holds no picture of a size that can be.
    """
    from astropy.io import fits

    name = printable(str(path))
    with open_plain(path) as file, warnings.catch_warnings():
        warnings.simplefilter("ignore")  # what astropy mends by itself
        try:
            if not file.read(1):
                raise InputError("this file is empty", "", name)
            file.seek(0)
            hdus = fits.open(file, memmap=False)
            found = _first_picture(hdus, name)
        except PolewardError:
            raise
        except Exception:  # noqa: BLE001 - astropy raises whatever its readers raise; all mean the same here
            raise InputError("this is no FITS file, or it ends early", "", name) from None
        yield found, hdus[0].header
        hdus.close()


def _first_picture(hdus: Any, name: str) -> Any:
    for hdu in hdus:
        if not hdu.is_image or hdu.header.get("NAXIS", 0) < 2:
            continue
        shape = hdu.shape
        if len(shape) > 3 or (len(shape) == 3 and shape[0] not in (1, 3)):
            sizes = " x ".join(map(str, reversed(shape)))
            raise InputError(
                f"its picture has {sizes} values, allowed is width x height, or that x 3 colours", "", name
            )
        if not 0 < math.prod(shape) <= LARGEST_PIXELS:
            raise InputError(
                f"its picture has {math.prod(shape):,} pixels, allowed is up to {LARGEST_PIXELS:,}", "", name
            )
        return hdu
    raise InputError("this FITS file holds no picture", "", name)


def read_shot(path: str | Path, trusted: Trusted, *, mosaic: bool = False) -> Shot:
    """Read a frame's header.

    Parameters
    ----------
    path : str or Path
    trusted : Trusted
    mosaic : bool
        The frame is one whose pixels stand under a raster of colours, whatever its header says.

    Raises
    ------
    InputError
        As `picture`, or the header has no time, or holds what cannot be used.
    """
    with picture(path) as (hdu, primary):
        shape, header = hdu.shape, Header((hdu.header, primary), printable(str(path)))
        when = exposed(header, trusted)
        place, keywords = _place(header, trusted)
        keywords |= {"time": when.time_from, "exposure": when.exposure_from}
        wcs = _celestial(hdu.header)
        full = trusted.found("saturation", header)
        if full is not None:
            keywords["saturation"] = full.keyword
        raster = trusted.found("mosaic", header) if "mosaic" in trusted.keywords and not mosaic else None
        named = trusted.found("label", header)
        return Shot(
            str(path),
            header.source,
            shape[-2],
            shape[-1],
            when.middle,
            when.exposure_s,
            place,
            wcs,
            str(named.value if named else header.value("OBJECT") or ""),
            mosaic or (raster is not None and raster.value is not False),
            None if full is None else full.parsed(quantity.Kind("", "", "65535")),
            {what: keyword for what, keyword in keywords.items() if keyword},
            when.assumed,
            site_of_header(header),
        )


def _place(header: Header, trusted: Trusted) -> tuple[dict[str, float], dict[str, str]]:
    """Return where the telescope pointed by the user's keywords, radians, and those keywords."""
    for name, kind in PLACES:
        first = trusted.found(name, header)
        if first is None:
            continue
        other = "altitude" if name == "azimuth" else "dec"
        second = trusted.found(other, header)
        if second is None:
            raise InputError(
                f"the setup names a keyword for {name} and none for {other}", "name both", trusted.where
            )
        angles = {name: first.parsed(kind), other: second.parsed(quantity.ANGLE)}
        if abs(angles[other]) > math.pi / 2:
            raise InputError(
                f"it is {math.degrees(angles[other]):g} deg, allowed is -90 to +90", "", second.where
            )
        return angles, {name: first.keyword, other: second.keyword}
    return {}, {}


def _celestial(cards: Any) -> Any | None:
    """Return the celestial part of the header's WCS; None where it has none that can be used."""
    if "CTYPE1" not in cards:
        return None
    from astropy.wcs import WCS

    try:
        wcs = WCS(cards)
        if not wcs.has_celestial:
            return None
        # In a system that astropy does not know, places are bare numbers: this then fails.
        _ = wcs.celestial.pixel_to_world(0, 0).icrs
        return wcs.celestial
    except Exception:  # noqa: BLE001 - wcslib refuses in many ways; the frame is then one without a WCS
        return None
