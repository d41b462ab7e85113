"""How well camera frames tell a drift, and whether its sigma keeps its word: pictures of known truth, followed and fitted.

Run ``python docs/experiments/frames.py drift [RUNS [CELL...]]`` (a cell a line), ``... noise [RUNS [NEW,LASTING,TIME...]]``,
``... centres`` or ``... chain``; the tables stand in docs/frames.md. Truth by astropy and scipy's Rotation
(`poleward.simulate.frames`).
"""

from __future__ import annotations

import math
import sys
import tempfile
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
from scipy import stats
from scipy.optimize import brentq

from poleward import read_frames, solve
from poleward.frames.follow import follow
from poleward.frames.image import Frame
from poleward.frames.motion import drive_sigma, paces
from poleward.frames.stars import find_stars
from poleward.frames.track import FieldTrack, LeftOut, sighting
from poleward.setup import Setup
from poleward.simulate.frames import FrameScene, paths, pictures, save_frames
from poleward.simulate.guider import Scatter, lasting_noise
from poleward.simulate.picture import Faults, View, add_star
from poleward.sky.camera import GuideCamera
from poleward.sky.look import Pointing
from poleward.sky.site import Site
from poleward.timings.drifts import Drifts
from poleward.timings.rows import Drift

WHEN = datetime(2024, 3, 10, 20, tzinfo=UTC)
SECONDS = np.arange(0.0, 121, 4)
SMALL, LARGE = (320, 240), (640, 480)
CELLS = {
    "12 stars, 3 pix": (12, SMALL, 3.0, (0.8, 0.4, 30), False),
    "12 stars, 2 pix, mirrored": (12, SMALL, 2.0, (0.8, 0.8, 30), True),
    "60 stars, 3 pix, mirrored": (60, SMALL, 3.0, (0.8, 0.4, 30), True),
    "60 stars, 4 pix": (60, SMALL, 4.0, (0.8, 0.8, 60), False),
    "60 stars, 3 pix, nothing lasts": (60, SMALL, 3.0, (0.8, 0.0, 30), False),
    "60 stars, 2 pix, windy": (60, SMALL, 2.0, (0.5, 1.0, 20), True),
    "200 stars, 3 pix": (200, LARGE, 3.0, (0.8, 0.4, 30), False),
    "200 stars, 4 pix, mirrored": (200, LARGE, 4.0, (1.6, 0.8, 20), True),
}
"""Stars in the picture, its size, their width, jitter (new, lasting, arcsec; time, s), mirrored."""


def bound(seconds: np.ndarray, white: float, lasting: float, time_s: float) -> float:
    """The least sigma of a rate, the noise known (Gauss and Markov)."""
    apart = np.abs(seconds[:, None] - seconds)
    covariance = white**2 * np.eye(len(seconds)) + lasting**2 * np.exp(-apart / time_s)
    line = np.column_stack([np.ones(len(seconds)), seconds])
    return math.sqrt(np.linalg.inv(line.T @ np.linalg.solve(covariance, line))[1, 1])


def scene_of(cell: str, seed: int) -> FrameScene:
    stars, size, width, noise, mirrored = CELLS[cell]
    rng = np.random.default_rng([7, seed])
    north = rng.random() < 0.5
    return FrameScene(
        Site(f"{47 if north else -33} deg", "8 deg", "500 m"),
        rng.uniform(-40, 40),
        rng.uniform(-40, 40),
        WHEN,
        rng.uniform(-3, 3),
        (1 if north else -1) * rng.uniform(-5, 45),
        # Strewn over a field of 2.25 times the picture's.
        round(2.25 * stars),
        View(*size, 2.0, rng.uniform(0, 360), mirrored, bool(rng.random() < 0.5)),
        Faults(Scatter(*noise), fwhm_pix=width),
    )


