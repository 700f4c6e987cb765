"""What suppliers say is on its way: shipping lists, and when nothing more is expected of one."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal

from trace.core.errors import Refusal
from trace.core.keys import clean_text, find_free_key
from trace.core.models import Person
from trace.engineering.rules import Problem
from trace.ledger.operation import note, operation
from trace.material.models import Delivery, Expected, Receipt, Supplier
from trace.material.operations.receipts import find_source
from trace.material.operations.stock import MOST


class DeliveryRefused(Refusal):
    """A delivery can't be announced or closed so. `extra["problems"]` has every problem with its row, from 0."""

    code = "delivery-refused"
    action = "Correct the shipping list and bring it in again: nothing was changed."


@dataclass(frozen=True)
class ExpectedRow:
    """A package on its way, or a lot in it: the supplier's part number, lot and quantity, the supplier's id of it."""

    number: str
    lot: str
    quantity: Decimal
    package: str = ""
    date_code: str = ""
    order: str = ""


@operation()
def expect_delivery(
    *, supplier: Supplier, number: str, rows: Sequence[ExpectedRow], by: Person, at: datetime
) -> Delivery:
    """Announce what a supplier says is on its way, under the number of its delivery: each package is scanned off when
    it is received. A list brought in again takes the place of the one before, as long as nothing of it has come.

    Refuses with DeliveryRefused no number, no rows, a delivery that was closed or of which something has come, and
    every row with a part from no approved source, an impossible quantity, no lot, or a package that was received or
    is on the list twice; with BadText.
    """
    number = clean_text(number, 60, "The delivery's number")
    Supplier.objects.select_for_update(no_key=True).get(pk=supplier.pk)
    if not number or not rows:
        raise DeliveryRefused("A delivery has a number." if not number else "The shipping list has no lines.")
    delivery = Delivery.objects.filter(supplier=supplier, number=number).first()
    if delivery and (delivery.closed or delivery.lines.exclude(receipt=None).exists()):
        what = "was closed" if delivery.closed else "has begun to come in"
        raise DeliveryRefused(
            f"Delivery {number} of {supplier.name} {what}: its list stays as it is.",
            action="Bring in what else is on its way under a number of its own.",
        )
    lines, problems = _read_rows(supplier, rows, at)
    if problems:
        raise DeliveryRefused(
            " ".join(f"Row {problem.row + 1}: {problem.what} {problem.mend}" for problem in problems), problems=problems
        )
    if delivery is None:
        key = find_free_key([f"{supplier.key}-{number}"], Delivery)
        delivery = Delivery.objects.create(key=key, supplier=supplier, number=number, announced=at, by=by)
    delivery.lines.all().delete()
    for line in lines:
        line.delivery = delivery
    Expected.objects.bulk_create(lines)
    return delivery


@operation()
def close_delivery(*, delivery: Delivery, remark: str = "", by: Person, at: datetime) -> Delivery:
    """Nothing more is expected of a delivery: what has not come is missing. Refuses with DeliveryRefused a second time,
    a moment before it was announced, and, where something is missing, without a remark on it; with BadText."""
    delivery = Delivery.objects.select_for_update().get(pk=delivery.pk)
    remark = clean_text(remark, 300, "The remark")
    missing = delivery.lines.filter(receipt=None).count()
    if delivery.closed:
        raise DeliveryRefused(f"Delivery {delivery.key} was closed before.", action="Nothing needs doing.")
    if at < delivery.announced or (missing and not remark):
        raise DeliveryRefused(
            f"Of delivery {delivery.key} {missing} lines have not come: say what was found out about them."
            if at >= delivery.announced
            else f"Delivery {delivery.key} was announced later than that.",
            action="Fill in the remark." if at >= delivery.announced else "Give the right moment.",
        )
    delivery.closed, delivery.closed_by, delivery.remark = at, by, remark
    delivery.save(update_fields=["closed", "closed_by", "remark"])
    note(missing=missing)
    return delivery


def _read_rows(supplier: Supplier, rows: Sequence[ExpectedRow], at: datetime) -> tuple[list[Expected], list[Problem]]:
    """The lines, and what is wrong with rows."""
    lines: list[Expected] = []
    problems: list[Problem] = []
    seen: set[tuple[str, str, str]] = set()
    packages = {row.package.strip().upper() for row in rows}
    received = set(
        Receipt.objects.filter(supplier=supplier, package__in=packages - {""}).values_list("package", flat=True)
    )
    for index, row in enumerate(rows):
        line = Expected(
            package=clean_text(row.package, 60, f"The package of row {index + 1}").upper(),
            number=clean_text(row.number, 60, f"The part number of row {index + 1}"),
            lot=clean_text(row.lot, 60, f"The lot of row {index + 1}"),
            date_code=clean_text(row.date_code, 10, f"The date code of row {index + 1}"),
            quantity=row.quantity,
            order=clean_text(row.order, 60, f"The order of row {index + 1}"),
        )
        source = find_source(supplier, line.number, None, at) if line.number else None
        problems += [Problem(index, *problem) for problem in _judge(line, source is not None, seen, received)]
        if source:
            line.part = source.part
        seen.add((line.package, line.lot, line.date_code))
        lines.append(line)
    return lines, problems


def _judge(
    line: Expected, approved: bool, seen: set[tuple[str, str, str]], received: set[str]
) -> Iterator[tuple[str, str, str]]:
    """(field, what is wrong, how to mend it)."""
    if not approved:
        named = f"No approved source has the number “{line.number}”." if line.number else "It has no part number."
        yield "number", named, "Have the source approved first, or leave the line out."
    if not line.lot:
        yield "lot", "It has no lot.", "Fill it in."
    if not line.quantity.is_finite() or not 0 < line.quantity < MOST or line.quantity != round(line.quantity, 4):
        yield "quantity", f"{line.quantity} is no quantity of a package.", "Correct it."
    if line.package and (line.package, line.lot, line.date_code) in seen:
        yield "package", f"Package {line.package} is on the list twice with lot {line.lot}.", "Keep one of the lines."
    if line.package in received:
        yield "package", f"Package {line.package} was received before.", "Leave the line out."
