"""What the thin pages show: a sentence, facts and tables for each kind of thing."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from trace.web.sheets.base import Sheet
from trace.web.sheets.engineering import part_sheet, station_sheet
from trace.web.sheets.feeds import feed_sheet, setup_sheet
from trace.web.sheets.floor import (
    carton_sheet,
    customer_sheet,
    pallet_sheet,
    person_sheet,
    shipment_sheet,
    supplier_sheet,
)

SHEETS: dict[str, Callable[[Any], Sheet]] = {
    "part": part_sheet,
    "station": station_sheet,
    "feed": feed_sheet,
    "setup": setup_sheet,
    "carton": carton_sheet,
    "pallet": pallet_sheet,
    "shipment": shipment_sheet,
    "customer": customer_sheet,
    "supplier": supplier_sheet,
    "person": person_sheet,
}
"""Kind of a thing: what makes its page."""
