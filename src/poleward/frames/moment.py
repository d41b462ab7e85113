"""When a frame was exposed: the time keywords of the FITS standard, each with what it marks.

FITS Standard 4.0, section 9 (Rots et al. 2015, A&A 574, A36): DATE-AVG and MJD-AVG mark the middle, DATE-BEG and DATE-END
the ends, TELAPSE lies between them, XPOSURE is the time in which light was gathered, TIMEUNIT their unit (s), TIMESYS the
scale of the times (UTC). What DATE-OBS marks is not settled; by the standard's own default, 4.4.2, the start (M).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

from poleward.door.clock import later, parse_time, zone_of
from poleward.door.quantity import DURATION, header_unit, parse
from poleward.errors import InputError
from poleward.frames.keywords import Header, Trusted

SCALES = {
    "UTC": "utc", "UT": "utc", "GMT": "utc", "UT1": "ut1", "TAI": "tai", "IAT": "tai", "TT": "tt", "TDT": "tt", "ET": "tt",
    "TDB": "tdb", "TCG": "tcg", "TCB": "tcb", "GPS": "tai",
}  # fmt: skip
"""Values of TIMESYS, Rots et al. 2015, table 2, and astropy's names for them."""
GPS_TO_TAI = timedelta(seconds=19)
"""TAI - GPS, constant; the same table."""
SHARE = {"start": 0.5, "middle": 0.0, "end": -0.5}
"""Of the exposure, from what is marked to the middle."""


@dataclass(frozen=True)
class Exposed:
    """When light was gathered.

    Attributes
    ----------
    middle : datetime
        Aware, UTC.
    exposure_s : float or None
        None: the header does not say.
    time_from, exposure_from : str
        The keywords that said so; empty where none did.
    assumed : bool
        Nobody said what DATE-OBS marks.
    """

    middle: datetime
    exposure_s: float | None
    time_from: str
    exposure_from: str
    assumed: bool = False


def exposed(header: Header, trusted: Trusted) -> Exposed:
    """Return when a frame was exposed.

    Raises
    ------
    InputError
        No time, one that cannot be read, or an exposure that cannot be.
    """
    seconds, exposure_from = _exposure(header, trusted)
    half = (seconds or 0.0) / 2
    if (mapped := trusted.found("time", header)) is not None:
        if mapped.unit:  # a zone, as in the header of a drift table
            moment = parse_time(mapped.value, mapped.where, zone_of(mapped.unit, mapped.where))
        else:
            moment = _moment(mapped.value, header, mapped.where)
        return _stamped(moment, seconds, (mapped.keyword, exposure_from), trusted)
    for name, share in (("AVG", 0.0), ("BEG", 1.0), ("END", -1.0)):
        if (known := _date(name, header)) is not None:
            keyword, moment = known
            if name == "BEG" and seconds is None and (end := _date("END", header)) is not None:
                seconds, exposure_from = (end[1] - moment).total_seconds(), f"{keyword}, {end[0]}"
                half = _sound(seconds, f"{header.source}, {end[0]}") / 2
            return Exposed(later(moment, share * half), seconds, keyword, exposure_from)
    if (known := _date("OBS", header)) is not None:
        return _stamped(known[1], seconds, (known[0], exposure_from), trusted)
    raise InputError(
        "this header has no time: none of DATE-AVG, DATE-BEG, DATE-END, DATE-OBS or MJD-AVG, -BEG, -END, -OBS",
        _hint(header, "TIME", "DATE", "UT", what="time"),
        header.source,
    )


def _stamped(moment: datetime, seconds: float | None, origin: tuple[str, str], trusted: Trusted) -> Exposed:
    """Return the middle, from a moment of which only the user can say what it marks."""
    share = SHARE[trusted.stamp or "start"]
    return Exposed(later(moment, share * (seconds or 0.0)), seconds, *origin, not trusted.stamp)


def _date(name: str, header: Header) -> tuple[str, datetime] | None:
    """Return the keyword that holds this date, and what it says."""
    for keyword in (f"DATE-{name}", f"MJD-{name}"):
        value = header.value(keyword)
        if value is not None:
            return keyword, _moment(value, header, f"{header.source}, {keyword}")
    return None


def _moment(value: Any, header: Header, where: str) -> datetime:
    """Return a time of the header's scale in UTC; a number is a modified Julian date."""
    system = str(header.value("TIMESYS") or "UTC").split("(")[0].strip().upper()
    if system not in SCALES:
        raise InputError(
            f"TIMESYS is '{system}', allowed are {', '.join(SCALES)}",
            "times of other clocks cannot be used",
            where,
        )
    scale = SCALES[system]
    if scale == "utc" and isinstance(value, str):
        return parse_time(value, where, UTC)
    from astropy.time import Time

    try:
        if isinstance(value, str):
            time = Time(parse_time(value, where, UTC).replace(tzinfo=None), scale=scale)
        else:
            time = Time(float(value), format="mjd", scale=scale)
    except ValueError:
        raise InputError(f"'{value}' is not a modified Julian date", "", where) from None
    moment = parse_time(time, where)
    return moment + GPS_TO_TAI if system == "GPS" else moment


def _exposure(header: Header, trusted: Trusted) -> tuple[float | None, str]:
    """Return how long light was gathered, seconds, and the keyword that says so."""
    if (mapped := trusted.found("exposure", header)) is not None:
        return _sound(mapped.parsed(DURATION), mapped.where), mapped.keyword
    for keyword in ("TELAPSE", "XPOSURE"):  # the middle lies halfway between the ends, pauses included
        value = header.value(keyword)
        if value is not None:
            where = f"{header.source}, {keyword}"
            unit = header_unit(str(header.value("TIMEUNIT") or "s"), DURATION, where)
            return _sound(parse(value, DURATION, where, "", unit), where), keyword
    return None, ""


def _sound(seconds: float, where: str) -> float:
    if not 0 <= seconds <= 86400:
        raise InputError(f"the exposure is {seconds:g} s, allowed is 0 to 86400 s", "check its unit", where)
    return seconds


def _hint(header: Header, *words: str, what: str) -> str:
    like = header.like(*words)
    return f'name the keyword that holds it in the setup: [frames] keywords = {{ {what} = "..." }}' + (
        f" (this header has {like})" if like else ""
    )
