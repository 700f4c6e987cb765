"""What of a record is signed: one table for every kind of thing that can be."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping

from django.apps import apps
from django.db.models import Model, QuerySet

from trace.core.errors import NotFound, Refusal
from trace.core.keys import UNSTORABLE
from trace.ledger.canonical import canonical

SIGNED: Mapping[str, tuple[tuple[str, ...], ...]] = {
    "attachment": (("target_kind", "target_key", "name", "media_type", "size", "sha256"),),
    "containment": (
        ("problem", "evidence", "opened", "opened_by__key", "closed", "closed_by__key", "close_reason"),
        (
            *("terms__number", "terms__joined", "terms__kind", "terms__subject", "terms__since", "terms__until"),
            *("terms__first", "terms__last", "terms__codes_from", "terms__codes_to", "terms__detail", "terms__way"),
            *("terms__evidence", "terms__removed", "terms__remove_reason"),
        ),
        ("remarks__heading", "remarks__text", "remarks__written", "remarks__by__key", "remarks__superseded"),
    ),
    "deviation": (("rules", "scope", "reason", "expires", "most", "opened", "opened_by__key"),),
    "disposition": (
        (
            *("target_kind", "target_key", "decision", "reason", "evidence", "permits", "decided", "decided_by__key"),
            *("withdrawn", "withdrawn_by__key", "withdraw_reason"),
        ),
        ("member_digest",),
    ),
    "hold": (
        (
            *("target_kind", "target_key", "reason", "permits", "placed", "placed_by__key"),
            *("released", "released_by__key", "release_reason"),
        ),
    ),
    "lot": (("part__key", "supplier__key", "number", "date_code", "expiry", "received"),),
    "notice": (
        (
            *("containment__key", "customer__key", "snapshot__number", "text", "list_digest", "drafted"),
            "drafted_by__key",
        ),
    ),
    "part": (
        ("number", "revision", "name", "kind"),
        (
            *("lines__number", "lines__child__key", "lines__quantity", "lines__designators__name"),
            *("lines__designators__quantity", "lines__designators__step_number"),
        ),
        (
            *("steps__number", "steps__name", "steps__minutes", "steps__stations__key", "steps__caution"),
            *("steps__instruction", "steps__picture", "steps__free_order", "steps__alternative"),
            *("steps__first_piece", "steps__verification", "steps__sample_every", "steps__qualification__key"),
            *("steps__equipment_kind", "steps__program__key", "steps__attempts"),
        ),
        (
            *("characteristics__step_number", "characteristics__name", "characteristics__unit_of_measure"),
            *("characteristics__lower", "characteristics__target", "characteristics__upper", "characteristics__judge"),
        ),
        (
            *("placements__number", "placements__designator", "placements__x", "placements__y"),
            *("placements__rotation", "placements__side", "placements__do_not_place"),
        ),
        (
            *("panel_places__number", "panel_places__board__key", "panel_places__x", "panel_places__y"),
            "panel_places__rotation",
        ),
    ),
    "setup": (
        (
            *("assembly__key", "axis__station__key", "axis__tape__key", "first"),
            *("lines__designator", "lines__feed__key"),
        ),
    ),
    "unit": (
        (
            *("part__key", "order__key", "created", "scrapped", "passes__step__number", "passes__station__key"),
            *("passes__outcome", "passes__recorded", "passes__superseded"),
        ),
    ),
    "workorder": (("part__key", "site__key", "quantity", "released"),),
}
"""Kind of a record: the fields that are signed, its own and those of what belongs to it, group by group. A field of
many records (lines of a part) gives a row for each. What a part may be replaced by is a decision of its own."""

AUTHORS: Mapping[str, str] = {
    "deviation": "opened_by_id",
    "disposition": "decided_by_id",
    "notice": "drafted_by_id",
}
"""Kind of a record that nobody approves who wrote it: the field with the id of who did."""


class NotSigned(Refusal):
    """Records of this kind are not signed."""

    code = "not-signed"
    action = "Sign the record that it belongs to."


def find_record(kind: str, key: str) -> Model:
    """The record of a kind and key; of what has no key, by its number. Refuses with NotFound."""
    return _found(kind, key, _rows(kind, key))


def lock_record(kind: str, key: str) -> Model:
    """The same, and nobody changes it until the operation is over."""
    return _found(kind, key, _rows(kind, key).select_for_update())


def content_of(kind: str, key: str) -> str:
    """What a signature on this record is made on, as canonical text: its rows by the names of the fields, in order.

    Refuses with NotSigned a kind that the table does not name, and with NotFound.
    """
    if kind not in SIGNED:
        raise NotSigned(f"A {kind} is not signed.")
    find_record(kind, key)
    rows = [
        row
        for fields in SIGNED[kind]
        for row in sorted(_rows(kind, key).values(*fields), key=canonical)
        if any(value is not None for value in row.values())
    ]
    return canonical({"kind": kind, "key": key, "content": rows})


def content_digest(content: str) -> str:
    """The SHA-256 of a content."""
    return hashlib.sha256(content.encode()).hexdigest()


def _rows(kind: str, key: str) -> QuerySet[Model]:
    try:
        model = apps.get_model("trace", kind)
    except LookupError:
        raise NotFound(f"There is no kind of thing called “{kind[:40]}”.") from None
    by_key = any(field.name == "key" for field in model._meta.concrete_fields)
    if not by_key and kind not in SIGNED:
        raise NotFound(f"A {kind} is found by no key.", action="Name the thing that it belongs to.")
    if UNSTORABLE.search(key) or not by_key and not (key.isascii() and key.isdecimal() and int(key) < 2**63):
        return model._default_manager.none()
    return model._default_manager.filter(**{"key" if by_key else "pk": key}).order_by()


def _found(kind: str, key: str, rows: QuerySet[Model]) -> Model:
    record = rows.first()
    if record is None:
        raise NotFound(f"No {kind} has the key {key[:60]}.")
    return record
