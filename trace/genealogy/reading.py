"""Reads with the named queries in `sql/`, and the fragments that they share."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from django.db import connection

from trace.core import sql
from trace.core.clock import DAY

HOME_COLUMNS = (
    "f.unit_id, COALESCE(f.earliest, f.since - f.error), f.until,"
    " f.since <= %(at)s AND (f.doubted IS NULL OR f.doubted >= %(at)s)"
)
"""Where a unit is or was fitted, or may have been: in which, from when, until when, whether surely so at the moment."""

CLASSES = json.dumps(list(range(54)))
"""Every length class that a pass may have."""


_ANYWHERE = "station_id IN (SELECT id FROM trace_station)"
WHOSE = {
    "station": "station_id = %(thing)s",
    "person": f"{_ANYWHERE} AND by_id = %(thing)s",
    "equipment": f"{_ANYWHERE} AND equipment_id = %(thing)s",
}
"""Passes of a window. There is an index by station and moment, and there are few stations: those of a person or of
equipment are looked for at each."""


def fetch(name: str, **parameters: Any) -> list[tuple]:
    """The rows of one of this folder's named queries."""
    return sql.fetch(__file__, name, _fragments(parameters), **parameters)


def prepare(name: str, parameters: Mapping[str, Any]) -> tuple[str, dict[str, Any]]:
    """The text and the parameters with which one of them is run."""
    return sql.prepare(__file__, name, parameters, _fragments(parameters))


def _fragments(parameters: Mapping[str, Any]) -> dict[str, str]:
    return {
        "home_columns": HOME_COLUMNS,
        "home": sql.load_sql(__file__, "home", connection.vendor),
        "classes": CLASSES,
        "day": str(DAY),
        "of_designators": "AND l.designator = ANY(%(designators)s)"
        if parameters.get("designators") is not None
        else "",
        "whose": WHOSE[parameters["of"]] if "of" in parameters else "",
    }
