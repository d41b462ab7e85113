"""Sections that are what they say: each section its own pointing, its own rows and its own time, or a reason why not."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from oddlog import LAYOUT, Night, log_of

from poleward.guidelog.reading import reader
from poleward.guidelog.reading.reader import LogFile, read_log

LAST_BIT = 1e-9  # arcsec, ms, s: floating point only
NIGHTS = Night(number=1), Night(number=2), Night(number=3)
BLOCK = 126  # lines of one section; its begin, angle, scale and header stand first
NO_BEGIN = LAYOUT.replace("begin = '^== watch opens'\n", "")
NO_MARKS = NO_BEGIN.replace("end = '^== watch closes'\n", "")
ISO = '"sec", unit = "iso"'


@pytest.fixture
def read(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)

    def reading(lines, layout=LAYOUT) -> LogFile:
        Path("night.log").write_text("".join(f"{line}\n" for line in lines), encoding="utf-8")
        Path("L.toml").write_text(layout, encoding="utf-8")
        return read_log("night.log", "L.toml")

    return reading


def minutes(log):
    """Hour angle of each section, in minutes of time."""
    return [round(math.degrees(section.pointing.hour_angle) * 4, 6) for section in log]


def reasons(log):
    return [note.text for note in log.refused]


def at(number, line):
    """Index of a section's line in log_of(*NIGHTS): 0 its begin, 1 its angle, 3 its header, 4 its first row."""
    return 1 + (number - 1) * BLOCK + line - (number - 1)


def test_the_lines_are_where_this_file_says():
    lines = log_of(*NIGHTS)
    assert lines[at(2, 0)].startswith("== watch opens")
    assert lines[at(3, 3)].startswith("sec;")


# (a) which section a line between two belongs to ----------------------------------------------------------------------


@pytest.mark.parametrize("layout", [NO_BEGIN, NO_MARKS, NO_BEGIN.replace("closes", "opens")])
def test_lines_before_a_section_are_its_own(read, layout):
    """Without begin the header opens a section: what stands above it is not the section's before."""
    log = read(log_of(*NIGHTS), layout)
    assert minutes(log) == [-19, -18, -17]
    assert [section.start.hour for section in log] == [21, 22, 23]
    assert log.refused == ()


def after_the_rows(nights):
    """A log that tells the angle when a section is over."""
    lines = ["Kept on the roof"]
    for night in nights:
        begin, angle, scale, *rest = night.lines()
        lines += [begin, scale, *rest, angle]
    return lines


@pytest.mark.parametrize("layout", [LAYOUT, NO_MARKS])
def test_lines_after_a_section_are_its_own_where_the_log_tells_it_so(read, layout):
    assert minutes(read(after_the_rows(NIGHTS), layout)) == [-19, -18, -17]


def test_lines_that_may_belong_to_either(read):
    """Neither before the first section nor after the last one: nobody can tell."""
    lines = log_of(*NIGHTS)
    del lines[at(1, 1)]
    log = read(lines, NO_BEGIN)
    assert len(log) == 0
    assert reasons(log)[1] == (
        "night.log:129: hour_angle was not found for this section, only between sections, where it may belong to "
        "either (say in [section] how a line begins that opens a section: begin = '^...')"
    )
    assert minutes(read(lines)) == [-18, -17]  # with begin it is certain


# (b) lost lines -------------------------------------------------------------------------------------------------------


def test_a_lost_begin_line_where_the_end_is_told(read):
    """The header after an end line opens a section; what stands between them is its own."""
    lines = log_of(*NIGHTS)
    del lines[at(2, 0)]
    log = read(lines)
    assert minutes(log) == [-19, -18, -17]
    assert log[1].north_arcsec == pytest.approx(NIGHTS[1].north, abs=LAST_BIT)
    assert [note.text for note in log[1].notes] == [
        "night.log:129: a section begins here though no line opens it: the line that names the columns stands there"
    ]
    del lines[at(2, 0)]  # its angle
    log = read(lines)
    assert minutes(log) == [-19, -17]
    assert reasons(log) == [
        "night.log:128: hour_angle was not found for this section (no free line matches 'angle (\\S+)'); no line opens "
        "this section, but the line that names the columns stands there: its first line may be lost"
    ]


