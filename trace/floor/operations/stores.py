"""What is done with containers away from the feeds: keeping, splitting, merging, making batches.

Where one of them was on record at a feed, it had left that unseen, which is recorded there.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from datetime import datetime
from decimal import Decimal

from trace.core.clock import now, to_ticks
from trace.core.keys import clean_text, free_key
from trace.core.models import Person
from trace.engineering.models import Part
from trace.floor.away import take_as_left
from trace.floor.releases import check_released
from trace.floor.remainders import hold_too
from trace.holds.gate import moving
from trace.holds.rules import Move
from trace.material.clocks import mark_exposed
from trace.material.models import Container, Derivation
from trace.material.operations.bags import lay_open
from trace.material.operations.stock import (
    StockRefused,
    check_kind,
    check_quantity,
    explain_earlier_expiry,
    lock_containers,
    make_remainder,
    plant_lot,
)


@moving
def store_container(*, container: Container, store: str, by: Person, at: datetime) -> Container:
    """A container is moved to another store, quarantine among them. Refuses with Held."""
    store = clean_text(store, 60, "The store")
    (container,) = lock_containers([container], Move.STORE, at)
    container.store = store
    container.save(update_fields=["store"])
    _left_feeds([container], by, at)
    return container


@moving
def split_container(
    *, source: Container, key: str, quantity: Decimal | None = None, by: Person, at: datetime
) -> Container:
    """Fill a new container from part of another. Refuses with Held, StockRefused, KeyInUse."""
    check_quantity(quantity, key)
    (source,) = lock_containers([source], Move.DIVIDE, at)
    _left_feeds([source], by, at)
    lay_open([source], by, at)
    result = _derived(key, [source], source.kind, quantity, by, at)
    _derive(result, [source], Derivation.Deed.SPLIT, by, at, quantity)
    return result


@moving
def merge_containers(
    *,
    sources: Sequence[Container],
    into: Container | None = None,
    key: str = "",
    by: Person,
    at: datetime,
) -> Container:
    """Pour containers of one part together, into a new one or into one that already holds some.

    A new one with several lots in it gets a lot number of the plant's, good as long as the first of them. Refuses with
    Held, with LotNotReleased several lots of which one is not, and with StockRefused what has expired, or would expire
    before the lot of the container that it is poured into.
    """
    everything = lock_containers([*sources, *([into] if into else [])], Move.DIVIDE, at)
    if len({container.part_id for container in everything}) != 1:
        raise StockRefused("Only containers of one part can be merged.")
    poured = [container for container in everything if into is None or container.pk != into.pk]
    if not poured:
        raise StockRefused("There is nothing to pour in.")
    for container in poured:
        if container.lot.expired(at):
            expiry = container.lot.expiry
            raise StockRefused(f"Container {container.key} expired on {expiry}.", action="Put it aside, marked.")
    if len({container.lot_id for container in everything}) > 1:
        check_released([container.lot for container in everything], at)
    if into:
        (kept,) = (container for container in everything if container.pk == into.pk)
        for container in poured:
            if wrong := explain_earlier_expiry(container, kept):
                raise StockRefused(wrong, action="Pour both into a new container.")
    _left_feeds(poured, by, at)  # what they are poured into may hang where it is
    lay_open(everything, by, at)
    result = into or _derived(key, poured, poured[0].kind, None, by, at)
    _derive(result, poured, Derivation.Deed.MERGE, by, at)
    return result


@moving
def make_batch(
    *,
    key: str,
    part: Part,
    sources: Sequence[Container],
    quantity: Decimal | None = None,
    kind: str = Container.Kind.BOX,
    by: Person,
    at: datetime,
) -> Container:
    """Mix or make a batch of a part in house from containers of others.

    Refuses with Held, LotNotReleased, KeyInUse, and with StockRefused a part that is tracked by serial.
    """
    if part.serialised:
        raise StockRefused(f"{part.key} is tracked by serial; it has no batches.")
    check_quantity(quantity, key)
    check_kind(kind)
    sources = lock_containers(sources, Move.DIVIDE, at)
    if not sources:
        raise StockRefused("A batch is made of something: scan what goes into it.")
    check_released([source.lot for source in sources], at)
    _left_feeds(sources, by, at)
    lay_open(sources, by, at)
    result = Container.objects.create(
        key=free_key(Container, key),
        part=part,
        lot=plant_lot(key, part, by, at, [source.lot for source in sources]),
        kind=kind,
        own=False,
        quantity=quantity,
        received=to_ticks(at),
    )
    _derive(result, sources, Derivation.Deed.BATCH, by, at)
    return result


def _left_feeds(containers: Iterable[Container], by: Person, at: datetime) -> None:
    for container in containers:
        take_as_left(container, to_ticks(at), 0, by)


def _derived(
    key: str, sources: Sequence[Container], kind: str, quantity: Decimal | None, by: Person, at: datetime
) -> Container:
    container = make_remainder(key, sources, sources[0].part, by, at)
    container.kind, container.quantity = kind, quantity
    container.save(update_fields=["kind", "quantity"])
    return container


def _derive(
    result: Container,
    sources: Collection[Container],
    deed: str,
    by: Person,
    at: datetime,
    quantity: Decimal | None = None,
) -> None:
    """What is filled from held material, as its disposition permits, is held as that is."""
    recorded = to_ticks(now())
    Derivation.objects.bulk_create(
        Derivation(
            result=result,
            source=source,
            deed=deed,
            quantity=quantity,
            at=to_ticks(at),
            by=by,
            recorded=recorded,
        )
        for source in sources
    )
    hold_too(result, sources, by, at)
    mark_exposed({result.pk: to_ticks(at)})
