"""``poleward demo``: the main job on bundled example data."""

from __future__ import annotations

from dataclasses import replace
from importlib.resources import files
from pathlib import Path
from typing import Any

import click

from poleward.cli import common
from poleward.cli.solve import deliver, solved, write

FILES = ("drifts.csv", "poleward.toml")


@click.command("demo")
@click.option("--keep", metavar="FOLDER", help="Also put the demo's files there, to play with.")
@common.output_options
def command(keep: str | None, output: str | None, chart: str | None, force: bool, **options: Any) -> int:
    """Run the main job on bundled example data: four timed stars, one evening, one mount.

    \b
    Examples:
      poleward demo
      poleward demo --chart axis.png
      poleward demo --keep first-night
    """
    from poleward.setup import read_setup
    from poleward.timings.drifts import read_drifts

    common.check_outputs(output, chart, force, (".json", ".ecsv"))
    source = Path(str(files("poleward") / "data" / "demo"))
    if keep is not None:
        _keep(source, Path(keep), force)
    setup = read_setup(source / "poleward.toml")
    site = setup.site()
    timings = read_drifts(source / "drifts.csv", guide_camera=setup.guide_camera, timezone=site.timezone)
    solution = solved(timings, setup, site, None, {"drive_rate": None})
    if not options["as_json"]:
        common.print_result(
            "Demo: four stars timed with a crosshair on an invented evening. The same by hand:\n"
            "  poleward demo --keep first-night\n"
            "  cd first-night\n"
            "  poleward solve drifts.csv\n\n"
        )
    footer = common.site_line(replace(setup, source="poleward.toml"), site)
    deliver(solution, options["as_json"], options["night"], "1 arcsec", footer)
    write(solution, output, chart, force, options["night"])
    return 0


def _keep(source: Path, folder: Path, force: bool) -> None:
    """Copy the demo's files; nothing is copied if any of them is there already."""
    from poleward.door.files import refuse_existing, write_whole
    from poleward.errors import UsageError

    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UsageError(f"{folder}: this folder cannot be made: {error.strerror}") from None
    for name in FILES:
        refuse_existing(folder / name, force)
    for name in FILES:
        write_whole(folder / name, (source / name).read_bytes(), force=force)
