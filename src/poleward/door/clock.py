"""Times at the door: text or astropy Time in, aware UTC datetimes out.

An hour's slip moves a solution of 60 arcmin by 16 arcmin, so a time whose zone is not known is an error, and so
is one that daylight saving makes ambiguous or impossible.
"""

from __future__ import annotations

import re
import zoneinfo
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from difflib import get_close_matches
from typing import Any

from poleward.door.quantity import missing
from poleward.door.rotation import rotation_table
from poleward.errors import InputError, UsageError

FIRST_YEAR, LAST_YEAR = 1900, 2100
"""Between these years the Earth's place in its orbit, and so aberration, is known to ERFA (epv00)."""


class LocalZone(tzinfo):
    """The zone of this machine, each date with its own offset: what daylight saving makes of it, not today's."""

    def utcoffset(self, moment: datetime | None) -> timedelta | None:
        """Return the offset at a local time, by the system's rules."""
        return None if moment is None else moment.replace(tzinfo=None).astimezone().utcoffset()

    def dst(self, moment: datetime | None) -> None:
        """Say nothing: the system's rules tell the whole offset."""

    def tzname(self, moment: datetime | None) -> str:
        """Return what to call it."""
        return str(self)

    def fromutc(self, moment: datetime) -> datetime:
        """Return the local time of a moment given in UTC."""
        there = moment.replace(tzinfo=UTC).astimezone()
        local = there.replace(tzinfo=self, fold=0)
        return local if local.utcoffset() == there.utcoffset() else local.replace(fold=1)

    def __str__(self) -> str:
        """Return its name for messages."""
        return "local time"


CLOCK_ALONE = re.compile(r"[0-2]?[0-9]:[0-5][0-9](:[0-5][0-9])?( ?[A-Za-z]{1,5}|[+-][0-9:]+)?")
DAY_FIRST = re.compile(
    r"([0-3]?[0-9])\.([01]?[0-9])\.([0-9]{4})[ T]?([0-2][0-9]:[0-5][0-9](?::[0-5][0-9])?)?"
)
"""A clock's time without its date, and a date written day first: no moments yet, but what they mean is plain."""
EXAMPLE = "2026-11-25T21:14:00+01:00"
"""For hints: one that tells local time with its offset, for a Z behind local time would be an hour's slip."""
SECOND = timedelta(seconds=1)
TO_TAI: dict[str, tuple[str, ...]] = {
    "utc": (),
    "ut1": (),
    "tai": (),
    "tt": ("tttai",),
    "tdb": ("tttai",),
    "tcg": ("tcgtt", "tttai"),
    "tcb": ("tcbtdb", "tttai"),
}
"""Time scales of astropy, and ERFA's steps from them to TAI."""


def zone_of(name: str, where: str = "timezone") -> tzinfo:
    """Return the zone named ``UTC``, ``local``, an IANA name or an offset such as ``+01:00``.

    Raises
    ------
    UsageError, InputError
        No such zone: on the command line, or elsewhere.
    """
    if name.upper() in ("UTC", "Z"):
        return UTC
    if name == "local":
        return LocalZone()
    if name[:1] in "+-":
        try:
            offset = datetime.fromisoformat(f"2000-01-01T00:00{name}").utcoffset()
        except ValueError:
            offset = None
        if offset is not None:
            return timezone(offset)
    try:
        return zoneinfo.ZoneInfo(name)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
        known = zoneinfo.available_timezones()
        # Places only, for places only: an abbreviation that looks alike (EST for CEST) would be hours off.
        ends = {
            zone.rsplit("/", 1)[-1].lower(): zone
            for zone in sorted(known)
            if "/" in zone and zone[:4] != "Etc/"
        }
        short = re.fullmatch("[A-Z]{2,5}([+-].*)?", name)
        close = [] if short else get_close_matches(name.lower(), ends, n=1, cutoff=0.75)
        hint = f"did you mean {ends[close[0]]}?" if close else _abbreviated(name, known)
        message = f"there is no time zone '{name}'"
        if where == "--tz":
            raise UsageError(f"{where}: {message}", hint) from None
        raise InputError(message, hint, where) from None


def _abbreviated(name: str, known: set[str]) -> str:
    """Say of an abbreviation such as CEST which zone uses it, in summer or winter; several may."""
    users: list[tuple[str, str]] = []
    for zone in sorted(known):
        for day in (datetime(2026, 1, 1), datetime(2026, 7, 1)):
            there = day.replace(tzinfo=zoneinfo.ZoneInfo(zone))
            if "/" in zone and zone[:4] != "Etc/" and there.tzname() == name.upper():
                users.append((zone, there.isoformat()[-6:]))
    if not users:
        return "e.g. UTC, local, Europe/Zurich or +01:00"
    regions = [zone.split("/")[0] for zone, _ in users]
    zone, offset = users[regions.index(max(dict.fromkeys(regions), key=regions.count))]
    return f"name a place that keeps it, such as {zone}, or the offset, such as {offset}"


