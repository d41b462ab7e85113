"""The layout file: what it may say, and the exact words of what it may not."""

from __future__ import annotations

import contextlib
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from oddlog import LAYOUT

from poleward.errors import InputError, PolewardError
from poleward.guidelog.reading.facts import rate_of
from poleward.guidelog.reading.layout import read_layout
from poleward.guidelog.reading.patterns import LONGEST, pattern, searched


def layout(tmp_path: Path, text: str):
    path = tmp_path / "L.toml"
    path.write_text(text, encoding="utf-8")
    return read_layout(path)


def test_reads_every_part(tmp_path):
    read = layout(tmp_path, LAYOUT)
    assert read.text.delimiter == ";"
    assert read.marks.begin is not None
    assert read.marks.begin.search("== watch opens now")
    assert read.time.factor == 1.0
    assert (read.north.factor, read.north.pixels) == (1.0, True)
    assert (read.east.factor, read.east.pixels) == (-1.0, True)
    assert read.north_pulse.factor == -1.0  # ms, south positive
    assert read.east_pulse.factor == -1000.0  # s, west positive
    assert read.status.values == {"open"}


def test_units_are_those_of_the_column(tmp_path):
    read = layout(
        tmp_path,
        LAYOUT.replace('"sec", unit = "s"', '"sec", unit = "min"').replace(
            '"up", unit = "pix"', '"up", unit = "arcmin"'
        ),
    )
    # IAU style manual: 1 min = 60 s, 1 arcmin = 60 arcsec
    assert read.time.factor == pytest.approx(60, rel=1e-12)
    assert read.north.factor == pytest.approx(60, rel=1e-12)


def test_pixels_by_any_name(tmp_path):
    text = LAYOUT.replace('dec = "+21 deg"', 'dec = "+21 deg"\nnorth_guide_rate = "4.1 px/s"')
    read = layout(tmp_path, text.replace('"up", unit = "pix"', '"up", unit = "px"'))
    assert read.north.pixels
    assert rate_of(read.facts["north_guide_rate"], "4.1 px/s", "").kind == "pix"


ERRORS = {
    "key": ("[text]", "[texts]", "L.toml: unknown key 'texts'", "did you mean text?"),
    "inner key": (
        'decimal = "."',
        'decimals = "."',
        "L.toml [text]: unknown key 'decimals'",
        "did you mean decimal?",
    ),
    "a draft's line": (
        "image_scale = 'one",
        "WHAT = 'one",
        "L.toml [facts.found]: unknown key 'WHAT'",
        "put the fact's name (hour_angle, dec, ...) in place of WHAT",
    ),
    "column": (
        "north_pulse =",
        "nort_pulse =",
        "L.toml [columns]: unknown key 'nort_pulse'",
        "did you mean north_pulse?",
    ),
    "column's key": (
        'name = "sec", unit',
        'name = "sec", units',
        "L.toml [columns] time: unknown key 'units'",
        "did you mean unit?",
    ),
    "fact": (
        "image_scale = 'one",
        "image_scal = 'one",
        "L.toml [facts.found]: unknown key 'image_scal'",
        "did you mean image_scale?",
    ),
    "regex": (
        "'^== watch opens'",
        "'^== (watch opens'",
        "L.toml [section] begin: '^== (watch opens' is not a regular expression: "
        "missing ), unterminated subpattern at position 4",
        "",
    ),
    "no group": (
        r"'angle (\S+)'",
        r"'angle \S+'",
        r"L.toml [facts.found] hour_angle: 'angle \S+' has no group, and the first group is the value",
        r"put the value in brackets: 'HA\s+(\S+)'",
    ),
    "unit": (
        'name = "up", unit = "pix"',
        'name = "up", unit = "furlong"',
        "L.toml [columns] north: the unit 'furlong' does not fit here",
        "allowed is a unit as in -4.2 arcsec",
    ),
    "no unit": (
        'name = "sec", unit = "s"',
        'name = "sec"',
        "L.toml [columns] time: unit is missing",
        'e.g. unit = "min"',
    ),
    "wrong unit": (
        'name = "push up", unit = "ms"',
        'name = "push up", unit = "arcsec"',
        "L.toml [columns] north_pulse: the unit 'arcsec' does not fit here",
        "allowed is a unit as in 250 ms",
    ),
    "sign": (
        '"up", unit = "pix", positive = "north"',
        '"up", unit = "pix", positive = "up"',
        "L.toml [columns] north: positive is 'up', allowed is north or south",
        "which way a positive number points",
    ),
    "no sign": (
        '"up", unit = "pix", positive = "north"',
        '"up", unit = "pix"',
        "L.toml [columns] north: positive is missing, allowed is north or south",
        "which way a positive number points",
    ),
    "pointing": (
        "hour_angle = ",
        "label = ",
        "L.toml [facts]: the pointing is missing",
        "give hour_angle and dec, or ra and dec with start, or azimuth and altitude, stated here or in [facts.found]",
    ),
    "half a pointing": (
        'dec = "+21 deg"',
        "",
        "L.toml [facts]: hour_angle needs dec",
        "give hour_angle and dec, or ra and dec with start, or azimuth and altitude",
    ),
    "two pointings": (
        'dec = "+21 deg"',
        'dec = "+21 deg"\nra = "5h"',
        "L.toml [facts]: hour_angle and ra are both given",
        "give hour_angle and dec, or ra and dec with start, or azimuth and altitude, stated here or in [facts.found]",
    ),
    "out of range": (
        '"+21 deg"',
        '"+121 deg"',
        "L.toml [facts] dec: dec is 121 deg, allowed is -90 to 90 deg",
        "check its unit",
    ),
    "no scale": (
        "image_scale = ",
        "label = ",
        "L.toml [facts]: places in pixels need image_scale",
        'image_scale = "1.9 arcsec/pix"',
    ),
    "encoding": (
        '"utf-8"',
        '"utf-9"',
        "L.toml [text]: there is no encoding 'utf-9'",
        'e.g. "utf-8" or "latin-1"',
    ),
    "not toml": (
        'decimal = "."',
        'decimal = "',
        "L.toml: this layout is not TOML: Illegal character '\\n' (at line 5, column 12)",
        "text stands in quotes, a regular expression in single ones: '^t,'",
    ),
    "no north": (
        'north = { name = "up", unit = "pix", positive = "north" }',
        "",
        "L.toml [columns]: north is missing: it tells the star's place toward the north",
        "north = { name = ..., unit = ..., positive = ... }",
    ),
    "name and number": (
        'name = "sec"',
        'name = "sec", number = 1',
        "L.toml [columns] time: give either name or number",
        'name = "t" as in the header, or number = 1',
    ),
}


