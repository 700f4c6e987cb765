"""Receiving suppliers' packages: from an approved source, or into quarantine."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from decimal import Decimal
from typing import Protocol

from django.db.models import Model, Q

from trace.core.errors import Refusal
from trace.core.keys import clean_text
from trace.core.models import Person
from trace.engineering.models import Part
from trace.holds.gate import holding
from trace.holds.operations import write_holds
from trace.holds.rules import Move
from trace.ledger.operation import note, operation
from trace.material.models import Container, Expected, Receipt, Source, Supplier
from trace.material.operations.stock import StockRefused, take_in
from trace.material.queries import digest_label, find_receipts


class NotApproved(Refusal):
    """A part comes from a source that is not approved for it."""

    code = "source-not-approved"
    action = "Put it aside, marked. A supervisor or a quality engineer can receive it into quarantine."


class ReceivedBefore(Refusal):
    """A package was received already. `extra["receipts"]` are those under which it was; `extra["copy"]` is what to say
    of it if it is another package, whose label is the same, and None where that can't be."""

    code = "received-before"


@dataclass(frozen=True)
class PackageLot:
    """One lot of a package, by the supplier's number. `quantity` is None where nobody counted; `lot` and `container`
    are keys for it of ours, given by the system where they are empty."""

    number: str
    quantity: Decimal | None = None
    date_code: str = ""
    expiry: date | None = None
    lot: str = ""
    container: str = ""


class LotOnLabel(Protocol):
    """What tells a lot of a package from others."""

    @property
    def number(self) -> str: ...
    @property
    def quantity(self) -> Decimal | None: ...
    @property
    def date_code(self) -> str: ...


@dataclass(frozen=True)
class Package:
    """A supplier's package as its label has it: the supplier's part `number`, its lots, the supplier's own id of it,
    the order and delivery it comes by, the country of origin (two letters of ISO 3166), and the 2D label's text."""

    number: str
    lots: Sequence[PackageLot]
    package: str = ""
    order: str = ""
    order_line: str = ""
    delivery: str = ""
    origin: str = ""
    label: str = ""


@operation()
def receive_package(
    *,
    supplier: Supplier,
    package: Package,
    part: Part | None = None,
    kind: str = Container.Kind.REEL,
    store: str = "",
    copy: int = 1,
    by: Person,
    at: datetime,
) -> Receipt:
    """Receive a supplier's package: a container for each lot in it. What a shipping list announced is scanned off.

    `part` is what the label calls it by our number, if it does; `copy` says of packages whose labels are alike and
    have no id which it is: a 2 is said of the second. Refuses with NotApproved what the supplier may not deliver under
    that number, or not as that part; with ReceivedBefore a package whose id was received before, or a label, unless it
    is said to be the next copy; with StockRefused a package without lots, an origin that is no country code, and what
    `receive_lot` refuses; with KeyInUse and BadText.
    """
    source = find_source(supplier, clean_text(package.number, 60, "The supplier's part number"), part, at)
    if source is None:
        raise NotApproved(explain_unapproved(supplier, package.number, part))
    receipt, _ = _receive(supplier, source.part, source, package, kind, store, copy, by, at)
    return receipt


@holding
def receive_into_quarantine(
    *,
    supplier: Supplier,
    part: Part,
    package: Package,
    reason: str,
    kind: str = Container.Kind.REEL,
    store: str = "",
    copy: int = 1,
    by: Person,
    at: datetime,
) -> Receipt:
    """Receive a package from a source that is not approved, and hold what came: its lots, or, of a lot that was here
    before, its containers. They may be moved to another store and scrapped; the rest waits for a release.

    Refuses with NotApproved what comes from an approved source, with HoldRefused without a reason, and otherwise as
    `receive_package` does.
    """
    source = find_source(supplier, clean_text(package.number, 60, "The supplier's part number"), part, at)
    if source is not None:
        raise NotApproved(f"{source} is approved.", action="Receive it as usual.")
    receipt, targets = _receive(supplier, part, None, package, kind, store, copy, by, at)
    write_holds(targets, reason, [Move.STORE, Move.SCRAP], by, at)
    note(*targets)
    return receipt


def find_source(supplier: Supplier, number: str, part: Part | None, at: datetime) -> Source | None:
    """The approved source, at a moment, of what a supplier delivers under its number for it, or as our part where its
    label has no number; None where there is none, or where the number is that of another part."""
    approved = Source.objects.filter(Q(until=None) | Q(until__gt=at), supplier=supplier, since__lte=at)
    wanted = approved.filter(number=number) if number else approved.filter(part=part)
    source = wanted.select_related("part", "supplier").order_by("-since", "-pk").first()
    return source if source and part in (None, source.part) else None


