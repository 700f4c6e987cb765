"""Index of the areas' models; import them from their areas."""

from trace.core.models import Badge, Device, Person, Token, User
from trace.engineering.models import (
    BomLine,
    Characteristic,
    Designator,
    HourlyRate,
    PanelPlace,
    Part,
    Placement,
    Qualification,
    Qualified,
    Site,
    StandardCost,
    Station,
    Step,
    Substitute,
)
from trace.floor.models import (
    Carton,
    Consignment,
    Customer,
    Fitting,
    LooseSighting,
    Packing,
    Pass,
    Salvage,
    Shipment,
    Unit,
    WorkOrder,
)
from trace.holds.models import Hold
from trace.ledger.models import Answer, Event, EventSubject
from trace.material.models import (
    Axis,
    AxisSlack,
    Container,
    Derivation,
    Feed,
    FeedRecord,
    Lot,
    SetUp,
    SetUpLine,
    Source,
    Span,
    Supplier,
    Tape,
)

__all__ = [
    "Answer", "Axis", "AxisSlack", "Badge", "BomLine", "Carton", "Characteristic", "Consignment", "Container",
    "Customer", "Derivation", "Designator", "Device", "Event", "EventSubject", "Feed", "FeedRecord", "Fitting",
    "Hold", "HourlyRate", "LooseSighting", "Lot", "Packing", "PanelPlace", "Part", "Pass", "Person", "Placement",
    "Qualification", "Qualified", "Salvage", "SetUp", "SetUpLine", "Shipment", "Site", "Source", "Span",
    "StandardCost", "Station", "Step", "Substitute", "Supplier", "Tape", "Token", "Unit", "User", "WorkOrder",
]  # fmt: skip
