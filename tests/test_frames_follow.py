"""Stars followed from picture to picture: centres, moves and rates, against photutils' references and scipy."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest
from photutils.centroids import centroid_2dg, centroid_sources
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation
from scipy.special import erf

from poleward.errors import InputError
from poleward.frames.adjust import StarWays
from poleward.frames.follow import follow
from poleward.frames.image import Frame
from poleward.frames.match import moves
from poleward.frames.motion import drive_sigma, pace, paces
from poleward.frames.stars import find_stars
from poleward.frames.track import Sighting, sighting
from poleward.frames.trail import trails_of
from poleward.simulate.frames import FrameScene, paths, pictures
from poleward.simulate.guider import Scatter, lasting_noise
from poleward.simulate.picture import Faults, View, add_star
from poleward.sky.site import Site


def test_a_move_is_scipys_rotation_and_its_sigma_that_of_least_squares():
    rng = np.random.default_rng(3)
    centre = np.array([319.5, 239.5])
    reference = rng.uniform(0, 480, (12, 2))
    sigma = rng.uniform(0.02, 0.2, 12)
    angle, shift = np.radians(0.4), np.array([7.3, -2.1])
    turned = Rotation.from_rotvec([0, 0, angle]).apply(np.column_stack([reference - centre, np.zeros(12)]))
    places = centre + shift + turned[:, :2]
    noisy = places + sigma[:, None] * rng.normal(size=(12, 2))
    one = np.zeros(12, int)
    exact = moves(reference, places, 1 / sigma**2, one, 1, centre)
    # A thousandth of a thousandth of a pixel and of its angle at the corner: rounding.
    assert exact.shift[0] == pytest.approx(shift, abs=1e-9)
    assert exact.turn[0] == pytest.approx(angle, abs=1e-12)

    def off(unknown):
        spun = Rotation.from_rotvec([0, 0, unknown[2]]).apply(
            np.column_stack([reference - centre, np.zeros(12)])
        )
        return ((centre + unknown[:2] + spun[:, :2] - noisy) / sigma[:, None]).ravel()

    best = least_squares(off, [0, 0, 0], xtol=1e-15, ftol=1e-15, gtol=1e-15)
    found = moves(reference, noisy, 1 / sigma**2, one, 1, centre)
    spread = np.sqrt(np.diag(np.linalg.inv(best.jac.T @ best.jac)))
    # scipy stops at the root of the rounding; a thousandth of a sigma is 1e-5 pixels.
    assert found.shift[0] == pytest.approx(best.x[:2], abs=1e-5)
    assert found.turn[0] == pytest.approx(best.x[2], abs=1e-7)
    # The sigmas are those at the found turn, to first order: a few per cent at most with a dozen stars.
    assert found.shift_sigma[0] == pytest.approx(spread[:2], rel=0.02)
    assert found.turn_sigma[0] == pytest.approx(spread[2], rel=0.02)


def test_a_rate_holds_the_truth_as_often_as_it_says():
    white, lasting, time_s = 0.5, 0.35, 30.0
    seconds = np.arange(0, 121, 4.0)
    pulls = []
    for seed in range(30):
        rng = np.random.default_rng(seed)
        noise = white * rng.normal(size=31) + lasting_noise(seconds, Scatter(white, lasting, time_s), rng)
        found = pace(seconds, 0.1 * seconds + noise, np.full(31, 0.05))
        pulls.append((found.rate - 0.1) / found.sigma)
    # Of 30 at 95 %, 6 or more are missed by chance once in 300; the experiment has 200 a cell.
    assert np.count_nonzero(np.abs(pulls) > 1.96) < 6
    assert 0.6 < np.std(pulls) < 1.5


def test_pointings_of_one_run_tell_each_other_of_their_noise():
    """Three that only twinkle: one that knows of the others is surer, and holds the truth as often as it says."""
    seconds = np.arange(0, 121, 4.0)
    alone, beside, pulls = [], [], []
    for seed in range(30):
        rng = np.random.default_rng([8, seed])
        series = [(seconds, 0.1 * seconds + rng.normal(size=31), np.full(31, 0.05)) for _ in range(3)]
        found = paces(series)
        alone.append(pace(*series[0]).sigma)
        beside.append(found[0].sigma)
        pulls += [(each.rate - 0.1) / each.sigma for each in found]
    assert np.mean(beside) < 0.93 * np.mean(alone)
    # Of 90 at 95 %, 11 or more are missed by chance once in 200.
    assert np.count_nonzero(np.abs(pulls) > 1.96) < 11
    # A windy one beside two calm ones is not believed to be as calm as they are.
    shares = []
    for seed in range(20):
        rng = np.random.default_rng([4, seed])
        windy = 0.5 * rng.normal(size=31) + lasting_noise(seconds, Scatter(0.5, 3.0, 30.0), rng)
        series[0] = seconds, windy, np.full(31, 0.05)
        shares.append(paces(series)[0].sigma / pace(*series[0]).sigma)
    assert np.median(shares) > 0.9


def test_a_turn_holds_the_truth_though_hot_pixels_pull_at_stars():
    """Of 20 stars two slide past hot pixels, which pull each along by four sigmas of its way; a turn of 1e-4 in all."""
    seconds, true = np.arange(0, 121, 4.0), 1e-4
    # Of a way over the run, whose 31 places are known to 0.05 pixels each.
    way_sigma = 0.05 * np.sqrt(12 / 31)
    pulls, plain = [], []
    for seed in range(60):
        rng = np.random.default_rng([9, seed])
        at = rng.uniform(-200, 200, (20, 2))
        way = true * np.column_stack([-at[:, 1], at[:, 0]])
        way[:2] += 4 * way_sigma * rng.choice([-1, 1], (2, 2))
        share = (seconds / 120)[:, None]
        offset = np.concatenate([place + share * each for place, each in zip(at, way, strict=True)])
        offset += rng.normal(0, 0.05, offset.shape)
        frame, name = np.tile(np.arange(31), 20), np.repeat(np.arange(20), 31)
        ways = StarWays(offset, np.full(620, 400.0), frame, name)
        rate, sigma = ways.turn_rate(seconds)
        pulls.append((120 * rate - true) / (120 * sigma))
        slopes = np.array([np.polyfit(seconds / 120, offset[name == star], 1)[0] for star in range(20)])
        arm, slopes = at - at.mean(0), slopes - slopes.mean(0)
        turn = np.sum(arm[:, 0] * slopes[:, 1] - arm[:, 1] * slopes[:, 0]) / np.sum(arm**2)
        plain.append((turn - true) / (way_sigma / np.sqrt(np.sum(arm**2))))
    assert np.std(plain) > 1.3
    assert np.std(pulls) < 1.2
    # Of 60 at 95 %, 8 or more are missed by chance once in 50.
    assert np.count_nonzero(np.abs(pulls) > 1.96) < 8
    later = ways.part(np.arange(5, 31)).turn_rate(seconds[5:])
    assert later[0] == pytest.approx(true / 120, abs=4 * later[1])
    two = name < 2
    assert StarWays(offset[two], np.full(62, 400.0), frame[two], name[two]).turn_rate(seconds) is None


def test_a_gust_is_no_motion():
    rng = np.random.default_rng(1)
    seconds = np.arange(0, 121, 4.0)
    values = 0.3 * rng.normal(size=31)
    calm = pace(seconds, values, np.full(31, 0.05))
    values[27] += 12
    gust = pace(seconds, values, np.full(31, 0.05))
    assert 27 not in gust.used
    # One picture less of 31, near the end, moves the rate by a fraction of its sigma.
    assert gust.rate == pytest.approx(calm.rate, abs=0.6 * calm.sigma)


def test_three_pictures_give_a_rate_that_is_very_unsure():
    found = pace(np.array([0.0, 4, 8]), np.array([0.0, 0.5, 0.9]), np.full(3, 0.05))
    # They miss a line by 0.1 / sqrt(6) with one degree of freedom; the slope's plain sigma is that over sqrt(32), and
    # Student's t makes it 12.71 over 1.96 of that (table of t, M). A memory may only add to it.
    assert found.sigma > 0.1 / np.sqrt(6) / np.sqrt(32) * 12.71 / 1.96
    with pytest.raises(ValueError, match="a rate and its noise need 3 pictures, here are 2"):
        pace(np.array([0.0, 4]), np.zeros(2), np.full(2, 0.05))


def test_a_drives_wave_is_in_doubt_by_its_height_in_two_minutes_and_less_in_twenty():
    # Over 120 s a wave of 10 arcsec and 480 s has moved by 10 sqrt(2) sin(pi / 4) = 10 arcsec (rms over phases).
    assert 8 < drive_sigma(np.arange(0, 121, 4.0)) * 120 < 16
    assert drive_sigma(np.arange(0, 1201, 4.0)) * 1200 < 8


SITE = Site("47 deg", "8 deg", "500 m")


def scene(**changes) -> FrameScene:
    """A quarter of a degree of sky over a mount half a degree off."""
    first = FrameScene(SITE, 30, -20, datetime(2024, 3, 10, 20, tzinfo=UTC), -1.0, 20.0, 40, View())
    return replace(first, **changes)


def seen_in(made: FrameScene, seconds: np.ndarray, seed: int = 1) -> list[Sighting]:
    found = [
        sighting(Frame(f"picture {number}", picture.astype(np.float32), second))
        for number, (picture, second) in enumerate(
            zip(pictures(made, seconds, np.random.default_rng(seed)), seconds.tolist(), strict=True)
        )
    ]
    return [each for each in found if isinstance(each, Sighting)]


@pytest.fixture(scope="module")
def field() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """One picture with every star well apart, and where they are."""
    rng = np.random.default_rng(5)
    light = np.full((300, 400), 200.0)
    grid = np.array([(x, y) for x in range(30, 390, 50) for y in range(30, 290, 50)], float)
    places = grid + rng.uniform(-5, 5, grid.shape)
    flux = 10 ** rng.uniform(3.5, 5, len(places))
    for place, each in zip(places, flux, strict=True):
        add_star(light, place, each, 3.0)
    return rng.poisson(light).astype(np.float32), places, flux


def test_pixels_without_a_value_cost_no_star(field):
    picture, places, _ = field
    holed = picture.copy()
    holed[::37, ::41] = np.nan
    near = np.min(np.hypot(*(places[:, None] - np.argwhere(np.isnan(holed))[:, ::-1]).T), axis=0)
    whole, found = find_stars(picture), find_stars(holed)
    # A hole within a star may cost that one.
    assert len(whole) - np.count_nonzero(near < 8) <= len(found) <= len(whole)


def test_centres_are_those_of_photutils_reference_fit_and_of_the_truth(field):
    image, places, _ = field
    stars = find_stars(image)
    assert len(stars) == len(places)
    near = np.argmin(np.hypot(stars.x[:, None] - places[:, 0], stars.y[:, None] - places[:, 1]), axis=1)
    off = np.concatenate([stars.x - places[near, 0], stars.y - places[near, 1]])
    noise = np.tile(stars.noise, 2)
    # 96 coordinates: chi over its root of degrees of freedom is within 0.78 to 1.25 for sigmas that are right; a Moffat
    # star is a tenth worse than the Gaussian for which the noise is worked out.
    assert 0.78 < np.sqrt(np.mean((off / noise) ** 2)) < 1.35
    # photutils' fit of a two-dimensional Gaussian to the same pixels: the two differ by less than the noise.
    fitted = centroid_sources(
        image - 200, stars.x[:12], stars.y[:12], box_size=11, centroid_func=centroid_2dg
    )
    assert np.abs(fitted[0] - stars.x[:12]) == pytest.approx(0, abs=4 * stars.noise[:12].max())
    assert np.abs(fitted[1] - stars.y[:12]) == pytest.approx(0, abs=4 * stars.noise[:12].max())


def test_hot_pixels_bad_lines_trails_and_full_stars_are_no_stars(field):
    image, places, _ = field
    rng = np.random.default_rng(2)
    spoilt = image.copy()
    spoilt.reshape(-1)[rng.integers(0, image.size, 2000)] += rng.exponential(5000, 2000).astype(np.float32)
    spoilt[150] += 900
    spoilt[:, 200] = 0
    spoilt[np.arange(300), np.arange(300) + 40] += 4000
    spoilt = np.minimum(spoilt, 6000)
    stars = find_stars(spoilt)
    away = np.min(np.hypot(stars.x[:, None] - places[:, 0], stars.y[:, None] - places[:, 1]), axis=1)
    assert len(stars) >= 15
    # A hot pixel beside a star's core may pull it; nothing that is no star is among them.
    assert away.max() < 1.5
    assert np.median(away) < 0.1
    full = np.argmax(image[tuple(np.round(places[:, ::-1]).astype(int).T)])
    assert np.hypot(stars.x - places[full, 0], stars.y - places[full, 1]).min() > 10


def test_eight_bits_and_a_dark_sky_still_show_their_stars(field):
    image, places, _ = field
    # A count is now 2.5 sigmas of the sky; half of the pixels are equal. The brighter half of the stars must be left.
    stars = find_stars(np.floor(image / 35))
    away = np.min(np.hypot(stars.x[:, None] - places[:, 0], stars.y[:, None] - places[:, 1]), axis=1)
    assert len(stars) > 24
    assert away.max() < 0.5


@pytest.mark.parametrize(
    ("spoil", "told"),
    [
        (
            lambda image, hot: hot.random(image.shape) * 60000,
            " % of its pixels stand out alone: hot pixels, no stars$",
        ),
        (
            lambda image, hot: image + (hot.random(image.shape) < 0.7) * hot.exponential(3000, image.shape),
            " % of its pixels stand out alone: hot pixels",
        ),
        (
            lambda image, hot: np.where(hot.random(image.shape) < 0.1, 60000, image),
            " % of its pixels stand out alone: hot pixels, no stars",
        ),
        (lambda image, hot: np.full_like(image, 65535), "all of its pixels have the same value"),
        (lambda image, hot: image * np.nan, "more than half of its pixels have no value"),
        (lambda image, hot: hot.normal(300, 5, image.shape), "no stars stand out of the background"),
        (lambda image, hot: image[:9], "its picture has 400 x 9 pixels, needed are 32 a side"),
    ],
)
def test_a_picture_without_stars_says_so(field, spoil, told):
    with pytest.raises(InputError, match=f"^frame.fits: .*{told}"):
        find_stars(spoil(field[0], np.random.default_rng(4)).astype(np.float32), None, "frame.fits")


def test_the_whole_field_is_followed_through_cloud_satellite_hot_pixels_and_defocus():
    seconds = np.arange(0.0, 81, 10)
    made = scene(faults=Faults(Scatter(1.0, 0.5, 30.0), cloud=(0.5, 0.7, 0.1)))
    found = follow(seen_in(made, seconds))
    assert [len(track.seconds) for track in found.tracks] == [9]
    track = found.tracks[0]
    assert track.matched.min() >= 3
    # The field's own motion, jitter and all, is what the first star did; drawn again from the same seed.
    rng = np.random.default_rng(1)
    north, east = paths(made, seconds, rng)
    scatter = made.faults.scatter
    jitter = [
        scatter.white_arcsec * rng.normal(size=9) + lasting_noise(seconds, scatter, rng) for _ in range(2)
    ]
    worm = 8 * np.sin(2 * np.pi * seconds / 480 + rng.uniform(0, 2 * np.pi))
    middle = made.view.pixels(north[:, 0] + jitter[0], east[:, 0] + jitter[1] + worm)
    for values, sigma, true in zip((track.x, track.y), (track.x_sigma, track.y_sigma), middle.T, strict=True):
        off = values - true
        # Nine pictures: within 4 of their own sigmas after the common zero is taken out.
        assert np.all(np.abs(off - np.median(off)) < 4 * sigma + 0.01)


def test_a_pointing_that_moved_begins_a_new_track_and_strangers_are_left_out():
    seconds = np.arange(0.0, 31, 10)
    quiet = Faults(Scatter(0.5, 0.2, 30.0), satellite=-1, cloud=(2, 2, 1))
    first = seen_in(scene(faults=quiet), seconds)
    nudged = [
        replace(
            each,
            source=f"nudged {i}",
            middle_s=each.middle_s + 60,
            stars=replace(each.stars, x=each.stars.x + 9),
        )
        for i, each in enumerate(first)
    ]
    stranger = replace(seen_in(scene(faults=quiet), seconds[:1], 9)[0], source="stranger", middle_s=50.0)
    found = follow([*first, stranger, *nudged])
    assert [track.sources[0] for track in found.tracks] == ["picture 0", "nudged 0"]
    assert [(each.source, each.reason) for each in found.left_out] == [
        ("stranger", "its stars are those of no other picture: moved, or cloud")
    ]


def test_the_ends_of_trails_are_found_to_a_tenth_of_a_pixel() -> None:
    """Lines of light under a Gaussian star's blur: scipy's error function along, a Gaussian across. 0.1 pixel: in five
    pictures the photons' noise makes 0.04 at the worst of fifty ends."""
    y, x = np.mgrid[0:300, 0:400]
    way = np.array([70.3, 52.7])
    length = float(np.hypot(*way))
    along, blur = way / length, 1.3 * 2**0.5
    starts = np.array([(50.4, 40.2), (150.7, 120.1), (260.3, 60.9), (90.2, 180.6), (220.8, 200.3)])
    light = np.full(x.shape, 200.0)
    for left, low in starts:
        far = (x - left) * along[0] + (y - low) * along[1]
        aside = (y - low) * along[0] - (x - left) * along[1]
        light += 1500 * np.exp(-((aside / blur) ** 2)) * (erf(far / blur) - erf((far - length) / blur))
    picture = np.random.default_rng(2).poisson(light).astype(np.float32)
    ends = trails_of(Frame("trails", picture, 0.0)).ends
    ends = ends if np.dot(ends[0, 1] - ends[0, 0], way) > 0 else ends[:, ::-1]
    assert len(ends) == len(starts)
    for first, last in ends:
        start = starts[np.argmin(np.hypot(*(starts - first).T))]
        assert first == pytest.approx(start, abs=0.1)
        assert last == pytest.approx(start + way, abs=0.1)
