"""What is done with quantities: counting, scrapping some, re-reeling, bringing back to stock.

A count says what is there from now on, and bends nothing that was recorded before.
"""

from __future__ import annotations

from datetime import datetime
from decimal import Decimal

from trace.core.clock import OPEN, now, to_ticks
from trace.core.errors import Refusal
from trace.core.keys import clean_text
from trace.core.models import Person
from trace.floor.away import HANGS, take_as_left
from trace.floor.left import find_left
from trace.floor.remainders import hold_too
from trace.holds.gate import moving
from trace.holds.rules import Move
from trace.ledger.operation import note, operation
from trace.material.clocks import mark_exposed
from trace.material.models import Container, Count, Derivation, ScrappedParts, Span
from trace.material.operations.bags import lay_open
from trace.material.operations.stock import (
    MOST,
    StockRefused,
    check_kind,
    check_leaves,
    check_on_no_feed,
    check_quantity,
    lock_containers,
    make_remainder,
)


class CountDiffers(Refusal):
    """What was counted is not what should be left, and nobody said why."""

    code = "count-differs"
    action = "Count again. If it stays so, say why: lost, miscounted before, spilled."


@operation()
def count_container(*, container: Container, quantity: Decimal, reason: str = "", by: Person, at: datetime) -> Count:
    """What is in a container was counted. Refuses with CountDiffers what the record does not allow, unless a
    `reason` is given, and with StockRefused what has left the plant or hangs on a feed."""
    (container,) = lock_containers([container], None, at)
    return _count(container, quantity, reason, by, at)


@moving
def scrap_parts(*, container: Container, quantity: Decimal, reason: str, by: Person, at: datetime) -> ScrappedParts:
    """Some parts of a container are thrown away, the rest stays. Real scrap is recorded even where the count says
    that there were fewer. Refuses with Held, StockRefused."""
    check_quantity(quantity, container.key)
    reason = clean_text(reason, 300, "The reason")
    if not reason:
        raise StockRefused("Say why they are scrapped.")
    (container,) = lock_containers([container], Move.SCRAP, at)
    want_off_feeds(container)
    return ScrappedParts.objects.create(
        container=container, quantity=quantity, reason=reason, at=to_ticks(at), by=by, recorded=to_ticks(now())
    )


@moving
def rereel_container(
    *,
    source: Container,
    key: str,
    kind: str = Container.Kind.REEL,
    quantity: Decimal | None = None,
    by: Person,
    at: datetime,
) -> Container:
    """All that a container holds is put on a new reel, or into a new box or bag, which bears its own label; the old
    one is empty and leaves. `quantity` where it was counted on the way. Refuses with Held, StockRefused, KeyInUse."""
    check_quantity(quantity, key)
    check_kind(kind)
    (source,) = lock_containers([source], Move.DIVIDE, at)
    check_leaves(source, at)
    left = find_left(source, to_ticks(at))
    take_as_left(source, to_ticks(at), 0, by)
    check_on_no_feed(source)
    lay_open([source], by, at)
    result = make_remainder(key, [source], source.part, by, at)
    if quantity is None and left is not None and left.least == left.most > 0:
        quantity = left.most
    result.kind, result.quantity = kind, quantity
    result.save(update_fields=["kind", "quantity"])
    recorded = to_ticks(now())
    Derivation.objects.create(
        result=result, source=source, deed=Derivation.Deed.RE_REEL, quantity=quantity, at=to_ticks(at), by=by,
        recorded=recorded,
    )  # fmt: skip
    hold_too(result, [source], by, at)
    mark_exposed({result.pk: to_ticks(at)})
    source.gone, source.gone_recorded = to_ticks(at), recorded
    source.save(update_fields=["gone", "gone_recorded"])
    return result


@moving
def return_container(
    *,
    container: Container,
    store: str,
    quantity: Decimal | None = None,
    reason: str = "",
    by: Person,
    at: datetime,
) -> Container:
    """A container comes back to a store, with the quantity left where it was counted.

    Refuses with Held, StockRefused (it still hangs on a feed), CountDiffers.
    """
    store = clean_text(store, 60, "The store")
    if not store:
        raise StockRefused("Say where it is put.", action="Scan or enter the store or shelf.")
    (container,) = lock_containers([container], Move.STORE, at)
    want_off_feeds(container)
    container.store = store
    container.save(update_fields=["store"])
    if quantity is not None:
        note(counted=_count(container, quantity, reason, by, at).quantity)
    return container


def _count(container: Container, quantity: Decimal, reason: str, by: Person, at: datetime) -> Count:
    quantity, reason = Decimal(quantity), clean_text(reason, 300, "The reason")
    if not quantity.is_finite() or not 0 <= quantity < MOST or quantity != round(quantity, 4):
        raise StockRefused(f"Nobody can count {quantity} in {container.key}.")
    want_off_feeds(container)
    left = find_left(container, to_ticks(at))
    if left is not None and quantity not in left and not reason:
        raise CountDiffers(
            f"Container {container.key} should hold {left} by the record, and {quantity:f} were counted."
        )
    if left is not None and left.overdrawn:
        note(overdrawn=left.overdrawn)
    return Count.objects.create(
        container=container,
        quantity=quantity,
        least=None if left is None else max(left.least, Decimal(0)),
        most=None if left is None else max(left.most, Decimal(0)),
        reason=reason,
        at=to_ticks(at),
        by=by,
        recorded=to_ticks(now()),
    )


def want_off_feeds(container: Container) -> None:
    """Nobody counts what hangs on a feed: the next board may draw while they do."""
    spans = Span.objects.filter(container=container, end=OPEN, superseded=None, feed__kind__in=HANGS)
    if span := spans.select_related("feed").first():
        raise StockRefused(
            f"Container {container.key} hangs on {span.feed.key}.", action=f"Take it off {span.feed.key} first."
        )
