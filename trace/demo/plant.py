"""Quillmoor Works before its first board: people, stations, parts, bills of material, routes, trade partners."""

from __future__ import annotations

import csv
from collections import defaultdict
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from decimal import Decimal
from functools import cached_property
from types import MappingProxyType
from typing import Any, TypeVar

from django.conf import settings
from django.db.models import Model

from trace.core.clock import Planned
from trace.core.models import Person
from trace.core.secrecy import Secret, device_digest
from trace.demo.calendar import PREPARED, ZONE
from trace.engineering.models import Part, Site, Station
from trace.engineering.operations import (
    BomRow,
    RouteRow,
    add_person,
    define_part,
    define_qualification,
    define_site,
    define_station,
    get_command_line,
    issue_badge,
    issue_device,
    open_account,
    qualify_person,
    set_bom,
    set_route,
)
from trace.floor.models import Customer
from trace.floor.operations.dispatch import define_customer
from trace.material.models import Supplier
from trace.material.operations.stock import define_supplier

FIXTURES = settings.BASE_DIR / "fixtures" / "demo"
SITE = "QUILLMOOR"
PLANNER, SUPERVISOR = "P05", "P06"

M = TypeVar("M", bound=Model)
T = TypeVar("T")
NOTHING: Mapping[str, Any] = MappingProxyType({})


