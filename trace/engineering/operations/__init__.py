"""Writing the engineering data: sites, stations, parts, bills of material, placements, routes, costs."""

from trace.engineering.operations.access import (
    BadgeRefused,
    DeviceRefused,
    bind_device,
    end_badge,
    end_device,
    issue_badge,
    issue_device,
)
from trace.engineering.operations.boms import BomRefused, SubstituteRefused, approve_substitute, set_bom
from trace.engineering.operations.imports import BomFileRefused, BomReport, import_bom
from trace.engineering.operations.master import (
    CostRefused,
    PartCost,
    PartRefused,
    SiteRefused,
    StationRate,
    StationRefused,
    define_part,
    define_site,
    define_station,
    set_costs,
)
from trace.engineering.operations.people import (
    AccountRefused,
    PersonRefused,
    add_person,
    close_account,
    get_command_line,
    issue_token,
    open_account,
    retire_person,
    set_roles,
)
from trace.engineering.operations.placements import (
    PlacementFileRefused,
    PlacementReport,
    PlacementsRefused,
    import_placements,
)
from trace.engineering.operations.qualifications import (
    QualificationRefused,
    define_qualification,
    end_qualification,
    qualify_person,
)
from trace.engineering.operations.routes import RouteRefused, RouteRow, set_route
from trace.engineering.rules import BomRow

__all__ = [
    "AccountRefused",
    "BadgeRefused",
    "BomFileRefused",
    "BomRefused",
    "BomReport",
    "BomRow",
    "CostRefused",
    "DeviceRefused",
    "PartCost",
    "PartRefused",
    "PersonRefused",
    "PlacementFileRefused",
    "PlacementReport",
    "PlacementsRefused",
    "QualificationRefused",
    "RouteRefused",
    "RouteRow",
    "SiteRefused",
    "StationRate",
    "StationRefused",
    "SubstituteRefused",
    "add_person",
    "approve_substitute",
    "bind_device",
    "close_account",
    "define_part",
    "define_qualification",
    "define_site",
    "define_station",
    "end_badge",
    "end_device",
    "end_qualification",
    "get_command_line",
    "import_bom",
    "import_placements",
    "issue_badge",
    "issue_device",
    "issue_token",
    "open_account",
    "qualify_person",
    "retire_person",
    "set_bom",
    "set_costs",
    "set_roles",
    "set_route",
]
