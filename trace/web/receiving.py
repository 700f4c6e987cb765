"""What was scanned at goods-in, and what the plant knows of it before it is received."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from django.db.models import Q
from django.urls import reverse

from trace.core.errors import Refusal
from trace.engineering.models import Part
from trace.exchange.supplier_label import Label
from trace.holds.models import Hold
from trace.material.models import Delivery, Expected, Lot, Receipt, Source, Supplier
from trace.material.operations.receipts import (
    NotApproved,
    ReceivedBefore,
    check_new,
    explain_unapproved,
    find_expected,
)
from trace.web.cells import Link, Moment, Ref, Several
from trace.web.tables import Column, Table


@dataclass(frozen=True)
class Incoming:
    """A label that was scanned, and what the plant knows of it.

    `suppliers` are those who may have sent it, `supplier` the one who did, None while somebody must say. `own` is our
    part that the label itself names. `stop` says why it can't be received as it is. `expected` are lines of shipping
    lists that it is, `deliveries` the supplier's that are open; `over` are lots whose last day is over, `held` what
    holds on its lots say.
    """

    label: Label
    suppliers: Sequence[Supplier]
    supplier: Supplier | None
    number: str
    part: Part | None
    own: Part | None
    stop: Refusal | None
    expected: Sequence[Expected]
    deliveries: Sequence[Delivery]
    over: Sequence[str]
    held: Sequence[str]

    @property
    def before(self) -> bool:
        """Whether it was received before."""
        return isinstance(self.stop, ReceivedBefore)

    @property
    def approved(self) -> bool:
        """Whether it comes from an approved source."""
        return not isinstance(self.stop, NotApproved)


def look_up(label: Label, chosen: str, at: datetime) -> Incoming:
    """What the plant knows of a label; `chosen` is the key of the supplier whom somebody named, or from whom the last
    package came."""
    own = _own_part(label.own_number)
    numbers = Q(number__in=label.numbers) if label.numbers else Q(part=own)
    sources = list(
        Source.objects.filter(numbers, Q(until=None) | Q(until__gt=at), since__lte=at).select_related(
            "part", "supplier"
        )
    )
    suppliers = _who_sent(label, [source.supplier for source in sources])
    last = Supplier.objects.filter(key=chosen, is_plant=False).first() if chosen.isprintable() else None
    if len(suppliers) == 1:
        supplier: Supplier | None = suppliers[0]
    else:
        supplier = last if last in suppliers or not suppliers else None
    source = next((source for source in sources if source.supplier == supplier), None)
    number = source.number if source and label.numbers else next(iter(label.numbers), "")
    part = source.part if source else own
    receipt = Receipt(supplier=supplier, package=label.package.upper(), label=label.text) if supplier else None
    return Incoming(
        label,
        suppliers,
        supplier,
        number,
        part,
        own,
        _why_stopped(receipt, source, number, own),
        find_expected(receipt, part, label.lots) if receipt else [],
        list(Delivery.objects.filter(supplier=supplier, closed=None)) if supplier else [],
        [lot.number for lot in label.lots if lot.expiry and lot.expiry < at.date()],
        _list_holds(label, supplier, part),
    )


def _list_holds(label: Label, supplier: Supplier | None, part: Part | None) -> list[str]:
    """What open holds say on the lots of a label, where more of them was here before."""
    known = {(lot.number, lot.date_code) for lot in label.lots}
    lots = Lot.objects.filter(supplier=supplier, part=part, number__in=[number for number, _ in known])
    keys = [lot.key for lot in lots if (lot.number, lot.date_code) in known] if supplier and part else []
    holds = Hold.objects.filter(target_kind="lot", target_key__in=keys, released=None)
    return [hold.sentence for hold in holds.order_by("pk")]


def _own_part(number: str) -> Part | None:
    """Our part of this number, if it is one: the label may call it by a number that is none of ours."""
    found = Part.objects.filter(number=number, level=0, retired=None).order_by("revision") if number else ()
    return next(iter(found[:2]), None) if len(found) == 1 else None


def _who_sent(label: Label, approved: Sequence[Supplier]) -> list[Supplier]:
    """Whom the label names, or who announced the package, or else who is approved to deliver the part."""
    announced = Expected.objects.filter(package=label.package.upper(), receipt=None, delivery__closed=None)
    every = Supplier.objects.filter(is_plant=False)
    ways = [
        every.filter(Q(key__iexact=label.supplier) | Q(name__iexact=label.supplier)) if label.supplier else [],
        every.filter(pk__in=announced.values("delivery__supplier")) if label.package else [],
    ]
    return next((found for way in ways if (found := list(way))), list(dict.fromkeys(approved)))


def _why_stopped(receipt: Receipt | None, source: Source | None, number: str, own: Part | None) -> Refusal | None:
    if receipt is None:
        return None
    try:
        check_new(receipt, 1)
    except ReceivedBefore as before:
        return before
    if source is None or own not in (None, source.part):
        return NotApproved(explain_unapproved(receipt.supplier, number, own))
    return None


def receipts_table() -> Table:
    """Packages received, the last first."""

    def containers(receipt: Receipt) -> Several:
        return Several(tuple(Ref("container", one.key) for one in receipt.containers.all()))

    def lots(receipt: Receipt) -> Several:
        return Several(tuple(dict.fromkeys(Ref("lot", one.lot.key) for one in receipt.containers.all())))

    def amounts(receipt: Receipt) -> Several:
        return Several(tuple("not counted" if q is None else q for q in (c.quantity for c in receipt.containers.all())))

    def onward(receipt: Receipt) -> Several:
        return Several(
            tuple(
                Link(words, reverse(page, args=[one.key]), f"{words}: {one.key}")
                for one in receipt.containers.all()
                for page, words in (("container-label", "label"), ("stock", "what is done"))
            )
        )

    return Table(
        "receipts",
        "Received last",
        [
            Column("container", "Container", containers),
            Column("onward", "Onward", onward),
            Column("part", "Part", lambda r: Ref("part", r.part.key, r.part.name), "part__key"),
            Column("quantity", "Quantity", amounts, number=True),
            Column("lot", "Lot", lots),
            Column("supplier", "Supplier", lambda r: Ref("supplier", r.supplier.key), "supplier__key", choose=True),
            Column("package", "Supplier’s package", lambda r: r.package, "package"),
            Column("order", "Order", lambda r: f"{r.order} {r.order_line}".strip(), "order"),
            Column("origin", "From", lambda r: r.origin, "origin"),
            Column("source", "Source", lambda r: "approved" if r.source_id else "quarantine", "source"),
            Column("received", "When", lambda r: Moment.of(r.received), "received"),
            Column("by", "By", lambda r: Ref("person", r.by.key, r.by.name), "by__key"),
        ],
        Receipt.objects.select_related("part", "supplier", "by").prefetch_related("containers__lot"),
        "No package was received by its label yet. Scan the first.",
        search=("containers__key", "part__number", "package", "order", "delivery", "containers__lot__number"),
    )
