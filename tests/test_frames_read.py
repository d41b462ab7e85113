"""Frames as they are read: pixels, times, pointings, and everything in a header that can be wrong."""

from __future__ import annotations

import gzip
import math
import os
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy.coordinates import FK5
from astropy.io import fits
from astropy.time import Time
from astropy.utils.data import get_pkg_data_filename
from astropy.wcs import WCS

from poleward import InputError, Setup, read_setup
from poleward.frames.gather import files_of, grouped, read_shots
from poleward.frames.keywords import Trusted
from poleward.frames.onsky import by_wcs, directions_at, pixels_at
from poleward.frames.pixels import read_frame
from poleward.frames.shot import Shot, read_shot

WHEN = {"DATE-AVG": "2026-11-25T21:14:00.5"}
NOTHING = Trusted()
SIZE = (40, 50)


def ramp(kind: str = "uint16") -> Any:
    return (np.arange(2000).reshape(SIZE) % 200).astype(kind)


def save(path: Path | str, data: Any = None, hdu: type = fits.PrimaryHDU, **cards: Any) -> str:
    made = hdu(ramp() if data is None else data)
    made.header.update({key.replace("_", "-"): value for key, value in (cards or WHEN).items()})
    made.writeto(path, overwrite=True)
    return str(path)


def trusting(**keywords: str) -> Trusted:
    return Trusted.of(Setup(frames={"keywords": keywords}))


def reading(path: str) -> Shot:
    return read_shot(path, NOTHING)


def complaint(path: str, trusted: Trusted = NOTHING) -> str:
    with pytest.raises(InputError) as caught:
        read_frame(read_shot(path, trusted))
    assert "\n" not in caught.value.args[0]
    return f"{caught.value.args[0]} | {caught.value.hint}"


@pytest.mark.parametrize("kind", ["uint8", "int16", "uint16", "int32", "uint32", "float32", "float64"])
@pytest.mark.parametrize("hdu", [fits.PrimaryHDU, fits.CompImageHDU])
def test_every_kind_of_number(tmp_path: Path, kind: str, hdu: type) -> None:
    """Lossless compression (the default of astropy for floats is not: there half a step of its quantum)."""
    shot = read_shot(save(tmp_path / "a.fits", ramp(kind), hdu), NOTHING)
    frame = read_frame(shot)
    assert frame.image.dtype == np.float32
    lossy = hdu is fits.CompImageHDU and kind.startswith("float")
    np.testing.assert_allclose(frame.image, ramp(), atol=3.0 if lossy else 0.0)
    if hdu is fits.PrimaryHDU:
        assert frame.saturation == {"uint8": 255, "int16": 32767, "uint16": 65535}.get(kind)


def test_scaled_numbers(tmp_path: Path) -> None:
    hdu = fits.PrimaryHDU(ramp("float32"))
    hdu.scale("int16", bscale=0.5, bzero=100)
    hdu.header.update(WHEN)
    hdu.writeto(tmp_path / "s.fits")
    frame = read_frame(read_shot(tmp_path / "s.fits", NOTHING))
    np.testing.assert_array_equal(frame.image, ramp())
    assert frame.saturation == 32767 * 0.5 + 100


def test_colours_are_added_up_and_a_full_one_counts(tmp_path: Path) -> None:
    cube = np.stack([ramp(), 2 * ramp(), 3 * ramp()])
    cube[1, 5, 7] = 65535
    frame = read_frame(read_shot(save(tmp_path / "c.fits", cube), NOTHING))
    expected = 2.0 * ramp()
    expected[5, 7] = 65535
    np.testing.assert_allclose(frame.image, expected, rtol=1e-6)