@pytest.mark.parametrize("case", ERRORS)
def test_says_what_is_wrong(tmp_path, monkeypatch, case):
    old, new, message, hint = ERRORS[case]
    assert old in LAYOUT
    monkeypatch.chdir(tmp_path)
    with pytest.raises(InputError) as caught:
        layout(Path(), LAYOUT.replace(old, new, 1))
    assert str(caught.value) == message
    assert caught.value.hint == hint


def test_a_missing_layout(tmp_path):
    with pytest.raises(InputError, match="there is no such file"):
        read_layout(tmp_path / "none.toml")


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.binary(max_size=200))
def test_any_bytes_are_a_layout_or_an_error_in_words(tmp_path, data):
    path = tmp_path / "any.toml"
    path.write_bytes(data)
    with pytest.raises(PolewardError):
        read_layout(path)


VALUES = st.one_of(
    st.text(max_size=8),
    st.integers(),
    st.booleans(),
    st.floats(),
    st.just({}),
    st.just([]),
    st.just({"name": "a"}),
)


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.data())
def test_any_value_anywhere_never_ends_in_a_traceback(data):
    """Every value of a sound layout in turn is replaced by something else."""
    import tomllib

    from poleward.guidelog.reading.layout import layout_from

    content = tomllib.loads(LAYOUT)
    part = content[data.draw(st.sampled_from(sorted(content)))]
    for _ in range(3):
        key = data.draw(st.sampled_from(sorted(part)))
        if isinstance(part[key], dict) and data.draw(st.booleans()):
            part = part[key]
            continue
        part[key] = data.draw(VALUES)
        break
    with contextlib.suppress(PolewardError):
        layout_from(content, "L.toml")


@pytest.mark.parametrize(
    ("value", "repeat"),
    [
        (r"^(a+)+$", "(a+)+"),
        (r"at (?:\d+:?)*x", r"(?:\d+:?)*"),
        (r"(?P<n>a|ab)+c", "(?P<n>a|ab)+"),
        (r"((x?){30})", "(x?){30}"),
        (r"(a(b*)c){2,}", "(a(b*)c){2,}"),
        (r"(\)(a*)\()*?z", r"(\)(a*)\()*?"),
    ],
)
def test_a_pattern_that_may_search_for_ever_is_refused(value: str, repeat: str) -> None:
    with pytest.raises(InputError) as told:
        pattern(value, "L.toml [section] begin")
    assert told.value.message == (
        f"'{value}' repeats a bracket that can match in several ways, {repeat}: some lines would take for ever"
    )
    assert told.value.hint == f"repeat what has one length and no '|', or never go back: '{repeat}+'"


@pytest.mark.parametrize(
    "value",
    [
        r"HA\s+(\S+)", r"(?:RA|ra) = ([\d.]+)?", r"^(\d{2}:)+", r"(?:[a(b+)c]x)*", r"(?:\d+,)++$", r"((?>a*)b)+", r"\(a+\)+",
        "(?i)^t,", "(?# (a+ )(x)+", r"(?P<a>x)(?P=a)+", r"(?<=a)b+", "[]()+|]+", "(?:ab){3}",
    ],
)  # fmt: skip
def test_other_patterns_are_taken(value: str) -> None:
    assert pattern(value, "here").pattern == value


def test_a_long_line_is_searched_so_far() -> None:
    """Three repeats in a row take the third power of a line's length: of 100,000 signs that is a week."""
    mark = pattern(r"a*a*a*(b)", "here")
    assert searched(mark, "a" * 100 + "b") is not None
    assert searched(mark, "c" * (LONGEST - 1) + "b") is not None
    assert searched(mark, "c" * LONGEST + "b") is None


@pytest.mark.parametrize("value", [r"\w*\w*\w*\w*\w*!", "(.+)(.+)(.+)(.+)#"])
def test_repeats_in_a_row_are_found_out_before_they_take_for_ever(value: str) -> None:
    """By the signs that they get through in a tenth of a second; a line of 200 signs would take the first half an hour."""
    mark = pattern(value, "here")
    assert searched(mark, "a" * 12) is None
    with pytest.raises(InputError) as told:
        searched(mark, "a" * 200_000)
    assert told.value.message == f"the layout's pattern '{value}' takes too long on a line of 200000 signs"
    assert "'*+' for '*'" in told.value.hint
