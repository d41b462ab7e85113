"""The setup file: flags win, unknown keys are named, every wrong value has its line."""

from __future__ import annotations

import math
import sys
from pathlib import Path

import pytest
from conftest import run_here

from poleward.errors import InputError
from poleward.setup import find_setup, read_setup
from poleward.sky.site import Air

FULL = """
[site]
latitude = "47.1 deg"
longitude = "8.4 deg"
elevation = "560 m"
timezone = "Europe/Zurich"
[air]
pressure = "950 hPa"
temperature = "4 deg_C"
humidity = 0.7
wavelength = "0.55 um"
[mount]
drive_rate = "king"
[mount.azimuth_knob]
per_turn = "38 arcmin"
clockwise = "east"
[mount.altitude_knob]
thread_pitch = "1.5 mm"
arm = "120 mm"
clockwise = "up"
[camera]
focal_length = "600 mm"
pixel_size = "3.76 um"
width = 6248
height = 4176
[guide_camera]
focal_length = "240 mm"
pixel_size = "3.75 um"
position_angle = "12 deg"
mirrored = false
[frames]
keywords = { ra = "OBJRA", dec = "OBJDEC" }
stamp = "start"
[limits]
trail = "1.5 pix"
lowest_altitude = "25 deg"
"""


def write(text: str) -> str:
    Path("s.toml").write_text(text, encoding="utf-8")
    return "s.toml"


@pytest.mark.usefixtures("workdir")
def test_all_of_it() -> None:
    setup = read_setup(write(FULL))
    site = setup.site()
    assert math.degrees(site.latitude_rad) == pytest.approx(47.1, abs=1e-12)
    assert site.air.pressure_hpa == 950
    assert site.timezone == "Europe/Zurich"
    assert setup.drive_rate == "king"
    assert setup.knobs["azimuth"].per_turn_arcmin == 38
    # A 1.5 mm pitch on a 120 mm arm: atan(1.5 / 120) = 0.71616 deg, by hand.
    assert setup.knobs["altitude"].per_turn_arcmin == pytest.approx(0.71616 * 60, abs=0.001)
    assert setup.camera is not None
    assert setup.guide_camera is not None
    # The usual plate-scale rule, 206.265 x pixel [um] / focal length [mm] (common practice, no source).
    assert setup.camera.scale_arcsec == pytest.approx(206.265 * 3.76 / 600, rel=1e-5)
    assert setup.guide_camera.scale_arcsec == pytest.approx(206.265 * 3.75 / 240, rel=1e-5)
    assert (setup.trail_pix, setup.lowest_altitude_deg) == (1.5, pytest.approx(25))


@pytest.mark.usefixtures("workdir")
def test_flags_win_one_by_one() -> None:
    setup = read_setup(write(FULL))
    site = setup.site(latitude="-33d52m", pressure="0 hPa", longitude=None)
    assert math.degrees(site.latitude_rad) == pytest.approx(-33.8667, abs=1e-4)
    assert site.air.pressure_hpa == 0
    assert site.air.temperature_c == 4


def test_where_it_is_looked_for(workdir: Path) -> None:
    assert find_setup(None).source == ""
    own = workdir / "config" / "poleward"
    own.mkdir()
    (own / "config.toml").write_text('[site]\nlatitude = "1 deg"\n', encoding="utf-8")
    assert find_setup(None).source == str(own / "config.toml")
    Path("poleward.toml").write_text('[site]\nlatitude = "2 deg"\n', encoding="utf-8")
    assert find_setup(None).source == "poleward.toml"


