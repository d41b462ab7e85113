"""The setup file: site, air, mount, cameras and limits, in TOML. Every part may be missing."""

from __future__ import annotations

import math
import os
import re
import sys
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from poleward.door import quantity
from poleward.door.clock import zone_of
from poleward.door.files import write_whole
from poleward.door.incoming import read_toml
from poleward.door.quantity import nearest, parse, refuse_missing
from poleward.errors import InputError, UsageError
from poleward.sky.axis import ARCSEC
from poleward.sky.camera import Camera, GuideCamera
from poleward.sky.site import Air, Site
from poleward.solving.base import Base
from poleward.solving.knobs import SIDES, Knob
from poleward.solving.stated import base_from, knob_from, positive

KNOB_KEYS = ("per_turn", "thread_pitch", "arm", "clockwise", "per_turn_sigma", "divisions", "range", "play")
FRAME_KEYS = (
    *("ra", "dec", "hour_angle", "azimuth", "altitude", "time"),
    *("exposure", "saturation", "mosaic", "label"),
)
KEYS: Mapping[str, tuple[str, ...]] = {
    "": ("site", "air", "mount", "camera", "guide_camera", "reticle", "frames", "limits"),
    "site": ("latitude", "longitude", "elevation", "timezone"),
    "air": ("pressure", "temperature", "humidity", "wavelength"),
    "mount": ("drive_rate", "azimuth_knob", "altitude_knob", "base"),
    "mount.azimuth_knob": KNOB_KEYS,
    "mount.altitude_knob": KNOB_KEYS,
    "mount.base": ("tilt", "toward"),
    "camera": ("focal_length", "pixel_size", "width", "height"),
    "guide_camera": ("focal_length", "pixel_size", "position_angle", "mirrored", "rows", "scale"),
    "reticle": ("division", "position_angle", "mirrored"),
    "frames": ("keywords", "stamp"),
    "frames.keywords": FRAME_KEYS,
    "limits": ("trail", "lowest_altitude"),
}
STAMPS = ("start", "middle", "end")
"""Of the exposure: what DATE-OBS may mark."""


@dataclass(frozen=True)
class Setup:
    """What the setup file says; None or empty where it says nothing.

    Attributes
    ----------
    source : str
        The file, or empty.
    site_values, air_values : mapping
        The [site] and [air] values as written, so that flags can replace single ones.
    drive_rate : str
    knobs : dict of Knob
        Keys ``azimuth``, ``altitude``.
    camera : Camera or None
    guide_camera : GuideCamera or None
    frames : mapping
        As written: ``keywords``, ``stamp``.
    trail_pix : float
    lowest_altitude_deg : float
    base : Base or None
        None: nobody looked whether it is level.
    reticle : GuideCamera or None
        An eyepiece with divisions: a camera whose pixel is a division.
    """

    source: str = ""
    site_values: Mapping[str, Any] = field(default_factory=dict)
    air_values: Mapping[str, Any] = field(default_factory=dict)
    drive_rate: str = "sidereal"
    knobs: dict[str, Knob] = field(default_factory=dict)
    camera: Camera | None = None
    guide_camera: GuideCamera | None = None
    frames: Mapping[str, Any] = field(default_factory=dict)
    trail_pix: float = 1.0
    lowest_altitude_deg: float = 20.0
    base: Base | None = None
    reticle: GuideCamera | None = None

    def site(self, **flags: Any) -> Site:
        """Return the site, with values from the command line in place of those in the file.

        Parameters
        ----------
        **flags
            Any of latitude, longitude, elevation, timezone, pressure, temperature, humidity, wavelength; None is no value.

        Raises
        ------
        InputError
            No latitude anywhere, or a value that cannot be used.
        """
        given = {name: value for name, value in flags.items() if value is not None}
        values = {**self.site_values, **{k: v for k, v in given.items() if k in KEYS["site"]}}
        air = {**self.air_values, **{k: v for k, v in given.items() if k in KEYS["air"]}}
        if "latitude" not in values:
            hint = "give --latitude 47.1deg, or [site] latitude in poleward.toml"
            raise InputError("the latitude is missing", hint, self.source)
        # A value from the command line must not be blamed on the file.
        where = "" if given.keys() & set(KEYS["site"]) or not self.source else f"{self.source} [site]"
        aloft = "" if given.keys() & set(KEYS["air"]) or not self.source else f"{self.source} [air]"
        timezone = str(values.get("timezone", ""))
        if timezone:
            zone_of(timezone, "--tz" if "timezone" in given else f"{self.source} [site], timezone")
        longitude, elevation = values.get("longitude"), values.get("elevation", "0 m")
        above = Air(**air, where=aloft)
        return Site(values["latitude"], longitude, elevation, above, timezone, where=where)


