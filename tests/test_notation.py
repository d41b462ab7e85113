"""Notations people use, and what is said where two readings are possible."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from astropy import units as u
from astropy.coordinates import Angle
from conftest import run_here
from hypothesis import given
from hypothesis import strategies as st

from poleward import InputError, Site, read_drifts
from poleward.door import quantity
from poleward.door.quantity import parse

DEG = math.degrees(1)


@pytest.mark.parametrize(
    ("text", "degrees"),
    [
        ("47.1N", 47.1),
        ("33S", -33),
        ("47.1 n", 47.1),
        ("S33.5", -33.5),
        ("23:14:11 S", -(23 + 14 / 60 + 11 / 3600)),
        ("47d06m30s N", 47 + 6.5 / 60),
        ("47 deg 6.5 min", 47 + 6.5 / 60),
        ("47:06.5", 47 + 6.5 / 60),
        ("-5:23.5", -(5 + 23.5 / 60)),
        ("-0:30", -0.5),
        ("47 06 30", 47 + 6.5 / 60),
        ("47\N{DEGREE SIGN}06\N{PRIME}30\N{DOUBLE PRIME}", 47 + 6.5 / 60),
        ("\N{MINUS SIGN}33", -33),
        ("47.1 degrees", 47.1),
        ("30 arcminutes", 0.5),
    ],
)
def test_latitudes(text: str, degrees: float) -> None:
    assert Site(text).latitude_rad * DEG == pytest.approx(degrees, rel=1e-14)


def test_longitudes_and_right_ascensions() -> None:
    site = Site("1 deg", "16.36E"), Site("1 deg", "16.36 W")
    assert [one.longitude_rad * DEG for one in site] == pytest.approx([16.36, -16.36])  # type: ignore[operator]
    assert parse("2 27 S", quantity.DECLINATION) * DEG == pytest.approx(-2.45)
    assert parse("12d30m N", quantity.DECLINATION) * DEG == pytest.approx(12.5)
    assert parse("05:34.5", quantity.RIGHT_ASCENSION) * DEG == pytest.approx(15 * (5 + 34.5 / 60))
    assert parse("-20 min", quantity.HOUR_ANGLE) * DEG == pytest.approx(-5)
    assert parse("5.5 hours", quantity.HOUR_ANGLE) * DEG == pytest.approx(82.5)


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("10 minutes", 600), ("10 min 30 s", 630), ("10:00", 600), ("1:05:00", 3900), ("1h05m", 3900), ("90m", 5400),
        ("4m30s", 270), ("2 hrs", 7200), ("30 secs", 30), ("1.5 h", 5400), ("250 ms", 0.25), ("7", 7), ("1 d", 86400),
    ],
)  # fmt: skip
def test_durations(text: str, seconds: float) -> None:
    assert parse(text, quantity.DURATION) == pytest.approx(seconds, rel=1e-14)


@pytest.mark.parametrize(
    ("text", "kind", "value"),
    [
        ("1.5 inches", quantity.LENGTH, 0.0381), ("0.5 in", quantity.LENGTH, 0.0127), ("1800 ft", quantity.HEIGHT, 548.64),
        ("-3.1 px", quantity.PIXELS, -3.1), ("3 pixels", quantity.PIXELS, 3), ("0.2 arcmin/min", quantity.RATE, 12),
        ("0.5 '/min", quantity.RATE, 30), ('3 "/min', quantity.RATE, 3), ("15.04 arcsec per second", quantity.DRIVE_RATE, 15.04),
        ("12 degrees/hour", quantity.RATE, 720), ("3 metres", quantity.LENGTH, 3), ("-4 C", quantity.TEMPERATURE, -4),
        ("1.9 arcsec/px", quantity.SCALE, 1.9),
    ],
)  # fmt: skip
def test_units_in_words(text: str, kind: quantity.Kind, value: float) -> None:
    """An inch is 25.4 mm and a foot 0.3048 m by definition (1959; from memory)."""
    assert parse(text, kind) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "kind", "message", "hint"),
    [
        ("-33S", quantity.LATITUDE, "'-33S' has a sign and a side: it could be 33N or 33S", "give a sign or a side"),
        ("33s", quantity.LATITUDE, "'33s' could be 33 deg south or so many seconds of arc", "write 33S, or the unit arcsec"),
        ("8.4N", quantity.LONGITUDE, "'8.4N': N does not fit here, allowed are E and W", "write e.g. 8.4 deg"),
        ("45 m", quantity.LATITUDE, "'45 m' could be 45 arcmin or 45 metres or minutes of time",
         "write 45 arcmin if that is meant"),
        ("8h24m", quantity.LONGITUDE, "'8h24m' is in hours: it could be 126 deg, or a slip for 8d24m",
         "write 8d24m or 126 deg"),
        ("-8.4 hours", quantity.LONGITUDE, "'-8.4 hours' is in hours: it could be -126 deg, or a slip for -8.4d",
         "write -8.4d or -126 deg"),
        ("1h60m", quantity.HOUR_ANGLE, "'1h60m': minutes and seconds after a greater part go up to 59",
         "it could be 2h00m, or a slip of the finger"),
        ("1h60m", quantity.DURATION, "'1h60m': minutes and seconds after a greater part go up to 59",
         "it could be 2h00m, or a slip of the finger"),
        ("47:75:00", quantity.LATITUDE, "'47:75:00': minutes and seconds after a greater part go up to 59",
         "it could be 48:15:00, or a slip of the finger"),
        ("5:34,5", quantity.HOUR_ANGLE, "'5:34,5' cannot be read as a value such as -0h20m",
         "a decimal point, not a comma: -0h20m"),
        ("9" * 60000, quantity.ANGLE, f"'{'9' * 40}...{'9' * 12}' is not a finite number",
         "write a value such as +47d30m, or leave it empty"),
        ("9:" * 60000, quantity.ANGLE, f"'{'9:' * 20}...{'9:' * 6}' cannot be read as a value such as +47d30m",
         "write e.g. +47d30m"),
    ],
)  # fmt: skip
def test_one_line_that_shows_both_readings(text: str, kind: quantity.Kind, message: str, hint: str) -> None:
    with pytest.raises(InputError) as caught:
        parse(text, kind)
    assert (caught.value.message, caught.value.hint) == (message, hint)


@given(
    sign=st.sampled_from(["", "-", "+"]),
    parts=st.tuples(st.integers(0, 23), st.integers(0, 59), st.floats(0, 59.99)),
    form=st.sampled_from(["{}:{}:{}", "{} {} {}", "{}d{}m{}s", "{}h{}m{}s", "{}d {}m {}s"]),
)
def test_sexagesimal_is_as_astropy_reads_it(sign: str, parts: tuple[int, int, float], form: str) -> None:
    whole, minutes, seconds = parts
    text = sign + form.format(whole, minutes, f"{seconds:.6f}")
    for kind, unit in ((quantity.ANGLE, u.deg), (quantity.RIGHT_ASCENSION, u.hourangle)):
        truth = Angle(text) if "h" in form or "d" in form else Angle(text, unit=unit)
        assert parse(text, kind) == pytest.approx(truth.rad, rel=1e-13, abs=1e-15)


@pytest.mark.parametrize(
    ("text", "hours"),
    [("-12", -12.0), ("12h", 12.0), ("20", -4.0), ("345 deg", -1.0), ("24h", 0.0), ("-20m", -1 / 3)],
)
def test_hour_angles_are_counted_both_ways(text: str, hours: float) -> None:
    assert parse(text, quantity.HOUR_ANGLE) == pytest.approx(math.radians(15 * hours), abs=1e-12)


@pytest.mark.parametrize("text", ["-20", "-13h", "25", "-200 deg"])
def test_an_hour_angle_beyond_the_sky_is_refused(text: str) -> None:
    with pytest.raises(
        InputError, match=r"^an hour angle of -?[\d.]+ h is beyond 12 h: minutes\? write -?[\d.]+m$"
    ):
        parse(text, quantity.HOUR_ANGLE)


@pytest.mark.usefixtures("workdir")
def test_a_decimal_comma_between_semicolons() -> None:
    """Numbers only: a label keeps its comma."""
    head = "label;hour_angle;dec;duration;north [arcsec]\n"
    Path("t.csv").write_text(f"{head}a, b;-0,5;2,5 deg;300;-4,2\nb;-4h48m12,5s;18;360;3\n", encoding="utf-8")
    first, second = read_drifts("t.csv")
    assert (first.label, first.north_arcsec) == ("a, b", -4.2)
    assert first.pointing.hour_angle * DEG == pytest.approx(-7.5)
    assert second.pointing.hour_angle * DEG == pytest.approx(-15 * (4 + 48 / 60 + 12.5 / 3600))
    Path("t.csv").write_text(f"{head}a;-0.5;2;300;-1.204,2\n", encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_drifts("t.csv")
    assert str(caught.value) == (
        "t.csv:2, column north: '-1.204,2' has a decimal point and a decimal comma: it could be -1204.2 or -1.2042"
    )


@pytest.mark.usefixtures("workdir")
def test_they_work_on_the_command_line() -> None:
    drifts = ("hour_angle=-0h20m, dec=3:30.5, duration=10 min 30 s, north=-4.2arcsec",
              "hour_angle=-4:30, dec=-20, duration=10:00, north_rate=0.1 arcmin/min")  # fmt: skip
    ran = run_here("solve", "--latitude", "33:52.1 S", *(word for one in drifts for word in ("--drift", one)))
    assert ran.status == 0, ran.err
    assert "Site: latitude -33.87 deg" in ran.out
