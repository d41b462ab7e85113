"""Simulated nights as files, in a form invented for these tests: what the command line is given."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from poleward.guidelog.reading.section import Section
from poleward.simulate.night import Guider, Scatter, Stretch, night
from poleward.sky.site import Site

SITE = Site("47.1 deg", "8.4 deg", "560 m")
PLACE = ("--latitude", "47.1deg", "--longitude", "8.4deg", "--elevation", "560m")
TRUTH = (6.0, -4.0)  # arcmin: azimuth and altitude error
START = datetime(2024, 3, 10, 18, tzinfo=UTC)
BARE = r"""
[text]
delimiter = ";"
[section]
begin = '^>> watch'
header = '^t;'
end = '^<< end'
[facts.found]
label = '^>> (watch \S+)'
start = 'from (\S+)'
hour_angle = { find = 'west (\S+)', unit = "hourangle" }
dec = { find = 'up (\S+)', unit = "deg" }
[columns]
time = { name = "t", unit = "s" }
north = { name = "n", unit = "arcsec", positive = "north" }
north_pulse = { name = "pn", unit = "ms", positive = "north" }
shift = { name = "m", values = ["1"] }
"""
LAYOUT = BARE.replace("[facts.found]", '[facts]\nnorth_guide_rate = "7.5 arcsec/s"\n[facts.found]')


def log_lines(sections: Sequence[Section]) -> list[str]:
    lines = ["kept by nobody"]
    for number, section in enumerate(sections, 1):
        point, start, pulses = section.pointing, section.start, section.north_pulse_ms
        assert point.hour_angle is not None
        assert point.dec is not None
        assert start is not None
        lines.append(
            f">> watch {number} from {start.isoformat()} west {np.degrees(point.hour_angle) / 15:.6f} "
            f"up {np.degrees(point.dec):.5f}"
        )
        lines.append("t;n;pn;m")
        sent = np.zeros(len(section.seconds)) if pulses is None else pulses
        rows = zip(section.seconds, section.north_arcsec, sent, section.moved, strict=True)
        lines += [f"{t:.3f};{n:.3f};{p:.0f};{m:d}" for t, n, p, m in rows]
        lines.append("<< end")
    return lines


def sections_of(
    spots: Sequence[tuple[float, float]],
    *,
    seconds: float = 1500.0,
    guider: Guider | None = None,
    start: datetime = START,
    scatter: Scatter | None = None,
    seed: int = 5,
) -> tuple[Section, ...]:
    """One section for each (hour angle in h, dec in deg), with a row every 3 s."""
    stretches = [
        Stretch(number * (seconds + 300), seconds, hour, dec, 3.0, guider)
        for number, (hour, dec) in enumerate(spots)
    ]
    return night(SITE, *TRUTH, stretches, start, scatter or Scatter(), np.random.default_rng(seed))


def write_log(folder: Path, name: str, sections: Sequence[Section]) -> Path:
    (folder / "l.toml").write_text(LAYOUT, encoding="utf-8")
    path = folder / name
    path.write_text("\n".join(log_lines(sections)) + "\n", encoding="utf-8")
    return path
