"""The bundled stars: their places against other catalogues, and how they are found and refused."""

from __future__ import annotations

import math
from datetime import UTC, datetime

import numpy as np
import pytest
import truth
from astropy.coordinates import SkyCoord
from astropy.time import Time
from conftest import run_here

from poleward import Air, Site
from poleward.errors import InputError
from poleward.sky.look import Pointing, look
from poleward.sky.stars import bright_stars, find_star
from poleward.timings.drifts import Drifts

HIPPARCOS = {
    "Sirius": (101.28715539, -16.71611582),
    "Polaris": (37.95454, 89.26410949),
    "Altair": (297.6958271, 8.86832203),
    "Canopus": (95.9879579, -52.69566),
    "Achernar": (24.4285227, -57.23675744),
    "Antares": (247.3519204, -26.4320025),
}
"""Hipparcos (ESA 1997), ICRS at J2000.0, status S (read in a copy), degrees."""


@pytest.mark.parametrize("name", HIPPARCOS)
def test_places_are_those_of_hipparcos(name):
    """To 1.5 arcsec, as the table's head promises."""
    star, (ra, dec) = find_star(name), HIPPARCOS[name]
    east = (math.degrees(star.ra) - ra) * math.cos(math.radians(dec))
    assert math.hypot(east, math.degrees(star.dec) - dec) * 3600 < 1.5


def test_the_table_is_whole():
    assert len(bright_stars()) == 518
    assert max(star.magnitude for star in bright_stars()) <= 4.0
    for star in bright_stars():
        assert find_star(star.designation).designation == star.designation
        assert find_star(f"HR {star.number}").number == star.number


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("altair", "Altair"),
        ("alpha Aql", "Altair"),
        ("ALPHA  aql", "Altair"),
        ("\u03b1 Aql", "Altair"),
        ("\u03bb Sco", "Shaula"),
        ("HR 7557", "Altair"),
        ("gamma Leo", "Algieba"),  # gamma1, the brighter part
        ("Acrux", "Acrux"),
    ],
)
def test_found_by_name_or_designation(text, name):
    assert find_star(text).name == name


@pytest.mark.parametrize(
    ("text", "hint"),
    [
        ("Altiar", "did you mean Altair (alpha Aql)?"),
        ("alpha Agl", "did you mean Altair (alpha Aql)?"),
        ("M 31", "it holds 518 stars to magnitude 4.0; of any other give ra and dec"),
    ],
)
def test_an_unknown_star_names_the_nearest(text, hint):
    with pytest.raises(InputError) as caught:
        find_star(text, "drifts.csv:3, column star")
    assert (
        caught.value.args[0] == f"drifts.csv:3, column star: there is no star '{text}' in the bundled table"
    )
    assert caught.value.hint == hint


AT = "2026-11-14T19:24:00+01:00"


def test_a_star_in_the_table_is_where_astropy_sees_it():
    """Through astropy's own transformation of the Hipparcos place; proper motion and table leave 20 arcsec."""
    (drift,) = Drifts.from_rows([{"star": "Altair", "time": AT, "duration": 300, "north": -6.2}])
    site = Site("46.9 deg", "9.1 deg", "560 m", Air("950 hPa", "4 deg_C", 0.7, "0.55 um"))
    sight = look([drift.pointing], np.zeros((1, 1)), site)
    with truth.offline():
        seen = SkyCoord(*HIPPARCOS["Altair"], unit="deg").transform_to(
            truth.Place(46.9, 9.1).altaz(Time(datetime.fromisoformat(AT).astimezone(UTC)))
        )
    toward = truth.enu(seen)
    apart = np.linalg.norm(sight.seen[0, 0] - toward / np.linalg.norm(toward))
    assert apart < math.radians(20 / 3600)
    assert drift.label == "Altair"
    assert isinstance(drift.pointing, Pointing)


def test_star_on_the_command_line():
    place = ("--latitude", "46.9deg", "--longitude", "9.1deg")
    drifts = ("--drift", f"star=Altair, time={AT}, duration=6min, north=5.5arcsec")
    ran = run_here("solve", *drifts, *place)
    assert ran.status == 4
    assert "Altair" in ran.out
    ran = run_here("solve", *drifts, "--latitude", "46.9deg")
    assert ran.status == 3
    assert "longitude" in ran.err
    ran = run_here("solve", "--drift", "star=Altair, duration=6min, north=5.5arcsec", *place)
    assert ran.err == (
        "poleward: --drift 1: a star needs the time at which the timing began\n"
        "  fill the column time, or give hour_angle and dec instead of star\n"
    )
    ran = run_here("solve", "--drift", f"star=Altair, dec=8deg, time={AT}, duration=6min, north=1", *place)
    assert "star and dec are both given" in ran.err
