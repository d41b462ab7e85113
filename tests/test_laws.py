"""Laws that hold for every input: symmetries, scaling, derivatives, and that nothing but our own errors comes out."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from poleward import Air, Drifts, GuideCamera, PolewardError, Site, read_drifts, solve
from poleward.sky.axis import STELLAR_RATE, angle_between, displacement, tilted_axis, unit_vector
from poleward.sky.look import Pointing, look
from poleward.solving.how import RATES
from poleward.solving.model import drift_model
from poleward.timings.rows import COLUMNS, Drift

ARCMIN = math.radians(1 / 60)
ARCSEC = math.radians(1 / 3600)
NO_AIR = Air("0 hPa")
AIR = Air("950 hPa", "4 deg_C", 0.7)


@st.composite
def scenes(draw, air=AIR, largest_arcmin=60.0):
    """A site, an axis (A, e in arcmin) and pointings on both sides of the meridian that fix it."""
    latitude = draw(st.floats(8, 70)) * draw(st.sampled_from([-1, 1]))
    sign = math.copysign(1, latitude)
    axis = draw(st.floats(-largest_arcmin, largest_arcmin)), draw(st.floats(-largest_arcmin, largest_arcmin))
    hours = [draw(st.floats(-4, -2.5)), draw(st.floats(-0.5, 0.5))]
    hours += draw(st.lists(st.floats(-4, 4), max_size=3))
    decs = [sign * draw(st.floats(0, 35)) for _ in hours]
    seconds = [draw(st.floats(60, 1200)) for _ in hours]
    site = Site(latitude, air=air)
    pointings = [
        Pointing(hour_angle=math.radians(15 * h), dec=math.radians(d))
        for h, d in zip(hours, decs, strict=True)
    ]
    return site, axis, pointings, seconds


def made(site, axis, pointings, seconds):
    """Drifts, arcsec (N, 2): by the model, since it is symmetry and not truth that is tested here."""
    seconds = np.array(seconds)
    sight = look(pointings, np.stack([0 * seconds, seconds], axis=1), site)
    # Above the refusal of low stars at both ends.
    assume(np.all(sight.seen[..., 2] > math.sin(math.radians(12))))
    tilted = tilted_axis(axis[0] * ARCMIN, axis[1] * ARCMIN, sight.apparent_pole.direction, site.hemisphere)
    moved = displacement(tilted, sight.seen[:, 0], sight.seen[:, 1], STELLAR_RATE * seconds)
    return np.stack([moved.north, moved.east], axis=1) / ARCSEC


def timings(pointings, seconds, drifts, *, east=False):
    return Drifts(
        Drift(pointing, duration, float(north), float(along) if east else None)
        for pointing, duration, (north, along) in zip(pointings, seconds, drifts, strict=True)
    )


def answer(solution):
    assert solution.determined == "both"
    return np.array([solution.azimuth_error_arcmin, solution.altitude_error_arcmin])


# Rounding of a fit to 1e-14 of its scale; drifts are below 1e5 arcsec.
SAME_ARCMIN = 1e-6


@settings(max_examples=15)
@given(scenes())
def test_mirrored_hemisphere(scene):
    site, axis, pointings, seconds = scene
    drifts = made(*scene)
    here = answer(solve(timings(pointings, seconds, drifts, east=True), site))
    assert_allclose(here, axis, atol=SAME_ARCMIN)
    # North and south exchanged: decs and north drifts change sign, hour angles and east drifts do not, and an axis
    # too far east and too high is still too far east and too high.
    there = Site(-math.degrees(site.latitude_rad), air=AIR)
    mirrored = [replace(pointing, dec=-pointing.dec) for pointing in pointings]
    flipped = timings(mirrored, seconds, drifts * [-1, 1], east=True)
    assert_allclose(answer(solve(flipped, there)), here, atol=SAME_ARCMIN)
    # East and west exchanged, in space alone, would need time to run back; what is left of that law in the first
    # order: the same drifts in the other hemisphere's sign convention flip both errors.
    assert solve(timings(mirrored, seconds, drifts), there).azimuth_error_arcmin * here[
        0
    ] <= SAME_ARCMIN + 0.1 * (abs(here[0]) * 60)


@settings(max_examples=15)
@given(scenes(air=NO_AIR, largest_arcmin=3.0))
def test_doubling_drifts_doubles_small_errors(scene):
    site, axis, pointings, seconds = scene
    drifts = made(*scene)
    once = answer(solve(timings(pointings, seconds, drifts), site))
    twice = answer(solve(timings(pointings, seconds, 2 * drifts), site))
    # Second order: an error of 3' is 9e-4 rad, times tangents of latitude and dec of 3 at most, times what the least
    # favourable pointings magnify it by.
    assert_allclose(twice, 2 * once, atol=0.02 * math.hypot(*axis) + SAME_ARCMIN)


@settings(max_examples=15)
@given(
    scenes(),
    st.lists(st.tuples(st.floats(-4, 4), st.floats(-4, 4)), min_size=5, max_size=5),
    st.permutations(range(5)),
)
def test_order_of_pointings_does_not_matter(scene, noise, shuffled):
    site, _, pointings, seconds = scene
    count = len(seconds)
    noisy = made(*scene) + np.array(noise[:count])
    order = [i for i in shuffled if i < count]
    rows = list(timings(pointings, seconds, noisy, east=True))
    first = solve(Drifts(rows), site)
    second = solve(Drifts(rows[i] for i in order), site)
    # Noise leaves a sum of squares at the bottom, whose rounding hides a millionth of a sigma.
    sigma = max(first.azimuth_sigma_arcmin, first.altitude_sigma_arcmin)
    assert_allclose(answer(second), answer(first), rtol=0, atol=SAME_ARCMIN * max(1.0, sigma))
    assert second.azimuth_sigma_arcmin == pytest.approx(first.azimuth_sigma_arcmin, rel=1e-6)
    assert second.correlation == pytest.approx(first.correlation, abs=1e-6)
    assert second.fit.chi_square == pytest.approx(first.fit.chi_square, rel=1e-6, abs=1e-9)
    assert [second.drifts[k].north_arcsec for k in range(len(order))] == [rows[i].north_arcsec for i in order]


@settings(max_examples=15)
@given(scenes(), st.floats(0.3, 10), st.floats(-360, 360), st.booleans(), st.booleans())
def test_turned_and_mirrored_guide_camera(scene, scale, angle_deg, mirrored, east):
    site, axis, pointings, seconds = scene
    drifts = made(*scene)
    # Where the camera's axes lie on the sky, in words: y at the position angle, north through east; x a quarter turn
    # clockwise of it as the sky is seen, with east to the left, and the other way if mirrored.
    angle = math.radians(angle_deg)
    y_axis = np.array([math.cos(angle), math.sin(angle)])
    x_axis = np.array([math.sin(angle), -math.cos(angle)]) * (-1 if mirrored else 1)
    rows = []
    for pointing, duration, drift in zip(pointings, seconds, drifts, strict=True):
        rows.append(
            {
                "hour_angle": f"{pointing.hour_angle!r} rad",
                "dec": f"{pointing.dec!r} rad",
                "duration": duration,
                "x": float(drift @ x_axis / scale),
                "y": float(drift @ y_axis / scale),
            }
        )
    camera = GuideCamera(scale, f"{angle!r} rad", mirrored)
    by_pixels = solve(Drifts.from_rows(rows, guide_camera=camera), site)
    by_angles = solve(timings(pointings, seconds, drifts, east=True), site)
    assert_allclose(answer(by_pixels), answer(by_angles), atol=SAME_ARCMIN)
    assert_allclose(answer(by_pixels), axis, atol=SAME_ARCMIN)
    x, y = camera.to_pixels(*camera.to_sky(3.0, -2.0))
    assert (x, y) == (pytest.approx(3.0, abs=1e-12), pytest.approx(-2.0, abs=1e-12))


def central(function, at, step):
    """Derivative by central differences of the sixth order, columns last."""
    columns = []
    for k in range(len(at)):
        move = np.zeros(len(at))
        move[k] = step[k]
        steps = [function(at + m * move) - function(at - m * move) for m in (1, 2, 3)]
        columns.append((45 * steps[0] - 9 * steps[1] + steps[2]) / (60 * step[k]))
    return np.stack(columns, axis=-1)


directions = st.tuples(st.floats(0, 2 * math.pi), st.floats(0.2, 1.4)).map(lambda d: unit_vector(*d))


@settings(max_examples=50)
@given(
    st.floats(-1.5, 1.5),
    st.sampled_from([-1.0, 1.0]),
    st.floats(-0.06, 0.06),
    st.floats(-0.06, 0.06),
    st.floats(1e-3, 1.0),
    directions,
)
def test_jacobian_of_the_displacement(pole_altitude, hemisphere, a, e, turn, first):
    pole = unit_vector(0.0 if hemisphere > 0 else math.pi, abs(pole_altitude))
    axis = tilted_axis(a, e, pole, hemisphere)
    assume(0.2 < float(angle_between(first, axis.north)) < math.pi - 0.2)
    # A star that goes round the pole, as it would.
    from scipy.spatial.transform import Rotation

    later = Rotation.from_rotvec(-turn * hemisphere * pole).apply(first)

    def moved(p):
        d = displacement(
            tilted_axis(p[0], p[1], pole, hemisphere), first[None, :], later[None, :], np.array([p[2]])
        )
        return np.array([d.north[0], d.east[0]])

    at = np.array([a, e, turn])
    exact = displacement(axis, first[None, :], later[None, :], np.array([turn]))
    numeric = central(moved, at, np.full(3, 2e-3))
    # Sixth order: (2e-3 / 0.2)^6 of a derivative times 6!/140; rounding 1e-16 / 2e-3. Both below 1e-9.
    assert_allclose(exact.north_by[0], numeric[0], atol=1e-9)
    assert_allclose(exact.east_by[0], numeric[1], atol=1e-9)


@settings(max_examples=15)
@given(scenes(), st.floats(-0.01, 0.01))
def test_jacobian_of_the_drift_model(scene, fast):
    site, axis, pointings, seconds = scene
    rows = list(timings(pointings, seconds, made(*scene), east=True))
    rows[0] = replace(rows[0], north_sigma_arcsec=0.3, east_sigma_arcsec=2.0)
    ends = np.array([[0.0, duration] for duration in seconds])
    model = drift_model(rows, look(pointings, ends, site), "apparent", RATES["sidereal"], 1.0)
    at = np.array([*axis, fast])
    numeric = central(model.residuals, at, np.array([5.0, 5.0, 0.02]))
    # Derivatives are up to 60 arcsec per arcmin over 0.3 arcsec; steps of 5' are 1.5e-3 rad.
    assert_allclose(model.jacobian(at), numeric, atol=1e-6)


# --- Nothing but our own errors --------------------------------------------------------------------------------

NUMBERS = [
    "0",
    "-0",
    "1",
    "3.5",
    "-4.2",
    "1e9",
    "1e308",
    "1e999",
    "-1e-300",
    "nan",
    "inf",
    "-inf",
    "007",
    "1_0",
    ".",
]
PIECES = [
    *NUMBERS,
    *(f"{number} {unit}" for number in ("3", "-4.2", "nan", "1e300") for unit in ("deg", "arcsec", "min", "h", "pix")),
    *("5 arcsec/min", "2 arcmin/h", "1 kg", "3 bananas", "4 deg C", "0.1 pix", "3 mag", "2 %", "1 1", "5**3 s"),
    *("12:34:56", "-12:34:56", "12:99:00", "05h34m32s", "+47d30m", "-0h20m", "20m", "1h2h", "400d", "47°30'", "\N{MINUS SIGN}5"),
    *("2026-11-25T20:14:00Z", "2026-11-25T20:14:00", "2026-11-25", "0001-01-01T00:00Z", "9999-12-31T23:59:59Z"),
    *("2026-11-25T20:14:00+25:00", "yes", "no", "maybe", "", " ", "--", "'", '"', "é", "\N{PRIME}", "\0", "1,5"),
]  # fmt: skip
cells = st.one_of(
    st.sampled_from(PIECES),
    st.text(max_size=12),
    st.floats(),
    st.integers(-(10**6), 10**6),
    st.booleans(),
    st.none(),
    st.datetimes(),
    st.datetimes(timezones=st.just(UTC)),
)
keys = st.one_of(st.sampled_from(list(COLUMNS)), st.text(max_size=6))
SITES = [
    Site(47.0, 8.4),
    Site(-0.2, 0.0),
    Site(0.0),
    Site(-89.9, 170.0, air=NO_AIR),
    Site(89.999, -20.0),
    Site(30.0, air=Air("1100 hPa", "-80 deg_C", 1.0, "0.1 um")),
]

CAMERA = GuideCamera(1.9, "0.2 rad", False)


def complaint(job):
    """What a job complains of in the project's own words; anything else it raises is a failure."""
    try:
        job()
    except PolewardError as error:
        return error.message
    return None


