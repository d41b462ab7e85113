"""How far an equatorial mount's polar axis is off the pole, how sure that is, and which knob to turn.

Names are loaded when they are first used, so that ``poleward --help`` needs none of the heavy libraries.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from poleward.errors import InputError as InputError
    from poleward.errors import PolewardError as PolewardError
    from poleward.errors import UsageError as UsageError
    from poleward.errors import WrongTypeError as WrongTypeError
    from poleward.frames.asked import read_frames as read_frames
    from poleward.frames.framedrifts import FrameDrifts as FrameDrifts
    from poleward.guidelog.fitting.logsolution import LogGroup as LogGroup
    from poleward.guidelog.fitting.logsolution import LogSolution as LogSolution
    from poleward.guidelog.fitting.logsolution import SectionResult as SectionResult
    from poleward.guidelog.fitting.night import solve_log as solve_log
    from poleward.guidelog.reading.form import Layout as Layout
    from poleward.guidelog.reading.layout import read_layout as read_layout
    from poleward.guidelog.reading.reader import LogFile as LogFile
    from poleward.guidelog.reading.reader import read_log as read_log
    from poleward.guidelog.reading.section import Section as Section
    from poleward.planning.asked import needed_accuracy as needed_accuracy
    from poleward.planning.asked import plan as plan
    from poleward.planning.needed import Needed as Needed
    from poleward.planning.planned import Plan as Plan
    from poleward.rounds.asked import tell_rounds as tell_rounds
    from poleward.rounds.story import Told as Told
    from poleward.setup import Setup as Setup
    from poleward.setup import read_setup as read_setup
    from poleward.sky.camera import Camera as Camera
    from poleward.sky.camera import GuideCamera as GuideCamera
    from poleward.sky.look import Pointing as Pointing
    from poleward.sky.orient import CameraFound as CameraFound
    from poleward.sky.orient import find_camera as find_camera
    from poleward.sky.site import Air as Air
    from poleward.sky.site import Site as Site
    from poleward.solving.asked import solve as solve
    from poleward.solving.knobs import Knob as Knob
    from poleward.solving.knobs import Turning as Turning
    from poleward.solving.solution import Solution as Solution
    from poleward.timings.drifts import Drifts as Drifts
    from poleward.timings.drifts import read_drifts as read_drifts
    from poleward.timings.rows import Drift as Drift
    from poleward.tonight.asked import check as check
    from poleward.tonight.axis_record import AxisError as AxisError
    from poleward.tonight.axis_record import read_axis as read_axis
    from poleward.tonight.checked import Check as Check
    from poleward.tonight.targets import Target as Target
    from poleward.tonight.targets import read_targets as read_targets

_NAMES = {
    "errors": ("InputError", "PolewardError", "UsageError", "WrongTypeError"),
    "sky.site": ("Air", "Site"),
    "sky.camera": ("Camera", "GuideCamera"),
    "sky.orient": ("CameraFound", "find_camera"),
    "sky.look": ("Pointing",),
    "timings.rows": ("Drift",),
    "timings.drifts": ("Drifts", "read_drifts"),
    "solving.knobs": ("Knob", "Turning"),
    "solving.solution": ("Solution",),
    "solving.asked": ("solve",),
    "setup": ("Setup", "read_setup"),
    "frames.asked": ("read_frames",),
    "frames.framedrifts": ("FrameDrifts",),
    "guidelog.fitting.logsolution": ("LogGroup", "LogSolution", "SectionResult"),
    "guidelog.fitting.night": ("solve_log",),
    "guidelog.reading.form": ("Layout",),
    "guidelog.reading.layout": ("read_layout",),
    "guidelog.reading.reader": ("LogFile", "read_log"),
    "guidelog.reading.section": ("Section",),
    "planning.asked": ("needed_accuracy", "plan"),
    "planning.needed": ("Needed",),
    "planning.planned": ("Plan",),
    "rounds.asked": ("tell_rounds",),
    "rounds.story": ("Told",),
    "tonight.asked": ("check",),
    "tonight.axis_record": ("AxisError", "read_axis"),
    "tonight.checked": ("Check",),
    "tonight.targets": ("Target", "read_targets"),
}
"""Public names by the file that is their home."""
_HOMES = {name: home for home, names in _NAMES.items() for name in names}

__all__ = list(_HOMES)
__version__ = "0.1.0"


def __getattr__(name: str) -> Any:
    """Load a public name from its home (PEP 562)."""
    if name not in _HOMES:
        raise AttributeError(f"module 'poleward' has no attribute '{name}'")
    value = getattr(import_module(f"poleward.{_HOMES[name]}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    """List the public names."""
    return sorted([*_HOMES, "__version__"])
