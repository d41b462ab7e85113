"""A drafted layout: TOML whatever the log, and, once completed, a layout that reads it."""

from __future__ import annotations

import math
import re
import tomllib
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from conftest import run_here
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from oddlog import SCALE, Night, log_of

from poleward.errors import InputError, PolewardError
from poleward.guidelog.reading.draft import draft_layout, quoted
from poleward.guidelog.reading.reader import read_log

LAST_BIT = 1e-9  # arcsec: floating point only


@pytest.fixture
def draft(tmp_path):
    def drafting(log, encoding="utf-8"):
        text = log if isinstance(log, str) else "".join(f"{line}\n" for line in log)
        (tmp_path / "night.log").write_bytes(text.encode(encoding))
        return draft_layout(tmp_path / "night.log")

    return drafting


def complete(text, *choices):
    """Do what a user does: take the # from some lines, with a word changed in some of them."""
    for start, *change in choices:
        line = next(line for line in text.splitlines() if line.startswith(f"# {start}"))
        new = line.removeprefix("# ")
        for old, with_what in change:
            assert old in new
            new = new.replace(old, with_what)
        text = text.replace(line, new, 1)
    return text


CHOICES = (
    ('dec = "+21'),
    ("WHAT = '^\\s*the\\s+angle", ("WHAT", "hour_angle")),
    ("WHAT = '\\bwatch\\s+opens", ("WHAT", "start")),
    ("WHAT = '\\bpixel\\s+is", ("WHAT", "image_scale")),
    ("north = { name = 'up'",),
    ("east = { name = 'right'", ('positive = "east"', 'positive = "west"')),
    ("north_pulse = { name = 'push up'", ('positive = "north"', 'positive = "south"')),
    ("status = { name = 'eye'",),
    ("shift = { name = 'remark'",),
)
CHOICES = tuple((choice,) if isinstance(choice, str) else choice for choice in CHOICES)


@pytest.mark.parametrize("sections", [1, 2, 3])
def test_a_completed_draft_reads_the_log(draft, tmp_path, sections):
    nights = [Night(number=k + 1, rows=60) for k in range(sections)]
    lines = log_of(*nights)
    lines[40] = nights[0].row(35, eye="shut", remark="placed anew")
    text = complete(draft(lines), *CHOICES)
    (tmp_path / "L.toml").write_text(text, encoding="utf-8")
    log = read_log(tmp_path / "night.log", tmp_path / "L.toml")
    assert (log.refused, log.notes) == ((), ())
    assert len(log) == sections
    for section, night in zip(log, nights, strict=True):
        good = section.good
        assert section.notes == ()
        assert section.seconds == pytest.approx(night.seconds, abs=LAST_BIT)
        assert section.north_arcsec[good] == pytest.approx(night.north[good], abs=LAST_BIT)
        assert section.east_arcsec[good] == pytest.approx(night.east[good], abs=LAST_BIT)
        assert section.north_pulse_ms == pytest.approx(night.north_pulse, abs=LAST_BIT)
    assert np.flatnonzero(~log[0].good).tolist() == [35]
    assert np.flatnonzero(log[0].moved).tolist() == [35]


def test_a_header_repeated_among_the_rows_opens_nothing(draft):
    """Some logs name the columns again every so many rows, for the eye."""
    lines = []
    for night in (Night(number=1, rows=60), Night(number=2, rows=60)):
        mine = night.lines()
        first = mine.index(night.row(0))
        lines += [*mine[: first + 30], mine[first - 1], *mine[first + 30 :]]
    assert "2 sections, 120 rows" in draft(["Kept on the roof", *lines])


def test_a_drafted_pattern_finds_numbers_of_its_own_line_only(draft):
    text = draft(["hour angle: -1.5 h", *log_of(Night())])
    assert r"# WHAT = '^\s*hour\s+angle:\s+([+-]?\d[^\s,;]*)'" in text


def test_an_uncompleted_draft_says_what_is_missing(draft, tmp_path):
    (tmp_path / "L.toml").write_text(draft(log_of(Night())), encoding="utf-8")
    with pytest.raises(InputError, match="north is missing: it tells the star's place toward the north"):
        read_log(tmp_path / "night.log", tmp_path / "L.toml")