def find_setup(path: str | None) -> Setup:
    """Read the named setup file, else ``poleward.toml`` here, else the user's own, else an empty setup.

    Raises
    ------
    InputError
        The named file is missing, or one that was found cannot be used.
    """
    if path is not None:
        return read_setup(path)
    for candidate in (Path("poleward.toml"), _config_folder() / "poleward" / "config.toml"):
        if os.path.isfile(candidate):  # False, too, in a folder that may not be entered
            return read_setup(candidate)
    return Setup()


def _config_folder() -> Path:
    home = os.path.expanduser("~")  # stays "~" for a user without one
    if sys.platform == "win32":
        return Path(os.environ.get("APPDATA", home))
    return Path(os.environ.get("XDG_CONFIG_HOME") or os.path.join(home, ".config"))


def read_setup(path: str | Path) -> Setup:
    """Read and check a setup file.

    Parameters
    ----------
    path : str or Path
        TOML.

    Returns
    -------
    Setup

    Raises
    ------
    InputError
        It cannot be read, is not TOML, or holds an unknown key or a value that cannot be used.
    """
    name = str(path)
    content = read_toml(path, "setup file", 'text stands in quotes: latitude = "47.1 deg"')
    _check_keys(content, "", name)
    mount = content.get("mount", {})
    limits = content.get("limits", {})
    trail = parse(limits.get("trail", 1.0), quantity.PIXELS, f"{name} [limits]", "trail")
    lowest = parse(
        limits.get("lowest_altitude", "20 deg"), quantity.ANGLE, f"{name} [limits]", "lowest_altitude"
    )
    if (stamp := content.get("frames", {}).get("stamp", "")) not in ("", *STAMPS):
        allowed = ", ".join(STAMPS)
        raise InputError(
            f"stamp is {stamp!r}, allowed is {allowed}", "what DATE-OBS marks", f"{name} [frames]"
        )
    setup = Setup(
        name,
        content.get("site", {}),
        content.get("air", {}),
        mount.get("drive_rate", "sidereal"),
        {
            knob: knob_from(mount[f"{knob}_knob"], knob, f"{name} [mount.{knob}_knob]")
            for knob in SIDES
            if f"{knob}_knob" in mount
        },
        _camera(content.get("camera"), f"{name} [camera]"),
        _guide_camera(content.get("guide_camera"), f"{name} [guide_camera]"),
        content.get("frames", {}),
        trail,
        math.degrees(lowest),
        base_from(mount.get("base"), f"{name} [mount.base]"),
        _reticle(content.get("reticle"), f"{name} [reticle]"),
    )
    if "latitude" in setup.site_values:
        setup.site()  # a wrong value is an error even where a flag would replace it
    return setup


def _check_keys(table: Mapping[str, Any], path: str, name: str) -> None:
    for key, value in table.items():
        shown = f"{name} [{path}]" if path else name
        if key not in KEYS[path]:
            raise InputError(f"unknown key '{key}'", nearest(key, KEYS[path]), shown)
        below = f"{path}.{key}".lstrip(".")
        if below in KEYS:
            if not isinstance(value, dict):
                raise InputError(f"'{key}' must be a section", f"write [{below}] on a line of its own", shown)
            _check_keys(value, below, name)
        elif isinstance(value, dict | list):
            raise InputError(f"'{key}' must be one value", "", shown)


