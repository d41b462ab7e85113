"""Reading guide logs: the numbers that went into an invented log come out, signs and units settled."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from oddlog import LAYOUT, SCALE, Night, log_of

from poleward.errors import InputError
from poleward.guidelog.reading.reader import LogFile, read_log

LAST_BIT = 1e-9
"""arcsec, ms and s: only floating point stands between what was written and what is read."""


@pytest.fixture
def read(tmp_path):
    def reading(log, layout=LAYOUT, timezone="", encoding="utf-8", end="\n") -> LogFile:
        text = log if isinstance(log, str) else "".join(line + end for line in log)
        (tmp_path / "night.log").write_bytes(text.encode(encoding))
        (tmp_path / "L.toml").write_text(layout, encoding="utf-8")
        return read_log(tmp_path / "night.log", tmp_path / "L.toml", timezone=timezone)

    return reading


def assert_same(section, night, rows=slice(None)):
    assert section.seconds == pytest.approx(night.seconds[rows], abs=LAST_BIT)
    assert section.north_arcsec == pytest.approx(night.north[rows], abs=LAST_BIT)
    assert section.east_arcsec == pytest.approx(night.east[rows], abs=LAST_BIT)
    assert section.north_pulse_ms == pytest.approx(night.north_pulse[rows], abs=LAST_BIT)
    assert section.east_pulse_ms == pytest.approx(night.east_pulse[rows], abs=LAST_BIT)


def test_several_sections(read):
    nights = Night(number=1), Night(number=2)
    log = read(log_of(*nights))
    assert len(log) == 2
    for section, night in zip(log, nights, strict=True):
        assert_same(section, night)
        assert section.good.all()
        assert not section.moved.any()
        assert section.notes == ()
        assert section.start == datetime(2026, 11, 25, 20 + night.number, 14, 3, tzinfo=UTC)
        assert math.degrees(section.pointing.hour_angle) * 4 == pytest.approx(night.number - 20)  # minutes
        assert math.degrees(section.pointing.dec) == pytest.approx(21)
    assert (log.refused, log.notes, log.rows) == ((), (), 240)
    assert log[0].where.endswith("night.log:2")
    assert log[1].where.endswith("night.log:127")


@pytest.mark.parametrize(
    ("encoding", "end"),
    [("utf-8", "\r\n"), ("utf-8-sig", "\n"), ("utf-16", "\r\n"), ("latin-1", "\n"), ("cp1252", "\r")],
)
def test_encodings_and_line_ends(read, encoding, end):
    stated = "utf-8" if encoding in ("utf-8-sig", "utf-16") else encoding  # a byte-order mark wins
    night = Night()
    lines = [*log_of(night)[:4], "# die Schrauben \xfcberpr\xfcft", *log_of(night)[4:]]
    log = read(lines, LAYOUT.replace('"utf-8"', f'"{stated}"'), encoding=encoding, end=end)
    assert_same(log[0], night)
    assert log.notes == ()


@pytest.mark.parametrize(("name", "sign"), [(",", ","), ("tab", "\t"), ("space", "  "), ("|", "|")])
def test_delimiters(read, name, sign):
    night = Night()
    lines = [
        line.replace("push up", "push_up").replace("push right", "push_right").replace(";", sign)
        for line in (f"{text}on" if text.endswith("open;") else text for text in log_of(night))
    ]
    layout = (
        LAYOUT.replace('";"', f'"{name}"')
        .replace("push up", "push_up")
        .replace("push right", "push_right")
        .replace("'^sec;'", "'^sec'")
    )
    assert_same(read(lines, layout)[0], night)


def test_decimal_comma(read):
    night = Night()
    lines = [line.replace(".", ",") if line[0].isdigit() else line for line in log_of(night)]
    lines = [line.replace("pixel is 1.9", "pixel is 1,9") for line in lines]
    log = read(lines, LAYOUT.replace('decimal = "."', 'decimal = ","').replace(r"is (\S+)'", r"is ([\d,]+)'"))
    assert_same(log[0], night)


def test_decimal_comma_between_quotes(read):
    night = Night(rows=20)
    lines = []
    for line in log_of(night):
        cells = line.replace(".", ",").split(";")
        lines.append(",".join(f'"{cell}"' for cell in cells) if line[0].isdigit() else line.replace(";", ","))
    layout = (
        LAYOUT.replace('";"', '","').replace('decimal = "."', 'decimal = ","').replace("'^sec;'", "'^sec,'")
    )
    assert_same(read(lines, layout)[0], night)


def test_lost_star_rows_keep_their_pulses(read):
    night = Night()
    lines = log_of(night)
    lines[5 + 10] = night.row(10, eye="shut")
    lines[5 + 11] = f"{night.seconds[11]};;;{-night.north_pulse[11]:.0f};;shut;"
    section = read(lines)[0]
    assert np.flatnonzero(~section.good).tolist() == [10, 11]
    assert np.isnan(section.north_arcsec[10:12]).all()
    assert np.isnan(section.east_arcsec[10:12]).all()
    assert section.north_pulse_ms == pytest.approx(night.north_pulse, abs=LAST_BIT)
    assert section.east_pulse_ms[11] == 0
    assert section.notes == ()


def test_a_blank_place_is_a_lost_star(read):
    night = Night()
    lines = log_of(night)
    lines[5 + 10] = f"{night.seconds[10]};;0.1;0;0;open;"
    section = read(lines)[0]
    assert np.flatnonzero(~section.good).tolist() == [10]


def test_deliberate_moves_by_column_and_by_free_line(read):
    night = Night()
    lines = log_of(night)
    lines[5 + 40] = night.row(40, remark="placed anew")
    lines.insert(5 + 70, "~~ frame shifted by hand")
    section = read(lines, LAYOUT.replace("[section]", "[section]\nshift = '^~~ frame shifted'"))[0]
    assert np.flatnonzero(section.moved).tolist() == [40, 70]
    assert_same(section, night)
    assert section.notes == ()


def test_direction_column(read):
    night = Night()
    night.north_pulse = np.round(night.north_pulse)
    lines = [*log_of(night)[:4], "sec;up;push;way"]
    for k, push in enumerate(night.north_pulse):
        way = "" if push == 0 else "boreal" if push > 0 else "austral"
        lines.append(f"{night.seconds[k]};{night.north[k] / SCALE:.3f};{abs(push):.0f};{way}")
    start, rest = LAYOUT.split("[columns]")
    layout = (
        start
        + """[columns]