@pytest.mark.parametrize("lost", [[0], [0, 1], [0, 1, 2]])
@pytest.mark.parametrize("moments", [False, True])
def test_a_lost_begin_line_where_no_end_is_told(read, lost, moments):
    """The header stands again and the times do not go on: another section, with its own angle or none."""
    lines = log_of(*NIGHTS)
    layout = LAYOUT.replace("end = '^== watch closes'\n", "")
    if moments:
        lines, layout = stamped(lines), layout.replace('"sec", unit = "s"', ISO)
    for line in reversed(lost):
        del lines[at(2, line)]
    log = read([line for line in lines if "closes" not in line], layout)
    assert minutes(log) == ([-19, -17] if 1 in lost else [-19, -18, -17])
    assert log[0].north_arcsec == pytest.approx(NIGHTS[0].north, abs=LAST_BIT)
    if 1 in lost:
        assert (
            "the line that names the columns stands above it once more: its first line may" in reasons(log)[0]
        )


def test_a_lost_header_and_begin_line(read):
    """The angle stands twice, and the times begin again."""
    lines = log_of(*NIGHTS)
    layout = LAYOUT.replace("end = '^== watch closes'\n", "ignore = 'watch|pixel|angle'\n")
    del lines[at(2, 3)]
    del lines[at(2, 0)]
    log = read(lines, layout)
    assert minutes(log) == [-19, -18, -17]
    assert log[1].north_arcsec == pytest.approx(NIGHTS[1].north, abs=LAST_BIT)
    assert [note.code for note in log[1].notes] == ["section-anew"]


@pytest.mark.parametrize("moments", [False, True])
def test_a_lost_header_where_the_header_opens_a_section(read, moments):
    """Then the rows of two sections stand under one header, with the second one's lines between them."""
    lines, layout = log_of(*NIGHTS), NO_BEGIN
    if moments:
        lines, layout = stamped(lines), layout.replace('"sec", unit = "s"', ISO)
    del lines[at(2, 3)]
    log = read([line for line in lines if "closes" not in line], layout)
    assert minutes(log) == [-19, -18, -17]
    assert [section.start.hour for section in log] == [21, 22, 23]
    for section, night in zip(log, NIGHTS, strict=True):
        assert section.north_arcsec == pytest.approx(night.north, abs=LAST_BIT)
        assert section.seconds == pytest.approx(night.seconds, abs=LAST_BIT)


def test_an_angle_twice_in_one_section(read):
    lines = log_of(*NIGHTS)
    lines.insert(at(1, 50), "# the angle -00:01:00, it seems")
    log = read(lines)
    assert minutes(log) == [-18, -17]
    assert reasons(log) == [
        "night.log:2: hour_angle stands twice in this section with two values, at lines 3 and 52: a line that opens a "
        "section may be lost (or its pattern matches too much: it must match once in each section)"
    ]


@pytest.mark.parametrize("layout", [LAYOUT, NO_BEGIN])
def test_a_pattern_that_matches_another_line_too(read, layout):
    """Nobody can tell which of two scales is the camera's: above the header, and from begin on."""
    lines = log_of(NIGHTS[0])
    lines.insert(at(1, 3), "   search box 15 pixel, one pixel is 2.5 of the finder")
    assert reasons(read(lines, layout)) == [
        f"night.log:{4 if layout is LAYOUT else 5}: image_scale stands twice in this section with two values, '1.9' at "
        "line 4 and '2.5' at line 5 (its pattern matches too much: it must match once in each section)"
    ]


