"""Receiving lots; splitting, merging and making batches; what leaves for good."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date, datetime
from decimal import Decimal

from trace.core.clock import now, to_ticks
from trace.core.errors import Refusal
from trace.core.keys import clean_key, free_key
from trace.core.models import Person
from trace.engineering.models import Part
from trace.holds.gate import check_moves, moving
from trace.holds.rules import Move
from trace.ledger.operation import operation
from trace.material.models import Container, Derivation, Lot, Supplier


class StockRefused(Refusal):
    """Material can't be received, divided or mixed as asked."""

    code = "stock-refused"
    action = "Check the label against what is in front of you, and correct the entry."


@operation()
def define_supplier(*, key: str, name: str, is_plant: bool = False, by: Person, at: datetime) -> Supplier:
    """Make a supplier known. The plant is one, once, for what it makes or mixes itself."""
    if is_plant and Supplier.objects.filter(is_plant=True).exists():
        raise StockRefused("The plant is already known as a supplier of its own lots.")
    return Supplier.objects.create(key=free_key(Supplier, key), name=name, is_plant=is_plant)


@operation()
def receive_lot(
    *,
    key: str,
    supplier: Supplier,
    part: Part,
    number: str,
    date_code: str = "",
    expiry: date | None = None,
    containers: Sequence[tuple[str, Decimal | None]],
    kind: str = Container.Kind.REEL,
    store: str = "",
    by: Person,
    at: datetime,
) -> Lot:
    """Receive a lot in containers, each (label key, quantity or None where nobody counted).

    More containers of a lot received before join it. Refuses with StockRefused an assembly that is
    tracked by serial or a quantity that is not positive, with KeyInUse a label in use.
    """
    if part.serialised:
        raise StockRefused(f"{part.key} is tracked by serial; it has no lots.")
    lot, _ = Lot.objects.get_or_create(  # type: ignore[misc]  # the key is free, or asked for, only when it is created
        supplier=supplier,
        part=part,
        number=number.strip(),
        date_code=date_code.strip(),
        defaults={"key": lambda: free_key(Lot, key), "expiry": expiry, "received": at},
    )
    if lot.key != clean_key(key):
        raise StockRefused(
            f"Lot {number} of {supplier} is on record as {lot.key}, not {clean_key(key)}.",
            action=f"Receive these containers under {lot.key}.",
        )
    for label, quantity in containers:
        _want_some(quantity, label)
        Container.objects.create(
            key=free_key(Container, label),
            part=part,
            lot=lot,
            kind=kind,
            quantity=quantity,
            received=to_ticks(at),
            store=store,
        )
    return lot


@moving
def split_container(
    *, source: Container, key: str, quantity: Decimal | None = None, by: Person, at: datetime
) -> Container:
    """Fill a new container from part of another. Refuses with Held, StockRefused, KeyInUse."""
    _want_some(quantity, key)
    (source,) = _lock([source], Move.DIVIDE)
    result = _derived(key, [source], source.kind, quantity, at)
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

    A new one with several lots in it gets a lot number of the plant's. Refuses with Held,
    StockRefused.
    """
    everything = _lock([*sources, *([into] if into else [])], Move.DIVIDE)
    if len({container.part_id for container in everything}) != 1:
        raise StockRefused("Only containers of one part can be merged.")
    poured = [container for container in everything if into is None or container.pk != into.pk]
    if not poured:
        raise StockRefused("There is nothing to pour in.")
    result = into or _derived(key, poured, poured[0].kind, None, at)
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

    Refuses with Held, KeyInUse, and with StockRefused a part that is tracked by serial.
    """
    if part.serialised:
        raise StockRefused(f"{part.key} is tracked by serial; it has no batches.")
    _want_some(quantity, key)
    sources = _lock(sources, Move.DIVIDE)
    if not sources:
        raise StockRefused("A batch is made of something: scan what goes into it.")
    result = Container.objects.create(
        key=free_key(Container, key),
        part=part,
        lot=plant_lot(key, part, at),
        kind=kind,
        own=False,
        quantity=quantity,
        received=to_ticks(at),
    )
    _derive(result, sources, Derivation.Deed.BATCH, by, at)
    return result


@moving
def store_container(*, container: Container, store: str, by: Person, at: datetime) -> Container:
    """A container is moved to another store, quarantine among them. Refuses with Held."""
    (container,) = _lock([container], Move.STORE)
    container.store = store.strip()
    container.save(update_fields=["store"])
    return container


@moving
def discard_container(*, container: Container, reason: str, by: Person, at: datetime) -> Container:
    """A container leaves the plant for good: scrapped, used up or returned. Refuses with Held."""
    (container,) = _lock([container], Move.SCRAP)
    if not reason.strip():
        raise StockRefused("Say why it leaves.")
    if to_ticks(at) < container.received:
        raise StockRefused(f"Container {container.key} came after that moment.")
    container.gone = to_ticks(at)
    container.save(update_fields=["gone"])
    return container


def plant_lot(key: str, part: Part, at: datetime) -> Lot:
    """A lot of the plant's own for what it mixed, named after the container. StockRefused where the
    plant is not known as a supplier."""
    plant = Supplier.objects.filter(is_plant=True).first()
    if plant is None:
        raise StockRefused(
            "The plant is not known as a supplier of its own lots.",
            action="An administrator defines it once, as the plant.",
        )
    return Lot.objects.create(
        key=free_key(Lot, f"{clean_key(key)}-LOT"), supplier=plant, part=part, number=key, received=at
    )


def make_remainder(key: str, candidates: Iterable[Container | None], part: Part, at: datetime) -> Container:
    """A new container for what came off a feed, with a plant lot unless all is surely of one lot."""
    known = list(candidates)
    lots = {container.lot_id if container else None for container in known}
    kind = next((container.kind for container in known if container), Container.Kind.BAG)
    lot_id = lots.pop() if len(lots) == 1 else None
    return Container.objects.create(
        key=free_key(Container, key),
        part=part,
        lot_id=lot_id or plant_lot(key, part, at).pk,
        kind=kind,
        own=False,
        received=to_ticks(at),
    )


def _derived(key: str, sources: Sequence[Container], kind: str, quantity: Decimal | None, at: datetime) -> Container:
    container = make_remainder(key, sources, sources[0].part, at)
    container.kind, container.quantity = kind, quantity
    container.save(update_fields=["kind", "quantity"])
    return container


def _derive(
    result: Container,
    sources: Iterable[Container],
    deed: str,
    by: Person,
    at: datetime,
    quantity: Decimal | None = None,
) -> None:
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


def _want_some(quantity: Decimal | None, label: str) -> None:
    if quantity is not None and not quantity > 0:
        raise StockRefused(f"Container {label} can't hold {quantity}.")


def _lock(containers: Sequence[Container], move: Move) -> list[Container]:
    """The containers locked in the fixed order, in the plant, and not held against the move."""
    locked = list(
        Container.objects.select_for_update(of=("self",))
        .select_related("lot", "part")
        .filter(pk__in=[container.pk for container in containers])
        .order_by("pk")
    )
    for container in locked:
        if container.gone is not None:
            raise StockRefused(f"Container {container.key} has left the plant.")
    check_moves(move, [*locked, *(container.lot for container in locked)])
    return locked
