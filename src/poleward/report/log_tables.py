"""What guide logs say as an ECSV table: one row per section, the rest in the metadata."""

from __future__ import annotations

from typing import Any

from poleward.guidelog.fitting.logsolution import LogSolution
from poleward.report.tables import record_ecsv

UNITS = {
    "hour_angle_h": "h",
    "dec_deg": "deg",
    "altitude_deg": "deg",
    "duration_s": "s",
    "cadence_s": "s",
    "north_rate_arcsec_per_min": "arcsec / min",
    "north_rate_sigma_arcsec_per_min": "arcsec / min",
    "north_rate_fitted_arcsec_per_min": "arcsec / min",
    "white_arcsec": "arcsec",
    "correlated_arcsec": "arcsec",
    "correlation_time_s": "s",
    "guide_rate_arcsec_per_s": "arcsec / s",
    "guide_rate_sigma_arcsec_per_s": "arcsec / s",
    "backlash_ms": "ms",
    "backlash_sigma_ms": "ms",
    "rms_arcsec": "arcsec",
    "rms_still_arcsec": "arcsec",
}
PARTS = {
    "noise": ("white_arcsec", "correlated_arcsec", "correlation_time_s"),
    "guiding": ("rms_arcsec", "rms_still_arcsec", "drift_share", "north_lag_one", "east_lag_one"),
}


def log_ecsv(result: LogSolution) -> str:
    """Return the text of an ECSV 1.0 table of the sections, with axis, groups, trend and warnings as metadata."""
    record = result.to_record()
    return record_ecsv([_flat(section) for section in record.pop("sections")], record, UNITS)


def _flat(section: dict[str, Any]) -> dict[str, Any]:
    """Return a section's record without records inside; its warnings as one text."""
    flat = {
        name: value for name, value in section.items() if name not in PARTS and not isinstance(value, list)
    }
    for part, names in PARTS.items():
        flat.update({name: (section[part] or {}).get(name) for name in names})
    flat["warnings"] = "; ".join(note["text"] for note in section["warnings"]) or None
    return flat