def one_run(cell: str, seed: int) -> tuple[FieldTrack, list[np.ndarray], list[float]] | None:
    """The track; its paths north and east, arcsec; the true rates of both, arcsec/s, and of the turn, rad/s."""
    scene = scene_of(cell, seed)
    view = scene.view
    frames = pictures(scene, SECONDS, np.random.default_rng([1, seed]))
    seen = [
        sighting(Frame(f"{i}", each.astype(np.float32), second))
        for i, (each, second) in enumerate(zip(frames, SECONDS.tolist(), strict=True))
    ]
    tracks = follow([each for each in seen if not isinstance(each, LeftOut)]).tracks
    if len(tracks) != 1:
        print("    tracks:", len(tracks), cell, seed)
        return None
    track = tracks[0]
    # Upright again by the view's own words; the library's way there has tests of its own.
    spin = math.radians(view.angle_deg - 180 * view.other_side)
    x = -track.x if view.mirrored else track.x
    north = view.scale_arcsec * (x * math.sin(spin) + track.y * math.cos(spin))
    east = view.scale_arcsec * (track.y * math.sin(spin) - x * math.cos(spin))
    true_north, true_east = paths(scene, SECONDS, np.random.default_rng([1, seed]))
    angle = np.unwrap(
        np.arctan2(true_east[:, 1:] - true_east[:, :1], true_north[:, 1:] - true_north[:, :1]), axis=0
    )
    # From x toward y is from north toward east, unless mirrored.
    hand = -1 if view.mirrored else 1
    truth = (true_north[:, 0], true_east[:, 0], hand * np.mean(angle, axis=1))
    return track, [north, east], [np.polyfit(SECONDS, path, 1)[0] for path in truth]


def two_runs(cell: str, seed: int) -> list[tuple[np.ndarray, ...]]:
    """Of two pointings of one run, north, east and turn: errors, sigmas, and sigmas over their bounds."""
    scatter = scene_of(cell, 0).faults.scatter
    runs = [run for run in (one_run(cell, seed), one_run(cell, seed + 1)) if run is not None]
    least = bound(SECONDS, scatter.white_arcsec, scatter.correlated_arcsec, scatter.time_s)
    paced = [
        paces([(track.seconds, places[way], 2 * track.x_sigma) for track, places, _ in runs])
        for way in (0, 1)
    ]
    found = []
    for (track, _, truth), north, east in zip(runs, *paced, strict=True):
        turn = track.ways.turn_rate(track.seconds)
        worm = drive_sigma(track.seconds[east.used])
        sigmas = np.array([north.sigma, math.hypot(east.sigma, worm), turn[1]])
        bounds = [least, least, bound(SECONDS, float(np.median(track.turn_sigma)), 0.0, 1.0)]
        errors = np.array([north.rate, east.rate, turn[0]]) - truth
        found.append((errors, sigmas, np.array([north.sigma, east.sigma, turn[1]]) / bounds))
    return found


def drift(runs: int, *cells: str) -> None:
    print(
        "| | runs | north: rms pull | 68 % | 95 % | sigma / bound | east: 95 % | turn: rms pull | 68 % | 95 % | sigma / bound |"
    )
    print("| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |")
    everything = []
    for cell in cells or CELLS:
        results = [each for seed in range(0, runs, 2) for each in two_runs(cell, seed)]
        pulls = np.array([error / sigma for error, sigma, _ in results])
        ratio = np.median([each for _, _, each in results], axis=0)
        everything.append(pulls)
        print(row(cell, pulls, ratio), flush=True)
    print(row("all", np.concatenate(everything), None))


def row(name: str, pulls: np.ndarray, ratio: np.ndarray | None) -> str:
    within = [[np.mean(np.abs(each) < limit) for limit in (1, 1.96)] for each in pulls.T]
    rms = np.sqrt(np.mean(pulls**2, axis=0))
    told = [f"{each:.2f}" for each in ratio] if ratio is not None else ["", "", ""]
    return (
        f"| {name} | {len(pulls)} | {rms[0]:.2f} | {within[0][0]:.0%} | {within[0][1]:.0%} | {told[0]} | "
        f"{within[1][1]:.0%} | {rms[2]:.2f} | {within[2][0]:.0%} | {within[2][1]:.0%} | {told[2]} |"
    )


