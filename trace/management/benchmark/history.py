"""The invented plant's history as rows of the project's own tables.

Ids are given here, so that other databases can be filled from the same rows: board `i` (from 0) has unit id `i + 1`,
its passes are `3 i + 1` to `3 i + 3`.
"""

from __future__ import annotations

import json
import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cached_property
from typing import Any

from django.db.models import Model

from trace.core.clock import DAY, from_ticks
from trace.core.models import Person
from trace.core.permissions import Role
from trace.engineering.models import BomLine, Designator, Part, Site, Station, Step
from trace.floor.draws import length_class
from trace.floor.models import Carton, Consignment, Customer, Fitting, Packing, Pass, Shipment, Unit, WorkOrder
from trace.genealogy.suspicion import Window
from trace.management.benchmark.plan import FINAL, INSERT, PLACE, STATIONS, TAKT, TEST, FeedPlan, Line
from trace.management.benchmark.supply import Supply
from trace.material.models import Axis, Container, Derivation, Feed, FeedRecord, Lot, SetUp, SetUpLine, Span, Supplier

BOARDS_IN_PRODUCT, PRODUCTS_IN_CARTON, CARTONS_IN_SHIPMENT, CUSTOMERS, ORDER = 5, 8, 4, 200, 1_000
FITTED, PACKED, SHIPPED = 98, 90, 85
"""Percent of the boards that have come so far."""
REPAIRED = 0.05
INSERTED = 600_000_000
"""Microseconds from when a board is due at the first station to when it is inserted at the second."""
DEPTH = 6
"""Levels of assemblies above the product, for the units of the deep window."""
RELEASED = datetime(2025, 1, 6, tzinfo=UTC)
"""When what is built was released, and ordered."""


@dataclass(frozen=True)
class Rows:
    """Rows of one model: `names` are its fields, every other field has its default."""

    model: type[Model]
    names: Sequence[str]
    rows: Iterator[tuple[Any, ...]]


@dataclass(frozen=True)
class Question:
    """One suspicion: ids of lots and of containers, and what passed a station in windows."""

    name: str
    lots: tuple[int, ...] = ()
    containers: tuple[int, ...] = ()
    windows: tuple[Window, ...] = ()


