"""A guide log in a form invented for these tests, with the numbers that went into it."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

LAYOUT = r"""
[text]
encoding = "utf-8"
delimiter = ";"
decimal = "."
comment = "#"
[section]
begin = '^== watch opens'
header = '^sec;'
end = '^== watch closes'
[facts]
dec = "+21 deg"
[facts.found]
hour_angle = 'angle (\S+)'
start = 'opens (\S+)'
image_scale = 'one pixel is (\S+)'
[columns]
time = { name = "sec", unit = "s" }
north = { name = "up", unit = "pix", positive = "north" }
east = { name = "right", unit = "pix", positive = "west" }
north_pulse = { name = "push up", unit = "ms", positive = "south" }
east_pulse = { name = "push right", unit = "s", positive = "west" }
status = { name = "eye", good = ["open"] }
shift = { name = "remark", values = ["placed anew"] }
"""
SCALE = 1.9


@dataclass
class Night:
    """One section's truth: places in arcsec, pulses in ms, north and east positive."""

    rows: int = 120
    number: int = 1
    cadence_s: float = 2.0
    seconds: np.ndarray = field(init=False)
    north: np.ndarray = field(init=False)
    east: np.ndarray = field(init=False)
    north_pulse: np.ndarray = field(init=False)
    east_pulse: np.ndarray = field(init=False)

    def __post_init__(self) -> None:
        draw = np.random.default_rng(self.number)
        self.seconds = np.arange(1, self.rows + 1) * self.cadence_s
        # Rounded as the log writes them, so that a comparison can be exact.
        self.north = np.round(draw.normal(0, 1, self.rows), 3) * SCALE
        self.east = np.round(draw.normal(0, 1, self.rows), 3) * SCALE
        self.north_pulse = np.round(draw.normal(0, 100, self.rows))
        self.east_pulse = np.round(draw.normal(0, 100, self.rows))

    def row(self, k: int, eye: str = "open", remark: str = "") -> str:
        return (
            f"{self.seconds[k]:.1f};{self.north[k] / SCALE:.3f};{-self.east[k] / SCALE:.3f};"
            f"{-self.north_pulse[k]:.0f};{-self.east_pulse[k] / 1000:.3f};{eye};{remark}"
        )

    def lines(self) -> list[str]:
        return [
            f"== watch opens 2026-11-25T2{self.number}:14:03Z",
            f"   the angle -00:{20 - self.number}:00 by the old dial",
            f"   one pixel is {SCALE} arcsec/pix",
            "sec;up;right;push up;push right;eye;remark",
            *(self.row(k) for k in range(self.rows)),
            "== watch closes",
        ]


def log_of(*nights: Night) -> list[str]:
    """The lines of a log of several sections."""
    return ["Kept on the roof, whatever the weather", *(line for night in nights for line in night.lines())]
