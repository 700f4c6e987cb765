"""Keeping the population as it is reckoned now."""

from __future__ import annotations

from datetime import datetime

from django.db.models import Max

from trace.containment.models import Containment, Snapshot, SnapshotStock, SnapshotUnit
from trace.containment.operations.alarms import lock_open
from trace.containment.population import reckon
from trace.core.clock import to_ticks
from trace.core.keys import clean_text
from trace.core.models import Person
from trace.core.sql import insert_rows
from trace.genealogy.forward import Population, summarise_population
from trace.genealogy.stock import list_population_stock
from trace.ledger.models import Event
from trace.ledger.operation import operation

CHUNK = 2_000


@operation()
def take_snapshot(*, containment: Containment, why: str = "asked for", by: Person, at: datetime) -> Snapshot:
    """Reckon the population by the ledger as it is now, and keep it under the next number.

    Refuses with ContainmentRefused a closed containment; with BadText.
    """
    containment = lock_open(containment)
    event = Event.objects.aggregate(last=Max("pk"))["last"] or 0
    return write_snapshot(containment, reckon(containment), event, clean_text(why, 120, "What it is for"), by, at)


def write_snapshot(
    containment: Containment, population: Population, event: int, why: str, by: Person, at: datetime
) -> Snapshot:
    """Keep a population, for an operation that reckoned it; `event` is the last entry of the ledger before that."""
    summary = summarise_population(population)
    snapshot = Snapshot.objects.create(
        containment=containment,
        number=containment.snapshots.count() + 1,
        taken=to_ticks(at),
        by=by,
        event=event,
        why=why,
        certain=summary.certain,
        possible=summary.possible,
        cleared=summary.cleared,
        shipped=summary.shipped,
        customers=summary.customers,
    )
    insert_rows(
        SnapshotUnit,
        (
            *("snapshot", "unit", "part", "top", "outermost", "sureness", "reasons", "direct"),
            *("place", "place_key", "carton", "pallet", "shipment", "customer", "step", "since"),
        ),
        (
            (
                *(snapshot.pk, carrier.unit, carrier.part, carrier.top, carrier.top == carrier.key),
                *(carrier.sureness.value, " ".join(carrier.reasons)[:60], carrier.direct, where.kind.value, where.key),
                *(where.carton, where.pallet, where.shipment, where.customer, where.step, where.since),
            )
            for carrier in population.carriers
            for where in [carrier.where]
        ),
    )
    stock = (
        SnapshotStock(
            snapshot=snapshot,
            kind=item.kind,
            key=item.key,
            part=item.part,
            lot=item.lot,
            place=item.where[:300],
            quantity=item.quantity,
            wholly=item.wholly,
        )
        for item in list_population_stock(population)
    )
    SnapshotStock.objects.bulk_create(stock, batch_size=CHUNK)
    return snapshot
