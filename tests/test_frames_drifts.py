"""Drifts from frames, the whole way: pictures made by other means, files, stars, the sky, the axis."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
import truth
from astropy.coordinates import FK5, EarthLocation
from astropy.io import fits
from astropy.wcs import WCS
from skyframes import Scene

from poleward import FrameDrifts, GuideCamera, InputError, Setup, Site, UsageError, read_frames

NORTH = truth.Place(46.9)
SOUTH = truth.Place(-33.9)
SECONDS = list(range(0, 120, 10))
SCHEMA = json.loads((Path(__file__).parent.parent / "src/poleward/data/record.schema.json").read_text())
pytestmark = pytest.mark.usefixtures("looked_at_once")
CALM = 0.02
"""Jitter, arcsec, where signs and directions are looked at, not noise."""


def calm(place: truth.Place, **changes: Any) -> Scene:
    """An axis nearly a degree off, so that the field turns by a third of an arcminute."""
    dec = 18.0 * np.sign(place.latitude_deg)
    return Scene(place, 10.0, 45.0, -3.0, dec, jitter_arcsec=CALM, brightness=(4.8, 5.7), **changes)


def told(scene: Scene, **more: Any) -> dict[str, Any]:
    side = "yes" if scene.other_side else "no"
    return {"hour_angle": f"{scene.hour_angle_h} h", "dec": f"{scene.dec_deg} deg", "reversed": side, **more}


def true_motion(scene: Scene, seconds: float) -> tuple[float, float, float]:
    """North and east of the field's middle, arcsec, by `truth`; its turn, arcmin, by a polar decomposition."""
    stars, _ = scene.field()
    pole = truth.pole_seen(scene.place, truth.Time(scene.when))
    hemisphere = np.sign(scene.place.latitude_deg)
    axis = truth.axis_direction(pole, scene.azimuth_arcmin / 60, scene.altitude_arcmin / 60, hemisphere)
    north, east = truth.drift(scene.place, stars[0], scene.when, seconds, axis)
    upright = replace(scene, angle_deg=0.0, mirrored=False, other_side=False)  # x west, y north
    first, last = upright.places([0, seconds])
    left, _, right = np.linalg.svd((last - last.mean(0)).T @ (first - first.mean(0)))
    turn = left @ right
    return north, east, float(np.degrees(np.arctan2(turn[1, 0], turn[0, 0])) * 60)


@pytest.mark.parametrize(
    ("place", "mirrored", "other_side"),  # each two of them in all four ways
    [(NORTH, False, False), (NORTH, True, True), (SOUTH, False, True), (SOUTH, True, False)],
)
def test_drift_and_turn_against_the_truth(
    tmp_path: Path, place: truth.Place, mirrored: bool, other_side: bool
) -> None:
    """By the guide camera of the setup. 0.05 arcsec: three sigmas of the jitter; 0.15 arcmin: of the turn."""
    scene = calm(place, mirrored=mirrored, other_side=other_side)
    camera = GuideCamera("2 arcsec/pix", "20 deg", mirrored)
    found = read_frames(scene.save(tmp_path, SECONDS), Setup(guide_camera=camera), pointings=[told(scene)])
    north, east, turn = true_motion(scene, 110)
    one = found.pointings[0]
    assert one.north_arcsec == pytest.approx(north, abs=0.05)
    assert one.east_arcsec == pytest.approx(east, abs=0.05)
    assert one.rotation_arcmin == pytest.approx(turn, abs=0.15)
    assert abs(turn) > 0.25
    assert one.reversed == other_side
    assert one.duration_s == pytest.approx(110)
    assert one.frames_used == len(SECONDS)
    row = found.drifts.to_rows()[0]
    assert row["north"] == pytest.approx(-one.north_arcsec if other_side else one.north_arcsec, abs=1e-4)
    assert row["time"] == "2024-03-10T20:00:00Z"


