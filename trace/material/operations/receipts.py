"""Receiving suppliers' packages: from an approved source, or into quarantine."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal

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


class NotApproved(Refusal):
    """A part comes from a source that is not approved for it."""

    code = "source-not-approved"
    action = "Put it aside, marked. A supervisor or a quality engineer can receive it into quarantine."


class ReceivedBefore(Refusal):
    """A package was received already. `extra["receipts"]` are those under which it was, `extra["copies"]` says whether
    this may be another package, whose label is the same."""

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
    another: bool = False,
    by: Person,
    at: datetime,
) -> Receipt:
    """Receive a supplier's package: a container for each lot in it. What a shipping list announced is scanned off.

    `part` is what the label calls it by our number, if it does. With `another` somebody said that this is one more
    package, with the same label as one received before. Refuses with NotApproved what the supplier may not deliver
    under that number, or not as that part; with ReceivedBefore a package whose id was received before, or a label,
    unless it is another; with StockRefused a package without lots or of more than there is room for, an origin that is
    no country code, and what `receive_lot` refuses; with KeyInUse and BadText.
    """
    source = find_source(supplier, clean_text(package.number, 60, "The supplier's part number"), part, at)
    if source is None:
        raise NotApproved(_why_not(supplier, package.number, part))
    receipt, _ = _receive(supplier, source.part, source, package, kind, store, another, by, at)
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
    another: bool = False,
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
    receipt, targets = _receive(supplier, part, None, package, kind, store, another, by, at)
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


def _why_not(supplier: Supplier, number: str, part: Part | None) -> str:
    named = f"under the number {number}" if number else "without a number of its own for it"
    return f"{supplier.name} is no approved source {named}{f' of part {part.key}' if part else ''}."


def _receive(
    supplier: Supplier,
    part: Part,
    source: Source | None,
    package: Package,
    kind: str,
    store: str,
    another: bool,
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
    receipt.digest = hashlib.sha256(receipt.label.encode()).hexdigest() if receipt.label else ""
    if receipt.origin and not re.fullmatch("[A-Z]{2}", receipt.origin):
        raise StockRefused(f"{receipt.origin} is no country.", action="Give its two letters, such as DE.")
    if not package.lots:
        raise StockRefused("A package has a lot in it.", action="Enter the lot number from the label.")
    check_new(receipt, another)
    lines = _find_expected(receipt, package.lots)
    if lines and not receipt.delivery:
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
            at=at,
        )
        came += [lot] if new else receipt.containers.filter(lot=lot)
        note(lot)
    Expected.objects.filter(pk__in=[line.pk for line in lines]).update(receipt=receipt)
    note(supplier, part, *{line.delivery for line in lines})
    return receipt, list(dict.fromkeys(came))


def find_earlier(supplier: Supplier, package: str, digest: str) -> list[Receipt]:
    """Receipts of the supplier's package of this id; where it has none, of this label."""
    wanted = Q(package=package) if package else Q(digest=digest, package="")
    found = Receipt.objects.filter(wanted, supplier=supplier) if package or digest else Receipt.objects.none()
    return list(found.select_related("by", "supplier").prefetch_related("containers").order_by("-received", "-pk"))


def check_new(receipt: Receipt, another: bool) -> None:
    """Refuse with ReceivedBefore what was received; of another package with the same label, number the copy."""
    earlier = find_earlier(receipt.supplier, receipt.package, receipt.digest)
    copies = not receipt.package
    if earlier and not (copies and another):
        last = earlier[0]
        labels = ", ".join(container.key for container in last.containers.all())
        what = f"A package with this very label of {last.supplier.name}" if copies else f"Package {last.package}"
        raise ReceivedBefore(
            f"{what} was received on {last.received:%-d %B %Y} at {last.received:%H:%M} UTC by {last.by.name}, as "
            f"{labels}.",
            action="If this is the same, nothing needs doing: it is on record. If it is another, say so."
            if copies
            else "Nothing needs doing: it is on record. If two packages have this id, call the quality engineer.",
            receipts=[one.pk for one in earlier],
            copies=copies,
        )
    receipt.copy = max((one.copy for one in earlier), default=0) + 1


def _find_expected(receipt: Receipt, lots: Sequence[PackageLot]) -> list[Expected]:
    """The lines of open shipping lists that this is: by the package's id, or the first of the same lot and quantity."""
    lines = Expected.objects.filter(delivery__supplier=receipt.supplier, delivery__closed=None, receipt=None)
    lines = lines.select_related("delivery").order_by("package", "pk")
    if receipt.package:
        return list(lines.filter(package=receipt.package))
    (first, *others) = lots
    if others or first.quantity is None:
        return []
    alike = lines.filter(part=receipt.part, lot=first.number, quantity=first.quantity)
    return list(alike.filter(date_code__in=["", first.date_code])[:1])
