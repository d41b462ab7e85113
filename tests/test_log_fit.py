"""Guide logs to the axis error: nights whose truth is known, by astropy and scipy's Rotation."""

from __future__ import annotations

import importlib.util
import json
import math
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from astropy.time import Time
from truth import EVENING, Place, axis_direction, drift, pole_seen, star_at

from poleward.errors import InputError, UsageError
from poleward.guidelog.fitting import correct
from poleward.guidelog.fitting.night import solve_log
from poleward.guidelog.fitting.parts import State, curve, prepare
from poleward.guidelog.reading.section import Section
from poleward.simulate.night import Guider, Scatter, Stretch, night
from poleward.sky.look import Pointing
from poleward.sky.site import Air, Site

PLACE = Place(47.1)
SOUTH = Place(-33.5, 151.0, 120.0, 1000.0, 14.0)
SILENT = Scatter(white_arcsec=1e-4, correlated_arcsec=1e-4)


def site_of(place: Place) -> Site:
    air = Air(
        pressure=f"{place.pressure_hpa} hPa",
        temperature=f"{place.temperature_c} deg_C",
        humidity=place.humidity,
        wavelength=f"{place.wavelength_um} um",
    )
    return Site(place.latitude_deg, place.longitude_deg, f"{place.elevation_m} m", air)


SITE = site_of(PLACE)


def log_nights():
    """The experiment's nights, from its script."""
    path = Path(__file__).parent.parent / "docs" / "experiments" / "log_nights.py"
    spec = importlib.util.spec_from_file_location("log_nights", path)
    module = importlib.util.module_from_spec(spec)
    # dataclasses look their module up by name
    import sys

    sys.modules["log_nights"] = module
    spec.loader.exec_module(module)
    return module


def watched(place, azimuth, altitude, points, *, hours=1.0, scatter=None, seed=1, **options):
    stretches = [
        Stretch(i * (hours * 3600 + 300), hours * 3600, hour, dec, by_ra=True, **options)
        for i, (hour, dec) in enumerate(points)
    ]
    rng = np.random.default_rng(seed)
    return night(site_of(place), azimuth, altitude, stretches, EVENING, scatter, rng)


def pulls(solution, azimuth, altitude):
    return np.array(
        [
            (solution.azimuth_error_arcmin - azimuth) / solution.azimuth_sigma_arcmin,
            (solution.altitude_error_arcmin - altitude) / solution.altitude_sigma_arcmin,
        ]
    )


# The pieces


def test_curves_between_grid_points_are_exact():
    """Spline on the grid against truth.py (astropy, scipy Rotation) at odd moments of four hours: 0.001 arcsec.

    The star comes down to 17 deg, where refraction bends the curve most; the axis is 1.4 deg off.
    """
    star = star_at(PLACE, 0.0, -4.0, EVENING)
    pointing = Pointing(ra=star.ra.rad, dec=star.dec.rad, time=EVENING)
    seconds = np.linspace(0, 4 * 3600, 1000)
    section = section_of(seconds, np.zeros(1000), pointing)
    parts, sight = prepare([section], [correct.track(section)], SITE, 15.04106717867)
    odd = np.array([17.0, 1234.5, 7100.1, 9876.5, 14001.0])
    north, _ = curve(parts[0], State(60.0, -60.0, ()), sight.apparent_pole, odd)
    axis = axis_direction(pole_seen(PLACE, Time(EVENING)), 1.0, -1.0, 1.0)
    expected = [drift(PLACE, star, EVENING, s, axis)[0] for s in odd]
    assert north == pytest.approx(expected, abs=1e-3)


def section_of(seconds, north, pointing, pulse=None, **options):
    count = len(seconds)
    defaults = {"good": np.ones(count, bool), "moved": np.zeros(count, bool)}
    return Section(
        file="a.log",
        label="a",
        where="a.log:1",
        start=EVENING,
        pointing=pointing,
        seconds=seconds,
        north_arcsec=north,
        east_arcsec=None,
        north_pulse_ms=pulse,
        east_pulse_ms=None,
        **{**defaults, **options},
    )


