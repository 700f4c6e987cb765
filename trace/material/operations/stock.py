"""Receiving lots, and what leaves for good."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal

from trace.core.clock import OPEN, now, to_ticks
from trace.core.errors import Refusal
from trace.core.keys import clean_key, clean_text, find_free_key, free_key
from trace.core.models import Person
from trace.engineering.models import Part
from trace.holds.gate import check_moves, moving
from trace.holds.rules import Move
from trace.ledger.operation import note, operation
from trace.material.facts import STAYS
from trace.material.inspecting import list_unreleased
from trace.material.models import Container, FeedRecord, Lot, PlannedInspection, Receipt, Span, Supplier
from trace.material.operations.statuses import change_status

MOST = Decimal(10) ** 10
"""Quantities stay below this: 14 digits, four of them decimals."""

LOT_KEY = 34
"""Characters of a lot's key that is given here: its containers' numbers have room behind it."""


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
    """Book a lot in containers that has no supplier's label to be read, such as stock at hand when the plant begins.

    Each container is (label key, quantity or None where nobody counted). Approved sources are not asked: what comes
    from a supplier is received by `receive_package`. More containers of a lot received before join it; its expiry
    stays as on record, and without one it follows from the shelf life of the part, where that has one. Where the part
    is inspected the lot is quarantined, and what comes of it after that was decided is a lot of its own, under a key of
    its own. Refuses with StockRefused an assembly that is tracked by serial, no lot number, another expiry than on
    record, or a quantity that can't be; with KeyInUse a label in use; with BadText.
    """
    lot, _ = take_in(
        supplier=supplier,
        part=part,
        number=number,
        date_code=date_code,
        expiry=expiry,
        key=key,
        containers=containers,
        kind=kind,
        store=store,
        by=by,
        at=at,
    )
    return lot


def take_in(
    *,
    supplier: Supplier,
    part: Part,
    number: str,
    date_code: str,
    expiry: date | None,
    key: str,
    containers: Iterable[tuple[str, Decimal | None]],
    kind: str,
    store: str,
    receipt: Receipt | None = None,
    by: Person,
    at: datetime,
) -> tuple[Lot, bool]:
    """The lot, and whether it is new, with these containers in it. Where keys are empty they are given here: a lot is
    called by its number, its containers are numbered. Refuses as `receive_lot` does."""
    number, date_code = clean_text(number, 60, "The lot number"), clean_text(date_code, 10, "The date code")
    store = clean_text(store, 60, "The store")
    if not number:
        raise StockRefused("A lot has a number.", action="Enter the supplier's number from the label.")
    check_kind(kind)
    if part.serialised:
        raise StockRefused(f"{part.key} is tracked by serial; it has no lots.")
    delivery = _find_delivery(supplier, part, number, date_code, key)
    called = number if delivery == 1 else f"{number}-{delivery}"
    lot, new = Lot.objects.get_or_create(  # type: ignore[misc]  # a key is made, or asked for, only when it is created
        supplier=supplier,
        part=part,
        number=number,
        date_code=date_code,
        delivery=delivery,
        defaults={
            # What a lot is called, a container may be called too: its number, with supplier and date code if need be.
            "key": lambda: (
                free_key(Lot, key)
                if key
                else find_free_key(
                    [called, f"{supplier.key}-{called}", f"{supplier.key}-{called}-{date_code}"],
                    *(Lot, Container),
                    limit=LOT_KEY,
                )
            ),
            "expiry": expiry or _shelf_life_ends(part, at),
            "received": at,
        },
    )
    if new and PlannedInspection.objects.filter(part=part).exists():
        change_status(lot, Lot.Status.QUARANTINED, "received, to be inspected", by, at)
    if key and lot.key != clean_key(key):
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
        check_quantity(quantity, label or f"of lot {lot.key}")
        container = Container.objects.create(
            key=free_key(Container, label) if label else _number_container(lot),
            part=part,
            lot=lot,
            kind=kind,
            quantity=quantity,
            received=to_ticks(at),
            store=store,
            receipt=receipt,
        )
        note(container)
    return lot, new


def _number_container(lot: Lot) -> str:
    """A free key for a container: its lot's, and the next number."""
    stem = f"{lot.key[:LOT_KEY]}-"
    taken = Container.objects.filter(key__startswith=stem).values_list("key", flat=True)
    numbers = (int(rest) for key in taken if (rest := key.removeprefix(stem)).isdecimal())
    return f"{stem}{max(numbers, default=0) + 1}"


def _find_delivery(supplier: Supplier, part: Part, number: str, date_code: str, key: str) -> int:
    """The delivery of a lot that containers join: the last, or the next, where that was inspected or decided.
    Refuses with StockRefused the key of one that was."""
    found = Lot.objects.filter(supplier=supplier, part=part, number=number, date_code=date_code)
    last = found.select_for_update().order_by("delivery").last()
    if last is None:
        return 1
    planned = last.status_since is not None or PlannedInspection.objects.filter(part=part).exists()
    waits = last.status == Lot.Status.QUARANTINED and not last.inspections.exists()
    if not planned or waits:
        return last.delivery
    if key and last.key == clean_key(key):
        raise StockRefused(
            f"Lot {last.key} is {last.get_status_display()}, and was inspected without what comes now.",
            action=f"Receive it as a lot of its own, under another key, such as {last.key}-{last.delivery + 1}.",
        )
    return last.delivery + 1


