"""Reads with the named queries in `sql/`, and the fragments that they share."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from typing import Any

from django.db import connection

from trace.core.sql import load_sql

EACH = {
    "postgresql": r"jsonb_array_elements_text(%(\1)s::jsonb)::bigint",
    "sqlite": r"value FROM json_each(%(\1)s)",
}
"""The ids in a parameter, a list in JSON, as rows."""

OF_DESIGNATORS = {
    "postgresql": "AND l.designator IN (SELECT jsonb_array_elements_text(%(designators)s::jsonb))",
    "sqlite": "AND l.designator IN (SELECT value FROM json_each(%(designators)s))",
}

HOME_COLUMNS = (
    "f.unit_id, COALESCE(f.earliest, f.since - f.error), f.until,"
    " f.since <= %(at)s AND (f.doubted IS NULL OR f.doubted >= %(at)s)"
)
"""Where a unit is or was fitted, or may have been: in which, from when, until when, whether surely so at the moment."""

CLASSES = json.dumps(list(range(54)))
"""Every length class that a pass may have."""


def fetch(name: str, **parameters: Any) -> list[tuple]:
    """Run one of this folder's named queries."""
    with connection.cursor() as cursor:
        cursor.execute(named_sql(name, parameters), parameters)
        return cursor.fetchall()


def named_sql(name: str, parameters: Mapping[str, Any]) -> str:
    """The text of one of this folder's named queries, for these parameters and the current database."""
    vendor = connection.vendor
    text = load_sql(__file__, name, vendor)
    for fragment, meaning in {
        "{home_columns}": HOME_COLUMNS,
        "{home}": load_sql(__file__, "home", vendor),
        "{classes}": CLASSES,
        "{of_designators}": OF_DESIGNATORS[vendor] if parameters.get("designators") else "",
    }.items():
        text = text.replace(fragment, meaning)
    return re.sub(r"\{each (\w+)\}", EACH[vendor], text)
