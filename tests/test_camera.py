"""`poleward camera`: scale, angle and mirror from a star that runs and a push, against astropy's own projection."""

from __future__ import annotations

import json
import math
from importlib.resources import files
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import SkyCoord
from conftest import run_here

from poleward.errors import InputError, UsageError
from poleward.setup import find_setup
from poleward.sky.orient import Run, find_camera, orientation

SCHEMA = json.loads((files("poleward") / "data" / "record.schema.json").read_text(encoding="utf-8"))


def on_screen(scale, angle_deg, mirrored, rows, north_arcsec, east_arcsec):
    """Pixels of a displacement, by complex numbers: up in the picture points `angle_deg` from north toward east."""
    turned = complex(north_arcsec, east_arcsec) * np.exp(-1j * math.radians(angle_deg)) / scale
    up, left = turned.real, turned.imag  # as the eye sees with north up, east is to the left
    return (left if mirrored else -left), (up if rows == "up" else -up)


def run_of(dec_deg, seconds):
    """Where a star that the drive does not follow goes, north and east in arcsec: by astropy's offset frames."""
    start = SkyCoord(100 * u.deg, dec_deg * u.deg)
    # what it turns through: Aoki et al. (1982): 86164.0905 s of UT in a turn of the sky (S)
    later = SkyCoord((100 - 360 * seconds / 86164.0905) * u.deg, dec_deg * u.deg)
    east, north = start.spherical_offsets_to(later)
    return north.to_value(u.arcsec), east.to_value(u.arcsec)


def test_recovers_what_it_is_given():
    """Places read to a pixel over 60 s, both hemispheres, mirrored or not, rows up or down: 1 % and 0.3 deg.

    The worst of 640. At 3.2 arcsec/pix (240 mm and 3.75 um) a star runs 280 pixels at dec 0; the scale is worst where
    it runs least.
    """
    rng = np.random.default_rng(5)
    worst_scale = worst_angle = 0.0
    for dec in (-35.0, -10.0, 0.0, 20.0, 35.0):
        ran = run_of(dec, 60.0)
        for mirrored in (False, True):
            for rows in ("up", "down"):
                for _ in range(32):
                    scale, angle = rng.uniform(0.8, 2.6), rng.uniform(0, 360)
                    first = rng.uniform(0, 1500, 2)
                    moved = on_screen(scale, angle, mirrored, rows, *ran)
                    pushed = on_screen(scale, angle, mirrored, rows, -60.0, 3.0)  # the star goes south
                    x, y = np.round(first + moved) - np.round(first)
                    push = tuple(float(one) for one in np.round(first + pushed) - np.round(first))
                    found = orientation(
                        Run(float(x), float(y), 60.0, math.radians(dec)), push, rows=rows, sigma_pix=0.29
                    )
                    assert found.mirrored == mirrored
                    assert found.rows == rows
                    worst_scale = max(worst_scale, abs(found.scale_arcsec_per_pix / scale - 1))
                    off = (found.position_angle_deg - angle + 180) % 360 - 180
                    worst_angle = max(worst_angle, abs(off))
    assert worst_scale < 0.01
    assert worst_angle < 0.3


@pytest.mark.parametrize("dec", [-40.0, 5.0, 60.0])
def test_the_uncertainty_is_meant(dec):
    """Places with errors of 1 pixel: 68 % of the angles and of the scales within one sigma (2,000; 4 sigma of that)."""
    rng = np.random.default_rng(11)
    inside = np.zeros(2)
    durations = 60 + rng.normal(0, 0.2 * math.sqrt(2), 2000)
    for ran in np.transpose(run_of(dec, durations)):
        angle, mirrored = rng.uniform(0, 360), bool(rng.integers(2))
        read_dec = dec + rng.normal(0, 0.1)
        moved = np.array(on_screen(2.0, angle, mirrored, "down", *ran))
        x, y = moved + rng.normal(0, math.sqrt(2), 2)
        push = on_screen(2.0, angle, mirrored, "down", -100.0, 0.0)
        found = orientation(Run(x, y, 60.0, math.radians(read_dec)), push, sigma_pix=1.0)
        off = (found.position_angle_deg - angle + 180) % 360 - 180
        inside += (
            abs(off) < found.position_angle_sigma_deg,
            abs(found.scale_arcsec_per_pix - 2.0) < found.scale_sigma_arcsec_per_pix,
        )
    assert np.all(abs(inside / 2000 - 0.683) < 4 * math.sqrt(0.683 * 0.317 / 2000)), inside / 2000


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("rows", ["up", "down"])
def test_words_for_the_push(mirrored, rows):
    """Up in the picture is north: a push north sends the star down; west is to the right for the eye."""
    x, y = on_screen(2.0, 0.0, mirrored, rows, *run_of(0.0, 60.0))
    assert (x > 0) == (not mirrored)
    found = orientation(Run(x, y, 60.0, 0.0), "down", rows=rows)
    assert (found.mirrored, found.position_angle_deg % 359.999) == (mirrored, pytest.approx(0, abs=0.01))
    turned = orientation(Run(x, y, 60.0, 0.0), "up", rows=rows)
    assert turned.mirrored == (not mirrored)


RUN = "x1=812, y1=455, x2=405, y2=388, duration=60s, dec=+5d"


