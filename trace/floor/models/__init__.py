"""Units: what was ordered, where each has been, what is in it, where it went."""

from trace.floor.models.dispatch import Carton, Consignment, Customer, Packing, Shipment
from trace.floor.models.units import Fitting, Pass, Salvage, Unit, WorkOrder

__all__ = [
    "Carton",
    "Consignment",
    "Customer",
    "Fitting",
    "Packing",
    "Pass",
    "Salvage",
    "Shipment",
    "Unit",
    "WorkOrder",
]
