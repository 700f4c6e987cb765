"""What the record can be asked for: what was ever done, and to which kinds of things."""

from __future__ import annotations

from trace.core.sql import fetch


def list_verbs() -> list[str]:
    """Every verb on record, in order."""
    return _list_different("trace_event", "verb")


def list_kinds() -> list[str]:
    """Every kind of thing that something on record was about, in order."""
    return _list_different("trace_eventsubject", "kind")


def _list_different(table: str, column: str) -> list[str]:
    return [value for (value,) in fetch(__file__, "different", {"table": table, "column": column})]
