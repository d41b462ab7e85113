"""Results show themselves: as the command's text, in a notebook, as a chart, as a table.

What a result looks like is the business of `report`, which knows all results and so stands above them. This is the one
window up to it: it is opened by name when somebody looks, so that solving imports no charts.
"""

from __future__ import annotations

from html import escape
from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from astropy.table import Table
    from matplotlib.figure import Figure


class Shown:
    """A result that can be looked at."""

    def __str__(self) -> str:
        """Return the text that the command prints."""
        text: str = _report().text_of(self)
        return text

    def _repr_html_(self) -> str:
        """Return the text for notebooks."""
        return f"<pre>{escape(str(self))}</pre>"

    def chart(self, *, night: bool = False) -> Figure:
        """Return the chart that the command draws.

        Parameters
        ----------
        night : bool
            In dim red on black.
        """
        figure: Figure = _report().figure_of(self, night=night)
        return figure

    def to_table(self) -> Table:
        """Return the table that the command writes: rows with units, everything else in its ``meta``."""
        return _report().table_of(self)


def _report() -> Any:
    return import_module("poleward.report.shown")