def test_play_of_the_gears_step_by_step():
    """Against the plain definition: the telescope moves only when one of two stops pushes it."""
    rng = np.random.default_rng(8)
    motor = np.cumsum(rng.normal(scale=120, size=500))
    first = np.repeat([0, 100, 101, 380], [100, 1, 279, 120])
    for backlash in (0.0, 35.0, 250.0, 1e4):
        low, high = correct.dragged(motor, backlash, first)
        for rest, found in ((0.0, high), (backlash, low)):
            expected, place = [], None
            for i, at in enumerate(motor):
                if i == 0 or first[i] != first[i - 1]:
                    place = at - rest
                place = min(max(place, at - backlash), at)
                expected.append(place)
            assert found == pytest.approx(np.array(expected), abs=1e-9)


def test_a_new_level_after_moves_and_gaps():
    seconds = np.arange(100) * 3.0
    seconds[60:] += 31.0  # a gap of 34 s: more than ten rows
    moved = np.zeros(100, bool)
    moved[20] = True
    good = np.ones(100, bool)
    good[20:22] = False  # the move is in a row that lost the star
    track = correct.track(
        section_of(seconds, np.zeros(100), Pointing(hour_angle=0.0, dec=0.0), good=good, moved=moved)
    )
    assert np.flatnonzero(np.diff(track.piece)).tolist() == [19, 57]
    assert track.rows[20] == 22


def test_jumps_are_found_and_glitches_are_not_jumps():
    rng = np.random.default_rng(4)
    values = rng.normal(size=400)
    values[150:] += 8.0
    values[[40, 41, 42]] = 30.0
    assert abs(correct.jumps(values, np.zeros(400, int)) - [150]).max() <= 2
    assert not correct.jumps(rng.normal(size=5000), np.zeros(5000, int)).size


# The simulator is a route of its own, and agrees with the tests' own route


@pytest.mark.parametrize("place", [PLACE, SOUTH])
def test_simulated_star_moves_as_truth_says(place):
    """Two programs of astropy and Rotation, written apart: 0.01 arcsec over two hours (the noise left is 0.0002)."""
    hour, dec = 1.2, math.copysign(20.0, place.latitude_deg)
    (section,) = watched(place, 12.0, -7.0, [(hour, dec)], hours=2.0, scatter=SILENT)
    star = star_at(place, hour, dec, EVENING)
    hemisphere = np.sign(place.latitude_deg)
    axis = axis_direction(pole_seen(place, Time(EVENING)), 12 / 60, -7 / 60, hemisphere)
    rows = [0, 800, len(section.seconds) - 1]
    moved = [drift(place, star, EVENING, section.seconds[i], axis)[0] for i in rows]
    assert np.diff(section.north_arcsec[rows]) == pytest.approx(np.diff(moved), abs=0.01)


# The answer


@pytest.mark.parametrize("place", [PLACE, SOUTH])
@pytest.mark.parametrize("pole", ["apparent", "true"])
def test_silent_nights_give_the_axis_exactly(place, pole):
    """Without noise: 0.001 arcmin, a tenth of the best sigma of a real night."""
    dec = math.copysign(10.0, place.latitude_deg)
    sections = watched(place, 14.0, -9.0, [(-3.5, dec), (0.2, -dec)], scatter=SILENT)
    found = solve_log(sections, site_of(place), pole=pole).solution
    # Errors against the true pole: refraction lifts the apparent one. From truth.py, not from poleward.
    lifted = 0.0
    if pole == "true":
        both = [pole_seen(place, Time(EVENING), bent=bent) for bent in (True, False)]
        heights = [math.degrees(math.asin(direction[2])) * 60 for direction in both]
        lifted = heights[0] - heights[1]
    assert found.determined == "both"
    assert found.reference == f"{pole} pole"
    assert found.azimuth_error_arcmin == pytest.approx(14.0, abs=0.001 if pole == "apparent" else 0.002)
    assert found.altitude_error_arcmin == pytest.approx(-9.0 + lifted, abs=0.001)


def test_an_axis_degrees_off_is_found():
    sections = watched(PLACE, 150.0, -120.0, [(-3.5, 10.0), (0.2, 5.0)])
    found = solve_log(sections, SITE).solution
    assert np.abs(pulls(found, 150.0, -120.0)).max() < 3.5