@settings(max_examples=200, suppress_health_check=[HealthCheck.too_slow])
@given(
    st.lists(st.dictionaries(keys, cells, max_size=8), max_size=3),
    st.sampled_from(["", "UTC", "Europe/Zurich"]),
)
def test_any_rows(rows, zone):
    refused = complaint(lambda: Drifts.from_rows(rows, guide_camera=CAMERA, timezone=zone))
    assert refused is None or refused.isprintable()


@settings(max_examples=200, suppress_health_check=[HealthCheck.too_slow])
@given(
    st.sampled_from(
        [
            {"hour_angle": "1", "dec": "3", "duration": "300", "north": "4"},
            {"ra": "05h34m", "dec": "3", "duration": "300", "north": "4", "time": "2026-11-25T20:14:00Z"},
            {"azimuth": "100", "altitude": "30", "duration": "300", "x": "4", "y": "2"},
            {"hour_angle": "1", "dec": "3", "duration": "300", "north_rate": "4", "north_rate_sigma": "1"},
        ]
    ),
    st.dictionaries(st.sampled_from(list(COLUMNS)), cells, min_size=1, max_size=2),
)
def test_a_good_row_with_bad_cells(row, changed):
    refused = complaint(lambda: solve(Drifts.from_rows([{**row, **changed}], guide_camera=CAMERA), SITES[0]))
    assert refused is None or refused.isprintable()


