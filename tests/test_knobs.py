"""Knob turns, and the star that moves while a knob turns; truth by scipy's Rotation and by plain words."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from poleward import Drifts, GuideCamera, Site, solve
from poleward.sky.axis import motion_while_turning, tilted_axis, unit_vector
from poleward.sky.look import Pointing
from poleward.solving.knobs import Knob, Move, Turning

ARCMIN = np.radians(1 / 60)


def pole_of(latitude_deg: float) -> np.ndarray:
    return unit_vector(0.0 if latitude_deg > 0 else np.pi, np.radians(abs(latitude_deg)))


@pytest.mark.parametrize("latitude", [50.0, -35.0])
@pytest.mark.parametrize("move", [(30.0, 0.0), (-45.0, 0.0), (0.0, 25.0), (0.0, -60.0)])
@pytest.mark.parametrize("star", [(100.0, 40.0), (200.0, 20.0), (330.0, 65.0)])
def test_motion_while_turning(latitude: float, move: tuple[float, float], star: tuple[float, float]) -> None:
    """Turn the camera with the mount by scipy and ask where in the turned camera the star stands."""
    hemisphere = np.sign(latitude)
    axis = tilted_axis(0.0, 0.0, pole_of(latitude), hemisphere)
    seen = unit_vector(np.radians(star[0]), np.radians(star[1]))
    north_pole = axis.elevated * hemisphere
    east = np.cross(north_pole, seen) / np.linalg.norm(np.cross(north_pole, seen))
    camera = np.stack([seen, east, np.cross(seen, east)])
    # East is where azimuth grows in the north and falls in the south; growing azimuth is clockwise from above.
    mount = Rotation.from_euler("z", -hemisphere * move[0] / 60, degrees=True)
    level = np.cross(axis.elevated, [0, 0, 1])  # right-handed about this, the elevated end rises
    mount *= Rotation.from_rotvec(level / np.linalg.norm(level) * move[1] * ARCMIN)
    boresight, x, y = mount.apply(camera)
    truth = np.array([seen @ y, seen @ x]) / (seen @ boresight)
    got = motion_while_turning(axis, seen, move[0] * ARCMIN, move[1] * ARCMIN)
    assert np.allclose(got, truth, atol=1e-12)  # double precision of two rotations


def solution(turning: Turning | None = None):
    drifts = Drifts.from_rows(
        [
            {"hour_angle": "0h", "dec": "0d", "duration": "5 min", "north": "-6 arcsec"},
            {"hour_angle": "-5h", "dec": "20d", "duration": "5 min", "north": "-4 arcsec"},
        ]
    )
    return solve(drifts, Site("47 deg"), turning=turning)


def test_turns_and_direction() -> None:
    knobs = {"azimuth": Knob(38.0, "east"), "altitude": Knob(25.0, "down")}
    found = solution(Turning(knobs))
    azimuth, altitude = found.moves
    # The axis is east (a meridian star drifts south) and low (an eastern star drifts south): Scheiner's rule.
    assert found.azimuth_error_arcmin > 0 > found.altitude_error_arcmin
    assert (azimuth.toward, azimuth.direction) == ("west", "counter-clockwise")
    assert (altitude.toward, altitude.direction) == ("up", "counter-clockwise")
    assert azimuth.move_arcmin == -found.azimuth_error_arcmin
    assert azimuth.turns == pytest.approx(found.azimuth_error_arcmin / 38)
    assert altitude.turns == pytest.approx(-found.altitude_error_arcmin / 25)


@pytest.mark.parametrize(
    ("arcmin", "turns", "large"),
    [(-59.9, 2.0, False), (59.9, None, False), (-60.0, 0.1, True), (60.0, None, True), (5.0, 2.1, True)],
)
def test_a_large_move_is_so_by_angle_or_by_turns(arcmin: float, turns: float | None, large: bool) -> None:
    assert Move("azimuth", arcmin, "east", turns).large is large


def test_without_knob_data_direction_and_angle_alone() -> None:
    azimuth, altitude = solution(Turning()).moves
    assert (azimuth.turns, azimuth.direction, altitude.turns) == (None, None, None)
    assert azimuth.toward == "west"


def test_a_star_on_the_meridian_while_knobs_turn() -> None:
    """Raising the axis tips a telescope that looks south toward the ground: a star goes north by the same angle.

    On the meridian the altitude knob turns about the star's own east-west line, so the angle is exact but for the
    axis's azimuth error of some arcminutes, whose effect on it is below a thousandth. An azimuth move swings the
    telescope by the angle times the cosine of the star's altitude: to the west below the pole is to the east above
    the southern horizon, so the star goes west in the field.
    """
    camera = GuideCamera(3.0, 0.0, False)
    moved = solution(Turning(watch=Pointing(hour_angle=0.0, dec=0.0), camera=camera))
    azimuth, altitude = moved.moves
    assert azimuth.star is not None
    assert altitude.star is not None
    assert altitude.star.north_arcsec == pytest.approx(altitude.move_arcmin * 60, rel=1e-3)
    # West is to the right of a camera turned to the north that sees as the eye does; y is north.
    assert altitude.star.y_pix == pytest.approx(altitude.star.north_arcsec / 3, rel=1e-9)
    assert azimuth.star.x_pix == pytest.approx(-azimuth.star.east_arcsec / 3, rel=1e-9)
    expected = azimuth.move_arcmin * 60 * np.cos(np.radians(43.0))
    assert azimuth.star.east_arcsec == pytest.approx(expected, rel=2e-3)  # refraction lifts the star by 1'


@pytest.mark.parametrize("angle", [0.0, 30.0, 135.0, -80.0])
@pytest.mark.parametrize("mirrored", [False, True])
def test_guide_camera_against_plain_rotation(angle: float, mirrored: bool) -> None:
    """Unmirrored with north up the sky has east to the left (FITS WCS habit: CD1_1 < 0); scipy turns the rest."""
    camera = GuideCamera(2.0, angle, mirrored)
    x, y = camera.to_pixels(10.0, 4.0)
    flat = np.array([4.0 if mirrored else -4.0, 10.0])  # x, y on a camera with north up
    # Turning y by the position angle toward east: counter-clockwise where east is left, clockwise where mirrored.
    turn = Rotation.from_euler("z", angle if not mirrored else -angle, degrees=True).inv()
    truth = turn.apply([*flat, 0.0])[:2] / 2.0
    assert np.allclose((x, y), truth, atol=1e-12)
    assert np.allclose(camera.to_sky(x, y), (10.0, 4.0), atol=1e-12)
