"""A supplier's label as what `receive_package` takes."""

from __future__ import annotations

from trace.exchange.supplier_label import Label
from trace.material.operations.receipts import Package, PackageLot


def make_package(label: Label, number: str) -> Package:
    """The package of a label, under the number by which its supplier is an approved source of the part."""
    return Package(
        number=number,
        lots=[PackageLot(lot.number, lot.quantity, lot.date_code, lot.expiry) for lot in label.lots],
        package=label.package,
        order=label.order,
        order_line=label.order_line,
        delivery=label.delivery,
        origin=label.origin,
        label=label.text,
    )
