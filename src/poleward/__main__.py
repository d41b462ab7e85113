"""Where the program begins: ``python -m poleward`` and the ``poleward`` that is installed."""

from __future__ import annotations

import sys


def start() -> None:
    """Run the command line; an interruption while it is still being loaded is one, too."""
    try:
        from poleward.cli import run
    except KeyboardInterrupt:
        sys.exit(130)
    run()


if __name__ == "__main__":
    start()
