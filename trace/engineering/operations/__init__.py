"""Writing the engineering data: sites, stations, parts, bills of material, placements, routes, costs."""

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
from trace.engineering.operations.routes import RouteRefused, RouteRow, set_route
from trace.engineering.operations.shifts import CalendarRefused, DayOffRow, ShiftRow, set_days_off, set_shifts
from trace.engineering.rules import BomRow

__all__ = [
    "AccountRefused",
    "BomFileRefused",
    "BomRefused",
    "BomReport",
    "BomRow",
    "CalendarRefused",
    "DayOffRow",
    "ShiftRow",
    "set_days_off",
    "set_shifts",
    "CostRefused",
    "PartCost",
    "PartRefused",
    "PersonRefused",
    "PlacementFileRefused",
    "PlacementReport",
    "PlacementsRefused",
    "RouteRefused",
    "RouteRow",
    "SiteRefused",
    "StationRate",
    "StationRefused",
    "SubstituteRefused",
    "add_person",
    "approve_substitute",
    "close_account",
    "define_part",
    "define_site",
    "define_station",
    "get_command_line",
    "import_bom",
    "import_placements",
    "issue_token",
    "open_account",
    "retire_person",
    "set_bom",
    "set_costs",
    "set_roles",
    "set_route",
]