def centres(runs: int) -> None:
    """Centres by photutils' ways, against the bound of photon and background noise (Cramer and Rao)."""
    from photutils.detection import DAOStarFinder
    from scipy.spatial import cKDTree

    print("| stars | as used here | DAOStarFinder |\n| --- | --- | --- |")
    for width in (2.0, 3.0, 4.0):
        off: dict[str, list[float]] = {"used": [], "finder": []}
        for seed in range(runs):
            rng = np.random.default_rng([5, seed])
            grid = np.array([(x, y) for x in range(25, 620, 40) for y in range(25, 460, 40)], float)
            places, flux = grid + rng.uniform(-5, 5, grid.shape), 10 ** rng.uniform(3.5, 5, len(grid))
            light = np.full((480, 640), 200.0)
            for place, each in zip(places, flux, strict=True):
                add_star(light, place, each, width)
            image = (rng.poisson(light) + rng.normal(0, 5, light.shape)).astype(np.float32)
            stars = find_stars(image)
            finder = DAOStarFinder(fwhm=width, threshold=100.0)(image - np.float32(200))
            found = {"used": np.column_stack([stars.x, stars.y])}
            found["finder"] = np.column_stack([finder["x_centroid"], finder["y_centroid"]])
            for way, at in found.items():
                away, near = cKDTree(places).query(at)
                for miss, star, place in zip(away, near, at, strict=True):
                    if miss < 1.5:
                        off[way] += ((place - places[star]) / least(flux[star], width)).tolist()
        rms = {way: np.sqrt(np.mean(np.square(each))) for way, each in off.items()}
        print(f"| {width:.0f} pixels wide | {rms['used']:.2f} | {rms['finder']:.2f} |", flush=True)


def least(flux: float, width: float) -> float:
    """The bound, pixels, of a star that stands a quarter of a pixel off a pixel's middle."""
    drawn = []
    for x in (20.24, 20.25, 20.26):
        light = np.zeros((41, 41))
        add_star(light, np.array([x, 20.25]), flux, width)
        drawn.append(light)
    return 1 / math.sqrt(np.sum(((drawn[2] - drawn[0]) / 0.02) ** 2 / (drawn[1] + 225.0)))


NOISES = ((1, 0, 30), (1, 0.5, 20), (1, 0.5, 60), (1, 1, 20), (1, 1, 60), (0.4, 0.8, 30))
"""New and lasting part, arcsec, and time, s."""


def noise(runs: int, *shapes: str) -> None:
    """The rate of bare series, in more noises than pictures could be made of: alone, beside one alike, beside a calm one.

    The last column is of somebody who knows beforehand that the noise is one of these six, each as likely.
    """
    print(
        "| new, lasting, arcsec; time | minutes | alone: 68 % | 95 % | sigma / bound | of two: 68 % | 95 % | sigma / bound | "
        "beside a calm one: 68 % | 95 % | one of six: sigma / bound |"
    )
    print("| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |")
    for minutes, step in ((2, 4.0), (2, 8.0), (4, 4.0)):
        seconds = np.arange(0, 60 * minutes + 1, step)
        for shape in [tuple(map(float, each.split(","))) for each in shapes] or NOISES:
            told: dict[str, list[tuple[float, float]]] = {"alone": [], "two": [], "calm": [], "six": []}
            for seed in range(runs):
                rng = np.random.default_rng([seed, round(10 * shape[1]), round(shape[2])])
                first, second, calm = (_series(seconds, each, rng) for each in (shape, shape, NOISES[0]))
                beside = {"alone": [first], "two": [first, second], "calm": [first, calm]}
                for name, series in beside.items():
                    found = paces(series)[0]
                    told[name].append((abs(found.rate), found.sigma))
                told["six"].append((0.0, _one_of_six(seconds, first[1])))
            least = bound(seconds, *shape)
            cells = []
            for name, each in told.items():
                size, sigma = np.array(each).T
                held = [f"{np.mean(size < limit * sigma):.0%}" for limit in (1, 1.96)]
                ratio = [f"{np.median(sigma) / least:.2f}"]
                cells += {"calm": held, "six": ratio}.get(name, held + ratio)
            white, lasting, time_s = shape
            print(
                f"| {white}, {lasting}; {time_s} s | {minutes}, every {step:.0f} s | {' | '.join(cells)} |",
                flush=True,
            )