def test_a_raster_of_colours_becomes_blocks(tmp_path: Path) -> None:
    raster = np.zeros((81, 90), np.uint16)  # an odd last row is left
    raster[::2, ::2], raster[::2, 1::2], raster[1::2, ::2], raster[1::2, 1::2] = 400, 200, 200, 100
    raster[10, 20] = 65535
    path = save(tmp_path / "r.fits", raster, **WHEN, RASTER="ABCD")
    for shot in (read_shot(path, NOTHING, mosaic=True), read_shot(path, trusting(mosaic="RASTER"))):
        frame = read_frame(shot)
        assert frame.image.shape == (40, 45)
        assert frame.image[5, 10] == 65535
        assert set(np.unique(frame.image)) == {225.0, 65535.0}
    assert read_frame(read_shot(path, NOTHING)).image.shape == (81, 90)


def test_a_zero_that_is_no_number_refuses_the_frame(tmp_path: Path) -> None:
    """Found by the fuzzer: int and str were added."""
    path = tmp_path / "s.fits"
    hdu = fits.PrimaryHDU(ramp("int16"))
    hdu.header.update(WHEN, BZERO="none")
    hdu.writeto(path, output_verify="ignore")
    assert fits.getheader(path)["BZERO"] == "none"
    with pytest.raises(InputError, match="the pixels of this frame"):
        read_frame(read_shot(path, NOTHING))


def test_a_frame_of_places_that_astropy_does_not_know_is_no_wcs(tmp_path: Path) -> None:
    """Found by the fuzzer: its places are bare numbers."""
    hdu = fits.PrimaryHDU(ramp("int16"))
    hdu.header.update(WHEN)
    for system, known in (("ICRS", True), ("ODD", False)):
        hdu.header.update(wcs_cards(hdu.data.shape, RADESYS=system))
        hdu.writeto(tmp_path / "w.fits", overwrite=True)
        assert (read_shot(tmp_path / "w.fits", NOTHING).wcs is not None) == known


def test_the_saturation_of_the_users_keyword(tmp_path: Path) -> None:
    path = save(tmp_path / "a.fits", **WHEN, FULLWELL=4095)
    assert read_frame(read_shot(path, trusting(saturation="FULLWELL"))).saturation == 4095


def test_a_packed_file(tmp_path: Path) -> None:
    plain = Path(save(tmp_path / "a.fits")).read_bytes()
    (tmp_path / "a.fits.gz").write_bytes(gzip.compress(plain))
    np.testing.assert_array_equal(read_frame(read_shot(tmp_path / "a.fits.gz", NOTHING)).image, ramp())


def test_standard_made_files_of_a_package(tmp_path: Path) -> None:
    """M 13 as astropy's own tests have it, plain and compressed by other programs: the same pixels."""
    images = []
    for name in ("m13.fits", "m13_rice.fits", "m13_gzip.fits"):
        path = get_pkg_data_filename(f"tests/data/{name}", package="astropy.io.fits.hdu.compressed")
        assert "this header has no time" in complaint(path)
        copy = tmp_path / name
        copy.write_bytes(Path(path).read_bytes())
        with fits.open(copy, mode="update", disable_image_compression=True) as hdus:
            hdus[-1].header["CLOCK"] = "2026-11-25T21:00:00"
        images.append(read_frame(read_shot(copy, trusting(time="CLOCK"))).image)
    assert images[0].shape == (300, 300)
    assert images[0].std() > 100
    for image in images[1:]:
        np.testing.assert_array_equal(image, images[0])


# --- Times


def middle(tmp_path: Path, trusted: Trusted = NOTHING, **cards: Any) -> datetime:
    return read_shot(save(tmp_path / "t.fits", **cards), trusted).middle


