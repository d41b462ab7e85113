"""``poleward layout``: drafts how a guide log is written, from the log's own structure."""

from __future__ import annotations

import click

from poleward.cli import common


@click.command("layout")
@click.argument("log", metavar="FILE")
@click.option("--output", "-o", metavar="FILE", help="Write the draft there: .toml.")
@click.option("--force", is_flag=True, help="Write over an existing file.")
def command(log: str, output: str | None, force: bool) -> int:
    """Draft a layout for a guide log by looking at its structure.

    FILE is a guide log, whichever program wrote it (- is standard input). What can be seen is filled in; what only you
    know (where the telescope pointed, which column is which, which way is north) is a commented line to complete.

    \b
    Examples:
      poleward layout night.log
      poleward layout night.log --output night.toml
    """
    from poleward.door.files import write_whole
    from poleward.guidelog.reading.draft import draft_layout

    common.check_ending("--output", output, (".toml",), force)
    text = draft_layout(log)
    if output is None:
        common.print_result(text)
    else:
        write_whole(output, text, force=force)
        common.tell(
            f"drafted {output}; complete the lines that begin with #, then: poleward log {log} --layout {output}"
        )
    return 0