@pytest.mark.usefixtures("workdir")
@pytest.mark.parametrize(
    ("text", "line", "hint"),
    [
        ("[sight]\n", "s.toml: unknown key 'sight'", "did you mean site?"),
        ('[site]\nlattitude = "1"\n', "s.toml [site]: unknown key 'lattitude'", "did you mean latitude?"),
        (
            "[mount.knob]\n",
            "s.toml [mount]: unknown key 'knob'",
            "known: drive_rate, azimuth_knob, altitude_knob, base",
        ),
        ('site = "here"\n', "s.toml: 'site' must be a section", "write [site] on a line of its own"),
        (
            "[site]\nlatitude = 47.1 deg\n",
            "s.toml: this setup file is not TOML",
            'text stands in quotes: latitude = "47.1 deg"',
        ),
        (
            '[site]\nlatitude = "1 deg"\n[air]\n[site]\nlongitude = "2 deg"\n',
            "s.toml:4: the heading [site] stands there twice",
            "keep one of them, with all that belongs to it",
        ),
        (
            '[site]\r\nlatitude = "1 deg"\r\nlatitude = "2 deg"\r\n',
            "s.toml:3: the key latitude stands there twice",
            "keep one of them, with all that belongs to it",
        ),
        (
            '[site]\nlatitude = "91 deg"\n',
            "s.toml [site]: latitude is 91 deg, allowed is between -90 and +90 deg",
            "north is positive",
        ),
        (
            '[mount.azimuth_knob]\nper_turn = "38"\nclockwise = "east"\n',
            "s.toml [mount.azimuth_knob], per_turn: '38' has no unit and could be arcmin or degrees",
            "write e.g. 38 arcmin",
        ),
        (
            '[mount.azimuth_knob]\nper_turn = "38 arcmin"\nclockwise = "up"\n',
            "s.toml [mount.azimuth_knob]: clockwise is 'up', allowed is east or west",
            "where a clockwise turn takes the axis",
        ),
        (
            '[mount.altitude_knob]\nclockwise = "up"\n',
            "s.toml [mount.altitude_knob]: per_turn is missing",
            'write e.g. per_turn = "38 arcmin", or thread_pitch with arm',
        ),
        (
            '[mount.altitude_knob]\nclockwise = "up"\nthread_pitch = "1 mm"\n',
            "s.toml [mount.altitude_knob]: arm is missing",
            'write e.g. arm = "600 mm"',
        ),
        (
            '[guide_camera]\nfocal_length = "240 mm"\npixel_size = "0 um"\nposition_angle = "0 deg"\n',
            "s.toml [guide_camera]: pixel_size is 0, allowed is more than 0",
            "",
        ),
        (
            '[guide_camera]\nfocal_length = "240 mm"\npixel_size = "3 um"\n',
            "s.toml [guide_camera]: position_angle is missing",
            'of the y axis, north through east: "12 deg"',
        ),
        (
            '[camera]\nfocal_length = "240 mm"\npixel_size = "3.76 mm"\nwidth = 40\nheight = 3\n',
            "s.toml [camera]: pixel_size is 3760 um, allowed is up to 200 um",
            "of one pixel, or of some that are binned, e.g. 3.76 um",
        ),
        (
            '[camera]\nfocal_length = "240 mm"\npixel_size = "3 um"\nwidth = "wide"\nheight = 3\n',
            "s.toml [camera]: width is 'wide', allowed is a whole number of pixels",
            "e.g. 4000",
        ),
    ],
)
def test_the_exact_line(text: str, line: str, hint: str) -> None:
    with pytest.raises(InputError) as caught:
        read_setup(write(text))
    assert str(caught.value).startswith(line)
    assert caught.value.hint == hint


@pytest.mark.usefixtures("workdir")
def test_a_missing_setup_file() -> None:
    ran = run_here("solve", "--setup", "none.toml", "--drift", "dec=1d")
    assert (ran.status, ran.err) == (3, "poleward: none.toml: there is no such file\n")


def test_a_pressure_that_no_mountain_has() -> None:
    with pytest.raises(InputError, match=r"pressure \[hPa\] is 95, allowed is 250 to 1100"):
        Air("95 hPa")
    assert Air("0 hPa").pressure_hpa == 0


@pytest.mark.parametrize(
    ("platform", "variable", "place"),
    [
        ("win32", "APPDATA", "poleward"),
        ("darwin", "HOME", ".config/poleward"),
        ("linux", "XDG_CONFIG_HOME", "poleward"),
    ],
)
def test_the_users_own_setup_is_found_on_every_system(
    workdir: Path, monkeypatch: pytest.MonkeyPatch, platform: str, variable: str, place: str
) -> None:
    """As docs/files.md says; the variables are those the systems set (common practice, no source: not tried there)."""
    own = workdir / "home" / place
    own.mkdir(parents=True)
    (own / "config.toml").write_text('[site]\nlatitude = "1 deg"\n', encoding="utf-8")
    monkeypatch.setattr(sys, "platform", platform)
    monkeypatch.delenv("XDG_CONFIG_HOME")
    monkeypatch.setenv(variable, str(workdir / "home"))
    assert find_setup(None).source == str(own / "config.toml")