def test_the_whole_text(draft, monkeypatch, tmp_path):
    night = Night(rows=3)
    lines = ["sec;up;eye", *(";".join(np.array(night.row(k).split(";"))[[0, 1, 5]]) for k in range(3))]
    (tmp_path / "night.log").write_text("\n".join(lines) + "\n", encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    assert draft_layout("night.log").splitlines()[4:16] == [
        "[text]",
        'encoding = "utf-8"',
        "delimiter = ';'",
        'decimal = "."',
        'comment = "#"',
        "",
        "[section]",
        "# begin = '^...'                 # no line was seen that opens every section; the header does",
        "header = '^sec;up;eye$'",
        "# end = '^...'                   # the line after a section's last row",
        "",
        "[facts]",
    ]


FORMS = {
    "comma": (",", ".", "utf-8"),
    "semicolon, decimal comma": (";", ",", "utf-8"),
    "tab, decimal comma": ("\t", ",", "latin-1"),
    "space": (" ", ".", "utf-8"),
    "bar": ("|", ".", "utf-16"),
}


@pytest.mark.parametrize("form", FORMS)
def test_sees_delimiter_decimal_mark_and_encoding(draft, form):
    delimiter, decimal, encoding = FORMS[form]
    night = Night()
    head = "# die Schrauben \xfcberpr\xfcft" if encoding == "latin-1" else "# good sky"
    lines = [head, delimiter.join(("t", "dy", "dx", "n"))]
    for k in range(night.rows):
        cells = f"{night.seconds[k]:.1f} {night.north[k]:.3f} {night.east[k]:.3f} {night.north_pulse[k]:.0f}"
        lines.append(delimiter.join(cell.replace(".", decimal) for cell in cells.split()))
    read = tomllib.loads(draft(lines, encoding))
    named = {"\t": "tab", " ": "space"}.get(delimiter, delimiter)
    assert read["text"]["delimiter"] == named
    assert read["text"]["decimal"] == decimal
    assert read["text"]["encoding"] == encoding
    assert read["columns"]["time"] == {"name": "t", "unit": "s"}
    assert re.search(read["section"]["header"], lines[1])


def test_sees_stamps_before_a_row_counter(draft):
    night = Night()
    lines = ["n,when,dy"]
    lines += [
        f"{k},2026-11-25T20:{k // 30:02d}:{2 * (k % 30):02d}Z,{night.north[k]:.2f}" for k in range(night.rows)
    ]
    text = draft(lines)
    assert tomllib.loads(text)["columns"]["time"] == {"name": "when", "unit": "iso"}
    assert "#   1 n: counts up by one, from 0 to 119" in text


@pytest.mark.parametrize("clock", [True, False])
def test_a_row_counter_is_never_taken_for_seconds(draft, clock):
    """As if it were, a row every 3 s gave three times the drift, and nothing betrayed it."""
    night = Night()
    rows = [f"20.{k // 30:02d}.{2 * (k % 30):02d},{night.north[k]:.2f}" for k in range(night.rows)]
    lines = ["n,when,dy"] if clock else ["n,dy"]
    lines += [f"{k},{row if clock else row.split(',')[1]}" for k, row in enumerate(rows)]
    text = draft(lines)
    time = tomllib.loads(text)["columns"].get("time")
    assert time == ({"name": "when", "format": "%H.%M.%S"} if clock else None)
    assert (
        clock
        or "# time = { name = 'n', unit = \"s\" }     # it counts up by one: seconds, or only rows?" in text
    )


def test_a_log_without_a_header(draft, tmp_path):
    night = Night()
    text = draft([f"{night.seconds[k]} {night.north[k] / SCALE:.3f}" for k in range(night.rows)])
    text = complete(text, ("hour_angle",), ("dec",), ("image_scale",), ("north = { number = 2",))
    (tmp_path / "L.toml").write_text(text, encoding="utf-8")
    section = read_log(tmp_path / "night.log", tmp_path / "L.toml")[0]
    assert section.north_arcsec == pytest.approx(night.north, abs=LAST_BIT)


OBSERVED = """\
night book, volume two
target Vega RA 18h36m56s Dec +38d47m at 20.10.2026 20:14:03
Star: Alpha Lyrae 18.6156 38.7836
t,x,y,temp,alt,far,pulse
"""


def observed(draw, target="Vega", star="Alpha Lyrae"):
    lines = OBSERVED.replace("Vega", target).replace("Alpha Lyrae", star).splitlines()
    for k in range(200):
        lines.append(
            f"{2 * k + 2.1:.1f},{draw.normal(512, 1):.2f},{draw.normal(380, 1):.2f},{12.5 - 0.1 * (k // 30):.1f},"
            f"{50 - 0.01 * k:.2f},{draw.normal(1e6, 9e4):.0f},{draw.normal(0, 100) * (k % 2):.0f}"
        )
    return lines


@pytest.mark.parametrize("sections", [1, 2])
def test_no_pattern_holds_the_name_of_what_was_looked_at(draft, sections):
    """A name will be another one next time; what finds the values for one star finds them for all."""
    draw = np.random.default_rng(1)
    text = draft(observed(draw) + (observed(draw, "Deneb", "Alpha Cygni")[1:] if sections == 2 else []))
    patterns = [line for line in text.splitlines() if "WHAT = " in line or " = '^" in line]
    assert not [line for line in patterns if any(name in line for name in ("Vega", "Alpha", "Lyrae"))]
    found = [re.search(r"WHAT = '(.*)'", line) for line in patterns]
    line = "target NGC RA 20h59m Dec +44d31m at 21.10.2026 01:02:03", "Star: Deneb 20.7 45.28"
    values = {m[1]: re.search(m[1], text) for m in found if m for text in line if re.search(m[1], text)}
    assert sorted(v[1] for v in values.values()) == [
        "+44d31m",
        "20.7",
        "20h59m",
        "21.10.2026 01:02:03",
        "45.28",
    ]
    if sections == 2:
        assert tomllib.loads(text)["section"]["begin"] == "^target"


def test_each_number_has_a_pattern_from_the_word_before_it(draft):
    """Capital letters or not, and what it finds stands beside it."""
    text = draft(
        [
            "Roof Session 12",
            "Focal Length = 400 mm, Pixel Scale = 1.90 arcsec/px, Binning 2",
            "RA = 18.62 h, Dec = 38.8 deg, Hour Angle = -1.42 h, Pier Side = East, Rotator Pos 12.5",
            *log_of(Night()),
        ]
    )
    words = ("Session", "Length", "Scale", "Binning", "RA", "Dec", "Angle", "Pos")
    found = [
        re.search(rf"# WHAT = '.*{word}\\s\+.*'     # (.*)", line)
        for word in words
        for line in text.splitlines()
        if f"{word}\\s+" in line
    ]
    assert [one and one[1] for one in found] == ["12", "400", "1.90", "2", "18.62", "38.8", "-1.42", "12.5"]


def test_no_column_that_cannot_be_a_place(draft):
    """Temperature and altitude go one way, brightness is too large; the two that go to and fro are offered."""
    text = draft(observed(np.random.default_rng(2)))
    offered = re.findall(r"# (?:north|east) = \{ name = '(\w+)'", text)
    assert offered == ["x", "y", "x", "y"]
    assert "#   4 temp: numbers from 11.9 to 12.5; not a star's place" in text


def test_what_was_looked_at_is_no_state_of_the_star(draft):
    """A name and coordinates that hold for a stretch of rows are facts; a word that comes and goes is a state."""
    night = Night(rows=90)
    names, decs = ("Vega", "Deneb", "Altair"), ("+38.8", "+45.3", "+8.9")
    lines = ["t;dy;object;dec;seen"]
    lines += [
        f"{night.seconds[k]:.1f};{night.north[k]:.2f};{names[k // 30]};{decs[k // 30]};{'no' if k % 11 == 5 else 'yes'}"
        for k in range(90)
    ]
    text = draft(lines)
    assert "# label = { name = 'object' }     # Vega, Deneb, Altair\n" in text
    assert "# WHAT = { name = 'dec' }     # +38.8, +45.3, +8.9\n" in text
    offered = set(re.findall(r"# (?:status|shift|\w+_pulse) = .*name = '(object|dec|seen)'", text))
    assert offered == {"seen"}


def test_an_introducing_line_is_no_end(draft):
    """It stands after every section but the last, and before the first."""
    draw = np.random.default_rng(1)
    lines = [line for _ in range(3) for line in observed(draw)[1:] if not line.startswith("Star")]
    section = tomllib.loads(draft(lines))["section"]
    assert section["begin"] == "^target"
    assert "end" not in section


@pytest.mark.parametrize(
    "line", ["1 2;3 " * 40_000, '"' * 100_001, "9" * 200_000 + ";1", " " * 200_000, ";" * 200_000]
)
@pytest.mark.parametrize("place", [0, 5, 60])
def test_a_line_without_end_is_no_part_of_the_structure(draft, line, place):
    lines = log_of(Night())
    expected = tomllib.loads(draft(lines))
    lines.insert(place, line)
    text = draft(lines)
    assert len(text) < 6000
    assert tomllib.loads(text)["columns"] == expected["columns"]


def test_no_rows(draft):
    with pytest.raises(InputError) as caught:
        draft("only words\nand more\n")
    assert str(caught.value).endswith("night.log: no rows of numbers were found")
    assert caught.value.hint == "a guide log has a line that names its columns, and under it rows of numbers"


@given(st.text(max_size=20))
def test_any_text_is_quoted_as_toml(text):
    assert tomllib.loads(f"a = {quoted(text)}")["a"] == text


FAST = settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
SIGNS = st.text(alphabet="ab\u00e9'\"\\#0123456789.,;: \t\n-+|\u2028\x7f", max_size=40)


@FAST
@given(
    st.one_of(
        st.binary(max_size=200),
        st.lists(SIGNS, max_size=12).map(lambda x: ("\n".join(x) + "\n1;2.5\n2;3.5\n").encode()),
    )
)
def test_any_log_gives_toml_or_an_error_in_words(tmp_path_factory, data):
    path = tmp_path_factory.getbasetemp() / "any.log"
    path.write_bytes(data)
    try:
        text = draft_layout(path)
    except PolewardError:
        return
    tomllib.loads(text)


PAGE = (Path(__file__).parent.parent / "docs" / "log-layout.md").read_text(encoding="utf-8")


def test_the_docs_page_holds_what_the_tool_writes(tmp_path, monkeypatch):
    """The page's log gives the page's draft, and the page's finished layout reads it."""
    log, drafted, finished = (
        block[1] for block in list(re.finditer(r"```(?:text|toml)\n(.*?)```", PAGE, re.DOTALL))[:3]
    )
    monkeypatch.chdir(tmp_path)
    Path("roof.log").write_text(log, encoding="utf-8")
    Path("roof.toml").write_text(finished, encoding="utf-8")
    assert draft_layout("roof.log") == drafted
    book = read_log("roof.log", "roof.toml")
    assert (book.refused, book.notes) == ((), ())
    first, second = book
    assert first.notes == second.notes == ()
    # By hand from the page's text: 2.15 arcsec per pixel, north = upward, east = -across, shoves move the star.
    assert first.north_arcsec[:3] == pytest.approx([-0.2365, 0.4515, 0.172], abs=LAST_BIT)
    assert first.east_arcsec[:3] == pytest.approx([-0.086, -0.258, -0.7525], abs=LAST_BIT)
    assert first.north_pulse_ms.tolist() == [0, 180, 0, 0, 0, 0, 150]
    assert first.east_pulse_ms.tolist() == [0, 0, -120, 0, 0, 0, 0]
    assert first.good.tolist() == [True, True, True, False, True, True, True]
    assert first.moved.tolist() == [False, False, False, False, False, True, False]
    assert second.east_pulse_ms.tolist() == [0, 0, 110]
    assert first.start == datetime(2026, 2, 14, 19, 2, 10, tzinfo=UTC)
    assert math.degrees(second.pointing.hour_angle) == pytest.approx(-11.5)  # 46 minutes of time are 11.5 deg
    assert math.degrees(first.pointing.dec) == pytest.approx(12.5)
    assert first.north_guide_rate_arcsec_per_s == pytest.approx(7.5205335)


def test_the_command(workdir):
    Path("night.log").write_text("".join(f"{line}\n" for line in log_of(Night())), encoding="utf-8")
    ran = run_here("layout", "night.log")
    assert (ran.status, ran.out, ran.err) == (0, draft_layout("night.log"), "")
    ran = run_here("layout", "night.log", "--output", "night.toml")
    assert (ran.status, ran.out) == (0, "")
    assert ran.err == (
        "poleward: drafted night.toml; complete the lines that begin with #, then:\n"
        "  poleward layout night.log --proof night.toml\n"
    )
    assert Path("night.toml").read_text(encoding="utf-8") == draft_layout("night.log")
    ran = run_here("layout", "night.log", "--output", "night.toml")
    assert (ran.status, ran.out) == (2, "")
    assert "this file exists already" in ran.err
    ran = run_here("layout", "none.log")
    assert (ran.status, ran.err) == (3, "poleward: none.log: there is no such file\n")