@pytest.mark.parametrize(
    ("cards", "seconds"),
    [
        ({"DATE_AVG": "2026-11-25T21:00:04.25", "DATE_OBS": "2026-11-25T20:00:00"}, 4.25),
        ({"MJD_AVG": 61369.875 + 4.25 / 86400}, 4.25),
        ({"DATE_BEG": "2026-11-25T21:00:00", "XPOSURE": 8.0}, 4.0),
        ({"DATE_BEG": "2026-11-25T21:00:00", "XPOSURE": 6.0, "TELAPSE": 10.0}, 5.0),
        ({"DATE_BEG": "2026-11-25T21:00:00", "XPOSURE": 0.5, "TIMEUNIT": "min"}, 15.0),
        ({"DATE_BEG": "2026-11-25T21:00:00", "DATE_END": "2026-11-25T21:00:30"}, 15.0),
        ({"DATE_END": "2026-11-25T21:00:30", "XPOSURE": 20.0}, 20.0),
        ({"DATE_OBS": "2026-11-25T21:00:00", "XPOSURE": 20.0}, 10.0),
    ],
)
def test_times_of_the_standard(tmp_path: Path, cards: dict[str, Any], seconds: float) -> None:
    """FITS Standard 4.0, section 9: what each keyword marks. MJD 61369.875 is 2026-11-25T21:00 (astropy)."""
    assert Time(61369.875, format="mjd").isot == "2026-11-25T21:00:00.000"
    expected = datetime(2026, 11, 25, 21, tzinfo=UTC) + timedelta(seconds=seconds)
    assert abs(middle(tmp_path, **cards) - expected) < timedelta(microseconds=10)


@pytest.mark.parametrize(("stamp", "seconds"), [("start", 10.0), ("middle", 0.0), ("end", -10.0), ("", 10.0)])
def test_what_date_obs_marks(tmp_path: Path, stamp: str, seconds: float) -> None:
    path = save(tmp_path / "t.fits", DATE_OBS="2026-11-25T21:00:00", XPOSURE=20.0)
    shot = read_shot(path, Trusted(stamp=stamp))
    assert shot.middle == datetime(2026, 11, 25, 21, tzinfo=UTC) + timedelta(seconds=seconds)
    assert shot.stamp_assumed == (stamp == "")
    assert shot.keywords == {"time": "DATE-OBS", "exposure": "XPOSURE"}


@pytest.mark.parametrize("system", ["TAI", "TT", "TDB", "TCG", "TCB", "UT1", "TT(TAI)"])
def test_time_scales(tmp_path: Path, system: str) -> None:
    """Against astropy's Time. TDB is taken for TT: 2 ms."""
    text = "2016-11-25T21:00:00"
    scale = system.split("(")[0].lower()
    from poleward.simulate.rotation import rotation_data

    day = datetime(2016, 11, 25, tzinfo=UTC)
    with rotation_data(day, day):
        expected = Time(text, scale=scale).utc.to_datetime(timezone=UTC)
    for cards in ({"DATE_AVG": text}, {"MJD_AVG": Time(text).mjd}):
        assert abs(middle(tmp_path, TIMESYS=system, **cards) - expected) < timedelta(milliseconds=3)


def test_gps_time(tmp_path: Path) -> None:
    """GPS time is 19 s behind TAI (Rots et al. 2015, table 2; M), so 17 s before UTC in 2016-11."""
    found = middle(tmp_path, TIMESYS="GPS", DATE_AVG="2016-11-25T21:00:17")
    assert found == datetime(2016, 11, 25, 21, tzinfo=UTC)


def test_the_users_time_keyword_and_its_zone(tmp_path: Path) -> None:
    cards = {"CLOCK": "2026-11-25T22:00:00", **WHEN}
    trusted = Trusted({"time": ("CLOCK", "Europe/Zurich")}, "middle")
    assert middle(tmp_path, trusted, **cards) == datetime(2026, 11, 25, 21, tzinfo=UTC)
    assert middle(tmp_path, trusting(time="CLOCK"), **cards) == datetime(2026, 11, 25, 22, tzinfo=UTC)


def test_the_users_exposure(tmp_path: Path) -> None:
    cards = {"DATE_BEG": "2026-11-25T21:00:00", "TIMEMS": 4000}
    assert middle(tmp_path, trusting(exposure="TIMEMS [ms]"), **cards).second == 2
    assert middle(tmp_path, **cards).second == 0