def test_one_long_watch_gives_both_by_its_bend():
    (section,) = watched(PLACE, 6.0, -4.0, [(-1.5, 20.0)], hours=3.0)
    found = solve_log([section], SITE).solution
    assert found.determined == "both"
    assert np.abs(pulls(found, 6.0, -4.0)).max() < 3
    assert found.azimuth_sigma_arcmin < 0.1  # docs/noise-model.md: what one section can tell
    assert found.fit.degrees_of_freedom == 0
    assert [note.code for note in found.warnings] == ["only-watched", "no-check"]


def test_guided_night_of_the_kind_that_misled_least_squares():
    """1.5 h, seeing 0.8, correlated 0.5 over 30 s, A = 6, e = -4, 200 ms: the rate and the backlash come out too."""
    guider = Guider(true_rate=7.5 * 0.95, backlash_ms=200, move_every_s=600)
    sections = watched(
        PLACE, 6.0, -4.0, [(-4.0, 10.0), (0.0, 20.0)], hours=1.5, guider=guider, cadence_s=2.0,
        scatter=Scatter(glitch_share=0.01),
    )  # fmt: skip
    result = solve_log(sections, SITE)
    assert np.abs(pulls(result.solution, 6.0, -4.0)).max() < 3
    first = result.sections[0]
    assert abs(first.guide_rate_arcsec_per_s - 7.125) < 3 * first.guide_rate_sigma_arcsec_per_s
    assert first.guide_rate_sigma_arcsec_per_s < 0.05 * 7.5
    assert abs(first.backlash_ms - 200) < 3 * first.backlash_sigma_ms
    assert first.backlash_sigma_ms < 10
    assert first.levels == 9
    assert 10 < first.glitches < 40  # 27 of 2700 rows, of which a third are too small to be seen
    # Left to itself, without a stated rate, the log tells it as well.
    unstated = [replace(section, north_guide_rate_arcsec_per_s=None) for section in sections]
    again = solve_log(unstated, SITE)
    assert np.abs(pulls(again.solution, 6.0, -4.0)).max() < 3
    assert (
        abs(again.sections[0].guide_rate_arcsec_per_s - 7.125)
        < 3 * again.sections[0].guide_rate_sigma_arcsec_per_s
    )


def test_claimed_sigmas_keep_their_word():
    """Twenty nights of the experiment (docs/noise-model.md has 240): 40 pulls of A and e.

    Their mean square is within what chance allows, once in a thousand either way: A and e of a night are correlated,
    so it is taken as that of twenty.
    """
    from scipy.stats import chi2

    nights = log_nights()
    found = []
    for number in range(300, 320):
        drawn = nights.draw(number)
        solution = solve_log(drawn.sections, drawn.site).solution
        found.append(pulls(solution, drawn.azimuth, drawn.altitude))
    found = np.array(found)
    low, high = chi2.ppf([0.001, 0.999], 20) / 20
    assert low < np.mean(found**2) < high
    assert np.abs(found.mean(axis=0)).max() < 3.3 / math.sqrt(20)
    assert np.abs(found).max() < 4.2


def test_what_is_not_determined_is_not_said():
    """Ten minutes on the meridian: azimuth only, and which pointing would help."""
    (section,) = watched(PLACE, 6.0, -4.0, [(-0.1, 5.0)], hours=1 / 6)
    found = solve_log([section], SITE).solution
    assert found.determined == "azimuth"
    assert found.altitude_error_arcmin is None
    assert found.altitude_sigma_arcmin is None
    # The altitude error, held within a degree at one sigma, is part of the doubt.
    assert abs(found.azimuth_error_arcmin - 6.0) < 3 * found.azimuth_sigma_arcmin
    assert "add-pointing" in [note.code for note in found.warnings]


# What happens to real logs


def test_lost_stars_gaps_jumps_and_gusts_do_not_bend_the_answer():
    sections = list(watched(PLACE, 8.0, 5.0, [(-3.5, 10.0), (0.2, 5.0)], hours=1.5))
    one, two = sections
    north = one.north_arcsec.copy()
    north[900:] += 14.0  # someone touched the tripod
    north[300:312] += 6.0 * np.hanning(12)  # a gust
    good = np.ones(len(north), bool)
    good[500:530] = False
    north[510:530] = np.nan
    keep = (one.seconds < 3000) | (one.seconds > 3300)
    hurt = replace(
        one,
        seconds=one.seconds[keep], north_arcsec=north[keep], east_arcsec=None, good=good[keep], moved=one.moved[keep],
    )  # fmt: skip
    result = solve_log([hurt, two], SITE)
    assert np.abs(pulls(result.solution, 8.0, 5.0)).max() < 3
    assert result.sections[0].levels >= 4  # at first, after the lost stars, after the gap, after the jump
    assert result.sections[0].rows - result.sections[0].rows_used >= 30