HEADERS = [
    b"hour_angle,dec,duration,north",
    b"hour_angle [h],dec [deg],duration [min],north [arcsec]",
    b"ra [deg],dec,time [Europe/Zurich],duration,north,use",
    b"azimuth;altitude;duration;x;y",
    b"label\tnorth\tnorth",
    b"# %ECSV 1.0\n# ---\n# datatype:\n# - {name: hour_angle, unit: h, datatype: float64}\n"
    b"# - {name: dec, unit: deg, datatype: float64}\n# - {name: duration, unit: s, datatype: float64}\n"
    b"# - {name: north, unit: arcsec, datatype: float64}\n# schema: astropy-2.0\nhour_angle dec duration north",
    b"# %ECSV 1.0\n# ---\n# datatype: 3",
    b"<?xml version='1.0'?><VOTABLE><RESOURCE><TABLE><FIELD name='north' datatype='double'/>",
    b"\xff\xfe",
    b"\xef\xbb\xbfhour_angle,dec,duration,north",
    b"",
]
lines = st.one_of(
    st.lists(st.sampled_from(PIECES), min_size=1, max_size=6).map(lambda c: ",".join(c).encode()),
    st.lists(st.sampled_from(NUMBERS), min_size=4, max_size=4).map(lambda c: " ".join(c).encode()),
    st.sampled_from(
        [b"1,3,5 min,4", b"-4h,10,300,2.5", b"1 3 300 4", b'"1', b"#", b"1;2;3", b"</TABLE>", b"a\rb"]
    ),
    st.binary(max_size=30),
)


