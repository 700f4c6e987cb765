"""Units: what was ordered, where each has been, what is in it, where it went."""

from trace.floor.models.dispatch import Carton, Consignment, Customer, Packing, Shipment
from trace.floor.models.units import Fitting, LooseSighting, Pass, Salvage, Skip, Unit, WorkOrder

__all__ = [
    "Carton",
    "Consignment",
    "Customer",
    "Fitting",
    "LooseSighting",
    "Packing",
    "Pass",
    "Salvage",
    "Shipment",
    "Skip",
    "Unit",
    "WorkOrder",
]
