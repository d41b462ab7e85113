"""Evenings by frames: two minutes at two pointings against an eye in the same air, and what one pointing alone tells.

Run ``python docs/experiments/frame_evenings.py eye|one|advice [EVENINGS [CAMERA...]]``; the tables stand in docs/frames.md.
No pictures are drawn: stars are strewn and their centres given the noise of their photons and background (its bound,
`frames.least`), then followed, fitted and solved by the library. The first evenings of ``eye`` are those that
``frames.py chain`` draws; ``advice`` leaves the stars out too.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import timedelta
from typing import Any

import numpy as np
from frames import SECONDS, WHEN, by_eye, least, two_scenes

from poleward import solve
from poleward.frames.field_drift import Placed, field_drifts
from poleward.frames.follow import follow
from poleward.frames.onsky import by_setup
from poleward.frames.shot import Shot
from poleward.frames.stars import MOST_STARS, Stars
from poleward.frames.track import Sighting
from poleward.rounds.evening import Evening
from poleward.rounds.prospects import TURN_MIN, WAY_MIN
from poleward.rounds.situation import Suggestion, World
from poleward.setup import Setup
from poleward.simulate.frames import FrameScene, paths, star_places
from poleward.simulate.guider import Scatter
from poleward.simulate.mount import Mount
from poleward.simulate.night import axis_direction
from poleward.simulate.picture import View
from poleward.sky.axis import angle_between
from poleward.sky.camera import GuideCamera
from poleward.sky.look import Pointing
from poleward.sky.site import Site
from poleward.solving.knobs import Knob
from poleward.solving.solution import Solution
from poleward.timings.drifts import Drifts

STEADY, UNSTEADY = Scatter(0.5, 0.25, 30.0), Scatter(0.8, 0.4, 30.0)
LARGE = (1280, 960)
FLUXES = 10 ** np.linspace(3.3, 5.0, 12)
FAINTEST = 10**3.4
"""Electrons: fainter ones are not found in drawn pictures of this sky."""


def sightings(scene: FrameScene, seconds: np.ndarray, rng: np.random.Generator) -> list[Sighting]:
    """Return the stars of a scene's pictures, without the pictures."""
    faults, view = scene.faults, scene.view
    places, flux = star_places(scene, seconds, rng)
    width = faults.fwhm_pix
    noise = np.interp(np.log(flux), np.log(FLUXES), [least(each, width) for each in FLUXES])
    # As find_stars says it of a Moffat star, whose half-light diameter is 1.28 times its width.
    spread = 1.28 * width / math.sqrt(8 * math.log(2))
    behind = math.sqrt(8 * math.pi) * spread**2 * math.sqrt(faults.sky + faults.read_noise**2) / flux
    photons = spread / np.sqrt(flux)
    seen = []
    for second, at in zip(seconds.tolist(), places, strict=True):
        at = at + noise[:, None] * rng.normal(size=at.shape)
        inside = np.all((at > 3 * width) & (at < np.array([view.width, view.height]) - 3 * width), axis=1)
        there = np.flatnonzero(inside & (flux > FAINTEST))
        there = there[np.argsort(-flux[there])][:MOST_STARS]
        shape = (view.height, view.width)
        stars = Stars(*at[there].T, flux[there], behind[there], photons[there], shape)
        seen.append(Sighting(f"{second}", WHEN.timestamp() + second, stars))
    return seen


def from_stars(scenes: Sequence[FrameScene], seconds: np.ndarray, rng: np.random.Generator) -> Drifts:
    """Return the drifts of pointings, by their stars."""
    placed = []
    for scene in scenes:
        view = scene.view
        camera = GuideCamera(view.scale_arcsec, view.angle_deg, view.mirrored)
        track = follow(sightings(scene, seconds, rng)).tracks[0]
        first = Shot("", "", view.height, view.width, scene.begin, 1.0)
        placed.append(
            Placed(track, by_setup(camera), pointing_of(scene), "", view.other_side, len(seconds), first, 1)
        )
    return Drifts(found.drift() for found in field_drifts(placed))


def pointing_of(scene: FrameScene) -> Pointing:
    return Pointing(math.radians(15 * scene.hour_angle_h), math.radians(scene.dec_deg), time=scene.begin)


def larger(scenes: Sequence[FrameScene], stars: int = 270) -> list[FrameScene]:
    """The same with a picture of 1280 x 960 pixels, and a field two and a quarter times that for the stars."""
    return [
        replace(scene, stars=stars, view=replace(scene.view, width=LARGE[0], height=LARGE[1]))
        for scene in scenes
    ]


def off_and_sigma(answer: Solution, scene: FrameScene) -> np.ndarray:
    """Errors of azimuth and altitude on the sky, then their sigmas, arcmin; nan where not determined."""
    level = math.cos(scene.site.latitude_rad)
    if answer.determined != "both":
        return np.full(4, np.nan)
    found = [each.to_value("arcmin") for each in (answer.azimuth_error, answer.altitude_error)]
    sigma = [each.to_value("arcmin") for each in (answer.azimuth_sigma, answer.altitude_sigma)]
    return np.array(
        [
            level * (found[0] - scene.azimuth_error_arcmin),
            found[1] - scene.altitude_error_arcmin,
            level * sigma[0],
            sigma[1],
        ]
    )