@pytest.mark.parametrize(("wcs", "mirrored"), [("own", False), ("first", True)])
@truth.offline()
def test_a_wcs_tells_pointing_scale_angle_and_hand(tmp_path: Path, wcs: str, mirrored: bool) -> None:
    """By astropy's fit of a WCS to each frame's stars, or one that is copied into all; the tube's side does not count.

    Against where astropy.wcs says that the place lies at which the middle star ends, by the first frame's WCS.
    """
    scene = calm(SOUTH, mirrored=mirrored, other_side=True)
    found = read_frames(scene.save(tmp_path, SECONDS, wcs=wcs))
    ways = scene.places(SECONDS)[[0, -1]]
    header = scene.header(ways[0])
    first, last = WCS(header).pixel_to_world(*ways[:, 0].T).transform_to(FK5(equinox=truth.Time(scene.when)))
    east, north = (side.arcsec for side in first.spherical_offsets_to(last))
    one, stars = found.pointings[0], scene.field()[0]
    assert abs(north) > 5
    assert one.north_arcsec == pytest.approx(north, abs=0.05)
    assert one.east_arcsec == pytest.approx(east, abs=0.05)
    assert one.rotation_arcmin == pytest.approx(true_motion(scene, 110)[2], abs=0.15)
    middle = one.pointing.ra, one.pointing.dec
    assert np.degrees(middle) == pytest.approx([stars[0].ra.deg, stars[0].dec.deg], abs=1e-3)
    assert (one.stars > 0) == (wcs == "first")
    assert not found.warnings


def test_a_wcs_that_the_mount_wrote_is_not_believed(tmp_path: Path) -> None:
    """Its headers say that the field jumps by 20 arcsec; the stars do not."""
    scene = calm(NORTH)
    scene.save(tmp_path, SECONDS, wcs="first")
    for number in range(len(SECONDS)):
        with fits.open(tmp_path / f"f{number:03d}.fits", mode="update") as hdus:
            hdus[0].header["CRVAL2"] += 20 / 3600 * (number % 2) + number * 4 / 3600
    found = read_frames(tmp_path)
    assert found.pointings[0].north_arcsec == pytest.approx(true_motion(scene, 110)[0], abs=0.1)
    assert [note.code for note in found.warnings] == ["wcs-stale"]
    assert "do not move with the stars" in found.warnings[0].text


@pytest.mark.parametrize(
    ("place", "mirrored", "count"),  # each two of them in all four ways
    [(NORTH, False, 2), (NORTH, True, 12), (SOUTH, False, 12), (SOUTH, True, 2)],
)
def test_the_camera_by_the_run_and_a_nudge(
    tmp_path: Path, place: truth.Place, mirrored: bool, count: int
) -> None:
    """The run is 15.041067 arcsec/s (IAU 2000, stellar day; outside-checks F) times cos dec, west; the nudge sends stars south.

    With two frames of half a pixel's jitter of 105 pixels: 1 %, half a degree. With twelve a third of that.
    """
    scene = Scene(place, 5.0, 5.0, -1.0, 12.0, mirrored=mirrored, angle_deg=205.0)
    stopped = replace(scene, drive=0.0).save(tmp_path / "stopped", list(np.linspace(0, 14, count)))
    nudged = replace(scene, nudges=((1, 40.0),)).save(tmp_path / "nudged", [0, 5])
    fields = scene.save(tmp_path / "field", SECONDS)
    aims = [{"label": "drive-off", "dec": "12 deg"}, told(scene, label="field")]
    found = read_frames(fields, pointings=aims, drive_off=[stopped], nudge_north=[nudged])
    assert found.camera is not None
    assert found.camera.scale_arcsec_per_pix == pytest.approx(2.0, rel=0.015)
    assert abs((found.camera.position_angle_deg - 205 + 180) % 360 - 180) < 0.7
    assert found.camera.mirrored == mirrored
    off = abs(found.camera.scale_arcsec_per_pix - 2.0)
    assert off < 3 * found.camera.scale_sigma_arcsec_per_pix
    north = true_motion(scene, 110)[0]
    assert abs(found.pointings[0].north_arcsec - north) < 3 * found.pointings[0].north_sigma_arcsec
    assert found.pointings[0].on_sky.source == "the stars' run with the drive off"
    assert f'scale = "{found.camera.scale_arcsec_per_pix:.5g} arcsec/pix"' in str(found)


