"""One stretch of guiding as plain arrays: what the reader hands to the fit."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from poleward.errors import Note
from poleward.sky.axis import Floats
from poleward.sky.look import Pointing

Bools = NDArray[np.bool_]
Integers = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Section:
    """One stretch of guiding on one star, signs and units already those of docs/signs.md.

    The reader has done all turning of signs: by the layout's `positive`, and once more, for the star's place and for
    the pulses of both axes, where the section is `reversed`. Nothing after it looks at `reversed` but to tell the user.

    Attributes
    ----------
    file, label : str
        The file's name as the user gave it, and what to call the section.
    where : str
        ``FILE:LINE`` of its beginning.
    start : datetime or None
        Aware, UTC; None where the log tells no date (then `pointing` is by hour angle or azimuth).
    pointing : Pointing
        Of the telescope at `seconds` zero.
    seconds : array (n,)
        Since the section's start, rising strictly.
    north_arcsec : array (n,)
        The star's place in the field, an angle on the sky; NaN where it was lost.
    east_arcsec : array (n,) or None
        The same toward the east; None where the log has no such column.
    north_pulse_ms, east_pulse_ms : array (n,) or None
        Guide corrections: the TELESCOPE moves north or east when positive. A pulse in a row acts between that
        row's exposure and the next one's. None where the log has no such column; zero where none was sent.
    pulse_row_known : bool
        Whether the layout says which row a north pulse answers to (already applied); else it is as it stands in the
        log, and may act one row earlier.
    good : bool array (n,)
        False: the star was lost in that row. Its pulses count all the same.
    moved : bool array (n,)
        True: from this row on the guide star stands in a new place on purpose.
    reversed : bool
        Whether the section's signs were turned end for end, as after a meridian flip (already applied).
    north_guide_rate_arcsec_per_s, east_guide_rate_arcsec_per_s : float or None
        Stated speed of the telescope on the sky during a pulse; None where not stated.
    north_guide_rate_sigma_arcsec_per_s, east_guide_rate_sigma_arcsec_per_s : float or None
        Stated standard uncertainty of the above.
    image_scale_arcsec_per_pix : float or None
        Of places in pixels (already applied); None where none are.
    told_at : mapping of str to str
        Where the image scale and the guide rates stand, by their names in the layout: ``line 4``, ``the layout``.
    notes : tuple of Note
        What the reader has to say about this section.
    """

    file: str
    label: str
    where: str
    start: datetime | None
    pointing: Pointing
    seconds: Floats
    north_arcsec: Floats
    east_arcsec: Floats | None
    north_pulse_ms: Floats | None
    east_pulse_ms: Floats | None
    good: Bools
    moved: Bools
    reversed: bool = False
    north_guide_rate_arcsec_per_s: float | None = None
    east_guide_rate_arcsec_per_s: float | None = None
    north_guide_rate_sigma_arcsec_per_s: float | None = None
    east_guide_rate_sigma_arcsec_per_s: float | None = None
    notes: tuple[Note, ...] = ()
    pulse_row_known: bool = False
    image_scale_arcsec_per_pix: float | None = None
    told_at: Mapping[str, str] = field(default_factory=dict)

    @property
    def duration_s(self) -> float:
        """From the first row to the last."""
        return float(self.seconds[-1] - self.seconds[0]) if len(self.seconds) else 0.0