def test_times_that_begin_again(read):
    """All lines between two sections are lost."""
    lines = log_of(*NIGHTS)
    del lines[at(1, BLOCK - 2) : at(2, 4)]
    log = read(lines)
    assert minutes(log) == [-19, -17]
    assert "the times begin again there: its first line may be lost" in reasons(log)[0]
    assert len(log[0].seconds) == NIGHTS[0].rows


def test_rows_that_stand_in_no_section(read):
    """A log that was cut, and goes on in this file; rows after an end line."""
    lines = log_of(*NIGHTS)
    log = read(
        [*lines[at(1, 4) + 60 : at(2, 0) - 1], *lines[at(2, 0) - 1 :], *lines[at(3, 4) : at(3, 4) + 5]]
    )
    assert minutes(log) == [-18, -17]
    assert [note.text for note in log.notes] == [
        "night.log:1: 65 lines that look like rows stand in no section, the first here: not used"
    ]
    assert not read(lines).notes


@pytest.mark.parametrize("garbled", [True, False])
def test_times_that_go_back_behind_a_hole(read, garbled):
    """A block of the disk took the end of one section and the beginning of the next, whose later rows are not the first's."""
    lines = log_of(*NIGHTS)
    lines[at(1, 4) + 100 : at(2, 4) + 40] = ["\0" * 4096] if garbled else []
    log = read(lines)
    if garbled:
        assert minutes(log) == [-19, -17]
        assert (
            "the times go back behind lines that cannot be read: its first line may be lost"
            in reasons(log)[0]
        )
        assert len(log[0].seconds) == 100
    else:  # or a clock was set back: nobody can tell, so it is told above the answer
        assert [note.code for note in log[0].notes] == ["clock-set-back"]
        assert "are wrong if a line that opens a section is lost there" in log[0].notes[0].text


# (c) rows against their start -----------------------------------------------------------------------------------------

DATED = LAYOUT.replace('"sec", unit = "s"', ISO)


def stamped(lines, off=timedelta(0), number=None):
    """Rows with moments in place of seconds, those of one section, or all, off by something."""
    made, start, section = [], datetime(2026, 11, 25, tzinfo=UTC), 0
    for line in lines:
        if "opens" in line:
            section += 1
            start = datetime.fromisoformat(line.split("opens ")[1])
        if line[0].isdigit():
            seconds, rest = line.split(";", 1)
            moment = (
                start
                + timedelta(seconds=float(seconds))
                + (off if number in (None, section) else timedelta(0))
            )
            line = f"{moment.isoformat()};{rest}"
        made.append(line)
    return made


@pytest.mark.parametrize(
    ("off", "said"),
    [
        (timedelta(hours=-1), "the first row stands 0:59:58 before the section's start"),
        (timedelta(hours=4), "the first row stands 4:00:02 after the section's start, allowed is up to 1 h"),
        (timedelta(days=365), "the first row stands 365 days, 0:00:02 after the section's start"),
        (timedelta(days=-365), "the first row stands 364 days, 23:59:58 before the section's start"),
    ],
)
def test_rows_of_another_hour_than_their_start(read, off, said):
    log = read(stamped(log_of(*NIGHTS), off, 2), DATED)
    assert minutes(log) == [-19, -17]
    assert said in reasons(log)[0]
    assert "check start" in reasons(log)[0]


def test_rows_that_begin_late(read):
    log = read(stamped(log_of(*NIGHTS), timedelta(minutes=20), 2), DATED)
    assert [note.text for note in log[1].notes] == [
        "night.log:127: the first row stands 0:20:02 after the section's start; if that is not so, the result is wrong"
    ]


def scaled(lines, change):
    return [
        f"{change(float(line.split(';')[0])):.3f};{line.split(';', 1)[1]}" if line[0].isdigit() else line
        for line in lines
    ]


@pytest.mark.parametrize("factor", [1, 1000])
def test_seconds_since_1970_read_as_seconds_since_the_start(read, factor):
    log = read(scaled(log_of(*NIGHTS), lambda s: factor * (1.79e9 + s)))
    assert len(log) == 0
    assert all("check" in reason for reason in reasons(log))