def rms_told(values: np.ndarray) -> str:
    """Root mean square of the axis's miss with its 95 % interval, by drawing evenings again."""
    square = np.sum(values[:, :2] ** 2, axis=1)
    again = np.random.default_rng(1).integers(0, len(square), (2000, len(square)))
    low, high = np.percentile(np.sqrt(np.mean(square[again], axis=1)), [2.5, 97.5])
    return f"{math.sqrt(np.mean(square)):.2f}' ({low:.2f} to {high:.2f})"


def told(name: str, values: np.ndarray) -> None:
    known = values[np.isfinite(values[:, 0])]
    pull = np.abs(known[:, :2] / known[:, 2:]).ravel()
    sigma = np.median(np.hypot(*known[:, 2:].T))
    print(
        f"| {name} | {len(known)} of {len(values)} | {rms_told(known)} | {sigma:.2f}' | "
        f"{np.mean(pull < 1):.0%} | {np.mean(pull < 1.96):.0%} |",
        flush=True,
    )


HEAD = "| | evenings | axis off, rms | sigma, median | 68 % | 95 % |\n| --- | --- | --- | --- | --- | --- |"


def scenes_of(seed: int, scatter: Scatter) -> list[FrameScene]:
    return two_scenes(seed, scatter, *(bool(seed >> bit & 1) for bit in range(3)))


def eye(evenings: int) -> None:
    """Two fields, two minutes each, against one star in each for four minutes by eye, in the same air."""
    print(HEAD)
    for name, scatter in (("steady", STEADY), ("unsteady", UNSTEADY)):
        found: dict[str, list[np.ndarray]] = {}
        for seed in range(evenings):
            scenes = scenes_of(seed, scatter)
            site, rng = scenes[0].site, np.random.default_rng([6, seed])
            ways = {
                "frames of 320 x 240 every 4 s": from_stars(scenes, SECONDS, rng),
                "frames of 1280 x 960 every 4 s": from_stars(larger(scenes), SECONDS, rng),
                "frames of 1280 x 960 every 2 s": from_stars(larger(scenes), np.arange(0.0, 121, 2), rng),
                "by eye, 4 min": by_eye(scenes, seed),
            }
            for way, drifts in ways.items():
                found.setdefault(way, []).append(off_and_sigma(solve(drifts, site), scenes[0]))
        for way, values in found.items():
            told(f"{name}: {way}", np.array(values))


def one(evenings: int) -> None:
    """One pointing alone, where its turn determines both errors."""
    print(HEAD)
    cameras = {
        # 1280 x 960 pixels of 3.75 um; stars as wide as 3 arcsec of air and two pixels of lens make them.
        "120 mm": (6.4, 2.2, 270),
        "1000 mm": (0.77, 4.3, 60),
    }
    for minutes in (2, 4):
        for north in (True, False):
            for camera, (scale, width, stars) in cameras.items():
                values = []
                for seed in range(evenings):
                    scenes = scenes_of(2 * seed + north, UNSTEADY if seed & 1 else STEADY)
                    scene = larger(scenes, stars)[seed & 2 and 1]
                    site = Site(f"{47 if north else -33} deg", "8 deg", "500 m")
                    scene = replace(
                        scene,
                        site=site,
                        dec_deg=abs(scene.dec_deg) * (1 if north else -1),
                        view=replace(scene.view, scale_arcsec=scale),
                        faults=replace(scene.faults, fwhm_pix=width),
                    )
                    seconds = np.arange(0.0, 60 * minutes + 1, 4)
                    drifts = from_stars([scene], seconds, np.random.default_rng([8, seed]))
                    values.append(off_and_sigma(solve(drifts, scene.site), scene))
                told(f"{minutes} min, {'north' if north else 'south'}, {camera}", np.array(values))


