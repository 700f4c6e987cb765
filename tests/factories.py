"""A tiny plant for tests, and the pieces to make another: master data by hand, the rest through the operations.

    plant = Plant()                        # parts, routes, stations, a supplier, the plant itself, Ann
    reel = plant.reel("CB-1")              # a reel of resistors of a lot of its own
    plant.do(load_feed, 5, feed=plant.slot_r, container=reel)      # five minutes after START
    board, = plant.boards(1)
    plant.run(board, plant.insertion, 6, 7)                        # in at minute 6, out at minute 7

Two boards' worth of parts: BOARD has R1 and R2 (the same resistor, from one slot) and C1 (a capacitor, from another);
PRODUCT has M1 (a board) and F1 (a fuse, fitted by hand).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from functools import cache
from itertools import count
from typing import Any

from tests.built_once import built_once
from trace.core.clock import to_ticks
from trace.core.models import Person
from trace.core.permissions import Role
from trace.engineering.models import BomLine, Designator, Part, ScanMode, Site, Station, Step, Substitute
from trace.floor.models import Carton, Pass, Unit
from trace.floor.operations.cartons import close_carton
from trace.floor.operations.changeovers import start_setup
from trace.floor.operations.dispatch import pack_units
from trace.floor.operations.orders import release_order
from trace.floor.operations.passes import finish_pass, start_pass
from trace.material.models import Container, Feed, Lot, SetUp, Span, Supplier
from trace.material.operations.setups import define_feed
from trace.material.operations.stock import define_supplier, receive_lot

START = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)
"""A Monday morning: minute 0 of every tiny plant."""

_numbers = count(1)


def moment(minutes: float = 0) -> datetime:
    """So many minutes after START."""
    return START + timedelta(minutes=minutes)


def ticks(minutes: float = 0) -> int:
    """The clock axis' position so many minutes after START."""
    return to_ticks(moment(minutes))


def new_key(prefix: str) -> str:
    """A key that no other call gave."""
    return f"{prefix}-{next(_numbers):04}"


def make_person(key: str = "", *, machine: bool = False, roles: Sequence[str] = Role.values) -> Person:
    """Somebody who may do everything, unless told otherwise."""
    key = key or new_key("P")
    return Person.objects.create(key=key, name=key.title(), is_machine=machine, roles=list(roles))


def make_site(key: str = "PLANT") -> Site:
    site, _ = Site.objects.get_or_create(key=key, defaults={"name": "The plant"})
    return site


def make_station(
    key: str = "", *, mode: str = ScanMode.GATED, counts_cycles: bool = False, work_seconds: int = 0, **details: Any
) -> Station:
    key = key or new_key("ST")
    return Station.objects.create(
        key=key,
        name=key.title(),
        site=make_site(),
        scan_mode=mode,
        counts_cycles=counts_cycles,
        work_seconds=work_seconds,
        **details,
    )


def make_part(key: str = "", *, kind: str = Part.Kind.COMPONENT, cost: str = "0", **details: Any) -> Part:
    """A purchased part, tracked by lot unless `serialised`."""
    key = key or new_key("PART")
    return Part.objects.create(key=key, number=key, name=key.title(), kind=kind, standard_cost=Decimal(cost), **details)


def make_assembly(
    key: str = "",
    *,
    places: Mapping[str, Part],
    route: Mapping[int, Sequence[Station]],
    kind: str = Part.Kind.ASSEMBLY,
    **details: Any,
) -> Part:
    """A serialised assembly: {designator: part} makes its BOM, a line per part; {step number: stations} its route.

    Its level is one above its highest child's; every designator is filled at the first step.
    """
    key = key or new_key("ASSY")
    level = 1 + max((part.level for part in places.values()), default=0)
    assembly = Part.objects.create(
        key=key, number=key, name=key.title(), kind=kind, level=level, serialised=True,
        **{"released": START, **details},
    )  # fmt: skip
    for number, child in enumerate(dict.fromkeys(places.values()), 1):
        names = [name for name, part in places.items() if part == child]
        line = BomLine.objects.create(
            parent=assembly,
            child=child,
            parent_level=level,
            child_level=child.level,
            number=number * 10,
            quantity=len(names),
        )
        for name in names:
            Designator.objects.create(parent=assembly, line=line, name=name, step_number=min(route, default=None))
    for number, stations in route.items():
        step = Step.objects.create(part=assembly, number=number, name=f"Step {number}")
        step.stations.set(stations)
    return assembly


def approve_substitute(assembly: Part, designator: str, part: Part) -> Substitute:
    """`part` may go where the line of this designator asks for another."""
    return Substitute.objects.create(line=assembly.designators.get(name=designator).line, part=part)