def test_a_star_that_sinks_too_low_is_used_while_it_stood_high():
    """From 17 to 8 deg: rows below 10 deg are left out, and said so; asked for, they are used."""
    place, dec, hour = PLACE, 5.0, 4.6
    two, sinking = watched(place, 8.0, 5.0, [(0.2, 5.0), (hour, dec)])
    result = solve_log([two, sinking], SITE)
    codes = [note.code for note in result.solution.warnings]
    assert codes[:1] == ["low-rows"]
    assert "low-altitude" in codes
    whole = solve_log([two, sinking], SITE, allow_low=True)
    assert 0 < result.sections[1].rows_used < whole.sections[1].rows_used
    assert np.abs(pulls(result.solution, 8.0, 5.0)).max() < 3


def guided_pair(seed=3):
    guider = Guider(backlash_ms=100, move_every_s=600)
    points = [(-3.5, 10.0), (0.2, 5.0), (3.0, 25.0)]
    return watched(PLACE, 8.0, 5.0, points, hours=0.6, guider=guider, seed=seed)


def test_pulses_of_the_wrong_sign_are_not_believed():
    first, *rest = guided_pair()
    result = solve_log([replace(first, north_pulse_ms=-first.north_pulse_ms), *rest], SITE)
    assert result.sections[0].reason == (
        "its pulses move the star the wrong way: check `positive` of north and of north_pulse in the layout, "
        "and `reversed`"
    )
    assert [note.code for note in result.solution.warnings] == ["section-unused", "no-check"]
    assert np.abs(pulls(result.solution, 8.0, 5.0)).max() < 3


def test_pulses_in_the_wrong_unit_are_not_believed():
    first, *rest = guided_pair()
    result = solve_log([replace(first, north_pulse_ms=first.north_pulse_ms * 1000), *rest], SITE)
    assert result.sections[0].reason == (
        "its pulses do not move the star as they say: check their unit and the guide rate"
    )


def test_turned_sections_count_like_others():
    """After a meridian flip the reader turns star and pulses end for end; what was logged turned comes back right."""
    sections = guided_pair()
    plain = solve_log(sections, SITE).solution
    told = solve_log([replace(section, reversed=True) for section in sections], SITE)
    assert told.solution.azimuth_error_arcmin == plain.azimuth_error_arcmin
    assert all(section.reversed for section in told.sections)


def test_sections_that_cannot_be_used_say_why_and_the_others_go_on():
    one, two = watched(PLACE, 8.0, 5.0, [(-3.5, 10.0), (0.2, 5.0)])
    few = replace(one, good=np.arange(len(one.seconds)) < 12, label="few")
    sunk = replace(one, pointing=Pointing(hour_angle=math.pi, dec=0.0), label="sunk")
    low = replace(one, pointing=Pointing(hour_angle=math.radians(72), dec=0.0), label="low")
    low = replace(low, good=one.seconds > 1500)
    short = replace(one, label="short", seconds=one.seconds / 40)
    still = replace(one, label="still", north_arcsec=np.ones(len(one.seconds)))
    torn = replace(one, label="torn", moved=np.ones(len(one.seconds), bool))
    result = solve_log([few, one, sunk, low, short, still, torn, two], SITE)
    assert {each.label: each.reason for each in result.sections if each.reason} == {
        "few": "12 rows with a star, needed are 40",
        "sunk": "the star is 42.8 deg below the horizon: check hour angle, dec, latitude and time",
        "low": "the star stands at 2.3 deg, allowed is 10 deg or more",
        "short": "89 s long, needed are 120 s",
        "still": "the star's place never changes: these are not measurements",
        "torn": "1200 rows with a star in 1200 pieces, which leaves nothing to measure a drift by",
    }
    assert np.abs(pulls(result.solution, 8.0, 5.0)).max() < 3
    with pytest.raises(InputError, match="no section can be used: 12 rows with a star, needed are 40"):
        solve_log([few], SITE)
    with pytest.raises(InputError, match="there is no section to use"):
        solve_log([], SITE)
    with pytest.raises(UsageError, match="each: 'week', allowed is all, night, file or section"):
        solve_log([one], SITE, each="week")


