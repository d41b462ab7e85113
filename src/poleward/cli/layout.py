"""``poleward layout``: drafts how a guide log is written, from the log's own structure, and tries a layout."""

from __future__ import annotations

import sys

import click

from poleward.cli import common, streams
from poleward.door.files import write_whole
from poleward.errors import UsageError


@click.command("layout")
@click.argument("log", metavar="FILE")
@click.option("--proof", metavar="FILE", help="Show what this layout reads from the log, before any fit.")
@click.option("--tz", metavar="ZONE", help="With --proof: zone of times without an offset [the setup's].")
@click.option("--output", "-o", metavar="FILE", help="Write the draft there: .toml.")
@click.option("--force", is_flag=True, help="Write over an existing file.")
def command(log: str, proof: str | None, tz: str | None, output: str | None, force: bool) -> int:
    """Draft a layout for a guide log by looking at its structure.

    FILE is a guide log, whichever program wrote it (- is standard input). What can be seen is filled in; what only you
    know (where the telescope pointed, which column is which, which way is north) is a commented line to complete. With
    --proof, a layout is not drafted but tried: each section, where it pointed, and its first rows as they are read.

    \b
    Examples:
      poleward layout night.log
      poleward layout night.log --output night.toml
      poleward layout night.log --proof night.toml
    """
    if proof is not None:
        return _proof(log, proof, tz, output)
    from poleward.guidelog.reading.draft import draft_layout

    if tz is not None:
        raise UsageError("--tz goes with --proof")
    common.check_ending("--output", output, (".toml",), force)
    text = draft_layout(log)
    if output is None:
        common.print_result(text)
    else:
        write_whole(output, text, force=force)
        common.tell(
            f"drafted {output}; complete the lines that begin with #, then:\n  poleward layout {log} --proof {output}"
        )
    return 0


def _proof(log: str, layout: str, tz: str | None, output: str | None) -> int:
    """Show what a layout reads; 3 where that is nothing."""
    from poleward.door.clock import zone_of
    from poleward.guidelog.reading.reader import read_log
    from poleward.report.proof_text import proof_text
    from poleward.setup import find_setup

    if output is not None:
        raise UsageError("--output goes with a draft, not with --proof")
    if log == layout == "-":
        raise UsageError("standard input cannot be both log and layout")
    zone = str(find_setup(None).site_values.get("timezone", "")) if tz is None else tz
    if zone:
        zone_of(zone, "--tz")
    found = read_log(log, layout, timezone=zone)
    common.print_result(streams.fitted(proof_text(found, layout, zone), sys.stdout))
    return 0 if len(found) else 3