def test_times_ten_times_too_long(read):
    """Sections then run into each other's time."""
    nights = [Night(rows=400, number=k) for k in (1, 2, 3)]
    log = read(scaled(log_of(*nights), lambda s: 10 * s))
    assert len(log) == 0
    assert reasons(log)[0] == (
        "night.log:2: its rows run into the time of the section at night.log:407 (check start, the unit of time, and "
        "the clock)"
    )


def test_one_start_that_runs_into_two_others(read):
    """A single wrong section is told from the two that agree."""
    nights = [Night(rows=1750, number=k) for k in (1, 2, 3)]
    lines = [
        line.replace("T22:14:03", "T22:40:03").replace("T21:14:03", "T21:42:00") for line in log_of(*nights)
    ]
    log = read([line.replace("T22:40:03", "T22:42:00").replace("T23:14:03", "T23:41:30") for line in lines])
    assert len(log) == 3  # nothing overlaps by more than a minute
    log = read([line.replace("T22:40:03", "T22:10:00") for line in lines])
    assert minutes(log) == [-17]  # either of the first two may be wrong


@pytest.mark.parametrize("seed", range(20))
def test_which_of_many_run_into_others(read, seed):
    """By the definition, pair by pair: overlaps of more than a minute; the one with most of them goes first."""
    draw = np.random.default_rng(seed)
    one = read(log_of(Night(rows=3)))[0]
    sections = []
    for number in range(12):
        begun, lasts = draw.uniform(0, 3000), float(draw.choice([30.0, 300.0, 900.0]))
        start = datetime(2026, 11, 25, tzinfo=UTC) + timedelta(seconds=begun)
        sections.append(
            replace(one, where=f"night.log:{number}", start=start, seconds=np.array([0.0, lasts / 2, lasts]))
        )

    def shared(a, b):
        first, last = (np.array([s.start.timestamp() + s.seconds[at] for s in (a, b)]) for at in (0, -1))
        return a is not b and min(last) - max(first) > 60

    left = list(sections)
    while most := max((sum(shared(a, b) for b in left) for a in left), default=0):
        left = [a for a in left if sum(shared(a, b) for b in left) < most]
    kept, notes = reader._apart(sections)
    assert [s.where for s in kept] == [s.where for s in left]
    assert len(notes) == len(sections) - len(left)


@pytest.mark.parametrize("year", ["0001", "9999"])
def test_rows_of_a_year_that_cannot_be(read, year):
    """At either end of the calendar a zone's offset leads beyond it."""
    lines = [
        line.replace("2026-11-25T", f"{year}-01-01T") if line[0].isdigit() else line
        for line in stamped(log_of(*NIGHTS))
    ]
    log = read(
        [line.replace("+00:00", "") for line in lines],
        DATED.replace("[facts]", '[facts]\ntimezone = "-11:00"'),
    )
    assert len(log) == 0
    assert f"'{year}-01-01T21:14:05' is no moment" in reasons(log)[0]


def test_a_clock_that_was_never_set(read):
    log = read([line.replace("2026-11-25T22", "1970-01-01T00") for line in log_of(*NIGHTS)])
    assert minutes(log) == [-19, -17]
    assert reasons(log)[0] == "night.log:127: this section begins in the year 1970: its clock was never set"


# (d) the clock within a section ---------------------------------------------------------------------------------------


def retimed(change):
    lines = log_of(Night())
    for k in range(120):
        seconds, rest = lines[at(1, 4) + k].split(";", 1)
        lines[at(1, 4) + k] = f"{change(k, float(seconds)):.1f};{rest}"
    return lines


def test_a_clock_that_stands_still(read):
    """30 of 120 rows carry one time: they are left out, and no row is moved."""
    night = Night()
    log = read(retimed(lambda k, s: 100.0 if 50 <= k < 80 else s))
    kept = np.setdiff1d(np.arange(120), np.arange(50, 80))
    assert log[0].seconds == pytest.approx(
        night.seconds[kept], abs=2.0
    )  # the first of the equal times may stay
    assert log[0].north_arcsec == pytest.approx(night.north[kept], abs=LAST_BIT)
    assert "30 rows were left out (here: the clock stands still)" in log[0].notes[0].text