def parse_time(value: Any, where: str, zone: tzinfo | None = None) -> datetime:
    """Read one moment, ISO 8601, a datetime or an astropy Time, as an aware datetime in UTC.

    `zone` is that of times that carry no offset.

    Raises
    ------
    InputError
        Not a time, no zone, a local time that happens twice or never, or a year out of range.
    """
    moment = _moment(value, where, zone)
    if not FIRST_YEAR <= moment.year < LAST_YEAR:
        raise InputError(
            f"'{value}' is out of range, allowed are the years {FIRST_YEAR} to {LAST_YEAR}",
            "check the year",
            where,
        )
    return moment


def _moment(value: Any, where: str, zone: tzinfo | None) -> datetime:
    if missing(value):
        raise InputError("the time is masked or empty", f"write e.g. {EXAMPLE}", where)
    if hasattr(value, "to_datetime"):
        return _of_astropy(value, where)
    if isinstance(value, datetime):
        moment = value
    else:
        text = str(value).strip()
        try:
            moment = datetime.fromisoformat(text)
        except ValueError:
            hint = f"write e.g. {EXAMPLE}"
            if CLOCK_ALONE.fullmatch(text):
                hint = f"add the date: {hint}"
            elif dated := DAY_FIRST.fullmatch(text):
                day, month, year, rest = dated.groups()
                hint = f"write {year}-{int(month):02}-{int(day):02}T{rest or '21:30'}"
            raise InputError(f"'{text}' is not a time, allowed is ISO 8601", hint, where) from None
        if "T" not in text and ":" not in text:
            raise InputError(f"'{text}' has no time of day", f"write e.g. {EXAMPLE}", where)
    if moment.tzinfo is not None:
        edge = not datetime.min.year < moment.year < datetime.max.year
        return moment.replace(tzinfo=UTC) if edge else moment.astimezone(UTC)
    if zone is None:
        raise InputError(
            f"'{value}' has neither an offset nor a known zone",
            f"write {moment:%Y-%m-%dT%H:%M:%S}+01:00 with your clock's offset ({moment:%Y-%m-%dT%H:%M:%S}Z if it is "
            "UTC), or name the zone: --tz Europe/Zurich, or timezone in [site] of the setup",
            where,
        )
    if not datetime.min.year < moment.year < datetime.max.year:
        return moment.replace(tzinfo=UTC)  # refused by its year; a zone would overflow
    early, late = (moment.replace(tzinfo=zone, fold=fold).astimezone(UTC) for fold in (0, 1))
    if early.astimezone(zone).replace(tzinfo=None) != moment:
        hint = "give the time with its offset"
        raise InputError(f"'{value}' does not exist in {zone}: the clock jumps over it", hint, where)
    if early != late:
        hint = f"give the offset: {early:%Y-%m-%dT%H:%M:%S}Z or {late:%Y-%m-%dT%H:%M:%S}Z"
        raise InputError(f"'{value}' happens twice in {zone}: the clock is set back", hint, where)
    return early


def _of_astropy(value: Any, where: str) -> datetime:
    """UTC of an astropy Time of any scale, by ERFA: astropy's own way to UTC looks into its tables and the network.

    TDB is taken for TT (2 ms at most, 0.03 arcsec of hour angle). A moment inside a leap second, which datetime
    cannot hold, becomes the nearest that it can: half a second, 8 arcsec of hour angle.
    """
    import erfa

    if value.shape:
        raise InputError(f"{value.size} times are given, one is needed", "", where)
    if value.scale not in TO_TAI:
        raise InputError(
            f"a Time of scale '{value.scale}' cannot be read, allowed are {', '.join(TO_TAI)}", "", where
        )
    jd = value.jd1, value.jd2
    if value.scale == "ut1":
        ut1_utc, _, _ = rotation_table().at(jd[0] - 2400000.5 + jd[1])
        *jd, _ = erfa.ufunc.ut1utc(*jd, ut1_utc)
    elif value.scale != "utc":
        for step in TO_TAI[value.scale]:
            *jd, _ = getattr(erfa.ufunc, step)(*jd)
        *jd, _ = erfa.ufunc.taiutc(*jd)
    year, month, day, clock, _ = erfa.ufunc.d2dtf(b"UTC", 6, *jd)
    hour, minute, second, micro = clock.item()
    try:
        moment = datetime(int(year), int(month), int(day), hour, minute, min(second, 59), micro, UTC)
    except ValueError:
        raise InputError(f"'{value}' is out of range", "check the year", where) from None
    if second < 60:
        return moment
    return moment.replace(microsecond=999999) if micro < 500000 else moment.replace(microsecond=0) + SECOND


def iso(moment: datetime) -> str:
    """UTC as ISO 8601 with a ``Z``, to the microsecond where there are any."""
    moment = moment.astimezone(UTC)
    spec = "milliseconds" if moment.microsecond % 1000 == 0 and moment.microsecond else "auto"
    return moment.isoformat(timespec=spec).replace("+00:00", "Z")


def later(moment: datetime, seconds: float) -> datetime:
    """Return the moment some seconds later."""
    return moment + timedelta(seconds=seconds)
