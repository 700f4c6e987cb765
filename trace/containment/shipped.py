"""What was shipped of a population, to whom, and what customers were told of it."""

from __future__ import annotations

import hashlib
from collections.abc import Collection

from django.db.models import Prefetch, QuerySet

from trace.approvals.queries import Verified, find_approval, list_approvals
from trace.containment.models import Containment, Notice, Snapshot, SnapshotUnit
from trace.core.errors import NotFound
from trace.core.models import Person
from trace.core.permissions import APPROVERS, may
from trace.floor.models import Alias, Customer
from trace.genealogy.rules import Sureness
from trace.genealogy.whereabouts import Place
from trace.ledger.canonical import canonical

KIND = "notice"


def list_shipped(snapshot: Snapshot, customer: str = "") -> QuerySet[SnapshotUnit]:
    """The outermost units of a snapshot that had been shipped and carry the suspect, surely or possibly, in the order
    of their serials: to one customer (by key), or to all, customer by customer.

    Each has its unit with part and order, carton, pallet, shipment, `since` (when that departed), and in
    `unit.theirs` the serials that the customer gave it. To be read in chunks: `iterator(chunk_size=2_000)`.
    """
    gone = snapshot.carriers.filter(place=Place.SHIPPED.value, outermost=True).exclude(sureness=Sureness.CLEARED.value)
    theirs = Alias.objects.filter(kind=Alias.Kind.CUSTOMER, superseded=None)
    return (
        gone.filter(**({"customer": customer} if customer else {}))
        .select_related("unit__part", "unit__order")
        .prefetch_related(Prefetch("unit__aliases", theirs, to_attr="theirs"))
        .order_by("customer", "unit__key")
    )


def list_customers(snapshot: Snapshot) -> list[Customer]:
    """The customers to whom any of it was shipped."""
    keys = list_shipped(snapshot).order_by().values("customer").distinct()
    return list(Customer.objects.filter(key__in=keys).order_by("key"))


def digest_list(snapshot: Snapshot, customer: str) -> str:
    """The SHA-256 of what a notice to a customer lists."""
    rows = list_shipped(snapshot, customer).prefetch_related(None)
    listed = rows.values_list("unit__key", "sureness", "carton", "pallet", "shipment", "since")
    return hashlib.sha256(canonical([list(row) for row in listed]).encode()).hexdigest()


def list_not_told(containment: Containment, shipped: Collection[tuple[str, int]]) -> dict[str, int]:
    """{customer key: how many} of these shipped units (the customer's key, the unit's id) that no notice lists which
    went out to that customer."""
    told: set[tuple[str, int]] = set()
    for notice in containment.notices.exclude(sent=None).select_related("snapshot", "customer"):
        listed = list_shipped(notice.snapshot, notice.customer.key).prefetch_related(None)
        told |= {(notice.customer.key, unit) for unit in listed.values_list("unit", flat=True)}
    missing: dict[str, int] = {}
    for customer, unit in shipped:
        if (customer, unit) not in told:
            missing[customer] = missing.get(customer, 0) + 1
    return missing


def get_notice(key: str) -> Notice:
    """The notice of a key. Refuses with NotFound."""
    found = Notice.objects.select_related("customer", "snapshot", "drafted_by").filter(key=key).first()
    if found is None:
        raise NotFound(f"There is no notice {key[:60]}.", action="Look for it with its containment.")
    return found


def find_notice_approval(notice: Notice) -> Verified | None:
    """The signature by which a notice may go out."""
    return find_approval(KIND, notice.key, {notice.drafted_by_id})


def find_state(notice: Notice) -> str:
    """How it stands with a notice: sent, given up, approved, changed since it was approved, not approved."""
    if notice.sent is not None:
        return "sent"
    if notice.superseded is not None:
        return "given up"
    if find_notice_approval(notice):
        return "approved"
    return "changed" if list_approvals(KIND, notice.key, {notice.drafted_by_id}) else "not approved"


def list_notices_awaiting(person: Person) -> list[Notice]:
    """The notices that wait for an approval which this person may give, never on their own."""
    if not may(person.roles, APPROVERS[KIND]):
        return []
    others = (
        Notice.objects.filter(sent=None, superseded=None, containment__closed=None)
        .exclude(drafted_by=person)
        .select_related("containment", "customer", "snapshot", "drafted_by")
    )
    return [one for one in others.order_by("drafted", "pk") if not find_notice_approval(one)]