time = { name = "sec", unit = "s" }
north = { name = "up", unit = "pix", positive = "north" }
north_pulse = { name = "push", unit = "ms", direction = { name = "way", north = "boreal", south = ["austral"] } }
"""
    )
    assert rest
    section = read(lines, layout)[0]
    assert section.north_pulse_ms == pytest.approx(night.north_pulse, abs=LAST_BIT)
    assert section.east_arcsec is None
    assert section.east_pulse_ms is None


def test_one_pulse_column_for_both_axes(read):
    night = Night(rows=8)
    pushes = [
        ("boreal", 10),
        ("west", 20),
        ("", 0),
        ("austral", 30),
        ("east", 40),
        ("up?", 50),
        ("west", -60),
        ("", 0),
    ]
    lines = [*log_of(night)[:4], "sec;up;push;way"]
    for k, (way, push) in enumerate(pushes):
        lines.append(f"{night.seconds[k]};{night.north[k] / SCALE:.3f};{push};{way}")
    layout = (
        LAYOUT.split("[columns]")[0]
        + """[columns]
time = { name = "sec", unit = "s" }
north = { name = "up", unit = "pix", positive = "north" }
north_pulse = { name = "push", unit = "ms", direction = { name = "way", north = "boreal", south = "austral" } }
east_pulse = { name = "push", unit = "ms", direction = { name = "way", east = "east", west = "west" } }
"""
    )
    section = read(lines, layout)[0]
    assert section.north_pulse_ms.tolist() == [10, 0, 0, -30, 0, 0, 0]
    assert section.east_pulse_ms.tolist() == [0, -20, 0, 0, 40, -60, 0]
    assert section.moved.nonzero()[0].tolist() == [5]
    assert section.notes[0].text.endswith(":11: this row was left out: north_pulse 50 has no known direction")


@pytest.mark.parametrize(
    ("stated", "turned"),
    [
        ('reversed = "yes"', {"north", "east", "north_pulse", "east_pulse"}),
        ('reversed = ["north", "north_pulse"]', {"north", "north_pulse"}),
        ('reversed = "no"', set()),
        (
            '[facts.found.reversed]\nfind = \'angle \\S+ (\\w+)\'\nyes = ["by"]\ncolumns = ["north"]',
            {"north"},
        ),
        ("[facts.found.reversed]\nfind = 'angle \\S+ (\\w+)'\nyes = [\"for\"]", set()),
    ],
    ids=["all", "some", "none", "found", "found not"],
)
def test_reversed(read, stated, turned):
    night = Night()
    if stated.startswith("["):
        layout = LAYOUT.replace("[columns]", f"{stated}\n[columns]")
    else:
        layout = LAYOUT.replace("[facts]", f"[facts]\n{stated}")
    section = read(log_of(night), layout)[0]
    for name in ("north", "east", "north_pulse", "east_pulse"):
        values = getattr(section, f"{name}_{'ms' if 'pulse' in name else 'arcsec'}")
        sign = -1 if name in turned else 1
        assert values == pytest.approx(sign * getattr(night, name), abs=LAST_BIT)
    assert section.reversed == bool(turned)


def stamped(night, stamp, day="2026-11-25"):
    lines = log_of(night)
    return [
        f"{stamp(float(line.split(';')[0]))};{line.split(';', 1)[1]}" if line[0].isdigit() else line
        for line in lines
    ]


MIDNIGHT = datetime(2026, 11, 25, 23, 58, 30)


@pytest.mark.parametrize(
    "written",
    [
        lambda s: (MIDNIGHT + timedelta(seconds=s)).isoformat(),
        lambda s: (MIDNIGHT + timedelta(seconds=s)).isoformat(" ") + "Z",
        lambda s: (MIDNIGHT + timedelta(seconds=s, hours=2)).isoformat() + "+02:00",
        lambda s: (MIDNIGHT + timedelta(seconds=s)).time().isoformat(),
    ],
    ids=["naive", "utc", "offset", "time of day"],
)
def test_stamps_across_midnight(read, written):
    night = Night()
    lines = [line.replace("T21:14:03Z", "T23:58:30Z") for line in stamped(night, written)]
    section = read(lines, LAYOUT.replace('"sec", unit = "s"', '"sec", unit = "iso"'), timezone="UTC")[0]
    assert_same(section, night)
    assert section.start == MIDNIGHT.replace(tzinfo=UTC)


def test_stamps_without_a_start_begin_with_the_first_row(read):
    night = Night()
    lines = stamped(night, lambda s: (MIDNIGHT + timedelta(seconds=s)).isoformat() + "Z")
    layout = LAYOUT.replace('"sec", unit = "s"', '"sec", unit = "iso"').replace(
        "start = 'opens", "label = 'opens"
    )
    section = read(lines, layout)[0]
    assert section.seconds == pytest.approx(night.seconds - night.seconds[0], abs=LAST_BIT)
    assert section.start == (MIDNIGHT + timedelta(seconds=2)).replace(tzinfo=UTC)


def test_stamps_in_a_format_of_their_own(read):
    night = Night()
    lines = stamped(night, lambda s: (MIDNIGHT + timedelta(seconds=s)).strftime("%d.%m.%Y %H.%M.%S"))
    layout = LAYOUT.replace('"sec", unit = "s"', '"sec", format = "%d.%m.%Y %H.%M.%S"')
    layout = layout.replace("start = 'opens", "label = 'opens")
    section = read(lines, layout, timezone="UTC")[0]
    assert section.seconds == pytest.approx(night.seconds - night.seconds[0], abs=LAST_BIT)


@pytest.mark.parametrize(
    "utc_start",
    [datetime(2026, 10, 25, 0, 58, 30), datetime(2026, 3, 29, 0, 58, 30)],
    ids=["back", "forward"],
)
def test_local_stamps_across_a_change_of_clocks(read, utc_start):
    """In Zurich the clocks change at 01:00 UTC on both days; zoneinfo is the outside truth."""
    from zoneinfo import ZoneInfo

    night = Night()

    def wall(seconds):
        moment = (
            (utc_start + timedelta(seconds=seconds)).replace(tzinfo=UTC).astimezone(ZoneInfo("Europe/Zurich"))
        )
        return moment.replace(tzinfo=None).isoformat()

    layout = LAYOUT.replace('"sec", unit = "s"', '"sec", unit = "iso"')
    lines = [
        line.replace("2026-11-25T21:14:03Z", f"{utc_start.isoformat()}Z") for line in stamped(night, wall)
    ]
    section = read(lines, layout, timezone="Europe/Zurich")[0]
    assert_same(section, night)
    assert section.notes == ()


def test_times_without_a_zone(read):
    night = Night()
    lines = [line.replace("14:03Z", "14:03") for line in log_of(night)]
    section = read(lines)[0]
    assert section.start is None
    assert [note.code for note in section.notes] == ["no-time-zone"]
    assert read(lines, timezone="+01:00")[0].start == datetime(2026, 11, 25, 20, 14, 3, tzinfo=UTC)
    layout = LAYOUT.replace("[facts]", '[facts]\ntimezone = "UTC"')
    assert read(lines, layout, timezone="+01:00")[0].start == datetime(2026, 11, 25, 21, 14, 3, tzinfo=UTC)
    layout = LAYOUT.replace("hour_angle = 'angle (\\S+)'", "").replace("[facts]", '[facts]\nra = "5h10m"')
    log = read(lines, layout)
    assert len(log) == 0
    assert "has neither an offset nor a known zone" in log.refused[0].text


def test_ra_needs_and_gets_its_start(read):
    layout = LAYOUT.replace("hour_angle = 'angle (\\S+)'", "").replace("[facts]", '[facts]\nra = "5h10m"')
    section = read(log_of(Night()), layout)[0]
    assert math.degrees(section.pointing.ra) == pytest.approx(77.5)
    assert section.pointing.time == datetime(2026, 11, 25, 21, 14, 3, tzinfo=UTC)


def test_azimuth_and_altitude(read):
    layout = LAYOUT.replace("hour_angle = 'angle (\\S+)'", "").replace(
        'dec = "+21 deg"', 'azimuth = "171 deg"\naltitude = 52.5'
    )
    section = read(log_of(Night()), layout)[0]
    assert math.degrees(section.pointing.azimuth) == pytest.approx(171)
    assert math.degrees(section.pointing.altitude) == pytest.approx(52.5)


@pytest.mark.parametrize(
    ("stated", "north", "east"),
    [
        # 15.041067 arcsec/s: the sidereal rate (outside-checks F); on the sky the hour axis moves by cos(21 deg) of it
        ("0.5 sidereal", 7.5205335, 7.5205335 * math.cos(math.radians(21))),
        ("7.5 arcsec/s", 7.5, 7.5),
        ("4 pix/s", 7.6, 7.6),
    ],
)
def test_guide_rates(read, stated, north, east):
    layout = LAYOUT.replace(
        "[facts]",
        f'[facts]\nnorth_guide_rate = "{stated}"\neast_guide_rate = "{stated}"'
        '\nnorth_guide_rate_sigma = "0.2 arcsec/s"',
    )
    section = read(log_of(Night()), layout)[0]
    assert section.north_guide_rate_arcsec_per_s == pytest.approx(north, rel=1e-7)  # eight digits of the rate
    assert section.east_guide_rate_arcsec_per_s == pytest.approx(east, rel=1e-7)
    assert section.north_guide_rate_sigma_arcsec_per_s == pytest.approx(0.2)
    assert section.east_guide_rate_sigma_arcsec_per_s is None


def test_a_guide_rate_found_with_its_unit(read):
    lines = log_of(Night())
    lines.insert(4, "motor speed 0.4 of the stars'")
    layout = LAYOUT.replace(
        "[columns]", "north_guide_rate = { find = 'speed (\\S+)', unit = \"sidereal\" }\n[columns]"
    )
    assert read(lines, layout)[0].north_guide_rate_arcsec_per_s == pytest.approx(0.4 * 15.041067)


def test_facts_of_a_moment_are_not_taken_from_another_section(read):
    lines = log_of(Night(number=1), Night(number=2))
    del lines[128 - 1]  # the second section's hour angle
    log = read(lines)
    assert len(log) == 1
    assert log.refused[0].code == "section-refused"
    assert "night.log:127: hour_angle was not found for this section" in log.refused[0].text


def test_a_scale_at_the_head_of_the_file_holds_for_all(read):
    lines = [line for line in log_of(Night(number=1), Night(number=2)) if "pixel" not in line]
    log = read(["one pixel is 2.5 arcsec/pix", *lines])
    for section, number in zip(log, (1, 2), strict=True):
        assert section.north_arcsec == pytest.approx(Night(number=number).north * 2.5 / SCALE, abs=LAST_BIT)


def test_columns_by_number_and_no_header(read):
    night = Night()
    rows = [night.row(k) for k in range(night.rows)]
    layout = """