def rows(name: str) -> list[dict[str, str]]:
    """The rows of a file of the demo."""
    with open(FIXTURES / f"{name}.csv", encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@dataclass
class Plant:
    """What the demo's plans refer to. A rack holds `rack` control boards, `units` of which become ventilators."""

    rack: int
    units: int
    people: dict[str, Person] = field(default_factory=dict)
    stations: dict[str, Station] = field(default_factory=dict)
    parts: dict[str, Part] = field(default_factory=dict)
    suppliers: dict[str, Supplier] = field(default_factory=dict)
    customers: dict[str, Customer] = field(default_factory=dict)
    site: Site = field(init=False)
    follow: Callable[[str, Mapping[str, Any], Any, Mapping[str, Any]], None] | None = None
    """Hears of every operation, and of what nobody told: it may keep the physical truth."""
    _found: dict[tuple[type[Model], str], Any] = field(default_factory=dict)

    def tell(self, operation: Callable[..., T], *, really: Mapping[str, Any] = NOTHING, **told: Any) -> T:
        """Call an operation as the plant's people do. `really` is what they did not tell: when it happened (`at`), when
        a visit `began`, when a unit still inside `draws` (None: not yet), before which `link` of its chain a head's
        reel was changed, how many parts of a splice's `lead` there were."""
        result = operation(**told)
        if self.follow:
            self.follow(operation.__name__, told, result, really)
        return result

    def find(self, kind: type[M], key: str) -> M:
        """A record that an earlier act made."""
        if (kind, key) not in self._found:
            self._found[kind, key] = kind._default_manager.get(key=key)
        found: M = self._found[kind, key]
        return found

    def per_rack(self, part: str) -> int:
        """How many of an assembly go with one rack of control boards."""
        return {"CB-180": self.rack, "FM-22": 2 * self.units, "DB-22": 2 * self.units, "FR-22": 2 * self.units}.get(
            part, self.units
        )

    def serials(self, part: str, first_rack: int, racks: int = 1) -> list[str]:
        """The serials of an assembly that belong to these racks."""
        count = self.per_rack(part)
        prefix = part.partition("-")[0]
        return [f"{prefix}-{n + 1:05}" for n in range(first_rack * count, (first_rack + racks) * count)]

    def operator(self, station: str, at: datetime) -> Person:
        """Who works at a station: one person in the morning, one in the afternoon."""
        return self.people[self._shifts[station][at.astimezone(ZONE).hour >= 12]]

    @cached_property
    def _shifts(self) -> dict[str, list[str]]:
        return {row["key"]: row["operators"].split() for row in rows("stations")}

    @cached_property
    def places(self) -> dict[tuple[str, str], dict[str, list[str]]]:
        """What is drawn where: (assembly, station) to {part: designators}."""
        station = {(row["part"], row["step"]): row["stations"] for row in rows("routes")}
        places: dict[tuple[str, str], dict[str, list[str]]] = defaultdict(dict)
        for row in rows("bom"):
            if row["step"]:
                where = row["parent"], station[row["parent"], row["step"]]
                places[where][row["child"]] = row["designators"].split()
        return places


def make_people() -> dict[str, Person]:
    """The first are entered from the command line: there is nobody yet to do it. No record keeps a password."""
    done: dict[str, Any] = {"by": get_command_line(), "at": PREPARED}
    people = {
        row["key"]: add_person(key=row["key"], name=row["name"], roles=row["roles"].split(), **done)
        for row in rows("people")
    }
    for row in rows("accounts"):
        user = open_account(person=people[row["person"]], username=row["username"], **done)
        user.set_password(row["password"])
        user.save(update_fields=["password"])
    return people


def make_ways_in(plant: Plant) -> None:
    """A screen at stations, and badges to be scanned there."""
    done: dict[str, Any] = {"by": get_command_line(), "at": PREPARED}
    for row in rows("devices"):
        stations = [plant.stations[key] for key in row["stations"].split()]
        digest = device_digest(row["secret"])
        issue_device(key=row["key"], name=row["name"], stations=stations, digest=digest, **done)
    for row in rows("badges"):
        person = plant.people[row["person"]]
        issue_badge(person=person, code=Secret(row["code"]), pin=Secret(row["pin"]), **done)


def qualify_people(plant: Plant) -> None:
    """What some steps ask for, and who has it; one let it run out."""
    defined = {
        row["key"]: define_qualification(**row, by=plant.people[PLANNER], at=PREPARED) for row in rows("qualifications")
    }
    for row in rows("qualified"):
        since, until = (
            Planned(datetime.fromisoformat(day).replace(tzinfo=ZONE).astimezone(UTC)) if day else None
            for day in (row["since"], row["until"])
        )
        assert since
        qualify_person(
            person=plant.people[row["person"]],
            qualification=defined[row["qualification"]],
            since=since,
            until=until,
            vouched_by=plant.people[row["vouched_by"]],
            remark=row["note"],
            by=plant.people[SUPERVISOR],
            at=PREPARED,
        )


def prepare(plant: Plant) -> None:
    """Enter the master data."""
    plant.people = make_people()
    done: dict[str, Any] = {"by": plant.people[PLANNER], "at": PREPARED}
    plant.site = define_site(key=SITE, name="Quillmoor Works", zone=ZONE.key, currency="EUR", **done)
    for row in rows("suppliers"):
        plant.suppliers[row["key"]] = define_supplier(
            key=row["key"], name=row["name"], is_plant=bool(row["is_plant"]), **done
        )
    for row in rows("customers"):
        plant.customers[row["key"]] = define_customer(**row, **done)
    for row in rows("stations"):
        plant.stations[row["key"]] = define_station(
            key=row["key"],
            name=row["name"],
            site=plant.site,
            area=row["area"],
            scan_mode=row["scan_mode"],
            counts_cycles=bool(row["counts_cycles"]),
            work_seconds=int(row["work_seconds"]),
            rate_per_hour=Decimal(row["rate_per_hour"]),
            **done,
        )
    for row in rows("parts"):
        plant.parts[row["number"]] = define_part(
            key=row["number"],
            number=row["number"],
            name=row["name"],
            kind=row["kind"],
            level=int(row["level"]),
            serialised=bool(row["serialised"]),
            unit_of_measure=row["unit_of_measure"],
            standard_cost=Decimal(row["standard_cost"]),
            replace_minutes=Decimal(row["replace_minutes"]),
            **done,
        )
    make_ways_in(plant)
    qualify_people(plant)
    boms, routes = defaultdict(list), defaultdict(list)
    for row in rows("bom"):
        designators = row["designators"].split()
        boms[row["parent"]].append(
            BomRow(
                part=plant.parts[row["child"]],
                quantity=Decimal(row["quantity"]),
                designators=designators,
                each=Decimal(row["quantity"]) / len(designators),
                step_number=int(row["step"]) if row["step"] else None,
            )
        )
    for row in rows("routes"):
        routes[row["part"]].append(
            RouteRow(
                number=int(row["step"]),
                name=row["name"],
                stations=row["stations"].split(),
                minutes=Decimal(row["minutes"]),
                caution=row["caution"],
                qualification=row["qualification"],
            )
        )
    for number, lines in boms.items():
        set_bom(assembly=plant.parts[number], rows=lines, **done)
        set_route(part=plant.parts[number], rows=routes[number], **done)
