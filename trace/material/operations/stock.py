"""Receiving lots; splitting, merging and making batches; what leaves for good."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import UTC, date, datetime
from decimal import Decimal

from trace.core.clock import OPEN, now, to_ticks
from trace.core.errors import Refusal
from trace.core.keys import clean_key, clean_text, free_key
from trace.core.models import Person
from trace.engineering.models import Part
from trace.holds.gate import check_moves, moving
from trace.holds.rules import Move
from trace.ledger.operation import operation
from trace.material.models import Container, Derivation, FeedRecord, Lot, Span, Supplier
from trace.material.rules import STAYS

MOST = Decimal(10) ** 10
"""Quantities stay below this: 14 digits, four of them decimals."""


class StockRefused(Refusal):
    """Material can't be received, divided or mixed as asked."""

    code = "stock-refused"
    action = "Check the label against what is in front of you, and correct the entry."


@operation()
def define_supplier(*, key: str, name: str, is_plant: bool = False, by: Person, at: datetime) -> Supplier:
    """Make a supplier known. The plant is one, once, for what it makes or mixes itself."""
    if is_plant and Supplier.objects.filter(is_plant=True).exists():
        raise StockRefused("The plant is already known as a supplier of its own lots.")
    return Supplier.objects.create(
        key=free_key(Supplier, key), name=clean_text(name, 120, "The name"), is_plant=is_plant
    )


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

    More containers of a lot received before join it; its expiry stays as on record. Refuses with
    StockRefused an assembly that is tracked by serial, no lot number, another expiry than on record,
    or a quantity that can't be; with KeyInUse a label in use; with BadText.
    """
    number, date_code = clean_text(number, 60, "The lot number"), clean_text(date_code, 10, "The date code")
    store = clean_text(store, 60, "The store")
    if not number:
        raise StockRefused("A lot has a number.", action="Enter the supplier's number from the label.")
    _want_kind(kind)
    if part.serialised:
        raise StockRefused(f"{part.key} is tracked by serial; it has no lots.")
    lot, new = Lot.objects.get_or_create(  # type: ignore[misc]  # the key is free, or asked for, only when it is created
        supplier=supplier,
        part=part,
        number=number,
        date_code=date_code,
        defaults={"key": lambda: free_key(Lot, key), "expiry": expiry, "received": at},
    )
    if lot.key != clean_key(key):
        raise StockRefused(
            f"Lot {number} of {supplier} is on record as {lot.key}, not {clean_key(key)}.",
            action=f"Receive these containers under {lot.key}.",
        )
    if not new and expiry not in (None, lot.expiry):
        raise StockRefused(
            f"Lot {lot.key} is on record as {f'good until {lot.expiry}' if lot.expiry else 'without an expiry'}.",
            action="Check the date on the label; if the record is wrong, call the quality engineer.",
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
    (source,) = lock_containers([source], Move.DIVIDE, at)
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

    A new one with several lots in it gets a lot number of the plant's, good as long as the first of
    them. Refuses with Held, and with StockRefused what has expired, or would expire before the lot of
    the container that it is poured into.
    """
    everything = lock_containers([*sources, *([into] if into else [])], Move.DIVIDE, at)
    if len({container.part_id for container in everything}) != 1:
        raise StockRefused("Only containers of one part can be merged.")
    poured = [container for container in everything if into is None or container.pk != into.pk]
    if not poured:
        raise StockRefused("There is nothing to pour in.")
    for container in poured:
        expiry = container.lot.expiry
        if expiry and expiry < at.astimezone(UTC).date():
            raise StockRefused(f"Container {container.key} expired on {expiry}.", action="Put it aside, marked.")
    if into:
        (kept,) = (container for container in everything if container.pk == into.pk)
        for container in poured:
            if _expires(container.lot) < _expires(kept.lot):
                raise StockRefused(
                    f"Container {container.key} expires before {kept.key}, which would then be wrong on its label.",
                    action="Pour both into a new container.",
                )
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
    _want_kind(kind)
    sources = lock_containers(sources, Move.DIVIDE, at)
    if not sources:
        raise StockRefused("A batch is made of something: scan what goes into it.")
    result = Container.objects.create(
        key=free_key(Container, key),
        part=part,
        lot=plant_lot(key, part, at, [source.lot for source in sources]),
        kind=kind,
        own=False,
        quantity=quantity,
        received=to_ticks(at),
    )
    _derive(result, sources, Derivation.Deed.BATCH, by, at)
    return result


