"""``python -m poleward``."""

from poleward.cli import run

run()
