"""The drawings say what the program says: ten signs answered from the drawings alone, and both inks are up to date."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import pytest
from conftest import run_here

from poleward import GuideCamera

DOCS = Path(__file__).parent.parent / "docs"


@pytest.fixture(scope="module")
def drawing():
    spec = importlib.util.spec_from_file_location("drawing", DOCS / "drawings" / "push_and_knobs.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


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
    for page in ("first-solve.md", "signs.md", "log-layout.md"):
        text = " ".join((DOCS / page).read_text(encoding="utf-8").replace("*", "").split()).lower()
        assert "the star goes south" in text or "the star runs south" in text, page


@pytest.mark.parametrize("name", ["push", "knobs"])
def test_both_inks_are_there(name):
    light, dark = ((DOCS / f"{name}{ending}.svg").read_text(encoding="utf-8") for ending in ("", "-dark"))
    assert "#14171a" in dark.lower()
    assert "#14171a" not in light.lower()