# Night by night


def test_nights_apart_their_mean_and_their_trend():
    """Three nights, the axis moved by 2 arcmin of azimuth a day: the mean says that they disagree, the trend how."""
    sections = []
    for day in range(3):
        start = EVENING + timedelta(days=day)
        stretches = [Stretch(0, 2400, -3.5, 10.0, by_ra=True), Stretch(9000, 2400, 0.2, 5.0, by_ra=True)]
        rng = np.random.default_rng(day)
        made = night(SITE, 6.0 + 2 * day, -4.0, stretches, start, Scatter(), rng)
        sections += [replace(section, file=f"{day}.log") for section in made]
    result = solve_log(sections, SITE, each="night")
    assert [group.name for group in result.groups] == ["2024-03-10", "2024-03-11", "2024-03-12"]
    for day, group in enumerate(result.groups):
        assert np.abs(pulls(group.solution, 6.0 + 2 * day, -4.0)).max() < 3
    assert "axis-moved" in [note.code for note in result.solution.warnings]
    assert abs(result.trend.azimuth_arcmin_per_day - 2) < 3 * result.trend.azimuth_sigma_arcmin_per_day
    assert abs(result.trend.altitude_arcmin_per_day) < 3 * result.trend.altitude_sigma_arcmin_per_day
    assert [group.name for group in solve_log(sections[:4], SITE, each="file").groups] == ["0.log", "1.log"]
    assert len(solve_log(sections[:2], SITE, each="section").groups) == 2


def test_sections_join_to_the_same_answer():
    """Section by section each fixes little; their joined answer is that of the common fit, within its sigma."""
    sections = watched(PLACE, 6.0, -4.0, [(-3.5, 10.0), (0.2, 5.0), (3.0, 30.0)])
    whole = solve_log(sections, SITE).solution
    joined = solve_log(sections, SITE, each="section").solution
    assert joined.determined == "both"
    assert joined.azimuth_error_arcmin == pytest.approx(
        whole.azimuth_error_arcmin, abs=whole.azimuth_sigma_arcmin
    )
    assert joined.altitude_sigma_arcmin == pytest.approx(whole.altitude_sigma_arcmin, rel=0.4)


def test_the_record():
    record = solve_log(guided_pair(), SITE).to_record()
    again = json.loads(json.dumps(record, allow_nan=False))
    assert again["record"] == "solution"
    assert {
        "file", "label", "start", "duration_s", "rows", "rows_used", "north_rate_arcsec_per_min",
        "north_rate_sigma_arcsec_per_min", "noise", "guide_rate_arcsec_per_s", "backlash_ms",
    } <= set(again["sections"][0])  # fmt: skip
    assert len(again["drifts"]) == 3
    assert again["fit"]["sigma_source"] == "scatter"


def test_guiding_tells_about_itself():
    """A guider that sends back a share a of a merely scattering star: lag-1 correlation -a / 2 (docs/noise-model.md)."""
    guider = Guider(backlash_ms=0, aggressiveness=0.9, least_arcsec=0.0)
    scatter = Scatter(correlated_arcsec=0.05)
    still = watched(PLACE, 0.0, 0.0, [(0.0, 10.0)], guider=guider, cadence_s=1.0, scatter=scatter)
    (section,) = solve_log(still, SITE).sections
    assert section.guiding.north_lag_one == pytest.approx(-0.45, abs=0.05)
    assert section.guiding.drift_share < 0.05
    assert [note.code for note in section.notes] == ["fast-cadence", "overshoot", "overshoot"]
    (bare,) = solve_log([replace(still[0], north_pulse_ms=None)], SITE).sections
    assert bare.notes[0].code == "no-north-pulses"
    fast = watched(PLACE, 60.0, 0.0, [(0.0, 10.0)], guider=Guider(), cadence_s=3.0)
    (section,) = solve_log(fast, SITE).sections
    assert section.guiding.drift_share > 0.4
    assert section.guiding.rms_arcsec > section.guiding.rms_still_arcsec
