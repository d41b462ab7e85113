"""The command line. Nothing heavy is imported until a command runs.

In order: streams, complete, common, rounds, follow, layout, progress, camera, solve, demo, log, tonight, check, plan,
evening, frames_follow, frames.
"""

from __future__ import annotations

import errno
import logging
import sys
import warnings
from importlib import import_module
from typing import Any

import click

from poleward import __version__
from poleward.cli import streams
from poleward.cli.complete import with_completion
from poleward.errors import PolewardError, printable, show_traceback

COMMANDS = {
    "solve": "Timed drifts to the axis error and knob turns.",
    "log": "Guide logs to the axis error that is hidden in them.",
    "layout": "Draft how a guide log is written, from its own structure.",
    "frames": "Camera frames to a drift table.",
    "camera": "Scale, angle and mirror of the camera, from a star that runs and a push.",
    "plan": "Before measuring: which pointings to time, and for how long.",
    "check": "Is this axis good enough for tonight's targets.",
    "rounds": "Measure, adjust, measure again: what the knobs really do, what to turn next.",
    "evening": "An evening led step by step, one question at a time.",
    "demo": "The main job on bundled example data.",
}
"""Name and one line of help; each lives in a file of its own name and is imported only when it runs."""

WIDEST_LINE = 600
"""Of an error, with the names of files in it: longer ones lose their middle."""

EXAMPLE = """\b
Start with:
  poleward demo
  poleward solve drifts.csv --latitude 47.1deg --longitude 8.4deg
"""


class _Lazy(click.Group):
    """Commands imported when used."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        return with_completion(import_module(f"poleward.cli.{cmd_name}").command)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        if args and args[0] not in COMMANDS and not args[0].startswith("-"):
            from poleward.door.quantity import nearest

            raise click.UsageError(f"there is no command '{args[0]}': {nearest(args[0], COMMANDS)}")
        return super().resolve_command(ctx, args)


@click.group(
    cls=_Lazy,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog=EXAMPLE,
    invoke_without_command=True,
)
@click.version_option(__version__, message="poleward %(version)s")
@click.pass_context
def main(ctx: click.Context) -> None:
    """How far the mount's polar axis is off the pole, how sure that is, and which knob to turn."""
    if ctx.invoked_subcommand is None:
        click.echo(ctx.get_help())


def run(arguments: list[str] | None = None) -> None:
    """Run the command line and leave with its exit status; errors become one line and a hint."""
    streams.prepare()
    streams.find_home()
    # astropy and matplotlib tell of folders they would like to have; that is no news for the user of this program.
    warnings.filterwarnings("ignore", message=".*XDG_(CONFIG|CACHE)_HOME.*")
    logging.getLogger("matplotlib").setLevel(logging.ERROR)
    with streams.ended_in_order():
        status = _status(arguments)
    sys.exit(status)


def _status(arguments: list[str] | None) -> int:
    try:
        result = main.main(args=arguments, prog_name="poleward", standalone_mode=False)
        sys.stdout.flush()
        return result if isinstance(result, int) else 0
    except PolewardError as error:
        _say(error.args[0], error.hint)
        return error.exit_status
    except click.UsageError as error:
        _say(error.format_message(), f"see {error.ctx.command_path} --help" if error.ctx else "")
        return 2
    except click.ClickException as error:
        _say(error.format_message(), "")
        return 2
    except SystemExit as left:  # click leaves with 1 when the reader of a pipe has gone
        return streams.given_up(BrokenPipeError(errno.EPIPE, "")) if left.code == 1 else 0
    except (KeyboardInterrupt, click.Abort):
        streams.say("poleward: interrupted\n")
        return 130
    except OSError as error:
        # Files are told of by name where they are used: without a name this is standard output.
        return streams.given_up(error) if error.filename is None else _fault(error)
    except Exception as error:  # noqa: BLE001 - the last net: a fault of ours, told without a traceback
        return _fault(error)


def _say(message: str, hint: str) -> None:
    streams.say(f"poleward: {_line(message)}\n" + (f"  {_line(hint)}\n" if hint else ""))


def _line(text: str) -> str:
    """Return text as one line that a terminal can show: a name that was typed may be anything, of any length."""
    text = printable(" ".join(text.split()))
    return text if len(text) <= WIDEST_LINE else f"{text[: WIDEST_LINE // 2]} ... {text[-WIDEST_LINE // 2 :]}"


def _fault(error: Any) -> int:
    show_traceback(error)
    _say(
        f"a fault of ours: {type(error).__name__}: {error}",
        "please report it with the command and the input; POLEWARD_TRACEBACK=1 shows where it happened",
    )
    return 70