@settings(max_examples=200, suppress_health_check=[HealthCheck.too_slow])
@given(st.sampled_from(HEADERS), st.lists(lines, max_size=4), st.sampled_from([b"\n", b"\r\n", b"\r"]))
def test_any_file(tmp_path_factory, header, body, end):
    path = tmp_path_factory.getbasetemp() / "any-file.csv"
    path.write_bytes(end.join([header, *body]))
    refused = complaint(lambda: solve(read_drifts(path, guide_camera=CAMERA), SITES[0]))
    assert refused is None or refused.isprintable()


angles = st.floats(-math.pi, math.pi)
moments = st.datetimes(datetime(1900, 1, 2), datetime(2099, 12, 31), timezones=st.just(UTC))
decs = st.one_of(st.floats(-math.pi / 2, math.pi / 2), st.sampled_from([-math.pi / 2, 0.0, math.pi / 2]))
pointings = st.one_of(
    st.builds(lambda h, d: Pointing(hour_angle=h, dec=d), angles, decs),
    st.builds(lambda a, h: Pointing(azimuth=a, altitude=h), angles, st.floats(0.17, math.pi / 2)),
    st.builds(lambda r, d, t: Pointing(ra=r + math.pi, dec=d, time=t), angles, decs, moments),
)


@st.composite
def any_drifts(draw):
    duration = draw(st.one_of(st.floats(1e-3, 43200), st.sampled_from([60.0, 300.0])))
    value = st.one_of(st.floats(-20 * duration, 20 * duration), st.floats(-10, 10))
    north, east = draw(value), draw(st.one_of(st.none(), value))
    sigma = st.one_of(st.none(), st.floats(1e-6, 1e6))
    if east is not None and draw(st.booleans()):
        return Drift(draw(pointings), duration, None, east, None, draw(sigma))
    return Drift(draw(pointings), duration, north, east, draw(sigma), draw(sigma), used=draw(st.booleans()))


@settings(max_examples=15, suppress_health_check=[HealthCheck.too_slow])
@given(
    st.lists(any_drifts(), max_size=5),
    st.sampled_from(SITES),
    st.sampled_from(["apparent", "true"]),
    st.sampled_from([{}, {"robust": True}, {"from_scatter": True}]),
)
def test_any_timings(drifts, site, pole, options):
    try:
        solution = solve(Drifts(drifts), site, pole=pole, allow_low=True, **options)
    except PolewardError:
        return
    record = solution.to_record()["axis"]
    for name in ("azimuth", "altitude"):
        value, sigma = record[f"{name}_error_arcmin"], record[f"{name}_sigma_arcmin"]
        told = solution.determined in (name, "both")
        assert (value is not None) == (sigma is not None) == told
        if told:
            assert math.isfinite(value)
            assert sigma > 0
            assert math.isfinite(sigma)