def test_a_clock_that_stands_still_most_of_the_time(read):
    log = read(retimed(lambda k, s: 20.0 if 10 <= k < 110 else s))
    assert reasons(log) == [
        "night.log:2: the clock stands still in 100 of 120 rows, the first at line 16 (check which column holds the time)"
    ]


@pytest.mark.parametrize("rows", [1, 6, 40])
@pytest.mark.parametrize("jump", [1000.0, -30.0, -5000.0])
def test_rows_that_jump_and_come_back(read, rows, jump):
    night = Night()
    log = read(retimed(lambda k, s: s + jump if 50 <= k < 50 + rows else s))
    kept = np.setdiff1d(np.arange(120), np.arange(50, 50 + rows))
    assert log[0].seconds == pytest.approx(night.seconds[kept], abs=LAST_BIT)
    assert log[0].north_arcsec == pytest.approx(night.north[kept], abs=LAST_BIT)
    assert "a time out of order" in log[0].notes[0].text


# A place that nobody measured ------------------------------------------------------------------------------------------


def standing(first, last):
    """A log whose place, but not its pulses, stays the same from one row to another."""
    lines = log_of(Night())
    place = lines[at(1, 4) + first].split(";")[1:3]
    for k in range(first, last):
        cells = lines[at(1, 4) + k].split(";")
        lines[at(1, 4) + k] = ";".join([cells[0], *place, *cells[3:]])
    return lines


def test_a_place_that_stands_still_for_a_while(read):
    """A program that lost the star may repeat its last place: the star is taken as lost, its pulses count."""
    night, log = Night(), read(standing(50, 80))
    still = np.arange(51, 80)
    assert np.flatnonzero(~log[0].good).tolist() == still.tolist()
    assert log[0].north_pulse_ms == pytest.approx(night.north_pulse, abs=LAST_BIT)
    assert [note.text for note in log[0].notes] == [
        "night.log:57: the star's place stands still in 29 rows, the first here: it is taken as lost there"
    ]


def test_a_place_that_stands_still_most_of_the_time(read):
    """The others go on: fitted, its scatter of nothing made the answer 0.00 +/- 0.00 and refused a sound section."""
    lines = [*standing(20, 120), *NIGHTS[1].lines()]
    log = read(lines)
    assert minutes(log) == [-18]
    assert reasons(log) == [
        "night.log:2: the star's place stands still in 99 of 120 rows, the first at line 27 (check which column holds it, "
        "and whether the camera ran)"
    ]


def test_a_place_in_whole_pixels_may_stay(read):
    """Rounded coarsely a place stays the same for many rows: half of the steps of this one are zero."""
    lines = log_of(Night(rows=400))
    for k in range(400):
        cells = lines[at(1, 4) + k].split(";")
        lines[at(1, 4) + k] = ";".join([cells[0], f"{round(float(cells[1]) / 2)}", *cells[2:]])
    log = read(lines)
    assert np.mean(np.diff(log[0].north_arcsec) == 0) > 0.4
    assert log[0].good.all()
    assert log[0].notes == ()


# (e) pulses that cannot be --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("pulse", "said"),
    [
        (
            lambda k: "250",
            "north_pulse is -250 ms in every row: a guider does not do that (check which column holds",
        ),
        (
            lambda k: f"{(k % 4 - 1.5) / 1000:.4f}",
            "the longest north_pulse is 0.0015 ms: a mount does not move in that",
        ),
        (
            lambda k: f"{k % 4 - 1.5:.1f}",
            "the longest north_pulse is 1.5 ms: a mount does not move in that (check its",
        ),
    ],
)
def test_pulses_that_cannot_be(read, pulse, said):
    lines = log_of(*NIGHTS)
    for k in range(120):
        cells = lines[at(2, 4) + k].split(";")
        lines[at(2, 4) + k] = ";".join([*cells[:3], pulse(k), *cells[4:]])
    log = read(lines)
    assert minutes(log) == [-19, -17]
    assert said in reasons(log)[0]


