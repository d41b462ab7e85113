"""The drawings say what the program says: signs answered from the drawings alone, and both inks are up to date."""

from __future__ import annotations

import importlib
import sys
from pathlib import Path

import numpy as np
import pytest
import truth
from astropy.time import Time
from conftest import run_here

from poleward import GuideCamera

DOCS = Path(__file__).parent.parent / "docs"


def program(name):
    sys.path.insert(0, str(DOCS / "drawings"))
    try:
        return importlib.import_module(name)
    finally:
        sys.path.pop(0)


@pytest.fixture(scope="module")
def drawing():
    return program("push_and_knobs")


CAMERAS = {
    "North of the equator": 0,
    "North of the equator,\ntube swung over": 180,
    "South of the equator": 180,
    "South of the equator,\ntube swung over": 0,
}
"""Position angle of up in the picture: toward the pole that is seen, and away from it."""


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("name", CAMERAS)
def test_eight_signs_of_the_picture(drawing, name, mirrored):
    """The rim toward which the star goes after a push north, and with the drive stopped; a mirror swaps E and W."""
    camera = GuideCamera(1.0, CAMERAS[name], mirrored)
    letters = drawing.PICTURES[name]
    south, west = drawing.toward(letters, "S"), drawing.toward(letters, "W")
    assert camera.to_pixels(-1.0, 0.0) == pytest.approx(south, abs=1e-12)
    assert camera.to_pixels(0.0, -1.0) == pytest.approx(
        (-west[0] if mirrored else west[0], west[1]), abs=1e-12
    )


@pytest.mark.parametrize("latitude", ["46.9deg", "-33.2deg"])
def test_two_signs_of_a_drift_table(latitude):
    """A star near the meridian that drifts toward the rim from which a pushed star came, north +: the axis is too far
    west in the north and too far east in the south (Scheiner 1889, as quoted by amateur societies; S)."""
    dec = "+2d" if latitude[0] != "-" else "-2d"
    ran = run_here(
        "solve", "--latitude", latitude, "--drift", f"hour_angle=0h, dec={dec}, duration=5min, north=6arcsec"
    )  # fmt: skip
    assert ("WEST" if latitude[0] != "-" else "EAST") in ran.out.splitlines()[1]


def test_the_words_are_those_of_the_drawing():
    """The trap: read the way the star runs as north, and the answer is turned over."""
    for page in ("time-by-eye.md", "signs.md", "log-layout.md"):
        text = " ".join((DOCS / page).read_text(encoding="utf-8").replace("*", "").split()).lower()
        assert "the star goes south" in text or "the star runs south" in text, page


@pytest.mark.parametrize("mirrored", [False, True])
def test_the_cameras_angle_is_drawn_as_the_program_takes_it(mirrored):
    """Where the drawing's arrows for north and east point in the picture: a degree off would be seen in it."""
    field = program("sky_and_field")
    camera = GuideCamera(1.0, field.ANGLE_DEG, mirrored)
    side = -1 if mirrored else 1
    assert camera.to_pixels(1.0, 0.0) == pytest.approx(field.along(-side * field.ANGLE_DEG))
    assert camera.to_pixels(0.0, 1.0) == pytest.approx(field.along(side * (90 - field.ANGLE_DEG)))


@pytest.mark.parametrize("latitude", [46.9, -33.2])
def test_twelve_drifts_are_drawn_as_astropy_makes_them(latitude):
    """Six hours east, on the meridian, six hours west, without air: the axis a degree too far EAST, then too HIGH."""
    place, hemisphere = truth.Place(latitude, pressure_hpa=0.0), np.sign(latitude)
    pole = truth.pole_seen(place, Time(truth.EVENING))
    for off, drawn in zip(((1.0, 0.0), (0.0, 1.0)), program("sky_and_field").DRIFTS.values(), strict=True):
        axis = truth.axis_direction(pole, *off, hemisphere)
        found = [
            truth.drift(place, truth.star_at(place, h - 1 / 60, 10.0, truth.EVENING), truth.EVENING, 120.0, axis)[0]
            for h in (-6, 0, 6)
        ]  # fmt: skip
        # What is drawn as nothing is a hundredth of the rest: second order in an error of a degree.
        assert np.round(np.array(found) / np.max(np.abs(found)), 1) == pytest.approx(
            hemisphere * np.array(drawn)
        )


@pytest.mark.parametrize("name", sorted(path.stem for path in DOCS.glob("*-dark.svg")))
def test_both_inks_are_there(name):
    light, dark = (DOCS / f"{name.removesuffix(ending)}.svg" for ending in ("-dark", ""))
    assert "#14171a" in dark.read_text(encoding="utf-8").lower()
    assert "#14171a" not in light.read_text(encoding="utf-8").lower()
