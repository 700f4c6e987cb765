"""Which units carry what is suspect, as data: what the command and the API give.

One object, stable in shape (moments ISO 8601 with the plant's offset, money and
quantities as text, ticks never):

    suspicion   lots [{key, number, part, supplier, date_code}], containers [{key, part, lot}],
                passed [{station, since, until}]; of a containment its key, problem and
                terms [{number, joined, kind, subject, evidence, words, adds {certain, possible, cleared, stock}}]
    at, known   the moment looked at, and that as known on which; null for now
    sentence    the answer in words
    counts      units (certain and possible), certain, possible, cleared, shipped, customers;
                of outermost units
    places      {kind of place: units}
    customers   [{key, name, certain, possible}], of shipped units
    carriers    [{key, part, sureness, reasons, top, direct,
                where {kind, key, customer, customer_name, carton, pallet, shipment, since, step, begun, words}}]:
                every unit, boards and assemblies alike, and where its outermost unit is
    stock       [{kind, key, part, lot, where, quantity, wholly}]
    cost        currency, scrap and rework: each {total, certain, possible, in_plant, shipped,
                lines [{what, sureness, place, count, quantity, price, minutes, rate, amount}]};
                of a containment every way out (scrap, rework, sort, sort_possible, use_as_is), by its own rates
"""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from functools import cached_property
from typing import Any

from trace.containment.holding import leave_out_used
from trace.containment.joining import trace_each
from trace.containment.models import Containment
from trace.containment.population import list_terms, reckon
from trace.containment.rates import rates_of
from trace.containment.terms import describe_term
from trace.containment.words import name_terms
from trace.core.moments import BadMoment
from trace.costing.containments import summarise_ways
from trace.costing.grouped import get_currency
from trace.costing.queries import summarise_rework, summarise_scrap
from trace.costing.rules import Cost, CostLine, CostPlace
from trace.engineering.models import Station
from trace.engineering.queries import get_station
from trace.exchange.plant_time import PlantTime
from trace.genealogy.forward import Carrier, Population, Summary, group_shipped, summarise_population, trace_forward
from trace.genealogy.rules import CARRYING, Sureness
from trace.genealogy.stock import StockItem, list_population_stock
from trace.genealogy.suspicion import Suspicion, Window
from trace.material.models import Container, Lot

CSV_COLUMNS = "key part sureness reasons outermost own_place place at customer step since".split()  # noqa: SIM905


def read_window(station: str, since: str, until: str) -> tuple[Station, int, int]:
    """The work at a station from a moment to another. Refuses with BadMoment, NotFound."""
    first, end = PlantTime().read(since), PlantTime().read(until)
    if first >= end:
        raise BadMoment(f"{since} is not before {until}.", action="Give the earlier moment first.")
    return get_station(station), first, end


class PopulationAnswer:
    """A population and what to say of it, each part asked of the database once and when it is wanted, inside `as_known`
    where that is not now; and the shapes it is given in. `suspicion` and `subject`, of the sentence, say what it is of;
    `known` in microseconds."""

    def __init__(self, population: Population, suspicion: dict[str, Any], subject: str, known: int) -> None:
        self.population, self.suspicion, self.subject = population, suspicion, subject
        self.at, self.known, self.time = population.at, known, PlantTime()
        self.summary: Summary = summarise_population(self.population)

    @cached_property
    def stock(self) -> list[StockItem]:
        return list_population_stock(self.population)

    @cached_property
    def scrap(self) -> Cost:
        return summarise_scrap(self.population)

    @cached_property
    def rework(self) -> Cost:
        return summarise_rework(self.population)

    @property
    def costs(self) -> dict[str, Cost]:
        """What becomes of it, by its name: what that costs."""
        return {"scrap": self.scrap, "rework": self.rework}

    @property
    def sentence(self) -> str:
        return self.summary.sentence(self.subject)

    def customers(self) -> list[tuple[str, str, int, int]]:
        """(key, name, certain, possible) of the customers that have carriers, most first."""
        counted = []
        for key, tops in group_shipped(self.population).items():
            certain, possible = (sum(top.sureness == one for top in tops) for one in CARRYING)
            counted.append((key, tops[0].where.customer_name, certain, possible))
        return sorted(counted, key=lambda row: (-row[2] - row[3], row[0]))

    def as_rows(self) -> Iterator[list[object]]:
        """A row of CSV_COLUMNS per carrier."""
        for c in self.population.carriers:
            yield [
                c.key, c.part, c.sureness.value, " ".join(c.reasons), c.top, "yes" if c.direct else "no",
                c.where.kind.value, c.where.key, c.where.customer, c.where.step or "",
                self.time.iso(c.where.since) if c.where.since else "",
            ]  # fmt: skip

    def as_data(self, *, costs: bool = True) -> dict[str, Any]:
        """All of it, as the module says; without `costs` for those who may not see them."""
        s = self.summary
        data: dict[str, Any] = {
            "suspicion": self.suspicion,
            "at": self.time.iso(self.at),
            "known": self.time.iso(self.known),
            "sentence": self.sentence,
            "counts": {
                "units": s.units,
                "certain": s.certain,
                "possible": s.possible,
                "cleared": s.cleared,
                "shipped": s.shipped,
                "customers": s.customers,
            },
            "places": s.places,
            "customers": [
                dict(zip(("key", "name", "certain", "possible"), row, strict=True)) for row in self.customers()
            ],
            "carriers": [self._carrier(carrier) for carrier in self.population.carriers],
            "stock": [_stock(item) for item in self.stock],
        }
        if costs:
            data["cost"] = {"currency": get_currency(), **{name: _cost(cost) for name, cost in self.costs.items()}}
        return data

    def _carrier(self, carrier: Carrier) -> dict[str, Any]:
        where = carrier.where
        return {
            "key": carrier.key,
            "part": carrier.part,
            "sureness": carrier.sureness,
            "reasons": carrier.reasons,
            "top": carrier.top,
            "direct": carrier.direct,
            "where": {
                **vars(where),
                "since": self.time.iso(where.since) if where.since else None,
                "words": str(where),
            },
        }