def _series(
    seconds: np.ndarray, shape: tuple[float, ...], rng: np.random.Generator
) -> tuple[np.ndarray, ...]:
    off = shape[0] * rng.normal(size=len(seconds)) + lasting_noise(seconds, Scatter(*shape), rng)
    return seconds, off, np.full(len(seconds), 0.05)


def _one_of_six(seconds: np.ndarray, values: np.ndarray) -> float:
    """Half the 95 % interval over 1.96 by Bayes' rule with the six noises alone (their sizes unknown), rates per second."""
    apart, line = np.abs(seconds[:, None] - seconds), np.column_stack([np.ones(len(seconds)), seconds])
    free, parts = len(seconds) - 2, []
    for white, lasting, time_s in NOISES:
        shape = white**2 * np.eye(len(seconds)) + lasting**2 * np.exp(-apart / time_s)
        inner = line.T @ np.linalg.solve(shape, line)
        found = np.linalg.solve(inner, line.T @ np.linalg.solve(shape, values))
        off = values - line @ found
        variance = float(off @ np.linalg.solve(shape, off)) / free
        height = -0.5 * (
            np.linalg.slogdet(shape)[1] + np.linalg.slogdet(inner)[1] + free * math.log(variance)
        )
        parts.append((height, found[1], math.sqrt(variance * np.linalg.inv(inner)[1, 1])))
    height, slope, spread = np.array(parts).T
    share = np.exp(height - height.max()) / np.sum(np.exp(height - height.max()))
    middle = share @ slope
    return (
        brentq(
            lambda half: (
                share @ stats.t.sf((half - (slope - middle)) / spread, free)
                + share @ stats.t.cdf((-half - (slope - middle)) / spread, free)
                - 0.05
            ),
            0,
            1e3 * spread.max(),
        )
        / 1.96
    )


def chain(runs: int) -> None:
    """From files to the axis error: two fields, two minutes each; and one star in each timed by eye for four."""
    for scatter in (Scatter(0.5, 0.25, 30.0), Scatter(0.8, 0.4, 30.0)):
        print(
            f"\nair: {scatter.white_arcsec} arcsec new in each frame, {scatter.correlated_arcsec} lasting 30 s\n"
        )
        in_air(runs, scatter)


def in_air(runs: int, scatter: Scatter) -> None:
    pulls: dict[str, list[list[float]]] = {}
    off: dict[str, list[float]] = {"frames": [], "eye": []}
    sigmas: dict[str, list[float]] = {"frames": [], "eye": []}
    for seed in range(runs):
        for cell in range(8):
            words = [
                ("south", "north")[cell & 1],
                ("plain", "mirrored")[cell >> 1 & 1],
                ("first side", "other side")[cell >> 2],
            ]
            scenes = two_scenes(
                8 * seed + cell, scatter, *(word in ("north", "mirrored", "other side") for word in words)
            )
            truth = np.array([scenes[0].azimuth_error_arcmin, scenes[0].altitude_error_arcmin])
            for way, drifts in (
                ("frames", from_files(scenes, 8 * seed + cell)),
                ("eye", by_eye(scenes, 8 * seed + cell)),
            ):
                answer = solve(drifts, scenes[0].site)
                found = np.array(
                    [answer.azimuth_error.to_value("arcmin"), answer.altitude_error.to_value("arcmin")]
                )
                sigma = np.array(
                    [answer.azimuth_sigma.to_value("arcmin"), answer.altitude_sigma.to_value("arcmin")]
                )
                level = math.cos(scenes[0].site.latitude_rad)
                off[way].append(math.hypot((found - truth)[0] * level, (found - truth)[1]))
                sigmas[way].append(math.hypot(sigma[0] * level, sigma[1]))
                if way == "frames":
                    for word in (*words, "all"):
                        pulls.setdefault(word, []).append(((found - truth) / sigma).tolist())
    print("| | intervals | rms pull | 68 % | 95 % |\n| --- | --- | --- | --- | --- |")
    for word, each in pulls.items():
        size = np.abs(np.array(each)).ravel()
        print(
            f"| {word} | {len(size)} | {np.sqrt(np.mean(size**2)):.2f} | {np.mean(size < 1):.0%} | {np.mean(size < 1.96):.0%} |"
        )
    print("| | axis off, rms | sigma, median |\n| --- | --- | --- |")
    for way, name in (
        ("frames", "two fields, 2 min of frames each"),
        ("eye", "two stars, 4 min each by eye, 1 arcsec"),
    ):
        print(f"| {name} | {np.sqrt(np.mean(np.square(off[way]))):.2f}' | {np.median(sigmas[way]):.2f}' |")


