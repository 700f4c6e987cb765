"""What the plant builds, of what, how and where: parts, bills of material, routes, stations, costs."""

from trace.engineering.models.costs import HourlyRate, StandardCost
from trace.engineering.models.parts import BomLine, Designator, PanelPlace, Part, Placement, Substitute
from trace.engineering.models.plant import ScanMode, Site, Station
from trace.engineering.models.qualifications import Qualification, Qualified
from trace.engineering.models.routes import Characteristic, Step

__all__ = [
    "BomLine",
    "Characteristic",
    "Designator",
    "HourlyRate",
    "PanelPlace",
    "Part",
    "Placement",
    "Qualification",
    "Qualified",
    "ScanMode",
    "Site",
    "StandardCost",
    "Station",
    "Step",
    "Substitute",
]