class Mounted:
    """A mount whose knobs are not what is stated, measured by frames as an evening asks for it."""

    def __init__(self, seed: int, sigmas: tuple[float, float]) -> None:
        self.rng = rng = np.random.default_rng([9, seed])
        self.site = Site(f"{-33 if seed & 1 else 47} deg", "8 deg", "500 m")
        size, angle, stated = rng.uniform(20, 60), rng.uniform(0, 2 * math.pi), (38.0, 25.0)
        level = math.cos(self.site.latitude_rad)
        axis = axis_direction(self.site, size * math.cos(angle) / level, size * math.sin(angle), WHEN)
        real = [each * rng.uniform(0.6, 1.4) for each in stated]
        self.mount = Mount(axis, self.site.hemisphere, real, 1.0, rng.uniform(0, 360), 0.05)
        self.pole, self.sigmas, self.at = axis_direction(self.site, 0, 0, WHEN), sigmas, WHEN
        values = {"latitude": self.site.latitude_rad, "longitude": math.radians(8)}
        self.setup = Setup(
            site_values={
                **{name: f"{math.degrees(x)} deg" for name, x in values.items()},
                "elevation": "500 m",
            },
            knobs={"azimuth": Knob(stated[0], "east"), "altitude": Knob(stated[1], "up")},
        )
        self.begun, self.stopped = WHEN, WHEN
        self.cells: Mapping[str, str] = {}

    @property
    def off_arcmin(self) -> float:
        return math.degrees(angle_between(self.mount.axis, self.pole)) * 60

    def suggest(self, *_: Any) -> list[Suggestion]:
        """Near the meridian, and low in the east."""
        side = self.site.hemisphere
        places = (
            {"hour_angle": "-0.3h", "dec": f"{5 * side}d"},
            {"hour_angle": "-4.4h", "dec": f"{15 * side}d"},
        )
        return [Suggestion("", each, 0.0, 40.0, 2.0, "star") for each in places]

    def measured(self) -> str:
        """What frames of two minutes say: the truth, and noise as large as claimed."""
        up, north = (math.asin(each[2]) for each in (self.mount.axis, self.pole))
        along = [math.atan2(each[0], each[1]) for each in (self.mount.axis, self.pole)]
        errors = np.degrees([self.site.hemisphere * (along[0] - along[1]), up - north]) * 60
        errors[0] = (errors[0] + 10800) % 21600 - 10800
        hour, dec = (float(self.cells[name][:-1]) for name in ("hour_angle", "dec"))
        scene = FrameScene(self.site, *errors, self.begun, hour, dec, view=View(*LARGE, 2.0))
        span = (self.stopped - self.begun).total_seconds()
        to_north, to_east = paths(scene, np.array([0.0, span]), np.random.default_rng(1))
        arms = (to_north + 1j * to_east)[:, 1:]
        arms = arms - arms.mean(axis=1)[:, None]
        turn = math.degrees(np.angle(np.sum(arms[1] * arms[0].conj()))) * 60
        sigma, turn_sigma = self.sigmas
        return (
            f"north={to_north[1, 0] + sigma * self.rng.normal():.4f}, north_sigma={sigma}, "
            f"rotation={turn + turn_sigma * self.rng.normal():.6f}, rotation_sigma={turn_sigma}"
        )

    def reply(self, evening: Evening, first: str) -> str:
        """Answer as a person who does as proposed, but for the first choice, if one is named."""
        asked = evening.question
        assert asked is not None
        kind = asked.key.split()[0]
        self.at += timedelta(seconds=10)
        if kind == "start":
            self.at += timedelta(minutes=WAY_MIN)
            self.begun, self.cells = self.at, asked.about.cells
        elif kind == "stop":
            self.at += timedelta(minutes=2)
            self.stopped = self.at
        elif kind == "drift":
            return self.measured()
        elif kind == "next" and asked.key == "next 1.1":
            return first
        elif kind == "turned":
            self.at += timedelta(minutes=2 * TURN_MIN)
            self.mount.turn(asked.about.next_turn.strokes)
        return ""


CAMERAS = {"120 mm": (1.0, 0.006), "1000 mm": (0.9, 0.027), "few stars": (1.0, 0.12)}
"""Sigma of north, arcsec, and of the turn, arcmin, in two minutes; the first two by `one`."""


def advice(evenings: int, *cameras: str) -> None:
    """Whole evenings, done as proposed or with another first choice: minutes until the evening says that it is done."""
    print(
        "| | evenings | first proposed: turn | minutes, median | nine in ten | off at the end, rms | within 2' |"
    )
    print("| --- | --- | --- | --- | --- | --- | --- |")
    for camera in cameras or CAMERAS:
        for first in ("", "elsewhere"):
            took, off, proposed = [], [], []
            for seed in range(evenings):
                mounted = Mounted(seed, CAMERAS[camera])
                evening = Evening(lambda at=mounted: World(at.setup, [], at.suggest, page=""))
                for _ in range(150):
                    if evening.question is None:
                        break
                    if evening.question.key == "next 1.1":
                        proposed.append(evening.question.default == "turn")
                    evening.answer(mounted.reply(evening, first), mounted.at)
                took.append((mounted.at - WHEN).total_seconds() / 60)
                off.append(mounted.off_arcmin)
            print(
                f"| {camera}, {first or 'as proposed'} | {evenings} | {sum(proposed)} of {len(proposed)} | {np.median(took):.0f} | "
                f"{np.percentile(took, 90):.0f} | {np.sqrt(np.mean(np.square(off))):.2f}' | {np.mean(np.array(off) < 2):.0%} |",
                flush=True,
            )


if __name__ == "__main__":
    what = {"eye": eye, "one": one, "advice": advice}
    what[sys.argv[1]](int(sys.argv[2]) if len(sys.argv) > 2 else 60, *sys.argv[3:])