def two_scenes(
    seed: int, scatter: Scatter, north: bool, mirrored: bool, other_side: bool
) -> list[FrameScene]:
    """Near the meridian, and low in the east or the west."""
    rng = np.random.default_rng([3, seed])
    axis, spin, side = rng.uniform(-30, 30, 2), rng.uniform(0, 360), rng.choice([-1, 1])
    site = Site(f"{47 if north else -33} deg", "8 deg", "500 m")
    view = View(*SMALL, 2.0, spin, mirrored, other_side)
    return [
        FrameScene(
            site,
            *axis,
            WHEN + timedelta(minutes=begin),
            hour,
            dec if north else -dec,
            60,
            view,
            Faults(scatter),
        )
        for begin, hour, dec in ((0, -0.3, 5.0), (5, 4.4 * side, 15.0))
    ]


def from_files(scenes: list[FrameScene], seed: int) -> Drifts:
    view = scenes[0].view
    # A turn by half, and a mirror, are told as a user tells them: by the camera on the first side, and `reversed`.
    camera = GuideCamera(view.scale_arcsec, view.angle_deg, view.mirrored)
    pointings = []
    with tempfile.TemporaryDirectory() as folder:
        for name, scene in zip(("first", "second"), scenes, strict=True):
            save_frames(
                Path(folder) / name, scene, SECONDS, np.random.default_rng([2, seed, scene.begin.minute])
            )
            pointings.append(
                {"label": name, "hour_angle": f"{scene.hour_angle_h}h", "dec": f"{scene.dec_deg}d"}
            )
            pointings[-1]["reversed"] = "yes" if view.other_side else "no"
        return read_frames(folder, Setup(guide_camera=camera), pointings=pointings).drifts


WATCHED_S = 4.0
"""An eye sees a star dance for so long before it reads its place (common practice, no source); a frame is exposed for 1 s."""


def by_eye(scenes: list[FrameScene], seed: int) -> Drifts:
    """Time one star in each field for four minutes, read to 1 arcsec at both ends, in the air of the frames.

    What lasts in the air is in each reading in full; what is new in each frame's second is evened out over those watched.
    """
    rng, rows = np.random.default_rng([4, seed]), []
    ends = np.array([0.0, 240.0])
    for scene in scenes:
        north, _ = paths(scene, ends, rng)
        air = scene.faults.scatter
        reading = math.hypot(1.0, air.white_arcsec / math.sqrt(WATCHED_S))
        seen = north[:, 0] + lasting_noise(ends, air, rng) + reading * rng.normal(size=2)
        sigma = math.sqrt(2) * math.hypot(reading, air.correlated_arcsec)
        pointing = Pointing(
            math.radians(15 * scene.hour_angle_h), math.radians(scene.dec_deg), time=scene.begin
        )
        rows.append(Drift(pointing, 240.0, north_arcsec=seen[1] - seen[0], north_sigma_arcsec=sigma))
    return Drifts(rows)


if __name__ == "__main__":
    what = {"drift": drift, "noise": noise, "chain": chain, "centres": centres}
    what[sys.argv[1]](int(sys.argv[2]) if len(sys.argv) > 2 else 25, *sys.argv[3:])
