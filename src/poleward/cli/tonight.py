"""What `check` and `plan` share: targets, camera, limit, time."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from poleward.cli import common
from poleward.door import quantity
from poleward.errors import InputError, UsageError

if TYPE_CHECKING:
    from poleward.setup import Setup
    from poleward.sky.camera import Camera
    from poleward.sky.site import Site
    from poleward.tonight.exposure import Outfit
    from poleward.tonight.targets import Target

OPTICS = "focal_length=600mm, pixel_size=3.76um, width=6248, height=4176"
TARGET = "name=nebula, ra=05h35m17s, dec=-5d23m, exposure=5min"
CAMERA = ("focal_length", "pixel_size", "width", "height")


@dataclass(frozen=True)
class Tonight:
    """What is to be photographed and with what; the setup's where it is not given."""

    targets: str | None = common.option(
        "--targets", "FILE", "Targets table: CSV, ECSV or VOTable; - is stdin."
    )
    target: tuple[str, ...] = common.option(
        "--target", "PAIRS", "One target, as name=value, name=value; repeatable.", multiple=True
    )
    camera: str | None = common.option("--camera", "PAIRS", f"Imaging camera: {OPTICS}.")
    limit: str | None = common.option(
        "--limit", "PIXELS", "Longest trail that counts as a round star [1 pix]."
    )
    at: str | None = common.option("--at", "TIME", "Moment that counts as now, e.g. 2026-11-25T21:00+01:00.")
    lowest_altitude: str | None = common.option(
        "--lowest-altitude", "ANGLE", "Below it nothing is done [20deg]."
    )

    def read(self, site: Site) -> tuple[Target, ...]:
        """Return the targets; none when none are given."""
        from poleward.tonight.targets import read_targets, targets_from_rows

        if self.targets is not None and self.target:
            raise UsageError("a targets table and --target are both given", "give one of them")
        if self.target:
            rows = [
                common.inline_pairs(text, f"--target {n}", TARGET) for n, text in enumerate(self.target, 1)
            ]
            return targets_from_rows(rows, timezone=site.timezone, name="--target")
        return () if self.targets is None else read_targets(self.targets, timezone=site.timezone)

    def outfit(self, setup: Setup, drive_rate: str | None = None, guided: bool = True) -> Outfit:
        """Return camera, limit and drive rate."""
        from poleward.solving.how import drive_rate_of
        from poleward.tonight.exposure import Outfit

        camera, pixels, where = setup.camera, setup.trail_pix, f"{setup.source} [limits], trail"
        if self.camera is not None:
            camera = _camera(common.inline_pairs(self.camera, "--camera", OPTICS))
        if self.limit is not None:
            where = "--limit"
            pixels = quantity.parse(self.limit, quantity.Kind("pix", "pix", "1 pix"), where)
        if not pixels > 0:
            raise InputError(f"{pixels:g} pixels is given, allowed is more than 0", "e.g. 1 pix", where)
        return Outfit(camera, pixels, drive_rate_of(drive_rate or setup.drive_rate), guided)

    def moment(self, site: Site) -> datetime:
        """Return the moment that counts as now, aware, UTC."""
        from poleward.door.clock import parse_time, zone_of

        if self.at is None:
            return datetime.now(UTC).replace(microsecond=0)
        return parse_time(self.at, "--at", zone_of(site.timezone) if site.timezone else None)

    def lowest(self, setup: Setup) -> float:
        """Return the lowest altitude, degrees."""
        from poleward.tonight.asked import lowest_of

        if self.lowest_altitude is None:
            return setup.lowest_altitude_deg
        return lowest_of(self.lowest_altitude, "--lowest-altitude")


target_options = common.grouped("wanted", Tonight)


def _camera(pairs: dict[str, str]) -> Camera:
    from poleward.sky.camera import Camera

    quantity.refuse_unknown(pairs, CAMERA, "--camera")
    quantity.refuse_missing(pairs, CAMERA, f"write {OPTICS}", "--camera")
    return Camera(**pairs, where="--camera")
