"""The kinds of lists: what stands in a line of each, how it is read off the record, and what writes it."""

from __future__ import annotations

import hashlib
import inspect
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, fields
from datetime import date, time
from decimal import Decimal
from functools import cached_property
from itertools import groupby
from typing import Any, get_type_hints

from django.db.models import Model
from rest_framework import serializers

from trace.core.models import Person
from trace.engineering.equipment import CheckPiece, Equipment, Program
from trace.engineering.models import (
    BomLine,
    CauseCode,
    Characteristic,
    Designator,
    FaultCode,
    HourlyRate,
    PackingLine,
    PanelPlace,
    Part,
    Placement,
    Qualification,
    Qualified,
    SerialRule,
    Site,
    StandardCost,
    Station,
    Step,
    Substitute,
)
from trace.engineering.operations import (
    BomRow,
    CharacteristicRow,
    DayOffRow,
    PackingRow,
    PanelRow,
    PartCost,
    RouteRow,
    ShiftRow,
    StationRate,
    add_person,
    amend_record,
    approve_substitute,
    define_cause_code,
    define_check_piece,
    define_equipment,
    define_fault_code,
    define_part,
    define_program,
    define_qualification,
    define_site,
    define_station,
    enter_placements,
    qualify_person,
    set_bom,
    set_characteristics,
    set_costs,
    set_days_off,
    set_packing,
    set_panel,
    set_roles,
    set_route,
    set_serial_rule,
    set_shifts,
)
from trace.engineering.placement_file import PlacementRow
from trace.engineering.shifts import DayOff, Shift
from trace.exchange.arguments import make_field, make_serializer
from trace.exchange.lists.dated import DatedCost, DatedRate
from trace.floor.models import Carrier, Customer, SampleRule
from trace.floor.operations.dispatch import define_customer
from trace.floor.operations.racks import define_rack
from trace.floor.operations.samples import SampleRow, set_sample_rules
from trace.material.models import PlannedInspection, Source, Supplier
from trace.material.operations.inspection import InspectionRow, set_inspection
from trace.material.operations.sources import approve_source
from trace.material.operations.stock import define_supplier

Values = dict[str, Any]
"""What stands in a line, by column."""

Done = Mapping[str, Any]
"""By whom, and when."""


@dataclass(frozen=True)
class Kind:
    """One kind of list.

    Its columns are the parameters of `source`, an operation or a row that an operation takes; `identity` are those by
    which a line is known. Where an `owner` is named (a part, mostly), its lines are written together in place of all
    that it had. `write` is handed lines to write: one, or all of one owner; and the record that a line corrects, if
    there is one. `asks` is the operation that says who may.
    """

    title: str
    asks: str
    source: Callable[..., Any]
    identity: tuple[str, ...]
    rows: Callable[[], Iterable[Values]]
    write: Callable[[Sequence[Values], Model | None, Done], object]
    owner: str = ""
    owner_type: Any = Part

    @cached_property
    def serializer(self) -> type[serializers.Serializer]:
        """What reads the cells of a line."""
        line = make_serializer(self.title, self.source, leave_out=("by", "at", "line"))
        owner = {self.owner: make_field(self.owner_type)} if self.owner else {}
        return type(line.__name__, (serializers.Serializer,), {**owner, **line().fields})

    @cached_property
    def defaults(self) -> Values:
        """What an empty cell stands for, where it may be empty."""
        parameters = inspect.signature(self.source).parameters
        return {name: p.default for name, p in parameters.items() if p.default is not p.empty}

    @property
    def columns(self) -> list[str]:
        """The columns, in order."""
        return list(self.serializer().fields)

    def identify(self, values: Mapping[str, Any]) -> tuple[str, ...]:
        """By what a line is known, as text."""
        return tuple(cell(values.get(name)) for name in self.identity)


def cell(value: Any) -> str:
    """A value as it stands in a list."""
    match value:
        case None:
            return ""
        case bool():
            return "yes" if value else "no"
        case Decimal():
            return f"{value.normalize():f}"
        case Model():
            return str(getattr(value, "key", value.pk))
        case list() | tuple():
            return " ".join(map(cell, value))
        case time():
            return f"{value:%H:%M}"
        case date():
            return value.isoformat()
    return str(getattr(value, "value", value))


# How lines of each manner are made -----------------------------------------------------------------------------------


def _records(
    title: str,
    operation: Callable[..., Any],
    model: type[Model],
    identity: str,
    correct: Callable[[Any, Values, Done], object] | None = None,
) -> Kind:
    """A line is a record, made by the operation, and corrected by `amend_record`, or by `correct`."""

    def write(lines: Sequence[Values], record: Model | None, done: Done) -> object:
        (values,) = lines
        if record is None:
            return operation(**values, **done)
        changes = {name: value for name, value in values.items() if cell(value) != cell(getattr(record, name))}
        return correct(record, changes, done) if correct else amend_record(record=record, changes=changes, **done)

    def rows() -> Iterator[Values]:
        for record in model._default_manager.order_by("pk"):
            yield {"": record, **{name: getattr(record, name) for name in kind.columns}}

    kind = Kind(title, operation.__name__, operation, tuple(identity.split()), rows, write)
    return kind