def _camera(table: Mapping[str, Any] | None, where: str) -> Camera | None:
    if table is None:
        return None
    examples = {"focal_length": '"600 mm"', "pixel_size": '"3.76 um"', "width": "4000", "height": "4000"}
    for key, example in examples.items():
        refuse_missing(table, [key], f"write e.g. {key} = {example}", where)
    return Camera(**table, where=where)


def _guide_camera(table: Mapping[str, Any] | None, where: str) -> GuideCamera | None:
    if table is None:
        return None
    refuse_missing(table, ["position_angle"], 'of the y axis, north through east: "12 deg"', where)
    if "scale" in table:
        if "focal_length" in table or "pixel_size" in table:
            raise InputError("scale and focal_length or pixel_size are both given", "give one", where)
        scale = table["scale"]
    else:
        pixel = positive(table, "pixel_size", quantity.PIXEL_SIZE, where)
        scale = pixel / positive(table, "focal_length", quantity.LENGTH, where) / ARCSEC
    return GuideCamera(
        scale, table["position_angle"], table.get("mirrored", False), table.get("rows", "up"), where=where
    )


def _reticle(table: Mapping[str, Any] | None, where: str) -> GuideCamera | None:
    if table is None:
        return None
    hint = 'of the direction counted positive, north through east: "0 deg"'
    refuse_missing(table, ["position_angle"], hint, where)
    division = positive(table, "division", quantity.SMALL_ANGLE, where)
    return GuideCamera(division, table["position_angle"], table.get("mirrored", False), where=where)


def add_section(path: str, name: str, block: str) -> None:
    """Add a section (``mount.azimuth_knob``) and its lines to a setup file, which is made if there is none; all else in it stays as
    it is, comments too.

    Raises
    ------
    UsageError
        It holds such a section already, or cannot be written.
    InputError
        It cannot be read, or the section cannot be added to it.
    """
    there = os.path.exists(path)
    before = read_toml(path, "setup file", "") if there else {}
    inner: Any = before
    for part in name.split("."):
        inner = inner.get(part) if isinstance(inner, dict) else None
    if inner is not None:
        raise UsageError(f"{path}: it has a [{name}] already", "nothing was written")
    text = Path(path).read_bytes().decode("utf-8-sig") if there else ""
    end = "\r\n" if "\r\n" in text else "\n"
    gap = "" if not text else end if text.endswith("\n") else end * 2
    _write_added(path, text + gap + block.replace("\n", end), before, name, block)


def add_keys(path: str, name: str, block: str) -> None:
    """Add lines to a section that a setup file has, under its heading; `block` begins with that heading.

    Raises
    ------
    InputError
        It cannot be read, has no such heading, or says something of these keys already.
    """
    before = read_toml(path, "setup file", "")
    heading, lines = block.split("\n", 1)
    line = re.compile(rf"^[ \t]*{re.escape(heading)}[^\r\n]*(\r?\n)", re.MULTILINE)
    text = Path(path).read_bytes().decode("utf-8-sig")
    whole = line.sub(lambda found: found[0] + lines.replace("\n", found[1]), text, count=1)
    _write_added(path, whole, before, name, block)


def _write_added(path: str, whole: str, before: dict[str, Any], name: str, block: str) -> None:
    """Write a setup file that must say what it said before and the block."""
    try:
        after = tomllib.loads(whole.replace("\r\n", "\n"))
    except tomllib.TOMLDecodeError:
        after = {}
    if after != _merged(before, tomllib.loads(block)):
        raise InputError(f"[{name}] cannot be added", "add it by hand", path)
    write_whole(path, whole, force=os.path.exists(path))


def _merged(before: dict[str, Any], more: dict[str, Any]) -> dict[str, Any]:
    both = {key: _merged(before[key], more[key]) for key in before.keys() & more.keys()}
    return before | more | both
