"""A lot's status: which changes there are, and how one is written. For use inside operations."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

from trace.core.clock import from_ticks, now, to_ticks
from trace.core.errors import Refusal
from trace.core.keys import clean_text
from trace.core.models import Person
from trace.ledger.operation import note
from trace.material.inspecting import list_filled_from
from trace.material.models import Container, Lot, LotStatus


class StatusRefused(Refusal):
    """A lot's status can't be changed so."""

    code = "status-refused"
    action = "Look at the lot's page for what was decided, and by whom."


CHANGES: Mapping[str, tuple[frozenset[Lot.Status], Lot.Status]] = {
    "release_lot": (frozenset({Lot.Status.QUARANTINED}), Lot.Status.RELEASED),
    "reject_lot": (frozenset({Lot.Status.QUARANTINED, Lot.Status.RELEASED}), Lot.Status.REJECTED),
    "sort_lot": (frozenset({Lot.Status.REJECTED}), Lot.Status.QUARANTINED),
    "return_lot": (frozenset({Lot.Status.QUARANTINED, Lot.Status.REJECTED}), Lot.Status.RETURNED),
}
"""The operations that change a lot's status: from which, to which. An inspection that does not accept rejects, too."""


def lock_lot(lot: Lot) -> Lot:
    """The lot as it is now, locked."""
    return Lot.objects.select_for_update(of=("self",)).select_related("part", "supplier").get(pk=lot.pk)


def to_status(operation: str, lot: Lot) -> Lot:
    """The lot, locked, where the operation may change its status. Refuses with StatusRefused."""
    lot = lock_lot(lot)
    before, _ = CHANGES[operation]
    if lot.status not in before:
        words = " or ".join(sorted(status.label for status in before))
        raise StatusRefused(
            f"Lot {lot.key} is {lot.get_status_display()}; only one that is {words} can be"
            f" {operation.partition('_')[0].rstrip('e')}ed."
        )
    return lot


def change_status(lot: Lot, status: Lot.Status, evidence: str, by: Person, at: datetime) -> Lot:
    """Write a lot's new status with the evidence for it. Refuses with StatusRefused without any, and before the last
    change; with BadText."""
    evidence = clean_text(evidence, 300, "The evidence")
    if not evidence:
        raise StatusRefused("Say on what evidence.", action="Give it in a sentence: who asks later will read it.")
    since = to_ticks(at)
    if since < max(lot.status_since or 0, to_ticks(lot.received)):
        raise StatusRefused(
            f"Lot {lot.key} was {lot.get_status_display()} after that moment.", action="Give the right time."
        )
    LotStatus.objects.create(lot=lot, status=status, since=since, evidence=evidence, by=by, recorded=to_ticks(now()))
    lot.status, lot.status_since = status, since
    lot.save(update_fields=["status", "status_since"])
    return lot


def reject(lot: Lot, evidence: str, by: Person, at: datetime) -> Lot:
    """A lot is rejected, and what the plant mixed of it is quarantined: its own numbers would hide what is in it. Who
    finds that good releases it. Refuses as change_status."""
    rejected = change_status(lot, Lot.Status.REJECTED, evidence, by, at)
    filled = list_filled_from(Container.objects.filter(lot=lot).values_list("pk", flat=True))
    mixed = Lot.objects.filter(containers__in=filled, supplier__is_plant=True, status=Lot.Status.RELEASED)
    for made in Lot.objects.select_for_update().filter(pk__in=mixed.values("pk")).exclude(pk=lot.pk).order_by("pk"):
        since = max(at, made.received, from_ticks(made.status_since or 0))
        change_status(made, Lot.Status.QUARANTINED, f"holds what was rejected: {lot.key}", by, since)
        note(made)
    return rejected
