"""Index of the areas' models; import them from their areas."""

from trace.approvals.models import Attachment, Deviation, Signature
from trace.core.models import Person, Token, User
from trace.engineering.equipment import Calibration, CheckPiece, Equipment, PieceCheck, Program, ProgramLoad
from trace.engineering.models import BomLine, Designator, Part, Placement, Site, Station, Step, Substitute
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
    Feed,
    FeedRecord,
    Lot,
    SetUp,
    SetUpLine,
    Span,
    Supplier,
    Tape,
)

__all__ = [
    "Answer", "Attachment", "Axis", "AxisSlack", "BomLine", "Calibration", "Carton", "CheckPiece", "Consignment",
    "Container", "Customer", "DayOff", "Derivation", "Designator", "Deviation", "Equipment", "Event",
    "EventSubject", "Feed", "FeedRecord", "Fitting", "Hold", "LooseSighting", "Lot", "Packing", "Part", "Pass",
    "Person", "PieceCheck", "Placement", "Program", "ProgramLoad", "Salvage", "SetUp", "SetUpLine", "Shift",
    "Shipment", "Signature", "Site", "Skip", "Span", "Station", "Step", "Substitute", "Supplier", "Tape", "Token",
    "Unit", "User", "WorkOrder",
]  # fmt: skip
