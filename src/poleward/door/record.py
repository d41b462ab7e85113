"""Records: what a result says as plain numbers with their units in the names, ready for JSON and for tables."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import fields, is_dataclass
from datetime import datetime
from typing import Any

from poleward.door.clock import iso

UNIT_IN_NAME = re.compile(r"(?P<what>.+?)_(?P<unit>arcsec|arcmin|deg|pix|ms|s|h)(?:_per_(?P<per>[a-z]+))?$")


def record_of(result: Any, names: Iterable[str] | None = None) -> dict[str, Any]:
    """Return a result's values by name: of a dataclass all fields, or the fields and properties that are named.

    A value with a record of its own gives that; other dataclasses theirs, times ISO 8601, sequences lists.
    """
    if names is None:
        names = [one.name for one in fields(result)]
    return {name: _plain(getattr(result, name)) for name in names}


def _plain(value: Any) -> Any:
    if hasattr(value, "to_record"):
        return value.to_record()
    if is_dataclass(value):
        return record_of(value)
    if isinstance(value, datetime):
        return iso(value)
    if isinstance(value, Mapping):
        return {key: _plain(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(one) for one in value]
    return value.item() if hasattr(value, "item") else value


def column_of(name: str) -> tuple[str, str | None]:
    """Return the name without its unit, and the unit as astropy writes it: ``rate_arcsec_per_min`` is a ``rate``."""
    found = UNIT_IN_NAME.match(name)
    if found is None:
        return name, None
    unit = found["unit"]
    if found["per"]:
        return found["what"], f"{unit} / {found['per']}"
    return found["what"], "hourangle" if unit == "h" else unit