def test_a_pulse_that_stays_the_same(read):
    """In 30 rows on end: told, for nobody can say what the mount did."""
    lines = log_of(NIGHTS[0])
    for k in range(40, 70):
        cells = lines[at(1, 4) + k].split(";")
        lines[at(1, 4) + k] = ";".join([*cells[:3], "90", *cells[4:]])
    assert [note.text for note in read(lines)[0].notes] == [
        "night.log:46: north_pulse is -90 ms in 30 rows on end: if it was not, the result is wrong"
    ]


def test_pulses_that_are_ten_times_as_long_for_a_while(read):
    """As from a digit too many: told; pulses of a normal night never are."""
    lines = log_of(NIGHTS[0])
    assert read(lines)[0].notes == ()
    for k in range(40, 70):
        cells = lines[at(1, 4) + k].split(";")
        lines[at(1, 4) + k] = ";".join([*cells[:3], f"{cells[3]}0", *cells[4:]])
    (note,) = read(lines)[0].notes
    assert note.code == "odd-pulses"
    assert 30 <= int(note.text.split(":")[1]) - 6 < 70  # the first of fifteen pulses, most of them too long
    assert "times as long as usual in the rows from here on" in note.text


def test_pulses_of_nearly_nothing(read):
    """A garbled 1e-320 in most rows is no pulse, and nothing is divided by it."""
    lines = log_of(NIGHTS[0])
    for k in range(90):
        cells = lines[at(1, 4) + k].split(";")
        lines[at(1, 4) + k] = ";".join([*cells[:3], "1e-320", *cells[4:]])
    log = read(lines)
    assert log.refused == ()
    assert [note.code for note in log[0].notes] == ["same-pulse"]


def test_a_pulse_that_would_not_end_before_the_next_row(read):
    """6 s in a row every 2 s: left out, and what the mount did then is not known."""
    lines = log_of(NIGHTS[0])
    cells = lines[at(1, 4) + 40].split(";")
    lines[at(1, 4) + 40] = ";".join([*cells[:3], "6000", *cells[4:]])
    section = read(lines)[0]
    assert len(section.seconds) == 119
    assert np.flatnonzero(section.moved).tolist() == [40]
    assert section.notes[0].text == (
        "night.log:46: this row was left out: north_pulse of 6000 would not end before the next row"
    )


WAYS = LAYOUT.replace(
    'push up", unit = "ms", positive = "south"',
    'push up", unit = "ms", direction = { name = "remark", north = "n", south = "s" }',
).replace("shift =", "#")


def in_words(night, word):
    """A section whose pulses north have no sign but a word, and how many there are."""
    lines = log_of(night)
    for k in range(night.rows):
        cells = lines[at(1, 4) + k].split(";")
        pulse = night.north_pulse[k]
        lines[at(1, 4) + k] = ";".join(
            [*cells[:3], f"{abs(pulse):.0f}", *cells[4:6], word(k, pulse) if pulse else "?"]
        )
    return lines, int(np.count_nonzero(night.north_pulse))


def test_words_for_directions_that_the_layout_does_not_name(read):
    """All of them, in capitals: no pulse at all would be taken for a star that is only watched."""
    lines, sent = in_words(NIGHTS[0], lambda _, pulse: "N" if pulse > 0 else "S")
    log = read(lines, WAYS)
    assert len(log) == 0
    assert reasons(log) == [
        f"night.log:2: none of its {sent} north pulses can be read: 'N', 'S' are no direction that the layout names "
        '(north = "n", south = "s")'
    ]