class ForwardAnswer(PopulationAnswer):
    """The answer about lots, containers and work at stations."""

    def __init__(
        self,
        lots: list[Lot],
        containers: list[Container],
        passed: list[tuple[Station, int, int]],
        at: str | None,
        known: int,
    ) -> None:
        time = PlantTime()
        windows = [Window(station.pk, since, until) for station, since, until in passed]
        population = trace_forward(Suspicion.of(lots=lots, containers=containers, windows=windows), time.read(at))
        work = [f"work at {station.key} {time.between(since, until)}" for station, since, until in passed]
        suspicion = {
            "lots": [
                {
                    "key": lot.key,
                    "number": lot.number,
                    "part": lot.part.key,
                    "supplier": lot.supplier.key,
                    "date_code": lot.date_code,
                }
                for lot in lots
            ],
            "containers": [{"key": c.key, "part": c.part.key, "lot": c.lot.key} for c in containers],
            "passed": [
                {"station": station.key, "since": time.iso(since), "until": time.iso(until)}
                for station, since, until in passed
            ],
        }
        super().__init__(population, suspicion, name_suspects(lots, containers, work), known)
        self.lots, self.containers, self.passed = lots, containers, passed


class AlarmAnswer(PopulationAnswer):
    """The answer about what a containment suspects."""

    def __init__(self, containment: Containment, at: str | None, known: int) -> None:
        time, terms = PlantTime(), list_terms(containment)
        told = [
            {
                **{name: getattr(term, name) for name in ("number", "joined", "kind", "subject", "evidence")},
                "words": describe_term(term),
                "adds": {name: getattr(added, name) for name in ("certain", "possible", "cleared", "stock")},
            }
            for (_, term), added in zip(terms, trace_each([term for _, term in terms], time.read(at)), strict=True)
        ]
        suspicion = {"containment": containment.key, "problem": containment.problem, "terms": told}
        super().__init__(reckon(containment, time.read(at)), suspicion, name_terms(terms), known)
        self.containment = containment

    @property
    def costs(self) -> dict[str, Cost]:
        """Each way out, as its page and its report have it."""
        left = leave_out_used(self.containment, self.population)
        ways = summarise_ways(left, rates_of(self.containment))
        return {way.value.replace(" ", "_"): cost for way, cost in ways.costs.items()}

    @property
    def sentence(self) -> str:
        return super().sentence if self.suspicion["terms"] else "Nothing is suspect yet."


def name_suspects(lots: list[Lot], containers: list[Container], work: list[str]) -> str:
    """What is asked about, as the subject of a sentence."""
    *others, last = [f"lot {lot.key}" for lot in lots] + [f"container {container.key}" for container in containers] or [
        ""
    ]
    material = f"material of {', '.join(others)} and {last}" if others else f"material of {last}" if work else last
    subject = " or ".join([*([material] if last else []), *work])
    return subject[0].upper() + subject[1:]


def _stock(item: StockItem) -> dict[str, Any]:
    names = ("kind", "key", "part", "lot", "where", "wholly")
    return {**{name: getattr(item, name) for name in names}, "quantity": _text(item.quantity)}


def _text(amount: Decimal | None) -> str | None:
    """Money or a quantity, to the last digit: a number of JSON's would round it."""
    return None if amount is None else f"{amount:f}"


def _cost(cost: Cost) -> dict[str, Any]:
    return {
        "total": _text(cost.total),
        "certain": _text(cost.by_sureness[Sureness.CERTAIN]),
        "possible": _text(cost.by_sureness[Sureness.POSSIBLE]),
        "in_plant": _text(cost.by_place[CostPlace.IN_PLANT]),
        "shipped": _text(cost.by_place[CostPlace.SHIPPED]),
        "lines": [_line(line) for line in cost.lines],
    }


def _line(line: CostLine) -> dict[str, Any]:
    return {
        "what": str(line),
        "sureness": line.group.sureness,
        "place": line.group.place,
        "count": line.count,
        "quantity": _text(line.quantity),
        "price": _text(line.price),
        "minutes": _text(line.minutes),
        "rate": _text(line.rate),
        "amount": _text(line.amount),
    }
