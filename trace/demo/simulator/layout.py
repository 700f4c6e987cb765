"""The simulated plant before its first board, made through the operations: parts, routes, stations, feeds, stock."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import Any

from trace.approvals.models import Meaning
from trace.approvals.operations import sign
from trace.core.clock import to_ticks
from trace.core.models import Person
from trace.core.permissions import Role
from trace.engineering.equipment import Equipment
from trace.engineering.models import CauseCode, FaultCode, Part, ScanMode, Site, Station
from trace.engineering.operations import (
    BomRow,
    RouteRow,
    approve_substitute,
    define_cause_code,
    define_equipment,
    define_fault_code,
    define_part,
    define_site,
    define_station,
    release_revision,
    set_bom,
    set_route,
)
from trace.floor.models import Customer
from trace.floor.operations.changeovers import start_setup
from trace.floor.operations.dispatch import define_customer
from trace.material.models import Feed, Manner, Supplier
from trace.material.operations.inspection import InspectionRow, set_inspection
from trace.material.operations.setups import define_feed
from trace.material.operations.sources import approve_source
from trace.material.operations.stock import define_supplier

START = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)
BEGIN = to_ticks(START)
SECOND = 1_000_000
MINUTE = 60 * SECOND
HOUR = 60 * MINUTE
DAY = 24 * HOUR

INSERTION = ("GATED", "ONE", "LOOSE", "COUNT")
STATIONS = {
    "GATED": ScanMode.GATED,
    "ONE": ScanMode.ONE_AT_A_TIME,
    "LOOSE": ScanMode.LOOSE,
    "COUNT": ScanMode.GATED,
    "TAPER": ScanMode.GATED,
    "WAVE": ScanMode.GATED,
    "FINAL": ScanMode.LOOSE,
    "PROOF": ScanMode.GATED,
}
WORK_SECONDS = 15
"""Scans at ONE that are closer together are of one batch."""
ROUTES: dict[str, dict[int, tuple[str, ...]]] = {
    "BOARD": {10: INSERTION, 20: ("TAPER",), 30: ("WAVE",)},
    "MODULE": {10: ("FINAL",)},
    "PRODUCT": {10: ("PROOF",)},
}
PLACES = {
    "BOARD": {"R1": "RES", "R2": "RES", "C1": "CAP", "T1": "RES", "T2": "CAP", "S1": "SOLDER"},
    "MODULE": {"M1": "BOARD", "R5": "RES"},
    "PRODUCT": {"N1": "MODULE", "M2": "BOARD"},
}
FILLED_AT = {"R1": 10, "R2": 10, "C1": 10, "T1": 20, "T2": 20, "S1": 30, "M1": 10, "R5": 10, "N1": 10, "M2": 10}
CHILDREN = {("MODULE", "M1"): "BOARD", ("PRODUCT", "N1"): "MODULE", ("PRODUCT", "M2"): "BOARD"}
LINKS = ["T1", "T2"]
COMPONENTS = ("RES", "RES2", "CAP", "SOLDER")


def serves(station: str, variant: int = 0) -> dict[str, str]:
    """{designator: feed} at a station; in the second variant R2 has a feed of its own."""
    match station:
        case "WAVE":
            return {"S1": "WAVE-S"}
        case "FINAL":
            return {"R5": "FINAL-R"}
        case "TAPER" | "PROOF":
            return {}
    return {"R1": f"{station}-R", "R2": f"{station}-{'X' if variant else 'R'}", "C1": f"{station}-C"}


@dataclass
class Layout:
    """The records that every simulated plant stands on; several plants may be played on one, each rolled back."""

    person: Person
    site: Site
    supplier: Supplier
    customer: Customer
    approver: Person
    parts: dict[str, Part] = field(default_factory=dict)
    stations: dict[str, Station] = field(default_factory=dict)
    feeds: dict[str, Feed] = field(default_factory=dict)
    oven: Equipment = field(init=False)
    bench: Station = field(init=False)
    fault_code: FaultCode = field(init=False)
    cause_code: CauseCode = field(init=False)


def lay_out() -> Layout:
    """Enter the master data in an empty database. The one person does everything there but approve her own drafts."""
    person = Person.objects.create(key="ANN", name="Ann", roles=Role.values)
    approver = Person.objects.create(key="BEA", name="Bea", roles=[Role.QUALITY])
    done: dict[str, Any] = {"by": person, "at": START}
    site = define_site(key="PLANT", name="The plant", **done)
    supplier = define_supplier(key="ACME", name="Acme", **done)
    define_supplier(key="OWN", name="The plant", is_plant=True, **done)
    layout = Layout(person, site, supplier, define_customer(key="CUST", name="A customer", **done), approver)
    layout.oven = define_equipment(key="OVEN-1", name="Drying oven", kind="oven", **done)
    for key, mode in STATIONS.items():
        layout.stations[key] = define_station(
            key=key,
            name=key.title(),
            site=site,
            scan_mode=mode,
            counts_cycles=key == "COUNT",
            work_seconds=WORK_SECONDS if key == "ONE" else 0,
            **done,
        )
    layout.bench = define_station(key="BENCH", name="Repair", site=site, repairs=True, **done)
    layout.fault_code = define_fault_code(key="BAD", name="bad part", **done)
    layout.cause_code = define_cause_code(key="WORN", name="worn nozzle", **done)
    for level, keys in enumerate((COMPONENTS, ("BOARD",), ("MODULE",), ("PRODUCT",))):
        for key in keys:
            layout.parts[key] = define_part(
                key=key, number=key, name=key.title(), kind=_kind(key), level=level, serialised=level > 0,
                moisture_level="5a" if key == "CAP" else "", **done,
            )  # fmt: skip
    for key in COMPONENTS:
        approved = START - timedelta(weeks=1)  # some of the stock is older than the plant's story
        approve_source(part=layout.parts[key], supplier=supplier, number=key, by=person, at=approved)
    sampled = InspectionRow("Marking", Manner.SAMPLE, aql=Decimal("6.5"), level="S-1")
    set_inspection(part=layout.parts["RES2"], rows=[sampled], **done)
    for assembly, route in ROUTES.items():
        by_part: dict[str, list[str]] = {}
        for designator, part in PLACES[assembly].items():
            by_part.setdefault(part, []).append(designator)
        lines = [BomRow(layout.parts[p], Decimal(len(names)), names, Decimal(1)) for p, names in by_part.items()]
        set_bom(assembly=layout.parts[assembly], rows=lines, **done)
        steps = [
            RouteRow(number, f"Step {number}", stations, designators=_filled(assembly, number))
            for number, stations in route.items()
        ]
        set_route(part=layout.parts[assembly], rows=steps, **done)
        sign(subject=layout.parts[assembly], meaning=Meaning.APPROVED, by=approver, at=START)
        layout.parts[assembly] = release_revision(part=layout.parts[assembly], **done)
    approve_substitute(
        assembly=layout.parts["BOARD"], part=layout.parts["RES"], substitute=layout.parts["RES2"], **done
    )
    for station in INSERTION:
        for name in ("R", "X", "C"):
            _feed(layout, f"{station}-{name}", station, Feed.Kind.BIN if station == "LOOSE" else Feed.Kind.SLOT)
        start_setup(key=f"{station}-0", **setup_of(layout, station, 0), **done)
    _feed(layout, "WAVE-S", "WAVE", Feed.Kind.BATH)
    _feed(layout, "FINAL-R", "FINAL", Feed.Kind.BIN)
    for station in ("WAVE", "FINAL"):
        start_setup(key=f"{station}-0", **setup_of(layout, station, 0), **done)
    return layout


def _kind(key: str) -> str:
    kinds = {"BOARD": Part.Kind.ASSEMBLY, "MODULE": Part.Kind.ASSEMBLY, "PRODUCT": Part.Kind.PRODUCT}
    return kinds.get(key, Part.Kind.PROCESS if key == "SOLDER" else Part.Kind.COMPONENT)


def _filled(assembly: str, step: int) -> list[str]:
    return [designator for designator in PLACES[assembly] if FILLED_AT[designator] == step]


def _feed(layout: Layout, key: str, station: str, kind: str) -> None:
    layout.feeds[key] = define_feed(key=key, station=layout.stations[station], kind=kind, by=layout.person, at=START)


def setup_of(layout: Layout, station: str, variant: int, count: int = 0) -> dict[str, Any]:
    """What `start_setup` wants of a station's set-up; `count` is the machine's, where it counts."""
    return {
        "station": layout.stations[station],
        "assembly": layout.parts["MODULE" if station == "FINAL" else "BOARD"],
        "feeds": {designator: layout.feeds[feed] for designator, feed in serves(station, variant).items()},
        "position": count if station == "COUNT" else None,
    }