[text]
delimiter = ";"
[facts]
hour_angle = "1h"
dec = "5 deg"
image_scale = 1.9
[columns]
time = { number = 1, unit = "s" }
north = { number = 2, unit = "pix", positive = "north" }
east = { number = 3, unit = "pix", positive = "west" }
north_pulse = { number = 4, unit = "ms", positive = "south" }
east_pulse = { number = 5, unit = "s", positive = "west" }
"""
    assert_same(read(["# first light", *rows], layout)[0], night)


def test_a_file_that_is_one_section(read):
    night = Night()
    layout = LAYOUT.split("[section]")[0] + LAYOUT.split("'^== watch closes'")[1]
    lines = [line for line in log_of(night)[1:] if not line.startswith("==")]
    lines = [f"# {line}" if line.startswith("   ") else line for line in lines]
    section = read(lines, layout.replace("start = 'opens", "label = 'opens"))[0]
    assert_same(section, night)


def test_a_header_in_a_comment(read):
    night = Night()
    lines = [f"# {line}" if line.startswith("sec;") else line for line in log_of(night)]
    assert_same(read(lines, LAYOUT.replace("'^sec;'", "'^# sec;'"))[0], night)


def test_a_section_without_its_header(read, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    lines = log_of(Night())
    del lines[4]
    log = read(lines)
    assert [note.text for note in log.refused] == [
        f"{tmp_path}/night.log:2: no line names the columns of this section, column 'sec' cannot be found "
        "(see header in [section], or give the column's number instead of its name)"
    ]


def test_a_header_once_at_the_head_of_the_file(read):
    nights = Night(number=1), Night(number=2)
    header = "sec;up;right;push up;push right;eye;remark"
    lines = [header, *(line for line in log_of(*nights) if line != header)]
    lines = [f"# {line}" if line.startswith("   ") else line for line in lines]
    for section, night in zip(read(lines), nights, strict=True):
        assert_same(section, night)


def test_a_header_repeated_among_the_rows(read):
    night = Night()
    lines = log_of(night)
    lines.insert(60, lines[4])
    log = read(lines)
    assert_same(log[0], night)
    assert log[0].notes == ()


def test_rows_that_leave_out_empty_cells(read):
    night = Night()
    lines = [line.removesuffix(";") if line[0].isdigit() else line for line in log_of(night)]
    layout = LAYOUT.split("shift = ")[0]
    assert len(read(lines, layout)) == 0
    assert_same(read(lines, layout.replace("[text]", "[text]\nshort_rows = true"))[0], night)


def test_rows_that_end_with_a_delimiter(read):
    night = Night()
    assert_same(read([f"{line};" if line[0].isdigit() else line for line in log_of(night)])[0], night)


def test_equal_times_are_spread(read):
    """A clock that shows whole seconds, read every half second."""
    night = Night(cadence_s=0.5)
    lines = [
        f"{math.floor(float(line.split(';')[0]))};{line.split(';', 1)[1]}" if line[0].isdigit() else line
        for line in log_of(night)
    ]
    section = read(lines)[0]
    assert np.all(np.diff(section.seconds) > 0)
    assert section.seconds == pytest.approx(
        night.seconds, abs=1.0
    )  # no time moves by more than its last digit


REFUSED = {
    "column": ("sec;up;", "sec;upp;", "night.log:5: column 'up' is not in this header (did you mean upp?)"),
    "twice": (
        ";eye;remark",
        ";up;remark",
        "night.log:5: column 'up' is there 2 times in this header (give its number instead: number = 3)",
    ),
    "range": (
        "angle -00:19:00",
        "angle 77",
        "night.log:3, hour_angle: an hour angle of 77 h is beyond 12 h: minutes? write 77m (allowed is -12 h to +12 h, "
        "or 0 h to 24 h)",
    ),
    "start": (
        "opens 2026-11-25T21:14:03Z",
        "opens yesterday",
        "night.log:2, start: 'yesterday' is not a moment (e.g. 2026-11-25T20:14:00+01:00, or say how it is written: "
        "start = { find = '...', format = \"%d.%m.%Y %H:%M\" })",
    ),
}


@pytest.mark.parametrize("case", REFUSED)
def test_a_section_that_cannot_be_used_says_why_and_the_others_go_on(read, monkeypatch, tmp_path, case):
    monkeypatch.chdir(tmp_path)
    old, new, text = REFUSED[case]
    lines = log_of(Night(number=1), Night(number=2))
    spot = next(i for i, line in enumerate(lines) if old in line)
    lines[spot] = lines[spot].replace(old, new)
    log = read(lines)
    assert len(log) == 1
    assert_same(log[0], Night(number=2))
    assert [note.text.replace(f"{tmp_path}/", "") for note in log.refused] == [text]


def test_no_section_at_all(read):
    with pytest.raises(InputError) as caught:
        read(["only words", "and more"])
    assert str(caught.value).endswith(
        "night.log: no line opens a section: none matches begin = '^== watch opens'"
    )
    assert caught.value.hint == "the file has 2 lines, the first is 'only words'"


def test_one_hour_angle_for_many_sections_is_noted(read):
    layout = LAYOUT.replace("hour_angle = 'angle (\\S+)'", "").replace(
        "[facts]", '[facts]\nhour_angle = "1h"'
    )
    log = read(log_of(Night(number=1), Night(number=2)), layout)
    assert [note.code for note in log.notes] == ["one-pointing-for-all"]


def test_a_column_of_pulses_that_holds_none_is_noted(read):
    """Once for the file, and only where no section has any: half an hour unguided is a good idea."""
    still = [Night(number=1), Night(number=2)]
    for one in still:
        one.north_pulse[:] = 0
    (note,) = read(log_of(*still)).notes
    assert note.code == "pulses-empty"
    assert "the column of north pulses holds none at all" in note.text
    assert not read(log_of(still[0], Night(number=2))).notes


def test_a_section_whose_clock_may_be_in_another_unit_is_named(read, tmp_path):
    """Tenths of a second read as seconds stretch a section tenfold: its drift, a tenth of what it was, weighs most."""
    slow = Night(number=3, cadence_s=20.0)
    (note,) = read(log_of(Night(number=1), Night(number=2), slow)).notes
    assert note.code == "other-pace"
    assert note.text.replace(f"{tmp_path}/", "") == (
        "night.log:252: a row every 20 s, in other sections every 2 s: if times are in another unit there, the result is wrong"
    )
    (note,) = read(log_of(Night(number=1), slow)).notes
    assert note.code == "other-pace"
    for near in (
        Night(number=2, cadence_s=10.0),
        Night(number=2, cadence_s=0.5),
    ):  # exposures as people take them
        assert not read(log_of(Night(number=1), near)).notes
    assert not read(log_of(slow)).notes


def test_times_that_may_only_number_the_rows_are_noted(read):
    """Rows every 3 s, counted as if they were seconds, make the axis three times as far off."""
    (note,) = read(log_of(Night(number=1, cadence_s=1.0), Night(number=2, cadence_s=1.0))).notes
    assert note.code == "times-count"
    assert "the times go up by exactly 1 s from row to row: if they only number the rows" in note.text
    late = Night(number=1, cadence_s=1.0)
    late.seconds = np.floor(late.seconds * 1.1)  # a tenth of a second to read the camera
    assert not read(log_of(late)).notes


def test_a_section_that_lost_its_first_rows_is_named(read, tmp_path):
    """With the rows went the end of the section and the beginning of the next, whose rows now stand here."""
    lines = log_of(Night(number=1), Night(number=2), Night(number=3))
    joined = [
        *lines[:5],
        *lines[5 + 125 + 40 :],
    ]  # the first one's header, then rows of the second from 82 s on
    (note,) = read(joined).notes
    assert note.code == "late-rows"
    assert note.text.replace(f"{tmp_path}/", "") == (
        "night.log:2: the first row stands 82 s after the section's start, in the others 2 s: "
        "if lines were lost, its rows may be those of the next section"
    )
    assert not read([*lines[:5], *lines[5 + 20 :]]).notes  # 42 s: a slow start