class Plant:
    """The tiny plant; see the module. What is not given here is made with the functions above."""

    def __init__(self, *, mode: str = ScanMode.GATED, counts_cycles: bool = False, work_seconds: int = 0) -> None:
        """The arguments are of the insertion station."""
        vars(self).update(_plants(mode, counts_cycles, work_seconds)())

    def _build(self, mode: str, counts_cycles: bool, work_seconds: int) -> dict[str, Any]:
        self.site = make_site()
        self.ann = make_person("ANN")
        self.supplier: Supplier = self.do(define_supplier, key="ACME", name="Acme")
        self.plant: Supplier = self.do(define_supplier, key="OWN", name="The plant", is_plant=True)
        self.insertion = make_station("INSERT", mode=mode, counts_cycles=counts_cycles, work_seconds=work_seconds)
        self.test = make_station("TEST")
        self.final = make_station("FINAL")
        self.resistor = make_part("RES")
        self.capacitor = make_part("CAP")
        self.fuse = make_part("FUSE")
        self.board = make_assembly(
            "BOARD",
            places={"R1": self.resistor, "R2": self.resistor, "C1": self.capacitor},
            route={10: [self.insertion], 20: [self.test]},
        )
        self.product = make_assembly(
            "PRODUCT",
            places={"M1": self.board, "F1": self.fuse},
            route={10: [self.final]},
            kind=Part.Kind.PRODUCT,
        )
        self.slot_r: Feed = self.do(define_feed, key="SLOT-R", station=self.insertion)
        self.slot_c: Feed = self.do(define_feed, key="SLOT-C", station=self.insertion)
        self.setup: SetUp = self.do(
            start_setup,
            key="SETUP",
            station=self.insertion,
            assembly=self.board,
            feeds={"R1": self.slot_r, "R2": self.slot_r, "C1": self.slot_c},
            position=0 if counts_cycles else None,
        )
        return vars(self)

    def do(self, operation: Callable[..., Any], minute: float = 0, **arguments: Any) -> Any:
        """Carry out an operation as Ann, so many minutes after START."""
        return operation(**{"by": self.ann, "at": moment(minute), **arguments})

    def reel(
        self, key: str = "", part: Part | None = None, *, minute: float = 0, lot: str = "", **details: Any
    ) -> Container:
        """A container of a part (a resistor), of the lot with that key, or of one of its own."""
        key = key or new_key("CB")
        lot = lot or f"LOT-{key}"
        self.lot(lot, part, containers=[(key, details.pop("quantity", None))], minute=minute, **details)
        return Container.objects.select_related("lot", "part").get(key=key)

    def lot(self, key: str = "", part: Part | None = None, *, minute: float = 0, **details: Any) -> Lot:
        """A lot of a part (a resistor); `containers` as `receive_lot` has them."""
        key = key or new_key("LOT")
        arguments = {"number": f"N-{key}", "supplier": self.supplier, "containers": [], **details}
        return self.do(receive_lot, minute, key=key, part=part or self.resistor, **arguments)

    def units(self, part: Part, number: int = 1, *, minute: float = 0) -> list[Unit]:
        """Units of a new order, in the order of their serials."""
        order = self.do(
            release_order,
            minute,
            key=new_key("WO"),
            part=part,
            site=self.site,
            serials=[new_key("SN") for _ in range(number)],
        )
        return list(order.units.select_related("part").order_by("pk"))

    def boards(self, number: int = 1, *, minute: float = 0) -> list[Unit]:
        return self.units(self.board, number, minute=minute)

    def products(self, number: int = 1, *, minute: float = 0) -> list[Unit]:
        return self.units(self.product, number, minute=minute)

    def run(self, unit: Unit, station: Station, begin: float, end: float, **details: Any) -> Pass:
        """In at a minute and out at another; `position` and `setup` go to the scan in, the rest to the scan out."""
        entry = {name: details.pop(name) for name in ("position", "setup") if name in details}
        self.do(start_pass, begin, unit=unit, station=station, **entry)
        return self.do(finish_pass, end, unit=unit, **details)

    def carton(self, units: Sequence[Unit], minute: float, key: str = "") -> Carton:
        """Finished units packed in a carton that is closed."""
        carton: Carton = self.do(pack_units, minute, carton=key or new_key("CT"), units=units)
        return self.do(close_carton, minute, carton=carton)

    def finish(self, unit: Unit, minute: float = 0) -> Unit:
        """The unit through all of its route, half a minute at each step."""
        for step in unit.part.steps.order_by("number"):
            self.run(unit, step.stations.get(), minute, minute + 0.5)
            minute += 1
        return unit


def spans_of(feed: Feed) -> list[tuple[int, int, str | None]]:
    """(first, end, container key or None for unknown) of the feed's standing spans, in order."""
    spans = Span.objects.filter(feed=feed, superseded=None).select_related("container").order_by("first", "end", "id")
    return [(span.first, span.end, span.container.key if span.container else None) for span in spans]


def candidates_at(feed: Feed, first: int, last: int | None = None) -> set[str | None]:
    """Keys of what the feed may have given at a position, or somewhere in a range; None is unknown."""
    last = first if last is None else last
    return {key for start, end, key in spans_of(feed) if start <= last and first < end}


@cache
def _plants(mode: str, counts_cycles: bool, work_seconds: int) -> Callable[[], dict[str, Any]]:
    """What makes such plants."""
    return built_once(lambda: Plant.__new__(Plant)._build(mode, counts_cycles, work_seconds))
