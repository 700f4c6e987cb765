"""Quillmoor Works before its first board: people, stations, parts, bills of material, routes, trade partners."""

from __future__ import annotations

import csv
from collections import defaultdict
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from decimal import ROUND_FLOOR, Decimal
from functools import cached_property
from types import MappingProxyType
from typing import Any, TypeVar

from django.conf import settings
from django.db.models import Model

from trace.approvals.models import Meaning
from trace.approvals.operations import sign
from trace.core.clock import Planned
from trace.core.models import Person
from trace.core.secrecy import Secret, device_digest
from trace.demo.calendar import PREPARED, ZONE
from trace.engineering.balance import permissible_unbalance
from trace.engineering.models import Characteristic, Part, Qualification, Site, Station
from trace.engineering.operations import (
    CharacteristicRow,
    get_command_line,
    issue_badge,
    issue_device,
    open_account,
    qualify_person,
    release_revision,
    set_characteristics,
)
from trace.exchange.lists.files import import_list
from trace.exchange.lists.kinds import KINDS
from trace.floor.models import Customer
from trace.material.models import Supplier

FIXTURES = settings.BASE_DIR / "fixtures" / "demo"
SITE = "QUILLMOOR"
QUALITY, PLANNER, SUPERVISOR = "P01", "P05", "P06"

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
        reel was changed, which `designator` was filled by hand, how many parts of a splice's `lead` there were."""
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
        station = {(row["part"], row["number"]): row["stations"] for row in rows("routes")}
        places: dict[tuple[str, str], dict[str, list[str]]] = defaultdict(dict)
        for row in rows("bom"):
            if not self.parts[row["part"]].serialised:
                where = row["assembly"], station[row["assembly"], row["step_number"]]
                places[where][row["part"]] = row["designators"].split()
        return places

    @cached_property
    def asked(self) -> dict[tuple[str, str], list[Characteristic]]:
        """What is measured and judged where: by the beginning of an assembly's serials, and station."""
        asked: dict[tuple[str, str], list[Characteristic]] = defaultdict(list)
        for it in Characteristic.objects.select_related("part"):
            for station in Station.objects.filter(steps__part=it.part_id, steps__number=it.step_number):
                asked[it.part.number.partition("-")[0], station.key].append(it)
        return asked


def make_people() -> dict[str, Person]:
    """The first are entered from the command line: there is nobody yet to do it. No record keeps a password."""
    done: dict[str, Any] = {"by": get_command_line(), "at": PREPARED}
    import_list(KINDS["people"], content=(FIXTURES / "people.csv").read_bytes(), **done)
    people = {person.key: person for person in Person.objects.all()}
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
    """Who has what some steps ask for; one let it run out."""
    defined = {one.key: one for one in Qualification.objects.all()}
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


LISTS = (
    *("sites", "shifts", "days-off", "stations", "equipment", "check-pieces", "programs"),
    *("suppliers", "customers", "parts", "serial-rules", "sources", "qualifications", "fault-codes", "cause-codes"),
    *("bom", "routes", "costs", "rates", "characteristics", "inspection-plans", "racks", "sample-rules", "packing"),
)
"""The master data, brought in as a planner would: in this order, one needs another."""


ROTOR, GRADE, MASS, SPEED = "FR-22", Decimal("6.3"), Decimal("0.18"), Decimal(2800)
"""The fan's rotor: its balance quality grade in mm/s, its mass in kg, its service speed in 1/min."""


def limit_unbalance(rotor: Part, by: Person, at: datetime) -> None:
    """The rotor's residual unbalance may be no more than its grade permits, rounded down."""
    limit = permissible_unbalance(GRADE, MASS, SPEED).quantize(Decimal("0.01"), ROUND_FLOOR)
    row = CharacteristicRow(10, "Residual unbalance", "g·mm", upper=limit)
    set_characteristics(part=rotor, rows=[row], by=by, at=at)


def prepare(plant: Plant) -> None:
    """Bring in the master data from its lists, and release what is built."""
    plant.people = make_people()
    done: dict[str, Any] = {"by": plant.people[PLANNER], "at": PREPARED}
    for name in LISTS:
        import_list(KINDS[name], content=(FIXTURES / f"{name}.csv").read_bytes(), **done)
    plant.site = Site.objects.get()
    plant.stations = {station.key: station for station in Station.objects.all()}
    plant.suppliers = {supplier.key: supplier for supplier in Supplier.objects.all()}
    plant.customers = {customer.key: customer for customer in Customer.objects.all()}
    plant.parts = {part.number: part for part in Part.objects.all()}
    limit_unbalance(plant.parts[ROTOR], **done)
    for part in Part.objects.filter(level__gt=0).order_by("level", "pk"):
        sign(subject=part, meaning=Meaning.APPROVED, by=plant.people[QUALITY], at=PREPARED)
        plant.parts[part.number] = release_revision(part=part, **done)
    make_ways_in(plant)
    qualify_people(plant)