def _together(
    title: str,
    operation: Callable[..., Any],
    owner: str,
    row: type[Any],
    identity: str,
    rows: Callable[[], Iterable[Values]],
) -> Kind:
    """The lines of one owner are written together."""

    def write(lines: Sequence[Values], record: Model | None, done: Done) -> object:
        made = [row(**{name: value for name, value in line.items() if name != owner}) for line in lines]
        return operation(**{owner: lines[0][owner]}, rows=made, **done)

    owner_type = get_type_hints(operation)[owner]
    return Kind(title, operation.__name__, row, (owner, *identity.split()), rows, write, owner, owner_type)


def _fields(model: type[Model], row: type[Any], owner: str) -> Callable[[], Iterable[Values]]:
    """Rows read off records whose fields are called as the columns are."""

    def rows() -> Iterator[Values]:
        for record in model._default_manager.select_related(owner).all():
            yield {name: getattr(record, name, "") for name in (owner, *(f.name for f in fields(row)))}

    return rows


def _bom() -> Iterator[Values]:
    """A line of a bill of material, or several where steps and amounts differ among its designators."""
    for line in BomLine.objects.select_related("parent", "child").prefetch_related("designators"):
        alike = lambda place: (place.step_number or 0, place.quantity)  # noqa: E731
        places = sorted(line.designators.all(), key=alike)
        common = {"assembly": line.parent, "part": line.child}
        for (step, each), some in groupby(places, alike):
            names = [place.name for place in some]
            yield {
                **common,
                "quantity": each * len(names),
                "designators": names,
                "each": each,
                "step_number": step or None,
            }
        if not places:
            yield {**common, "quantity": line.quantity, "designators": [], "each": Decimal(1), "step_number": None}


def _routes() -> Iterator[Values]:
    filled: dict[tuple[int, int | None], list[str]] = defaultdict(list)
    for parent, number, name in Designator.objects.order_by("pk").values_list("parent", "step_number", "name"):
        filled[parent, number].append(name)
    for step in Step.objects.select_related("part", "qualification", "program").prefetch_related("stations"):
        values = {f.name: getattr(step, f.name, None) for f in fields(RouteRow)} | {"equipment": step.equipment_kind}
        values["designators"] = filled[step.part_id, step.number]
        yield {**values, "part": step.part, "stations": [at.key for at in step.stations.all()]}


def _cost(lines: Sequence[Values], record: Model | None, done: Done) -> object:
    (cost,) = (DatedCost(**line) for line in lines)
    return set_costs(parts=[PartCost(cost.part, cost.standard_cost, cost.replace_minutes)], since=cost.since, **done)


def _rate(lines: Sequence[Values], record: Model | None, done: Done) -> object:
    (rate,) = (DatedRate(**line) for line in lines)
    return set_costs(stations=[StationRate(rate.station, rate.rate_per_hour)], since=rate.since, **done)


def _place(lines: Sequence[Values], record: Model | None, done: Done) -> object:
    own = [{name: value for name, value in line.items() if name != "assembly"} for line in lines]
    rows = [PlacementRow(line=number, **line) for number, line in enumerate(own, 1)]
    digest = hashlib.sha256(repr([[*map(cell, line.values())] for line in own]).encode()).hexdigest()
    return enter_placements(assembly=lines[0]["assembly"], rows=rows, digest=digest, **done)


def _placements() -> Iterator[Values]:
    for placement in Placement.objects.select_related("assembly"):
        values = {f.name: getattr(placement, f.name) for f in fields(PlacementRow) if f.name != "line"}
        yield {**values, "assembly": placement.assembly}


def _once(operation: Callable[..., Any]) -> Callable[[Sequence[Values], Model | None, Done], object]:
    """What is only ever added."""
    return lambda lines, record, done: operation(**lines[0], **done)


def _substitutes() -> Iterator[Values]:
    for found in Substitute.objects.select_related("line__parent", "line__child", "part"):
        yield {"assembly": found.line.parent, "part": found.line.child, "substitute": found.part}


def _sources() -> Iterator[Values]:
    for found in Source.objects.filter(until=None).select_related("part", "supplier"):
        yield {"part": found.part, "supplier": found.supplier, "number": found.number}


def _serial_rules() -> Iterator[Values]:
    for found in SerialRule.objects.all():
        yield {name: getattr(found, name) for name in ("number", "prefix", "digits", "next_number")}


