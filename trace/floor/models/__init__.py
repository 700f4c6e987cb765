"""Units: what was ordered, where each has been, what is in it, where it went."""

from trace.floor.models.aliases import Alias
from trace.floor.models.carriers import BatchPass, Carried, Carrier, LeftBehind
from trace.floor.models.conformity import Conformity
from trace.floor.models.dispatch import Carton, Closing, Consignment, Customer, Packing, Pallet, Shipment, Stacking
from trace.floor.models.faults import Diagnosis, Fault, Repair
from trace.floor.models.readings import Reading
from trace.floor.models.refused import RefusedScan
from trace.floor.models.returns import Return
from trace.floor.models.samples import Chooses, Counted, Sample, SampleEntry, SampleRule
from trace.floor.models.setups import FirstPiece
from trace.floor.models.units import Fitting, LooseSighting, Pass, Salvage, Skip, Unit, WorkOrder

__all__ = [
    "Alias",
    "BatchPass",
    "Carried",
    "Carrier",
    "Carton",
    "Chooses",
    "Closing",
    "Conformity",
    "Consignment",
    "Counted",
    "Customer",
    "Diagnosis",
    "Fault",
    "FirstPiece",
    "Fitting",
    "LeftBehind",
    "LooseSighting",
    "Packing",
    "Pallet",
    "Pass",
    "Reading",
    "RefusedScan",
    "Repair",
    "Return",
    "Salvage",
    "Sample",
    "SampleEntry",
    "SampleRule",
    "Shipment",
    "Skip",
    "Stacking",
    "Unit",
    "WorkOrder",
]