def test_a_telescope_moved_within_a_group_is_found(tmp_path: Path) -> None:
    """By 100 arcsec north, 50 pixels, in the middle, without a pause: both halves are pointings of their own."""
    scene = replace(calm(NORTH), nudges=((8, 100.0),))
    found = read_frames(
        scene.save(tmp_path / "field", list(range(0, 160, 10))),
        Setup(guide_camera=GuideCamera("2 arcsec/pix", "20 deg")),
        pointings=[told(scene), told(scene)],
    )
    assert [one.frames_used for one in found.pointings] == [8, 8]
    assert [one.label for one in found.pointings] == ["field", "field 2"]
    assert found.pointings[0].north_arcsec == pytest.approx(true_motion(scene, 70)[0], abs=0.08)
    assert [note.code for note in found.warnings] == ["pointing-moved"]


def test_good_pointings_are_delivered_and_the_others_named(tmp_path: Path) -> None:
    """East is fine but for three frames; under the cloud there are no stars; of south there is one frame."""
    scene = calm(NORTH)
    scene.save(tmp_path / "east", SECONDS, wcs="first")
    (tmp_path / "east" / "f001.fits").write_bytes((tmp_path / "east" / "f001.fits").read_bytes()[:60000])
    with fits.open(tmp_path / "east" / "f002.fits", mode="update") as hdus:
        hdus[0].data = hdus[0].data[:280]
    (tmp_path / "east" / "notes.fits").write_text("these are no frames", encoding="utf-8")
    later = scene.when + timedelta(minutes=5)
    hidden = replace(scene, when=later, brightness=(0.0, 0.1))
    hidden.save(tmp_path / "cloud", SECONDS[:5], wcs="")
    replace(scene, when=later + timedelta(minutes=5)).save(tmp_path / "south", [0])
    found = read_frames([tmp_path / name for name in ("east", "cloud", "south")])
    assert [(one.label, one.frames_used, one.frames) for one in found.pointings] == [("east", 10, 12)]
    said = "\n".join(note.text for note in found.warnings)
    assert "notes.fits: this is no FITS file, or it ends early" in said
    assert "f001.fits: the pixels of this frame: it ends early" in said
    assert "f002.fits: 400 x 280 pixels, the others of its pointing have 400 x 300" in said
    assert "cloud: 0 frames with stars, needed are 3" in said
    assert "south: 1 frame with stars, needed are 3" in said
    assert len(said.splitlines()) <= 8


def complaint(*arguments: Any, **more: Any) -> str:
    with pytest.raises((InputError, UsageError)) as caught:
        read_frames(*arguments, **more)
    assert "\n" not in str(caught.value)
    return f"{caught.value} | {caught.value.hint}"


def test_what_is_missing_is_said(tmp_path: Path) -> None:
    scene = calm(NORTH)
    fields = scene.save(tmp_path / "field", SECONDS[:4])
    camera = Setup(guide_camera=GuideCamera("2 arcsec/pix", "20 deg"))
    assert "how pixels lie on the sky is not known" in complaint(fields, pointings=[told(scene)])
    assert "--drive-off and --nudge-north" in complaint(fields, pointings=[told(scene)])
    assert "where the telescope pointed is not known" in complaint(fields, camera)
    assert "told for 'west', the frames' pointings are field" in complaint(
        fields, camera, pointings=[told(scene, label="west")]
    )
    assert "2 pointings are told without a label, the frames have 1: field" in complaint(
        fields, camera, pointings=[told(scene)] * 2
    )
    assert "--drive-off and --nudge-north go together" in complaint(fields, camera, drive_off=[fields])
    assert "unknown name 'decl' (did you mean dec?)" in complaint(
        fields, camera, pointings=[{"hour_angle": "1h", "decl": "5 deg"}]
    )
    assert "the dec of the stars that run is not known" in complaint(
        fields, camera, drive_off=[fields], nudge_north=[fields]
    )
    assert "needed are 20" not in complaint(fields, camera)
    still = replace(scene, azimuth_arcmin=0.1, altitude_arcmin=0.1).save(tmp_path / "still", [0, 5])
    aims = [{"label": "drive-off", "dec": "5 deg"}]
    stood = complaint(fields, camera, drive_off=[still], nudge_north=[fields], pointings=aims)
    assert stood.startswith("--drive-off: the star ran 0 pixels")
    assert "with nothing but the drive stopped" in stood