@moving
def discard_container(*, container: Container, reason: str, by: Person, at: datetime) -> Container:
    """A container leaves the plant for good: scrapped, used up or returned.

    Refuses with Held, and with StockRefused when it has left, or is on a feed.
    """
    reason = clean_text(reason, 300, "The reason")
    (container,) = lock_containers([container], Move.SCRAP, at)
    if not reason:
        raise StockRefused("Say why it leaves.")
    check_leaves(container, at)
    check_on_no_feed(container)
    container.gone, container.gone_recorded = to_ticks(at), to_ticks(now())
    container.save(update_fields=["gone", "gone_recorded"])
    return container


def plant_lot(key: str, part: Part, by: Person, at: datetime, mixed: Iterable[Lot] = ()) -> Lot:
    """A lot of the plant's own for what it mixed, named after the container; it expires with the first
    of the lots in it, and with its own shelf life, and is quarantined where one of them is not released. StockRefused
    where the plant is not known as a supplier."""
    plant = Supplier.objects.filter(is_plant=True).first()
    if plant is None:
        raise StockRefused(
            "The plant is not known as a supplier of its own lots.",
            action="An administrator defines it once, as the plant.",
        )
    mixed = list(mixed)
    made = Lot.objects.create(
        key=free_key(Lot, f"{clean_key(key)}-LOT"),
        supplier=plant,
        part=part,
        number=clean_key(key),
        expiry=min(filter(None, (_shelf_life_ends(part, at), *(lot.expiry for lot in mixed))), default=None),
        received=at,
    )
    if unreleased := list_unreleased(mixed, to_ticks(at)):
        names = ", ".join(lot.key for lot in unreleased[:5])
        change_status(made, Lot.Status.QUARANTINED, f"holds what is not released: {names}", by, at)
    return made


def make_remainder(
    key: str, candidates: Iterable[Container | None], part: Part, by: Person, at: datetime, kind: str = ""
) -> Container:
    """A new container for what came off a feed, with a plant lot unless all is surely of one lot; of the `kind` of the
    first of these unless told."""
    known = list(candidates)
    lots = {container.lot_id if container else None for container in known}
    kind = kind or next((container.kind for container in known if container), Container.Kind.BAG)
    lot_id = lots.pop() if len(lots) == 1 else None
    return Container.objects.create(
        key=free_key(Container, key),
        part=part,
        lot_id=lot_id or plant_lot(key, part, by, at, [c.lot for c in known if c]).pk,
        kind=kind,
        own=False,
        received=to_ticks(at),
    )


def explain_earlier_expiry(poured: Container, kept: Container) -> str:
    """What is wrong where something is poured into what is good for longer; empty where nothing is."""
    if poured.lot.expiry is None or poured.lot.expiry >= (kept.lot.expiry or date.max):
        return ""
    return f"Container {poured.key} expires before {kept.key}, which would then be wrong on its label."


def _shelf_life_ends(part: Part, at: datetime) -> date | None:
    """The last day of what came into being at a moment, where the part has a shelf life."""
    return at.astimezone(UTC).date() + timedelta(days=part.shelf_life) if part.shelf_life else None


def check_quantity(quantity: Decimal | None, label: str) -> None:
    if quantity is None:
        return
    if not Decimal(quantity).is_finite() or not 0 < quantity < MOST or quantity != round(quantity, 4):
        raise StockRefused(f"Container {label} can't hold {quantity}.")


def check_kind(kind: str) -> None:
    if kind not in Container.Kind.values:
        raise StockRefused("There is no such kind of container.", action="Choose a reel, box or another of the list.")


def check_leaves(container: Container, at: datetime) -> None:
    """Refuse with StockRefused what can't leave for good at a moment: it has, or it came after that."""
    if container.gone is not None:
        raise StockRefused(f"Container {container.key} has left the plant.")
    if to_ticks(at) < container.received:
        raise StockRefused(f"Container {container.key} came after that moment.")


def check_on_no_feed(container: Container) -> None:
    """Refuse with StockRefused what is on record at a feed now."""
    if feed := _on_feed(container):
        raise StockRefused(f"Container {container.key} is on record at {feed}.", action=f"Take it off {feed} first.")


def _on_feed(container: Container) -> str | None:
    """The feed that the container itself is at now."""
    spans = Span.objects.filter(container=container, end=OPEN, superseded=None).select_related("feed")
    for feed in {span.feed for span in spans}:
        records = FeedRecord.objects.filter(feed=feed, container=container, superseded=None)
        last = records.exclude(act=FeedRecord.Act.SIGHTING).order_by("happened", "id").last()
        if last and last.act in STAYS:
            return feed.key
    return None


def lock_containers(containers: Sequence[Container], move: Move | None, at: datetime) -> list[Container]:
    """The containers locked in the fixed order, in the plant, and not held against the move, if it is one."""
    locked = list(
        Container.objects.select_for_update(of=("self",))
        .select_related("lot", "part")
        .filter(pk__in=[container.pk for container in containers])
        .order_by("pk")
    )
    for container in locked:
        if container.gone is not None and container.gone <= to_ticks(at):
            raise StockRefused(f"Container {container.key} has left the plant.")
    if move:
        check_moves(move, [*locked, *(container.lot for container in locked)])
    return locked