@pytest.mark.parametrize(
    ("run", "push", "more", "line"),
    [
        (RUN.replace("+5d", "+80d"), "up", (), "dec is +80.0 deg, allowed is -70 to +70 deg"),
        (RUN.replace("x2=405, y2=388", "x2=805, y2=455"), "up", (), "the star ran 7 pixels, needed are 14"),
        (RUN, "left", (), "the push lies 9 deg from the star's run, it should be 90"),
        (RUN, "x1=0, y1=0, x2=40, y2=20", (), "the push lies 17 deg from the star's run, it should be 90"),
        (RUN, "x1=0, y1=0, x2=0, y2=-1", (), "the push moved the star 1.0 pixels, needed are 2.8"),
        (RUN, "north", (), "--push is 'north', allowed is a way on the screen or two places"),
        (RUN.replace(", dec=+5d", ""), "up", (), "one of dec and star is needed"),
        (RUN.replace("60s", "-60s"), "up", (), "duration is -60 s, allowed is more than 0"),
        (
            RUN,
            "up",
            ("--focal-length", "240mm", "--pixel-size", "3.75um"),
            "the run makes 2.18 arcsec/pix, focal length and pixel size, or the setup, make 3.22",
        ),
    ],
)
@pytest.mark.usefixtures("workdir")
def test_refuses_what_cannot_be(run, push, more, line):
    ran = run_here("camera", "--run", run, "--push", push, *more)
    assert ran.status in (2, 3)
    assert ran.out == ""
    assert line in ran.err.splitlines()[0]
    assert len(ran.err.splitlines()) == 2


@pytest.mark.usefixtures("workdir")
def test_the_record_fits_its_schema():
    ran = run_here("camera", "--run", RUN, "--push", "up", "--json", "--output", "c.json")
    record = json.loads(ran.out)
    jsonschema.Draft202012Validator(SCHEMA).validate(record)
    assert json.loads(Path("c.json").read_text(encoding="utf-8")) == record
    assert (record["mirrored"], record["rows"]) == (False, "down")


OLD = '# my own words\r\n[site]\r\nlatitude = "47 deg" # here\r\n'


@pytest.mark.usefixtures("workdir")
def test_written_into_the_setup_and_never_over_what_is_there():
    Path("poleward.toml").write_bytes(OLD.encode())
    ran = run_here("camera", "--run", RUN, "--push", "up", "--write")
    assert (ran.status, ran.out.splitlines()[-1]) == (0, "Added to poleward.toml.")
    written = Path("poleward.toml").read_bytes()
    assert written.startswith(OLD.encode())
    assert b"\n" not in written.replace(b"\r\n", b"")
    camera = find_setup(None).guide_camera
    assert camera is not None
    assert (camera.rows, camera.mirrored, round(camera.scale_arcsec, 2)) == ("down", False, 2.18)
    again = run_here("camera", "--run", RUN, "--push", "up", "--write")
    assert again.status == 2
    assert "poleward.toml: it has a [guide_camera] already" in again.err
    assert Path("poleward.toml").read_bytes() == written


@pytest.mark.usefixtures("workdir")
def test_a_setup_is_made_where_there_is_none():
    assert run_here("camera", "--run", RUN, "--push", "up", "--write").status == 0
    assert Path("poleward.toml").read_text(encoding="utf-8").startswith("[guide_camera]\n")


def test_a_double_turn_is_a_mistake_that_python_is_told_of():
    with pytest.raises(InputError, match="allowed is more than 0"):
        orientation(Run(100.0, 0.0, 0.0, 0.0), "up")


def test_from_python_as_from_the_command():
    pairs = "x1=812, y1=455, x2=537, y2=410, duration=60s, dec=+5d"
    ran = run_here("camera", "--run", pairs, "--push", "x1=600, y1=420, x2=606, y2=382", "--json")
    found = find_camera(((812, 455), (537, 410)), "60 s", 5 * u.deg, ((600, 420), (606, 382)))
    assert found.to_record() == json.loads(ran.out)


@pytest.mark.parametrize(
    ("run", "push", "rows", "line"),
    [
        (
            ((812, 455), (537, 410)),
            "north",
            "down",
            "push is 'north', allowed is a way on the screen or two places",
        ),
        (((812, 455), (537, 410)), "up", "left", "rows is 'left', allowed is 'down' or 'up'"),
        ((812, 455), "up", "down", "two places are needed, each x and y"),
    ],
)
def test_what_python_cannot_ask(run, push, rows, line):
    with pytest.raises(UsageError) as raised:
        find_camera(run, "60 s", "5 deg", push, rows=rows)
    assert raised.value.message == line


@pytest.mark.parametrize(
    ("run", "line", "hint"),
    [
        (
            "x1=1, y1=1, x2=300, y2=40, duration=1, dec=+5d",
            "--run: duration is 1 s, allowed is 5 s or more",
            "1min is",
        ),
        ("812", "--run: '812' is not name=value", "x1=812"),
    ],
)
def test_slips_in_a_run(run, line, hint):
    ran = run_here("camera", "--run", run, "--push", "up")
    assert ran.status == 3
    assert f"poleward: {line}" in ran.err
    assert hint in ran.err
