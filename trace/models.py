"""Index of the areas' models; import them from their areas."""

from trace.approvals.models import Attachment, Deviation, Signature
from trace.core.models import Badge, Device, Person, Token, User
from trace.engineering.equipment import Calibration, CheckPiece, Equipment, PieceCheck, Program, ProgramLoad
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
from trace.engineering.shifts import DayOff, Shift
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
    Skip,
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
    EmptyPlace,
    Feed,
    FeedRecord,
    Lot,
    Mount,
    SetUp,
    SetUpLine,
    Source,
    Span,
    Supplier,
    Tape,
    TapeReading,
    TapeStop,
)

__all__ = [
    "Answer", "Attachment", "Axis", "AxisSlack", "Badge", "BomLine", "Calibration", "Carton", "Characteristic",
    "CheckPiece", "Consignment", "Container", "Customer", "DayOff", "Derivation", "Designator", "Deviation", "Device",
    "EmptyPlace",
    "Equipment", "Event", "EventSubject", "Feed", "FeedRecord", "Fitting", "Hold", "HourlyRate", "LooseSighting",
    "Lot", "Mount", "Packing", "PanelPlace", "Part", "Pass", "Person", "PieceCheck", "Placement", "Program",
    "ProgramLoad",
    "Qualification", "Qualified", "Salvage", "SetUp", "SetUpLine", "Shift", "Shipment", "Signature", "Site", "Skip",
    "Source", "Span", "StandardCost", "Station", "Step", "Substitute", "Supplier", "Tape", "TapeReading", "TapeStop",
    "Token", "Unit", "User", "WorkOrder",
]  # fmt: skip