@pytest.mark.parametrize(
    ("cards", "said"),
    [
        ({"OBJECT": "x"}, "this header has no time: none of DATE-AVG, DATE-BEG"),
        ({"DATE_OBS": "2026-11-25"}, "t.fits, DATE-OBS: '2026-11-25' has no time of day"),
        ({"DATE_OBS": "25/11/99"}, "t.fits, DATE-OBS: '25/11/99' is not a time, allowed is ISO 8601"),
        ({"MJD_AVG": 1e9}, "is out of range"),
        ({**WHEN, "TIMESYS": "LOCAL"}, "TIMESYS is 'LOCAL', allowed are UTC"),
        (
            {"DATE_BEG": "2026-11-25T21:00:00", "XPOSURE": -1.0},
            "the exposure is -1 s, allowed is 0 to 86400 s",
        ),
        ({"DATE_BEG": "2026-11-25T21:00:00", "DATE_END": "2026-11-25T20:00:00"}, "the exposure is -3600 s"),
    ],
)
def test_times_that_cannot_be(tmp_path: Path, cards: dict[str, Any], said: str) -> None:
    assert said in complaint(save(tmp_path / "t.fits", **cards))


# --- The user's keywords


def test_a_pointing_by_the_users_keywords(tmp_path: Path) -> None:
    path = save(tmp_path / "p.fits", **WHEN, TELRA="05 34 32", TELDEC="-10 30 00", RADEG=83.633)
    shot = read_shot(path, trusting(ra="TELRA", dec="TELDEC"))
    assert np.degrees([shot.place["ra"], shot.place["dec"]]) == pytest.approx([83.633333, -10.5], abs=1e-6)
    assert shot.keywords["ra"] == "TELRA"
    shot = read_shot(path, trusting(ra="RADEG [deg]", dec="TELDEC"))
    assert np.degrees(shot.place["ra"]) == pytest.approx(83.633)
    assert "could be hours or degrees" in complaint(path, trusting(ra="RADEG", dec="TELDEC"))


