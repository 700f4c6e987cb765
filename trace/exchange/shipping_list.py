"""A supplier's shipping list from a CSV file: what is on its way, all of the file or nothing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from django.db import transaction

from trace.core.models import Person
from trace.core.permissions import check_permitted
from trace.engineering.cells import LineProblem
from trace.engineering.csv_file import FileTable, Layout, read_csv_file
from trace.engineering.operations.common import FileRefused
from trace.engineering.rules import shorten
from trace.exchange.arguments import make_serializer
from trace.exchange.lists.files import say_fault
from trace.material.models import Delivery, Supplier
from trace.material.operations.deliveries import DeliveryRefused, ExpectedRow, expect_delivery

COLUMNS: Mapping[str, Sequence[str]] = {
    "package": ("package", "packageid", "packageno", "packagenumber", "box", "boxid"),
    "number": ("number", "partnumber", "partno", "part", "supplierpartnumber", "manufacturerpartnumber", "mpn"),
    "lot": ("lot", "lotnumber", "lotno", "lotcode", "batch", "batchnumber"),
    "date_code": ("datecode", "dc"),
    "quantity": ("quantity", "qty"),
    "order": ("order", "orderno", "ordernumber", "purchaseorder", "po"),
}
LAYOUT = Layout(
    "shipping list",
    COLUMNS,
    {"the supplier's part number": ("number",), "the lot": ("lot",), "the quantity": ("quantity",)},
)


class ShippingListRefused(FileRefused):
    """A shipping list can't be brought in."""

    code = "shipping-list-refused"


@dataclass(frozen=True)
class ShippingReport:
    """What a shipping list announced, or would announce when it is a dry run."""

    delivery: Delivery
    rows: Sequence[ExpectedRow]
    columns: Mapping[str, str]
    ignored: Sequence[str]
    dry_run: bool


def import_shipping_list(
    *, supplier: Supplier, number: str, content: bytes | str, dry_run: bool = False, by: Person, at: datetime
) -> ShippingReport:
    """Announce a delivery by its shipping list, a package or a lot in it in each line.

    Refuses with NotPermitted, with DeliveryRefused as `expect_delivery` does, and with ShippingListRefused, which names
    every problem by line and column. A dry run refuses the same and changes nothing.
    """
    check_permitted(str(by), by.roles, expect_delivery.__name__)
    file = read_csv_file(content, LAYOUT, {}, "")
    lines = [(line, row) for line, cells in file.lines if (row := _read(line, cells, file))]
    rows = [row for _, row in lines]
    if file.problems:
        raise ShippingListRefused(file.problems)
    try:
        with transaction.atomic():
            delivery = expect_delivery(supplier=supplier, number=number, rows=rows, by=by, at=at)
            transaction.set_rollback(dry_run)
    except DeliveryRefused as refusal:
        problems = refusal.extra.get("problems")
        if not problems:
            raise
        raise ShippingListRefused(
            [
                LineProblem(lines[problem.row][0], file.columns.get(problem.field, ""), problem.what, problem.mend)
                for problem in problems
            ]
        ) from None
    return ShippingReport(delivery, rows, file.columns, file.ignored, dry_run)


def _read(line: int, cells: Mapping[str, str], file: FileTable) -> ExpectedRow | None:
    """What a line says; None where a cell can't be read, and the problem goes to the file."""
    reader = make_serializer("ShippingLine", ExpectedRow, ExpectedRow)(
        data={name: text.strip() for name, text in cells.items() if text.strip()}
    )
    if reader.is_valid():
        row: ExpectedRow = reader.validated_data
        return row
    for name, errors in reader.errors.items():
        told = f"“{shorten(cells.get(name, ''))}”: " if cells.get(name, "").strip() else ""
        what = " ".join(say_fault(reader.fields[name], error) for error in errors)
        file.problems.append(LineProblem(line, file.columns.get(name, name), f"{told}{what}", "Correct the cell."))
    return None
