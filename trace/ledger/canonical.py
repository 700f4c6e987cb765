"""Canonical text of an operation's arguments: the same on every machine and for ever."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import fields, is_dataclass
from datetime import UTC, date, datetime, time, timedelta
from decimal import Decimal
from enum import Enum
from typing import Any

from django.db.models import Model, QuerySet

from trace.core.secrecy import Secret

VERSION = 1


def subject_of(record: Model) -> tuple[str, str]:
    """(kind, key) under which ledger and holds know a record: its model's name, its key."""
    return record._meta.model_name or "", str(getattr(record, "key", None) or record.pk)


def plain(value: Any) -> Any:
    """`value` as JSON can hold it without loss. TypeError for floats, which round, and for moments without a zone."""
    match value:
        case None | bool() | int():
            return value
        case Enum():
            return plain(value.value)
        case str():
            return value
        case Decimal():
            return str(value)
        case datetime() if value.tzinfo is not None:
            return value.astimezone(UTC).isoformat(timespec="microseconds")
        case timedelta():
            seconds, rest = divmod(value // timedelta(microseconds=1), 1_000_000)
            return f"PT{seconds}.{rest:06}S"
        case Secret():
            return "kept secret"
        case Model():
            return ":".join(subject_of(value))
        case Mapping():
            return {str(plain(key)): plain(item) for key, item in value.items()}
        case list() | tuple() | QuerySet():
            return [plain(item) for item in value]
        case set() | frozenset():
            return sorted(plain(item) for item in value)
    if is_dataclass(value):
        return {field.name: plain(getattr(value, field.name)) for field in fields(value)}
    if isinstance(value, date | time) and not isinstance(value, datetime):
        return value.isoformat()
    raise TypeError(f"{type(value).__name__} has no canonical text")


def canonical(value: Any) -> str:
    """Sorted keys, no spaces, no floats, UTF-8 as it is."""
    return json.dumps(plain(value), sort_keys=True, separators=(",", ":"), ensure_ascii=False)


def records_in(value: Any) -> Iterator[Model]:
    """Every record named in an operation's arguments or result, however deep."""
    if isinstance(value, Model):
        yield value
    elif is_dataclass(value) and not isinstance(value, type):
        for field in fields(value):
            yield from records_in(getattr(value, field.name))
    elif isinstance(value, Mapping):
        for item in value.values():
            yield from records_in(item)
    elif isinstance(value, Iterable) and not isinstance(value, str | bytes):
        for item in value:
            yield from records_in(item)
