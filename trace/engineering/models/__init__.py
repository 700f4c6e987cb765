"""What the plant builds, of what, how and where: parts, bills of material, routes, stations, costs."""

from trace.engineering.models.codes import CauseCode, FaultCode
from trace.engineering.models.costs import HourlyRate, QualityHeading, QualityOutlay, StandardCost
from trace.engineering.models.packing import PackingLine
from trace.engineering.models.parts import BomLine, Designator, PanelPlace, Part, Placement, Substitute
from trace.engineering.models.plant import ScanMode, Site, Station
from trace.engineering.models.qualifications import Qualification, Qualified
from trace.engineering.models.routes import Characteristic, Step
from trace.engineering.models.serials import SerialRule

__all__ = [
    "BomLine",
    "CauseCode",
    "Characteristic",
    "Designator",
    "FaultCode",
    "HourlyRate",
    "PackingLine",
    "PanelPlace",
    "Part",
    "Placement",
    "Qualification",
    "Qualified",
    "QualityHeading",
    "QualityOutlay",
    "ScanMode",
    "SerialRule",
    "Site",
    "StandardCost",
    "Station",
    "Step",
    "Substitute",
]