def test_one_more_word_for_a_direction(read):
    """Another word for south: the pulses north alone would push the answer to one side. Once or twice is damage."""
    lines, _ = in_words(NIGHTS[0], lambda _, pulse: "n" if pulse > 0 else "sud")
    south = int(np.sum(NIGHTS[0].north_pulse < 0))
    assert reasons(read(lines, WAYS)) == [
        f"night.log:2: column 'remark' also holds 'sud' ({south}x), which north_pulse does not name (name both ways of "
        "each axis that has pulses there)"
    ]
    lines, _ = in_words(NIGHTS[0], lambda k, pulse: "x" if k in (5, 9) else "n" if pulse > 0 else "s")
    section = read(lines, WAYS)[0]
    kept = np.delete(NIGHTS[0].north_pulse, [5, 9])
    assert section.north_pulse_ms == pytest.approx(kept, abs=LAST_BIT)


def test_a_word_in_a_column_of_both_axes(read):
    """East in another language: every second pulse of the column is one of the other axis."""
    shared = WAYS.replace(
        'push right", unit = "s", positive = "west"',
        'push up", unit = "ms", direction = { name = "remark", east = "e", west = "w" }',
    )
    lines, _ = in_words(NIGHTS[0], lambda k, pulse: ("ns", "Ow")[k % 2][int(pulse < 0)])
    east = int(np.sum(NIGHTS[0].north_pulse[1::2] > 0))
    assert reasons(read(lines, shared)) == [
        f"night.log:2: column 'remark' also holds 'O' ({east}x), which north_pulse and east_pulse do not name (name both "
        "ways of each axis that has pulses there)"
    ]


def test_pulses_in_ms_said_to_be_in_s(read):
    log = read(log_of(NIGHTS[0]), LAYOUT.replace('push up", unit = "ms"', 'push up", unit = "s"'))
    sent = int(np.count_nonzero(NIGHTS[0].north_pulse))
    long = np.abs(NIGHTS[0].north_pulse)
    long = long[long > 60]  # s: no pulse lasts a minute
    assert reasons(log) == [
        f"night.log:2: {len(long)} of {sent} north pulses cannot be: {np.median(long):g} s is longer than the rows are "
        "apart (is the unit ms?)"
    ]


@pytest.mark.parametrize("answers", ["this", "before", ""])
def test_the_row_a_pulse_answers_to(read, answers):
    """A pulse that answers the row before acts before its own row: it stands with the row before."""
    stated = f', answers = "{answers}" }}' if answers else " }"
    log = read(log_of(NIGHTS[0]), LAYOUT.replace('positive = "south" }', f'positive = "south"{stated}'))
    truth = NIGHTS[0].north_pulse
    expected = np.append(truth[1:], 0.0) if answers == "before" else truth
    assert log[0].north_pulse_ms == pytest.approx(expected, abs=LAST_BIT)
    assert log[0].pulse_row_known == bool(answers)
    assert log[0].east_pulse_ms == pytest.approx(NIGHTS[0].east_pulse, abs=LAST_BIT)


def test_a_label_is_printable(read):
    """Escape sequences and marks that turn the direction of writing do not reach a terminal."""
    lines = [line.replace("by the old dial", "\x1b[31m\u202e night") for line in log_of(NIGHTS[0])]
    log = read(lines, LAYOUT.replace("[facts.found]", "[facts.found]\nlabel = 'angle \\S+ (.*)'"))
    assert log[0].label == "?[31m? night"


# (f) one bad section --------------------------------------------------------------------------------------------------


def test_whatever_a_section_raises_the_others_go_on(read, monkeypatch):
    whole = reader.build

    def build(piece, number, *others):
        if number == 2:
            raise ZeroDivisionError("of all things")
        return whole(piece, number, *others)

    monkeypatch.setattr(reader, "build", build)
    log = read(log_of(*NIGHTS))
    assert minutes(log) == [-19, -17]
    assert reasons(log) == [
        "night.log:127: this section cannot be read, which is a fault of poleward: check the lines from here on for what "
        "stands in no other section"
    ]