@pytest.mark.parametrize(
    ("keywords", "said"),
    [
        (
            {"ra": "TELAR", "dec": "TELDEC"},
            "has no TELAR, which the setup names for ra | did you mean TELRA?",
        ),
        ({"exposure": "SECONDS"}, "has no SECONDS, which the setup names for exposure"),
        ({"ra": "TELRA"}, "names a keyword for ra and none for dec"),
        ({"exposure": "TELRA"}, "p.fits, TELRA: '05 34 32' cannot be read as a value such as 5 min"),
        ({"exposure": "GAIN [mm]"}, "p.fits, GAIN: the unit 'mm' does not fit here"),
        ({"ra": "TELRA", "dec": "GAIN"}, "p.fits, GAIN: it is 100 deg, allowed is -90 to +90"),
    ],
)
def test_a_wrong_keyword_in_the_map(tmp_path: Path, keywords: dict[str, str], said: str) -> None:
    path = save(tmp_path / "p.fits", **WHEN, TELRA="05 34 32", TELDEC="-10 30 00", GAIN=100)
    assert said in complaint(path, trusting(**keywords))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('keywords = { raa = "X" }', "unknown key 'raa'"),
        ('keywords = { ra = ["X"] }', "'ra' must be one value"),
        ('keywords = "X"', "'keywords' must be a section"),
        ('stamp = "begin"', "stamp is 'begin', allowed is start, middle, end"),
    ],
)
def test_a_wrong_section_in_the_setup(tmp_path: Path, text: str, said: str) -> None:
    (tmp_path / "s.toml").write_text(f"[frames]\n{text}\n", encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_setup(tmp_path / "s.toml")
    assert said in caught.value.args[0]
    with pytest.raises(InputError, match="allowed is a header's keyword"):
        trusting(ra="")


# --- Files that are no frames


def test_files_that_are_none(tmp_path: Path) -> None:
    whole = Path(save(tmp_path / "a.fits")).read_bytes()
    for name, data, said in (
        ("short.fits", whole[:4000], "the pixels of this frame: it ends early"),
        ("head.fits", whole[:1000], "this is no FITS file, or it ends early"),
        ("text.fits", b"hello" * 1000, "this is no FITS file, or it ends early"),
        ("none.fits", b"", "this file is empty"),
        ("packed.fits.gz", gzip.compress(whole)[:200], "this is no FITS file, or it ends early"),
    ):
        (tmp_path / name).write_bytes(data)
        assert said in complaint(str(tmp_path / name))
    assert "there is no such file" in complaint(str(tmp_path / "gone.fits"))
    assert "this is a folder" in complaint(str(tmp_path))
    os.mkfifo(tmp_path / "pipe.fits")
    assert "this is a device or a pipe" in complaint(str(tmp_path / "pipe.fits"))


def test_pictures_that_are_none(tmp_path: Path) -> None:
    path = tmp_path / "a.fits"
    fits.BinTableHDU.from_columns([fits.Column("a", "E", array=[1.0])]).writeto(path)
    assert "this FITS file holds no picture" in complaint(str(path))
    assert "50 x 40 x 5 values" in complaint(save(path, np.zeros((5, *SIZE), np.uint16)))
    head = fits.Header(
        {"SIMPLE": True, "BITPIX": 16, "NAXIS": 2, "NAXIS1": 2000000, "NAXIS2": 1000000, **WHEN}
    )
    path.write_bytes(head.tostring().encode() + bytes(2880))
    assert "2,000,000,000,000 pixels, allowed is up to 250,000,000" in complaint(str(path))


def test_an_address_is_no_file(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.chdir(tmp_path)
    assert "there is no such file" in complaint("http://example.org/a.fits")


# --- The sky


def wcs_cards(shape: tuple[int, int], ra: float = 40.0, dec: float = 20.0, **more: Any) -> dict[str, Any]:
    height, width = shape
    return {
        "CTYPE1": "RA---TAN", "CTYPE2": "DEC--TAN", "CRVAL1": ra, "CRVAL2": dec, "CUNIT1": "deg", "CUNIT2": "deg",
        "CRPIX1": (width + 1) / 2, "CRPIX2": (height + 1) / 2, "CDELT1": -2 / 3600, "CDELT2": 2 / 3600, **more,
    }  # fmt: skip


@pytest.mark.parametrize("angle", [0.0, 30.0, 200.0])
@pytest.mark.parametrize("mirror", [1, -1])
@pytest.mark.parametrize(("ra", "dec"), [(90.0, 60.0), (40.0, -20.0)])
def test_scale_angle_and_hand_by_a_wcs(angle: float, mirror: int, ra: float, dec: float) -> None:
    """Against astropy's places of date: FK5 of that equinox; nutation is left out there (9 arcsec of angle)."""
    cards = wcs_cards((400, 600), ra, dec, CROTA2=angle)
    cards["CDELT1"] *= mirror
    wcs, when = WCS(fits.Header(cards)), datetime(2026, 11, 25, tzinfo=UTC)
    known = by_wcs(wcs, (400, 600), when)
    date = FK5(equinox=Time(when))
    here, right, up = (
        wcs.pixel_to_world(299.5 + x, 199.5 + y).transform_to(date) for x, y in ((0, 0), (9, 0), (0, 9))
    )
    assert known.scale_arcsec == pytest.approx(2.0, rel=1e-6)
    assert known.position_angle_deg == pytest.approx(here.position_angle(up).deg, abs=0.01)
    for move, there in (((9.0, 0.0), right), ((0.0, 9.0), up)):
        north, east = known.matrix @ move
        assert math.degrees(math.atan2(east, north)) % 360 == pytest.approx(
            here.position_angle(there).deg, abs=0.01
        )
    assert known.hand == mirror
    assert known.upright


def test_places_by_a_real_wcs() -> None:
    """A survey frame's header with distortions, of astropy's own tests, against astropy.wcs used directly."""
    path = get_pkg_data_filename("data/sip-wcs.fits", package="astropy.nddata.tests")
    shot = read_shot(path, NOTHING)
    with fits.open(path) as hdus:
        wcs = WCS(hdus[0].header)
    pixels = np.array([[10.0, 20.0], [80.0, 40.0]])
    place = wcs.pixel_to_world(*pixels.T).icrs
    np.testing.assert_allclose(directions_at(shot.wcs, pixels), place.cartesian.xyz.value.T, atol=1e-14)
    np.testing.assert_allclose(pixels_at(shot.wcs, directions_at(shot.wcs, pixels)), pixels, atol=1e-4)


# --- Which frames belong together


def frames(folder: Path, seconds: list[float], start: int = 0, **cards: Any) -> None:
    folder.mkdir(exist_ok=True)
    for number, second in enumerate(seconds, start):
        moment = datetime(2026, 11, 25, 21, tzinfo=UTC) + timedelta(seconds=second)
        save(folder / f"f{number:03d}.fits", DATE_AVG=moment.isoformat()[:-6], **cards)


def groups(*paths: Path, trusted: Trusted = NOTHING) -> list[tuple[str, int]]:
    shots, refused = read_shots(files_of(paths), lambda path: read_shot(path, trusted))
    assert not refused
    return [(group.label, len(group.shots)) for group in grouped(shots)]


def test_pauses_and_folders_part_pointings(tmp_path: Path) -> None:
    frames(tmp_path / "one", [0, 5, 10, 40, 45])
    assert groups(tmp_path / "one") == [("one", 5)]  # a pause of half a minute is a cloud or a slow disk
    frames(tmp_path / "one", [200, 205], start=5)
    assert groups(tmp_path / "one") == [("one", 5), ("one 2", 2)]
    frames(tmp_path / "two", [210, 215])
    assert groups(tmp_path) == [("one", 5), ("one 2", 2), ("two", 2)]  # a folder of folders


def test_order_is_that_of_time(tmp_path: Path) -> None:
    frames(tmp_path / "one", [20, 10, 0])
    shots, _ = read_shots(files_of([tmp_path / "one"]), reading)
    assert [Path(shot.source).name for shot in shots] == ["f002.fits", "f001.fits", "f000.fits"]


def test_what_was_photographed_is_the_label(tmp_path: Path) -> None:
    frames(tmp_path / "one", [0, 5], OBJECT="east")
    assert groups(tmp_path / "one") == [("east", 2)]


def test_the_header_says_that_it_moved(tmp_path: Path) -> None:
    frames(tmp_path / "w", [0, 5], **wcs_cards(SIZE))
    frames(tmp_path / "w", [10, 15], start=2, **wcs_cards(SIZE, dec=20.004))  # 7 pixels of 40
    assert groups(tmp_path / "w") == [("w", 4)]
    frames(tmp_path / "w", [20, 25], start=4, **wcs_cards(SIZE, dec=20.02))
    assert groups(tmp_path / "w") == [("w", 4), ("w 2", 2)]
    frames(tmp_path / "k", [0, 5], A="40 deg", D="20 deg")
    frames(tmp_path / "k", [10, 15], start=2, A="42 deg", D="20 deg")
    assert groups(tmp_path / "k", trusted=trusting(ra="A", dec="D")) == [("k", 2), ("k 2", 2)]


def test_frames_that_cannot_be_used_are_named_and_the_others_read(tmp_path: Path) -> None:
    frames(tmp_path / "one", [0, 5])
    (tmp_path / "one" / "bad.fits").write_bytes(b"x" * 3000)
    shots, refused = read_shots(files_of([tmp_path / "one", tmp_path / "one" / "f000.fits"]), reading)
    assert len(shots) == 2
    assert refused == [(str(tmp_path / "one" / "bad.fits"), "this is no FITS file, or it ends early")]
    (tmp_path / "empty").mkdir()
    with pytest.raises(InputError, match="this folder holds no FITS files"):
        files_of([tmp_path / "empty"])
