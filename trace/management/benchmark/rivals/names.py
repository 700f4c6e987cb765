"""Names of the units and of who has them, for those that keep them themselves."""

from __future__ import annotations

from trace.floor.models import Consignment, Packing, Shipment, Unit
from trace.management.benchmark.history import History


def unit_keys(history: History) -> list[str]:
    """Keys of the units in the order of their ids, which begin with 1."""
    (rows,) = (rows.rows for rows in history.tables() if rows.model is Unit)
    return [row[1] for row in rows]


def customers_of(history: History) -> dict[int, str]:
    """Unit id → key of the customer that it was shipped to."""
    found = {rows.model: rows.rows for rows in history.tables() if rows.model in (Packing, Consignment, Shipment)}
    customers = {pk: f"CUST-{customer - 1}" for pk, _, customer, *_ in found[Shipment]}
    cartons = {carton: customers[shipment] for carton, shipment, _ in found[Consignment]}
    return {unit: cartons[carton] for unit, carton, *_ in found[Packing] if carton in cartons}