class History:
    """A plant that has built so many boards (40 or more)."""

    def __init__(self, boards: int, seed: int = 1) -> None:
        self.line = Line(boards, seed)
        self.supply = Supply(self.line)
        self.boards, self.seed = boards, seed
        self.products = boards * FITTED // 100 // BOARDS_IN_PRODUCT
        self.board_part = len(self.line.feeds) + 1
        self.product_part = self.board_part + 1

    # Who is in what ------------------------------------------------------------------------------------------------

    @cached_property
    def repairs(self) -> dict[int, tuple[FeedPlan, str]]:
        """Board → the place that was repaired, and its feed."""
        chance = random.Random(f"{self.seed} repairs")
        places = [(plan, name) for plan in self.line.feeds for name in plan.designators]
        return {i: chance.choice(places) for i in range(self.boards) if chance.random() < REPAIRED}

    def bag_for(self, plan: FeedPlan, board: int) -> int:
        """The container that a repair of this board took its part from: of the lot then in use."""
        return self.supply.bags[self.supply.reels[plan.id][board // plan.reel].lot]

    @cached_property
    def deep(self) -> range:
        """Products that are nested deep: those of the boards of one reel in the middle, and some around."""
        reel = self.line.feeds[2].reel
        middle = self.boards // 2 // reel * reel
        return range((middle - reel // 2) // BOARDS_IN_PRODUCT, (middle + reel * 3 // 2) // BOARDS_IN_PRODUCT)

    def product_id(self, product: int) -> int:
        return self.boards + 1 + product

    def above(self, product: int) -> list[int]:
        """Ids of the units that a product is in, the inmost first."""
        if product not in self.deep:
            return []
        first = self.boards + self.products + 1 + (product - self.deep.start) * DEPTH
        return list(range(first, first + DEPTH))

    def outermost(self, product: int) -> int:
        return [self.product_id(product), *self.above(product)][-1]

    def fitted_at(self, product: int) -> int:
        return self.line.moment((product + 1) * BOARDS_IN_PRODUCT - 1, 3600)

    # What is asked -------------------------------------------------------------------------------------------------

    @cached_property
    def questions(self) -> list[Question]:
        typical, bad, single = self.line.feeds[:3]
        return [
            Question("typical lot", lots=(self._lot_at(typical, self.boards // 3),)),
            Question("bad lot", lots=(self._lot_at(bad, self.boards * 2 // 5),)),
            self.one_container,
            Question("deep nesting", containers=(self._reel_at(single, self.boards // 2),)),
        ]

    @property
    def one_container(self) -> Question:
        return Question("one container", containers=(self._reel_at(self.line.feeds[2], self.boards // 4),))

    @property
    def process_window(self) -> Question:
        """What was inside at the second station while two thousand boards, or a third of all, came in there; a row per
        part knows no stations."""
        since = self.line.start + self.boards // 3 * TAKT + INSERTED
        until = since + min(2_000, self.boards // 3) * TAKT
        return Question("process window", windows=(Window(INSERT + 1, since, until),))

    @property
    def contained(self) -> Question:
        """What is in the plant still: the last lot of a feed, a tenth of all boards, and a reel whose boards are
        packed."""
        feed = self.line.feeds[1]
        packed = self._reel_at(feed, self.boards * (SHIPPED + 1) // 100)
        return Question("contained", lots=(self._lot_at(feed, self.boards - 1),), containers=(packed,))

    @property
    def asked_product(self) -> str:
        """The key of a finished, shipped product with 750 parts."""
        return f"PRODUCT-{self.products * 3 // 5:08}"

    def _reel_at(self, plan: FeedPlan, board: int) -> int:
        return self.supply.reels[plan.id][board // plan.reel].id

    def _lot_at(self, plan: FeedPlan, board: int) -> int:
        return self.supply.reels[plan.id][board // plan.reel].lot

    # Rows ------------------------------------------------------------------------------------------------------------

    def tables(self) -> Iterator[Rows]:
        """Every table, those that others point to first."""
        yield from self._master()
        yield from self._material()
        yield from self._units()
        yield from self._dispatch()

    def _master(self) -> Iterator[Rows]:
        feeds, part = self.line.feeds, self.board_part
        levels = [(self.product_part + n, f"SYSTEM-{n}", "product", 2 + n) for n in range(1, DEPTH + 1)]
        made = [(part, "BOARD", "assembly", 1), (part + 1, "PRODUCT", "product", 2), *levels]
        yield Rows(Person, ["id", "key", "name", "roles"], iter([(1, "ANN", "Ann", json.dumps(Role.values))]))
        yield Rows(Site, ["id", "key", "name"], iter([(1, "PLANT", "The plant")]))
        yield Rows(
            Part,
            ["id", "key", "number", "name", "kind", "level", "serialised", "released"],
            iter(
                [
                    (f.id, f"PART-{f.id:03}", f"PART-{f.id:03}", "A component", "component", 0, False, None)
                    for f in feeds
                ]
                + [(pk, key, key, key.title(), kind, level, True, RELEASED) for pk, key, kind, level in made]
            ),
        )
        yield Rows(
            Station,
            ["id", "key", "name", "site", "counts_cycles"],
            iter((n + 1, key, key.title(), 1, n == INSERT) for n, key in enumerate(STATIONS)),
        )
        steps = [(part, 10 * (n + 1), n + 1) for n in (PLACE, INSERT, TEST)]
        steps += [(pk, 10, FINAL + 1) for pk, *_ in made[1:]]
        names = {n + 1: name.title() for n, name in enumerate(STATIONS)}
        yield Rows(
            Step,
            ["id", "part", "number", "name"],
            iter((n, of, number, names[station]) for n, (of, number, station) in enumerate(steps, 1)),
        )
        at = Step.stations.through
        yield Rows(at, ["step", "station"], iter((n, station) for n, (_, _, station) in enumerate(steps, 1)))
        lines = [(part, f.id, 1, 0, f.designators, 10 * (f.station + 1)) for f in feeds]
        lines.append((part + 1, part, 2, 1, tuple(f"M{n + 1}" for n in range(BOARDS_IN_PRODUCT)), 10))
        lines += [(part + 1 + n, part + n, 2 + n, 1 + n, ("S1",), 10) for n in range(1, DEPTH + 1)]
        yield Rows(
            BomLine,
            ["id", "parent", "child", "parent_level", "child_level", "number", "quantity"],
            iter((n, up, down, high, low, n, len(d)) for n, (up, down, high, low, d, _) in enumerate(lines, 1)),
        )
        yield Rows(
            Designator,
            ["parent", "line", "name", "step_number"],
            iter((up, n, name, step) for n, (up, _, _, _, d, step) in enumerate(lines, 1) for name in d),
        )

    def _material(self) -> Iterator[Rows]:
        feeds, supply, moment = self.line.feeds, self.supply, self.line.moment
        axis_of = {feed.id: feed.station + 1 for feed in feeds}
        yield Rows(Supplier, ["id", "key", "name"], iter([(1, "ACME", "Acme")]))
        yield Rows(
            Lot,
            ["id", "key", "supplier", "part", "number", "date_code", "received"],
            iter(
                (n, f"LOT-{n:07}", 1, feed, f"N{n:07}", f"{2400 + feed % 52}", from_ticks(received))
                for n, (feed, received) in enumerate(supply.lots, 1)
            ),
        )
        yield Rows(
            Container,
            ["id", "key", "part", "lot", "own", "received"],
            iter((b.id, f"C{b.id:08}", b.feed, b.lot, b.source is None, b.received) for b in supply.boxes),
        )
        yield Rows(
            Derivation,
            ["result", "source", "deed", "at", "by", "recorded"],
            iter((b.id, b.source, "split", b.received, 1, b.received) for b in supply.boxes if b.source),
        )
        yield Rows(
            Axis, ["id", "kind", "station"], iter([(1, Axis.Kind.CLOCK, PLACE + 1), (2, Axis.Kind.COUNT, INSERT + 1)])
        )
        yield Rows(Feed, ["id", "key", "axis"], iter((f.id, f"FEED-{f.id:03}", axis_of[f.id]) for f in feeds))
        yield Rows(
            SetUp,
            ["id", "key", "assembly", "axis", "first"],
            iter(
                [
                    (1, "PLACE-1", self.board_part, 1, moment(0, -86_400)),
                    (2, "INSERT-1", self.board_part, 2, 0),
                ]
            ),
        )
        yield Rows(
            SetUpLine,
            ["setup", "feed", "designator"],
            iter((f.station + 1, f.id, name) for f in feeds for name in f.designators),
        )
        yield Rows(
            FeedRecord,
            ["id", "feed", "act", "container", "first", "last", "lead", "tolerance", "happened", "by", "recorded"],
            iter(
                (
                    r.id, feed, r.act, r.container, r.first, r.last,
                    *((r.lead, r.tolerance) if r.act == "splice" else (None, None)), r.happened, 1, r.happened,
                )
                for feed, records in supply.records.items()
                for r in records
            ),
        )  # fmt: skip
        yield Rows(
            Span,
            ["feed", "axis", "container", "first", "end", "since", "until", "oldest", "recorded"],
            iter(
                (feed, axis_of[feed], s.container, s.first, s.end, s.since, s.until, s.oldest, s.since)
                for feed, spans in supply.spans.items()
                for s in spans
            ),
        )

    def _units(self) -> Iterator[Rows]:
        moment = self.line.moment
        orders = range(-(-self.boards // ORDER))
        deep = len(self.deep)
        yield Rows(
            WorkOrder,
            ["id", "key", "part", "site", "quantity", "released"],
            iter(
                [
                    (n + 1, f"WO-{n:05}", self.board_part, 1, ORDER, from_ticks(moment(n * ORDER, -90_000)))
                    for n in orders
                ]
                + [
                    (len(orders) + 1 + n, f"WO-P{n}", self.product_part + n, 1, self.products if n == 0 else deep,
                     RELEASED)
                    for n in range(DEPTH + 1)
                ]
            ),
        )  # fmt: skip
        yield Rows(Unit, ["id", "key", "part", "order", "created", "by_designator"], self._unit_rows(len(orders)))
        yield Rows(
            Pass,
            [
                "id", "unit", "step", "station", "assembly", "axis", "first", "last", "length_class", "began", "ended",
                "scanned_in", "scanned_out", "outcome", "by", "recorded", "closed",
            ],
            self._pass_rows(),
        )  # fmt: skip
        yield Rows(
            Fitting,
            [
                "unit", "designator", "holds", "container", "child", "parent_level", "child_level", "since", "reason",
                "by", "recorded",
            ],
            self._fitting_rows(),
        )  # fmt: skip

    def _unit_rows(self, orders: int) -> Iterator[tuple[Any, ...]]:
        line, repairs, part = self.line, self.repairs, self.board_part
        for i in range(self.boards):
            yield i + 1, f"BOARD-{i:08}", part, i // ORDER + 1, line.enter(i) - 60_000_000, i in repairs
        for p in range(self.products):
            yield self.product_id(p), f"PRODUCT-{p:08}", part + 1, orders + 1, line.moment(p * 5), False
        for p in self.deep:
            for n, pk in enumerate(self.above(p), 1):
                yield pk, f"SYSTEM-{n}-{p:08}", part + 1 + n, orders + 1 + n, line.moment(p * 5), False

    def _pass_rows(self) -> Iterator[tuple[Any, ...]]:
        line, start, board, number = self.line, self.line.start, self.board_part, 1
        for i in range(self.boards):
            first, last = line.range_of(PLACE, i)
            yield (
                number, i + 1, 1, 1, board, 1, first, last, length_class(first, last), first, last, first, last,
                "passed", 1, last, last,
            )  # fmt: skip
            first, last = line.range_of(INSERT, i)
            into = start + i * TAKT + INSERTED
            out = into + 20_000_000
            yield (
                number + 1, i + 1, 2, 2, board, 2, first, last, length_class(first, last), into, out, into, out,
                "passed", 1, out, out,
            )  # fmt: skip
            into, out = into + 600_000_000, out + 600_000_000
            yield (
                number + 2, i + 1, 3, 3, board, None, into, out, 25, into, out, into, out, "passed", 1, out, out,
            )  # fmt: skip
            number += 3
        for p in range(self.products):
            for level, unit in enumerate([self.product_id(p), *self.above(p)]):
                into = self.fitted_at(p) + (100 * level + 50) * 1_000_000
                out = into + 40_000_000
                yield (
                    number, unit, 4 + level, 4, board + 1 + level, None, into, out, 26, into, out, into, out,
                    "passed", 1, out, out,
                )  # fmt: skip
                number += 1

    def _fitting_rows(self) -> Iterator[tuple[Any, ...]]:
        for i, (plan, designator) in self.repairs.items():
            when = self.line.moment(i, 1500)
            yield i + 1, designator, "container", self.bag_for(plan, i), None, 1, None, when, "Test failed", 1, when
        for p in range(self.products):
            when = self.fitted_at(p)
            for n in range(BOARDS_IN_PRODUCT):
                board = p * BOARDS_IN_PRODUCT + n + 1
                yield self.product_id(p), f"M{n + 1}", "child", None, board, 2, 1, when, "", 1, when
            inner = self.product_id(p)
            for level, outer in enumerate(self.above(p), 1):
                then = when + 100_000_000 * level
                yield outer, "S1", "child", None, inner, 2 + level, 1 + level, then, "", 1, then
                inner = outer

    def _dispatch(self) -> Iterator[Rows]:
        packed = self.boards * PACKED // 100 // BOARDS_IN_PRODUCT
        cartons = -(-packed // PRODUCTS_IN_CARTON)
        shipments = self.boards * SHIPPED // 100 // BOARDS_IN_PRODUCT // PRODUCTS_IN_CARTON // CARTONS_IN_SHIPMENT
        boards = BOARDS_IN_PRODUCT * PRODUCTS_IN_CARTON

        def made(carton: int) -> int:
            return self.line.moment((carton + 1) * boards, 7200)

        def sent(shipment: int) -> int:
            return made((shipment + 1) * CARTONS_IN_SHIPMENT) + DAY

        yield Rows(
            Customer, ["id", "key", "name"], iter((n + 1, f"CUST-{n}", f"Customer {n}") for n in range(CUSTOMERS))
        )
        yield Rows(Carton, ["id", "key", "made"], iter((n + 1, f"CARTON-{n:07}", made(n)) for n in range(cartons)))
        yield Rows(
            Packing,
            ["unit", "carton", "since", "by", "recorded"],
            iter(
                (self.outermost(p), p // PRODUCTS_IN_CARTON + 1, when, 1, when)
                for p in range(packed)
                for when in [made(p // PRODUCTS_IN_CARTON)]
            ),
        )
        yield Rows(
            Shipment,
            ["id", "key", "customer", "opened", "departed"],
            iter((n + 1, f"SHIP-{n:06}", n * 7 % CUSTOMERS + 1, sent(n) - 3600, sent(n)) for n in range(shipments)),
        )
        yield Rows(
            Consignment,
            ["carton", "shipment", "since"],
            iter((n + 1, n // CARTONS_IN_SHIPMENT + 1, made(n)) for n in range(shipments * CARTONS_IN_SHIPMENT)),
        )