@moving
def discard_container(*, container: Container, reason: str, by: Person, at: datetime) -> Container:
    """A container leaves the plant for good: scrapped, used up or returned.

    Refuses with Held, and with StockRefused when it has left, or is on a feed.
    """
    reason = clean_text(reason, 300, "The reason")
    (container,) = lock_containers([container], Move.SCRAP, at)
    if not reason:
        raise StockRefused("Say why it leaves.")
    if container.gone is not None:
        raise StockRefused(f"Container {container.key} has left the plant.")
    if to_ticks(at) < container.received:
        raise StockRefused(f"Container {container.key} came after that moment.")
    if feed := _on_feed(container):
        raise StockRefused(f"Container {container.key} is on record at {feed}.", action=f"Take it off {feed} first.")
    container.gone, container.gone_recorded = to_ticks(at), to_ticks(now())
    container.save(update_fields=["gone", "gone_recorded"])
    return container


def plant_lot(key: str, part: Part, at: datetime, mixed: Iterable[Lot] = ()) -> Lot:
    """A lot of the plant's own for what it mixed, named after the container; it expires with the first
    of the lots in it. StockRefused where the plant is not known as a supplier."""
    plant = Supplier.objects.filter(is_plant=True).first()
    if plant is None:
        raise StockRefused(
            "The plant is not known as a supplier of its own lots.",
            action="An administrator defines it once, as the plant.",
        )
    return Lot.objects.create(
        key=free_key(Lot, f"{clean_key(key)}-LOT"),
        supplier=plant,
        part=part,
        number=clean_key(key),
        expiry=min((lot.expiry for lot in mixed if lot.expiry), default=None),
        received=at,
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
        lot_id=lot_id or plant_lot(key, part, at, [c.lot for c in known if c]).pk,
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
    if quantity is None:
        return
    if not Decimal(quantity).is_finite() or not 0 < quantity < MOST or quantity != round(quantity, 4):
        raise StockRefused(f"Container {label} can't hold {quantity}.")


def _want_kind(kind: str) -> None:
    if kind not in Container.Kind.values:
        raise StockRefused("There is no such kind of container.", action="Choose a reel, box or another of the list.")


def _expires(lot: Lot) -> date:
    return lot.expiry or date.max


def _on_feed(container: Container) -> str | None:
    """The feed that the container itself is at now."""
    spans = Span.objects.filter(container=container, end=OPEN, superseded=None).select_related("feed")
    for feed in {span.feed for span in spans}:
        records = FeedRecord.objects.filter(feed=feed, container=container, superseded=None)
        last = records.exclude(act=FeedRecord.Act.SIGHTING).order_by("happened", "id").last()
        if last and last.act in STAYS:
            return feed.key
    return None


def lock_containers(containers: Sequence[Container], move: Move, at: datetime) -> list[Container]:
    """The containers locked in the fixed order, in the plant, and not held against the move."""
    locked = list(
        Container.objects.select_for_update(of=("self",))
        .select_related("lot", "part")
        .filter(pk__in=[container.pk for container in containers])
        .order_by("pk")
    )
    for container in locked:
        if container.gone is not None and container.gone <= to_ticks(at):
            raise StockRefused(f"Container {container.key} has left the plant.")
    check_moves(move, [*locked, *(container.lot for container in locked)])
    return locked
