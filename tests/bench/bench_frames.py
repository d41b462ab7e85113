"""How long stars take to be found and followed, side by side with photutils' own detection on the same frames.

Run ``python tests/bench/bench_frames.py [FRAMES]``. Simulated frames of 1280 x 960 pixels and 120 stars, ten files read in
turn; photutils goes the way of its guide: sigma-clipped statistics of the picture, then DAOStarFinder. Frames are taken
in turn by both, so that a busy moment hits both. The limit is that of the project: 1.3 times, and the memory of one frame at
a time (its bytes as float32, several times over while it is worked on; Linux tells the peak).
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from astropy.io import fits
from astropy.stats import sigma_clipped_stats
from photutils.detection import DAOStarFinder

from poleward.frames.follow import follow
from poleward.frames.image import Frame
from poleward.frames.track import Sighting, sighting
from poleward.simulate.frames import FrameScene, save_frames
from poleward.simulate.picture import View
from poleward.sky.site import Site

LIMIT = 1.3
MOST_FRAMES_IN_MEMORY = 12


def picture(path: Path) -> np.ndarray:
    return np.asarray(fits.getdata(path), np.float32)


def peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def main() -> int:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    scene = FrameScene(
        Site("47 deg", "8 deg", "500 m"),
        *(30, -20, datetime(2024, 3, 10, 20, tzinfo=UTC), -1.0, 20.0),
        stars=270,
        view=View(1280, 960),
    )
    ours = theirs = 0.0
    with tempfile.TemporaryDirectory() as folder:
        files = save_frames(Path(folder), scene, np.arange(0, 40, 4.0), np.random.default_rng(1))
        sighting(Frame("first", picture(files[0]), 0.0))
        begin_mb, seen, found = peak_mb(), [], 0
        for number in range(count):
            path = files[number % len(files)]
            begin = time.perf_counter()
            one = sighting(Frame(f"{number}", picture(path), 4.0 * number))
            ours += time.perf_counter() - begin
            assert isinstance(one, Sighting)
            seen.append(one)
            begin = time.perf_counter()
            image = picture(path)
            _, median, deviation = sigma_clipped_stats(image)
            found += len(DAOStarFinder(fwhm=3.0, threshold=5 * deviation)(image - median))
            theirs += time.perf_counter() - begin
        begin = time.perf_counter()
        track = follow(seen).tracks[0]
        following = time.perf_counter() - begin
        more = (peak_mb() - begin_mb) / (1280 * 960 * 4 / 2**20)
    ratio = (ours + following) / theirs
    print(f"{count} frames: stars {ours:.1f} s, following {following:.1f} s; photutils {theirs:.1f} s")
    print(
        f"ratio {ratio:.2f} (limit {LIMIT}); {np.median(track.matched):.0f} stars followed, {found / count:.0f} detected"
    )
    print(f"memory grew by {more:.1f} frames of float32 (limit {MOST_FRAMES_IN_MEMORY})")
    return int(ratio > LIMIT or more > MOST_FRAMES_IN_MEMORY)


if __name__ == "__main__":
    sys.exit(main())