def test_without_photutils(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    scene = calm(NORTH)
    monkeypatch.setattr("poleward.frames.following.find_spec", lambda name: None)
    said = complaint(scene.save(tmp_path / "a", SECONDS[:4]), Setup())
    assert said == "photutils, which finds the stars, is not installed | pip install 'poleward[frames]'"
    # A WCS in each frame needs no stars.
    assert isinstance(read_frames(scene.save(tmp_path / "b", SECONDS, wcs="own")), FrameDrifts)


def test_what_date_obs_marks_is_told_once(tmp_path: Path) -> None:
    scene = calm(NORTH)
    scene.save(tmp_path, SECONDS, wcs="first")
    for number, path in enumerate(sorted(tmp_path.glob("*.fits"))):
        with fits.open(path, mode="update") as hdus:
            hdus[0].header.rename_keyword("DATE-BEG", "DATE-OBS")
            hdus[0].header["XPOSURE"] = 1.0 if number % 2 else 3.0
    assert "exposures of 1 to 3 s, and nobody says what DATE-OBS marks" in complaint(tmp_path)
    for path in tmp_path.glob("*.fits"):
        with fits.open(path, mode="update") as hdus:
            hdus[0].header["XPOSURE"] = 1.0
    (note,) = read_frames(tmp_path).warnings
    assert note.code == "stamp-assumed"
    assert "may be off by 15 arcsec" in note.text
    assert not read_frames(tmp_path, Setup(frames={"stamp": "start"})).warnings


@pytest.mark.parametrize(("place", "mirrored"), [(NORTH, True), (SOUTH, False)])
def test_the_camera_by_trails_in_one_exposure(tmp_path: Path, place: truth.Place, mirrored: bool) -> None:
    """12 s with the drive stopped, taken right after the nudge: 88 pixels, whose ends are known to half a pixel."""
    scene = Scene(place, 5.0, 5.0, -1.0, 12.0, mirrored=mirrored, angle_deg=205.0, nudges=((1, 40.0),))
    nudged = scene.save(tmp_path / "nudged", [0, 5])
    stopped = replace(scene, drive=0.0, brightness=(4.8, 6.5), nudges=((0, 40.0),))
    ways = stopped.places(list(np.linspace(0, 12, 121)))
    fluxes = np.tile(stopped.field()[1] / len(ways), len(ways))
    hdu = fits.PrimaryHDU(stopped.picture(ways.reshape(-1, 2), fluxes, np.random.default_rng(3)))
    hdu.header.update({"DATE-BEG": "2024-03-10T20:00:10", "XPOSURE": 12.0})
    hdu.writeto(tmp_path / "trails.fits")
    fields = scene.save(tmp_path / "field", SECONDS[:5])
    aims = [{"label": "drive-off", "dec": "12 deg"}, told(scene, label="field")]
    found = read_frames(fields, pointings=aims, drive_off=[tmp_path / "trails.fits"], nudge_north=[nudged])
    assert found.camera is not None
    assert found.camera.scale_arcsec_per_pix == pytest.approx(2.0, rel=0.01)
    assert abs((found.camera.position_angle_deg - 205 + 180) % 360 - 180) < 0.4
    assert found.camera.mirrored == mirrored
    elsewhere = replace(scene, seed=9).save(tmp_path / "elsewhere", [0, 5])
    said = complaint(fields, pointings=aims, drive_off=[tmp_path / "trails.fits"], nudge_north=[elsewhere])
    assert said.startswith("--drive-off: trails alone do not tell which of their ends is west")


@pytest.mark.parametrize(("place", "stars"), [(NORTH, 1), (SOUTH, 2)])
def test_one_star_or_two_tell_a_drift_and_no_turn(tmp_path: Path, place: truth.Place, stars: int) -> None:
    """The first star is the field's middle; jitter of 0.02 arcsec and centres of 0.03 make 0.05 over two minutes."""
    scene = calm(place, stars=stars, seed=3)
    camera = Setup(guide_camera=GuideCamera("2 arcsec/pix", "20 deg"))
    found = read_frames(scene.save(tmp_path / "a", SECONDS), camera, pointings=[told(scene)])
    one = found.pointings[0]
    north, east, _ = true_motion(replace(scene, stars=40), 110)
    assert one.stars == stars
    assert one.north_arcsec == pytest.approx(north, abs=0.1)
    assert one.east_arcsec == pytest.approx(east, abs=0.1)
    assert abs(one.north_arcsec - north) < 3 * one.north_sigma_arcsec
    assert one.rotation_arcmin is None
    assert found.drifts[0].rotation_arcmin is None
    (note,) = found.warnings
    assert note.code == "few-stars"
    told_of = "one star, which tells" if stars == 1 else "2 stars, which tell"
    assert note.text == f"a: its frames show {told_of} the drift and no turn of the field"
    assert "not measured" in str(found)
    jsonschema.validate(found.to_record(), SCHEMA)


def test_what_stands_still_alone_is_no_star(tmp_path: Path) -> None:
    """Nine hot pixels in a block, as wide as a star, on one place in all frames."""
    scene = replace(calm(NORTH), brightness=(0.0, 0.1))
    fields = scene.save(tmp_path / "a", SECONDS)
    for path in fields.glob("*.fits"):
        with fits.open(path, mode="update") as hdus:
            hdus[0].data[100:103, 200:203] += 20000
    said = complaint(
        fields, Setup(guide_camera=GuideCamera("2 arcsec/pix", "20 deg")), pointings=[told(scene)]
    )
    assert "its only star stands still: a hot pixel" in said


GEODETIC = {"OBSGEO-B": 46.9, "OBSGEO-L": 8.4, "OBSGEO-H": 540.0}
PLACE = EarthLocation.from_geodetic(8.4, 46.9, 540)
GEOCENTRIC = {f"OBSGEO-{letter}": getattr(PLACE, letter.lower()).to_value("m") for letter in "XYZ"}


@pytest.mark.parametrize("cards", [GEODETIC, GEOCENTRIC], ids=["B L H", "X Y Z"])
@truth.offline()
def test_the_headers_site_counts_where_none_is_told(tmp_path: Path, cards: dict[str, float]) -> None:
    """The hour angle is the one at which the scene was made: apparent, of date; a hundredth of a degree for the WCS fit."""
    scene = calm(NORTH)
    fields = scene.save(tmp_path, SECONDS[:5], wcs="first", **cards)
    found = read_frames(fields)
    assert found.site is not None
    assert np.degrees(found.site.latitude_rad) == pytest.approx(46.9, abs=1e-6)
    assert found.site.elevation_m == pytest.approx(540, abs=0.1)
    assert found.pointings[0].hour_angle_h == pytest.approx(scene.hour_angle_h, abs=0.01 / 15)
    (note,) = found.warnings
    assert note.code == "site-by-header"
    assert note.text.endswith("Tell solve: --latitude 46.9000deg --longitude 8.4000deg --elevation 540m")
    near = read_frames(fields, site=Site("46.92 deg", "8.4 deg"))
    assert not near.warnings
    assert near.pointings[0].to_record()["hour_angle_h"] == pytest.approx(near.pointings[0].hour_angle_h)
    # A degree of longitude there is 111.2 km times cos 46.9 = 76 km.
    (note,) = read_frames(fields, site=Site("46.9 deg", "9.4 deg")).warnings
    assert note.code == "site-differs"
    assert "76 km from the stated site, which counts" in note.text


def test_a_site_of_nonsense_is_none(tmp_path: Path) -> None:
    scene = calm(NORTH)
    for number, value in enumerate((0.0, 400.0)):
        fields = scene.save(
            tmp_path / str(number), SECONDS[:4], wcs="first", **{"OBSGEO-B": value, "OBSGEO-L": 0.0}
        )
        found = read_frames(fields)
        assert found.site is None
        assert found.pointings[0].hour_angle_h is None
        assert not found.warnings
