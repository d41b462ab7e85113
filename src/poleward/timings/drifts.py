"""The drift table as a whole: read from a file, from rows, from an astropy table, and written; each row by `rows`.

Angles on the sky are components on the tangent plane at the star's first place: `north` toward the mount's own
north pole, `east` toward increasing right ascension. A rate is the mean over the timing.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, SupportsIndex, overload

from poleward.door.cells import cells_of_rows, cells_of_table
from poleward.door.clock import iso
from poleward.door.files import write_whole
from poleward.door.tables import RawTable, read_table, rows_of_table
from poleward.errors import WrongTypeError
from poleward.sky.camera import GuideCamera
from poleward.timings.rows import COLUMNS, MEASURED, Drift, drift_from_cells

if TYPE_CHECKING:
    from astropy.table import Table

ROW_UNITS = {
    "duration": "s",
    "hour_angle": "hourangle",
    "dec": "deg",
    "azimuth": "deg",
    "altitude": "deg",
    "north": "arcsec",
    "east": "arcsec",
    "north_sigma": "arcsec",
    "east_sigma": "arcsec",
    "rotation": "arcmin",
    "rotation_sigma": "arcmin",
}
"""Units in which a table is written."""


class Drifts(Sequence[Drift]):
    """Timings in the order in which they were written."""

    def __init__(self, drifts: Iterable[Drift]) -> None:
        self._drifts = tuple(drifts)

    @overload
    def __getitem__(self, index: SupportsIndex) -> Drift: ...
    @overload
    def __getitem__(self, index: slice) -> Drifts: ...
    def __getitem__(self, index: SupportsIndex | slice) -> Drift | Drifts:
        """Return one timing, or some of them for a slice."""
        return Drifts(self._drifts[index]) if isinstance(index, slice) else self._drifts[index]

    def __len__(self) -> int:
        """Return the number of timings."""
        return len(self._drifts)

    def __eq__(self, other: object) -> bool:
        """Whether two lists hold the same timings; where they were read does not count."""
        return isinstance(other, Drifts) and self.to_rows() == other.to_rows()

    __hash__ = None  # type: ignore[assignment]

    def __repr__(self) -> str:
        """One line: how many, and how many of them are used."""
        used = sum(drift.used for drift in self)
        return f"<Drifts: {len(self)} timings{'' if used == len(self) else f', {used} used'}>"

    def _repr_html_(self) -> str:
        """Return a table for notebooks."""
        html: str = self.to_table()._repr_html_()
        return html

    @classmethod
    def from_table(
        cls, table: Table, *, guide_camera: GuideCamera | None = None, timezone: str = "", name: str = "table"
    ) -> Drifts:
        """Timings from an astropy Table or QTable with the columns of a drift table.

        Units of columns are honoured, masked cells are not measured, and a column of SkyCoord of any name stands for
        `ra` and `dec`.

        Parameters
        ----------
        table : Table
            One row for each timing.
        guide_camera : GuideCamera, optional
            Needed for columns x and y.
        timezone : str
            Zone of times that carry no offset; without it they are an error.
        name : str
            What messages call it.

        Returns
        -------
        Drifts
            In the order of the rows.

        Raises
        ------
        InputError
            As `read_drifts`.
        WrongTypeError
            Not a table.
        """
        if not hasattr(table, "colnames"):
            raise WrongTypeError(
                "table", table, "an astropy Table or QTable", "of mappings use Drifts.from_rows"
            )
        return _drifts_of(rows_of_table(table, name), guide_camera, timezone)

    def to_table(self) -> Table:
        """Return a Table with units, as `from_table` takes it; what was not measured is masked."""
        from astropy.table import MaskedColumn, Table

        rows, table = self.to_rows(), Table()
        for name in [name for name in COLUMNS if any(name in row for row in rows)]:
            filler: Any = 0.0 if name in ROW_UNITS else ""
            values = [row.get(name, filler) for row in rows]
            mask = [name not in row for row in rows]
            table[name] = MaskedColumn(values, mask=mask, unit=ROW_UNITS.get(name))
        return table

    @classmethod
    def from_rows(
        cls,
        rows: Iterable[Mapping[str, Any]],
        *,
        guide_camera: GuideCamera | None = None,
        timezone: str = "",
        name: str = "row",
    ) -> Drifts:
        """Timings from mappings with the table's column names.

        Values are text, numbers, Quantity, Angle, Time, TimeDelta; None or masked is not measured, and a SkyCoord of
        any name stands for `ra` and `dec`.

        Parameters
        ----------
        rows : iterable of mapping
            One for each timing.
        guide_camera : GuideCamera, optional
            Needed for columns x and y.
        timezone : str
            Zone of times that carry no offset; without it they are an error.
        name : str
            What messages call it.

        Returns
        -------
        Drifts
            In the order of the rows.

        Raises
        ------
        InputError
            As `read_drifts`.
        WrongTypeError
            A row that is no mapping.
        """
        cells = cells_of_rows(rows, COLUMNS, timezone, name, "of a Table use Drifts.from_table")
        return cls(drift_from_cells(one, guide_camera) for one in cells)

    def to_rows(self) -> list[dict[str, Any]]:
        """Return rows as `from_rows` takes them, in the units of `ROW_UNITS`, empty cells left out.

        Angles are rounded to 1e-11 deg, far below anything that matters, so that writing and reading again gives
        the same digits.
        """
        rows = []
        for drift in self._drifts:
            at, side = drift.pointing, -1 if drift.reversed else 1
            cells: dict[str, Any] = {
                "label": drift.label or None,
                "time": None if at.time is None else iso(at.time),
                "duration": drift.duration_s,
                "hour_angle": _degrees(at.hour_angle, 15),
                "ra": None if at.ra is None else f"{_degrees(at.ra)} deg",  # a bare one could be hours
                "dec": _degrees(at.dec),
                "azimuth": _degrees(at.azimuth),
                "altitude": _degrees(at.altitude),
                "north": None if drift.north_arcsec is None else side * drift.north_arcsec,
                "east": None if drift.east_arcsec is None else side * drift.east_arcsec,
                "north_sigma": drift.north_sigma_arcsec,
                "east_sigma": drift.east_sigma_arcsec,
                "rotation": drift.rotation_arcmin,
                "rotation_sigma": drift.rotation_sigma_arcmin,
                "use": "yes" if drift.used else "no",
                "reversed": "yes" if drift.reversed else None,
            }
            rows.append({key: value for key, value in cells.items() if value is not None})
        return rows

    def write(self, path: str | Path, *, force: bool = False) -> None:
        """Write the table that `read_drifts` reads: ECSV if the name ends so, else CSV.

        Parameters
        ----------
        path : str or Path
            Of the file.
        force : bool
            Write over a file that exists.

        Raises
        ------
        UsageError
            The file exists and `force` is false, or it cannot be written.
        """
        text = io.StringIO()
        if str(path).lower().endswith(".ecsv"):
            self.to_table().write(text, format="ascii.ecsv", delimiter=",")
        else:
            rows = self.to_rows()
            columns = [name for name in COLUMNS if any(name in row for row in rows)]
            writer = csv.writer(text, lineterminator="\n")
            writer.writerow(
                [f"{name} [{ROW_UNITS[name]}]" if name in ROW_UNITS else name for name in columns]
            )
            writer.writerows([row.get(name, "") for name in columns] for row in rows)
        write_whole(path, text.getvalue(), force=force)


def _degrees(angle: float | None, per_unit: float = 1.0) -> float | None:
    return None if angle is None else round(math.degrees(angle) / per_unit, 11)


def read_drifts(path: str | Path, *, guide_camera: GuideCamera | None = None, timezone: str = "") -> Drifts:
    """Read a drift table.

    Parameters
    ----------
    path : str or Path
        CSV, ECSV or VOTable; ``-`` is standard input.
    guide_camera : GuideCamera, optional
        Needed for columns x and y.
    timezone : str
        Zone of times that carry no offset; without it they are an error.

    Returns
    -------
    Drifts

    Raises
    ------
    InputError
        Names the file, the line and the column, what was found and what is allowed.
    """
    return _drifts_of(read_table(path), guide_camera, timezone)


def _drifts_of(table: RawTable, guide_camera: GuideCamera | None, timezone: str) -> Drifts:
    cells = cells_of_table(table, COLUMNS, timezone, "timed drift")
    # A table as `plan --write` makes it: a column for the drifts, to be filled in row by row.
    blank = any(name in MEASURED for name in table.units)
    return Drifts(drift_from_cells(one, guide_camera, may_be_blank=blank) for one in cells)


def as_drifts(given: Sequence[Drift] | Table) -> Drifts:
    """Return timings of any kind as `Drifts`.

    Raises
    ------
    WrongTypeError
        Neither a table nor a sequence of Drift.
    """
    if isinstance(given, Drifts):
        return given
    if hasattr(given, "colnames"):
        return Drifts.from_table(given)
    if not isinstance(given, Iterable) or not all(isinstance(drift, Drift) for drift in given):
        hint = "poleward.read_drifts reads a file, poleward.Drifts.from_rows takes mappings"
        raise WrongTypeError("drifts", given, "Drifts, a sequence of Drift, or a Table", hint)
    return Drifts(given)
