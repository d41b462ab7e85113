"""``poleward demo``: the main job on bundled example data."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

import click

from poleward.cli import common
from poleward.cli.solve import Solving, solved
from poleward.door.files import refuse_existing, write_whole
from poleward.errors import UsageError

FILES = ("drifts.csv", "poleward.toml")
HEADER = """Demo: four stars timed with a crosshair on an invented evening. The same by hand:
  poleward demo --keep first-night
  cd first-night
  poleward solve drifts.csv

"""
FIRST = "Before you turn the knobs of a mount for the first time:"


@click.command("demo")
@click.option("--keep", metavar="FOLDER", help="Also put the demo's files there, to play with.")
@common.output_options
def command(keep: str | None, output: common.Output) -> int:
    """Run the main job on bundled example data: four timed stars, one evening, one mount.

    \b
    Examples:
      poleward demo
      poleward demo --chart axis.png
      poleward demo --keep first-night
    """
    from poleward.report.style import paragraph
    from poleward.setup import read_setup
    from poleward.solving.knobs import CAUTIONS
    from poleward.timings.drifts import read_drifts

    output.check()
    source = Path(str(files("poleward") / "data" / "demo"))
    if keep is not None:
        _keep(source, Path(keep), output.force)
    setup = read_setup(source / "poleward.toml")
    site = setup.site()
    timings = read_drifts(source / "drifts.csv", guide_camera=setup.guide_camera, timezone=site.timezone)
    solution = solved(timings, setup, site, Solving())
    cautions = "\n".join(paragraph(f"  ! {caution}", "    ") for caution in CAUTIONS)
    output.give(solution, "poleward.toml", f"{HEADER.rstrip()}\n{FIRST}\n{cautions}\n\n")
    return 0


def _keep(source: Path, folder: Path, force: bool) -> None:
    """Copy the demo's files; nothing is copied if any of them is there already."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UsageError(f"{folder}: this folder cannot be made: {error.strerror}") from None
    for name in FILES:
        refuse_existing(folder / name, force)
    for name in FILES:
        write_whole(folder / name, (source / name).read_bytes(), force=force)