def explain_unapproved(supplier: Supplier, number: str, part: Part | None) -> str:
    named = f"under the number {number}" if number else "without a number of its own for it"
    return f"{supplier.name} is no approved source {named}{f' of part {part.key}' if part else ''}."


def _receive(
    supplier: Supplier,
    part: Part,
    source: Source | None,
    package: Package,
    kind: str,
    store: str,
    copy: int,
    by: Person,
    at: datetime,
) -> tuple[Receipt, list[Model]]:
    """The receipt, and what came by it: lots that are new, containers of lots that are not."""
    # One package of a supplier at a time: no label is received twice, no key of a container is given twice.
    Supplier.objects.select_for_update(no_key=True).get(pk=supplier.pk)
    receipt = Receipt(
        supplier=supplier,
        part=part,
        source=source,
        number=clean_text(package.number, 60, "The supplier's part number"),
        package=clean_text(package.package, 60, "The package's id").upper(),
        order=clean_text(package.order, 60, "The order"),
        order_line=clean_text(package.order_line, 10, "The order's line"),
        delivery=clean_text(package.delivery, 60, "The delivery"),
        origin=clean_text(package.origin, 2, "The country of origin").upper(),
        label=clean_text(package.label, 1000, "The label"),
        received=at,
        by=by,
    )
    receipt.digest = digest_label(receipt.label)
    if receipt.origin and not re.fullmatch("[A-Z]{2}", receipt.origin):
        raise StockRefused(f"{receipt.origin} is no country.", action="Give its two letters, such as DE.")
    if not package.lots:
        raise StockRefused("A package has a lot in it.", action="Enter the lot number from the label.")
    check_new(receipt, copy)
    lines = find_expected(receipt, part, package.lots)
    if lines:
        receipt.delivery = lines[0].delivery.number
    receipt.save(force_insert=True)
    came: list[Model] = []
    for told in package.lots:
        lot, new = take_in(
            supplier=supplier,
            part=part,
            number=told.number,
            date_code=told.date_code,
            expiry=told.expiry,
            key=told.lot,
            containers=[(told.container, told.quantity)],
            kind=kind,
            store=store,
            receipt=receipt,
            by=by,
            at=at,
        )
        came += [lot] if new else receipt.containers.filter(lot=lot)
        note(lot)
    Expected.objects.filter(pk__in=[line.pk for line in lines]).update(receipt=receipt)
    note(supplier, part, *{line.delivery for line in lines})
    return receipt, list(dict.fromkeys(came))


def check_new(receipt: Receipt, copy: int) -> None:
    """Refuse with ReceivedBefore what was received; of another package with the same label, note which copy it is."""
    earlier = list(find_receipts(receipt.package, receipt.label, receipt.supplier))
    receipt.copy = max((one.copy for one in earlier), default=0) + 1
    if not earlier or (not receipt.package and copy == receipt.copy):
        return
    last = earlier[0]
    labels = ", ".join(container.key for container in last.containers.all())
    what = f"Package {last.package}" if receipt.package else f"A package of {last.supplier.name} with this very label"
    raise ReceivedBefore(
        f"{what} was received at {last.received.astimezone(UTC):%Y-%m-%d %H:%M} UTC by {last.by.name}, as {labels}.",
        action="It is on record: nothing needs doing. If two packages have this id, call the quality engineer."
        if receipt.package
        else "If it is the same, nothing needs doing: it is on record. If it is another, say so.",
        receipts=[one.pk for one in earlier],
        copy=None if receipt.package else receipt.copy,
    )


def find_expected(receipt: Receipt, part: Part | None, lots: Sequence[LotOnLabel]) -> list[Expected]:
    """The lines of open shipping lists that this is: by the package's id, or the first of the same lot and quantity."""
    lines = Expected.objects.filter(delivery__supplier=receipt.supplier, delivery__closed=None, receipt=None)
    lines = lines.select_related("delivery").order_by("package", "pk")
    if receipt.package:
        return list(lines.filter(package=receipt.package))
    (first, *others) = lots
    if others or first.quantity is None:
        return []
    alike = lines.filter(part=part, lot=first.number, quantity=first.quantity)
    return list(alike.filter(date_code__in=["", first.date_code])[:1])