def _qualified() -> Iterator[Values]:
    for found in Qualified.objects.filter(superseded=None).select_related("person", "qualification", "vouched_by"):
        own = {name: getattr(found, name) for name in ("person", "qualification", "since", "until", "vouched_by")}
        yield {**own, "remark": found.note}


def _racks() -> Iterator[Values]:
    for found in Carrier.objects.filter(kind=Carrier.Kind.RACK):
        yield {"key": found.key, "slots": found.slots, "ordered": found.ordered}


def _sample_rules() -> Iterator[Values]:
    for found in SampleRule.objects.all():
        yield {name: getattr(found, name) for name in ("number", *(f.name for f in fields(SampleRow)))}


def _shifts() -> Iterator[Values]:
    for found in Shift.objects.filter(until=None):
        yield {name: getattr(found, name) for name in ("since", *(f.name for f in fields(ShiftRow)))}


def _days_off() -> Iterator[Values]:
    for found in DayOff.objects.filter(withdrawn=None):
        yield {"year": found.day.year, "day": found.day, "name": found.name}


def _give_roles(person: Person, changes: Values, done: Done) -> object:
    if changes.keys() - {"roles"}:
        return amend_record(record=person, changes=changes, **done)  # refuses: what was signed says who it was
    return set_roles(person=person, **changes, **done)


KINDS: Mapping[str, Kind] = {
    "sites": _records("The plant", define_site, Site, "key"),
    "shifts": _together("Shifts", set_shifts, "since", ShiftRow, "name", _shifts),
    "days-off": _together("Days off", set_days_off, "year", DayOffRow, "day", _days_off),
    "people": _records("People", add_person, Person, "key", _give_roles),
    "stations": _records("Stations", define_station, Station, "key"),
    "equipment": _records("Equipment", define_equipment, Equipment, "key"),
    "check-pieces": _records("Check pieces", define_check_piece, CheckPiece, "key"),
    "programs": _records("Programs", define_program, Program, "key"),
    "suppliers": _records("Suppliers", define_supplier, Supplier, "key"),
    "customers": _records("Customers", define_customer, Customer, "key"),
    "racks": Kind("Racks", "define_rack", define_rack, ("key",), _racks, _once(define_rack)),
    "parts": _records("Parts", define_part, Part, "number revision"),
    "serial-rules": Kind(
        "Serial rules", "set_serial_rule", set_serial_rule, ("number",), _serial_rules, _once(set_serial_rule)
    ),
    "sources": Kind(
        "Approved sources",
        "approve_source",
        approve_source,
        ("part", "supplier", "number"),
        _sources,
        _once(approve_source),
    ),
    "qualifications": _records("Qualifications", define_qualification, Qualification, "key"),
    "qualified": Kind(
        "Qualified people",
        "qualify_person",
        qualify_person,
        ("person", "qualification", "since"),
        _qualified,
        _once(qualify_person),
    ),
    "fault-codes": _records("Fault codes", define_fault_code, FaultCode, "key"),
    "cause-codes": _records("Cause codes", define_cause_code, CauseCode, "key"),
    "bom": _together("Bills of material", set_bom, "assembly", BomRow, "part", _bom),
    "routes": _together("Routes", set_route, "part", RouteRow, "number", _routes),
    "substitutes": Kind(
        "Substitutes",
        "approve_substitute",
        approve_substitute,
        ("assembly", "part", "substitute"),
        _substitutes,
        _once(approve_substitute),
    ),
    "characteristics": _together(
        "Characteristics",
        set_characteristics,
        "part",
        CharacteristicRow,
        "step_number name",
        _fields(Characteristic, CharacteristicRow, "part"),
    ),
    "sample-rules": _together("Sample tests", set_sample_rules, "number", SampleRow, "name", _sample_rules),
    "panels": _together("Panels", set_panel, "panel", PanelRow, "number", _fields(PanelPlace, PanelRow, "panel")),
    "packing": _together(
        "What belongs in a carton",
        set_packing,
        "product",
        PackingRow,
        "part",
        _fields(PackingLine, PackingRow, "product"),
    ),
    "placements": Kind(
        "Placements", "enter_placements", PlacementRow, ("assembly", "designator"), _placements, _place, "assembly"
    ),
    "inspection-plans": _together(
        "Inspection plans",
        set_inspection,
        "part",
        InspectionRow,
        "name",
        _fields(PlannedInspection, InspectionRow, "part"),
    ),
    "costs": Kind(
        "Standard costs", "set_costs", DatedCost, ("part", "since"), _fields(StandardCost, DatedCost, "part"), _cost
    ),
    "rates": Kind(
        "Hourly rates", "set_costs", DatedRate, ("station", "since"), _fields(HourlyRate, DatedRate, "station"), _rate
    ),
}
"""The lists, in the order in which one needs another."""
