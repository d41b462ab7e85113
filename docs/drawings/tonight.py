"""Draw docs/check-chart.png and docs/plan-chart.png: what `poleward check --chart` and `plan --chart` show.

Run it from anywhere: ``python docs/drawings/tonight.py``.
"""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from poleward.planning.plan import plan
from poleward.planning.timing import Blocked, Reader
from poleward.planning.wishes import Wishes
from poleward.report.chart import figure_bytes
from poleward.report.check_chart import check_chart
from poleward.report.plan_chart import plan_chart
from poleward.sky.axis import SIDEREAL_RATE
from poleward.sky.camera import Camera
from poleward.sky.site import Site
from poleward.tonight.axis_record import axis_from_pairs
from poleward.tonight.check import check
from poleward.tonight.exposure import Outfit
from poleward.tonight.targets import targets_from_rows

DOCS = Path(__file__).parent.parent
SITE = Site("47.1 deg", "8.4 deg", "560 m", timezone="Europe/Zurich")
AT = datetime(2026, 1, 15, 12, tzinfo=UTC)
OUTFIT = Outfit(Camera("600 mm", "3.76 um", 6248, 4176), 1.0, SIDEREAL_RATE)
TARGETS = [
    {"name": "nebula", "ra": "05h35m", "dec": "-5d23m", "exposure": "5 min"},
    {
        "name": "spiral",
        "ra": "09h55m",
        "dec": "+69d04m",
        "exposure": "10 min",
        "guide_star_offset_north": "1 deg",
    },
]


def main() -> None:
    """Draw both."""
    axis = axis_from_pairs(
        {
            "azimuth": "5 arcmin",
            "altitude": "-3 arcmin",
            "azimuth_sigma": "1 arcmin",
            "altitude_sigma": "0.7 arcmin",
        }
    )
    result = check(targets_from_rows(TARGETS), SITE, axis, OUTFIT, at=AT)
    (DOCS / "check-chart.png").write_bytes(figure_bytes(check_chart(result), "check-chart.png"))
    wishes = Wishes(0.5, blocked=(Blocked(60, 130, 40),))
    planned = plan(SITE, Reader.of_seeing(2.5, 2.0), wishes, at=AT)
    (DOCS / "plan-chart.png").write_bytes(figure_bytes(plan_chart(planned), "plan-chart.png"))


if __name__ == "__main__":
    main()
