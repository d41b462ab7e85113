"""How far an equatorial mount's polar axis is off the pole, how sure that is, and which knob to turn.

Names are loaded when they are first used, so that ``poleward --help`` needs none of the heavy libraries.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from poleward.camera import GuideCamera as GuideCamera
    from poleward.drifts import Drifts as Drifts
    from poleward.drifts import read_drifts as read_drifts
    from poleward.errors import InputError as InputError
    from poleward.errors import PolewardError as PolewardError
    from poleward.errors import UsageError as UsageError
    from poleward.guidelog.form import Layout as Layout
    from poleward.guidelog.layout import read_layout as read_layout
    from poleward.guidelog.logsolution import LogGroup as LogGroup
    from poleward.guidelog.logsolution import LogSolution as LogSolution
    from poleward.guidelog.logsolution import SectionResult as SectionResult
    from poleward.guidelog.night import solve_log as solve_log
    from poleward.guidelog.reader import LogFile as LogFile
    from poleward.guidelog.reader import read_log as read_log
    from poleward.guidelog.section import Section as Section
    from poleward.site import Air as Air
    from poleward.site import Site as Site
    from poleward.solution import Solution as Solution
    from poleward.solver import solve as solve

_HOMES = {
    "Air": "site",
    "Drifts": "drifts",
    "GuideCamera": "camera",
    "InputError": "errors",
    "Layout": "guidelog.form",
    "LogFile": "guidelog.reader",
    "LogGroup": "guidelog.logsolution",
    "LogSolution": "guidelog.logsolution",
    "PolewardError": "errors",
    "Section": "guidelog.section",
    "SectionResult": "guidelog.logsolution",
    "Site": "site",
    "Solution": "solution",
    "UsageError": "errors",
    "read_drifts": "drifts",
    "read_layout": "guidelog.layout",
    "read_log": "guidelog.reader",
    "solve": "solver",
    "solve_log": "guidelog.night",
}

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
