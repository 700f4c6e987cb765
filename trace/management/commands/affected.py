"""`manage.py affected LOT…`: which units carry what is suspect, where they are, and what it costs.

What is suspect may also be the work at a station: `--passed STATION SINCE UNTIL`.

With `--json` one object, stable in shape (moments ISO 8601 with the plant's offset, money and
quantities as text, ticks never):

    suspicion   lots [{key, number, part, supplier, date_code}], containers [{key, part, lot}],
                passed [{station, since, until}]
    at, known   the moment looked at, and that as known on which; null for now
    sentence    the answer in words
    counts      units (certain and possible), certain, possible, cleared, shipped, customers;
                of outermost units
    places      {kind of place: units}
    customers   [{key, name, certain, possible}], of shipped units
    carriers    [{key, part, sureness, reasons, top, direct,
                where {kind, key, customer, customer_name, carton, since, step, begun, words}}]:
                every unit, boards and assemblies alike, and where its outermost unit is
    stock       [{kind, key, part, lot, where, quantity, wholly}]
    cost        currency, scrap and rework: each {total, certain, possible, in_plant, shipped,
                lines [{what, sureness, place, count, quantity, price, minutes, rate, amount}]}

With `--csv` a row per carrier.
"""

from __future__ import annotations

import csv
from argparse import RawDescriptionHelpFormatter
from collections import Counter, defaultdict
from collections.abc import Iterator
from itertools import chain
from textwrap import wrap
from typing import Any

from django.core.management.base import CommandParser

from trace.core.errors import NotFound
from trace.core.keys import read_label
from trace.costing.queries import summarise_rework, summarise_scrap
from trace.costing.rules import Cost, CostLine, CostPlace, round_money
from trace.engineering.models import Station
from trace.engineering.queries import get_station
from trace.genealogy.forward import Carrier, Population, Summary, summarise_population, trace_forward
from trace.genealogy.known import as_known
from trace.genealogy.rules import REASONS, Reason, Sureness
from trace.genealogy.stock import StockItem, list_stock
from trace.genealogy.suspicion import Suspicion, Window
from trace.genealogy.whereabouts import Place
from trace.management.answers import WIDTH, AnswerCommand, PlantTime, Refused, add_times, dump, natural, table
from trace.material.models import Container, Lot
from trace.material.queries import describe_lot, get_container, get_lot

CSV_COLUMNS = "key part sureness reasons outermost own_place place at customer step since".split()  # noqa: SIM905


class Command(AnswerCommand):
    help = (
        "Say which units carry a lot or a container, or passed a station in a window of time; "
        "how sure that is, where they are, and what it costs."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.formatter_class = RawDescriptionHelpFormatter
        parser.epilog = __doc__
        parser.add_argument("lots", nargs="*", metavar="LOT", help="a lot's key, or its supplier's lot number")
        parser.add_argument(
            "--container", action="append", default=[], metavar="KEY", help="a single reel, box or bag; repeatable"
        )
        parser.add_argument(
            "--passed", action="append", default=[], nargs=3, metavar=("STATION", "SINCE", "UNTIL"),
            help="whatever was at a station between two moments; repeatable",
        )  # fmt: skip
        add_times(parser)
        shape = parser.add_mutually_exclusive_group()
        shape.add_argument("--json", action="store_true", help="everything, as JSON; see below")
        shape.add_argument("--csv", action="store_true", help="the carriers, as CSV")

    def handle(self, *args: Any, **options: Any) -> None:
        if not options["lots"] and not options["container"] and not options["passed"]:
            raise Refused("Name a lot, a container with --container KEY, or a station with --passed.")
        known = PlantTime().read(options["known"])
        with as_known(known):
            lots = list({lot.pk: lot for lot in map(_lot, options["lots"])}.values())
            keys = dict.fromkeys(map(read_label, options["container"]))
            windows = [_window(*words) for words in options["passed"]]
            self._answer(Answer(lots, [get_container(key) for key in keys], windows, options["at"], known), options)

    def _answer(self, answer: Answer, options: dict[str, Any]) -> None:
        if options["json"]:
            self.stdout.write(dump(answer.as_data()))
        elif options["csv"]:
            writer = csv.writer(self.stdout, lineterminator="\n")
            writer.writerow(CSV_COLUMNS)
            writer.writerows(answer.as_rows())
        else:
            self.stdout.write("\n".join(answer.as_text()))


def _lot(text: str) -> Lot:
    """The lot that is meant; where there is none, how to ask about a container."""
    try:
        return get_lot(text)
    except NotFound as none:
        action = "Check the label; a single reel, box or bag is asked about by its own (--container KEY)."
        raise NotFound(none.message, action=action) from None


def _window(station: str, since: str, until: str) -> tuple[Station, int, int]:
    """The work at a station from a moment to another."""
    first, end = PlantTime().read(since), PlantTime().read(until)
    if first >= end:
        raise Refused(f"{since} is not before {until}: give the earlier moment first.")
    return get_station(station), first, end


class Answer:
    """The answer to one question, asked of the database once, and the shapes it is given in."""

    def __init__(
        self,
        lots: list[Lot],
        containers: list[Container],
        passed: list[tuple[Station, int, int]],
        at: str | None,
        known: int,
    ) -> None:
        self.lots, self.containers, self.passed, self.time = lots, containers, passed, PlantTime()
        self.at, self.known = self.time.read(at), known
        windows = [Window(station.pk, since, until) for station, since, until in passed]
        suspicion = Suspicion.of(lots=lots, containers=containers, windows=windows)
        self.population: Population = trace_forward(suspicion, self.at)
        self.summary: Summary = summarise_population(self.population)
        self.stock: list[StockItem] = list_stock(self.population.evidence, self.population.at)
        self.scrap, self.rework = summarise_scrap(self.population), summarise_rework(self.population)

    @property
    def sentence(self) -> str:
        work = [f"work at {s.key} {self.time.between(since, until)}" for s, since, until in self.passed]
        return self.summary.sentence(name_suspects(self.lots, self.containers, work))

    def customers(self) -> list[tuple[str, str, int, int]]:
        """(key, name, certain, possible) of the customers that have carriers, most first."""
        found: dict[tuple[str, str], Counter[Sureness]] = defaultdict(Counter)
        for top in self.population.carrying():
            if top.where.kind == Place.SHIPPED:
                found[top.where.customer, top.where.customer_name][top.sureness] += 1
        counted = [(*who, n[Sureness.CERTAIN], n[Sureness.POSSIBLE]) for who, n in found.items()]
        return sorted(counted, key=lambda row: (-row[2] - row[3], row[0]))

    # As text --------------------------------------------------------------------------------------

    def as_text(self) -> Iterator[str]:
        yield self.sentence
        if looking := self.time.looking(self.at, self.known):
            yield looking
        for lot in self.lots:
            yield f"  {lot.key}: {describe_lot(lot)}"
        for container in self.containers:
            yield f"  {container.key}: {container.kind} of {container.part.key}, lot {container.lot.key}"
        yield from self._population_text()
        if self.stock:
            yield from ("", "Suspect material in the plant")
            heads = ("", "key", "part", "lot", "where", "held at start")
            yield from table(heads, ([i.kind, i.key, i.part, i.lot, i.where, _amount(i)] for i in self.stock), [5])
        if self.summary.units:
            yield from self._cost_text()
        yield ""
        yield "More: --csv lists every carrier, --json gives everything;"
        yield "      manage.py asbuilt SERIAL shows one unit down to its lots."

    def _population_text(self) -> Iterator[str]:
        sureness = Counter(top.sureness for top in self.population.tops())
        reasons = Counter(", ".join(top.reasons) for top in self.population.carrying() if top.reasons)
        if sureness:
            yield from ("", "How sure")
            why = {Sureness.POSSIBLE: "; ".join(f"{count} {reason}" for reason, count in sorted(reasons.items()))}
            rows = [(s.value, sureness[s], why.get(s, "")) for s in Sureness if sureness[s]]
            yield from table(("", "units", "why"), rows, [1])
            for reason in sorted(set(chain.from_iterable(top.reasons for top in self.population.carrying()))):
                yield from wrap(f"  {reason}: {REASONS[Reason[reason.upper()]]}.", WIDTH, subsequent_indent="    ")
        if self.summary.units:
            yield from ("", "Where they are")
            counts: dict[tuple[str, str], Counter[Sureness]] = defaultdict(Counter)
            for top in self.population.carrying():
                counts[top.where.group, top.part][top.sureness] += 1
            yield from table(
                ("", "part", "certain", "possible"),
                (
                    (*where, n[Sureness.CERTAIN], n[Sureness.POSSIBLE])
                    for where, n in sorted(counts.items(), key=lambda item: natural(" ".join(item[0])))
                ),
                [2, 3],
            )
        if self.summary.customers:
            yield from ("", "Customers")
            yield from table(("", "", "certain", "possible"), self.customers(), [2, 3])

    def _cost_text(self) -> Iterator[str]:
        yield from ("", f"Cost at standard, {self.scrap.currency}")
        heads = ("", *(f"{place}: {place.failure}" for place in CostPlace if place.failure), "all")
        yield from table(
            heads, [_totals("scrap them all", self.scrap), _totals("rework them all", self.rework)], (1, 2, 3)
        )
        if self.passed:
            yield "  Rework covers suspect material; what the work at a station takes to put right is not in it."
        if lost := self.scrap.units.get(CostPlace.SCRAPPED):
            yield f"  {lost} scrapped before, which cost nothing more."
        if self.rework.by_place[CostPlace.SHIPPED]:
            yield "  The plant can rework what was shipped only if it comes back."

    # As data --------------------------------------------------------------------------------------

    def as_rows(self) -> Iterator[list[object]]:
        for c in self.population.carriers:
            yield [
                c.key, c.part, c.sureness.value, " ".join(c.reasons), c.top, "yes" if c.direct else "no",
                c.where.kind.value, c.where.key, c.where.customer, c.where.step or "",
                self.time.iso(c.where.since) if c.where.since else "",
            ]  # fmt: skip

    def as_data(self) -> dict[str, Any]:
        s = self.summary
        return {
            "suspicion": {
                "lots": [
                    {
                        "key": lot.key,
                        "number": lot.number,
                        "part": lot.part.key,
                        "supplier": lot.supplier.key,
                        "date_code": lot.date_code,
                    }
                    for lot in self.lots
                ],
                "containers": [{"key": c.key, "part": c.part.key, "lot": c.lot.key} for c in self.containers],
                "passed": [
                    {"station": station.key, "since": self.time.iso(since), "until": self.time.iso(until)}
                    for station, since, until in self.passed
                ],
            },
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
            "cost": {"currency": self.scrap.currency, "scrap": _cost(self.scrap), "rework": _cost(self.rework)},
        }

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


def name_suspects(lots: list[Lot], containers: list[Container], work: list[str]) -> str:
    """What is asked about, as the subject of a sentence."""
    *others, last = [f"lot {lot.key}" for lot in lots] + [f"container {container.key}" for container in containers] or [
        ""
    ]
    material = f"material of {', '.join(others)} and {last}" if others else f"material of {last}" if work else last
    subject = " or ".join([*([material] if last else []), *work])
    return subject[0].upper() + subject[1:]


def _stock(item: StockItem) -> dict[str, Any]:
    names = ("kind", "key", "part", "lot", "where", "quantity", "wholly")
    return {name: getattr(item, name) for name in names}


def _amount(item: StockItem) -> str:
    if item.quantity is None:
        return "not counted"
    return item.sets_left or f"{item.quantity.normalize():f}"


def _totals(what: str, cost: Cost) -> list[str]:
    amounts = [cost.by_place[place] for place in CostPlace if place.failure]
    return [what, *(f"{round_money(amount, cost.currency):,}" for amount in (*amounts, cost.total))]


def _cost(cost: Cost) -> dict[str, Any]:
    return {
        "total": cost.total,
        "certain": cost.by_sureness[Sureness.CERTAIN],
        "possible": cost.by_sureness[Sureness.POSSIBLE],
        "in_plant": cost.by_place[CostPlace.IN_PLANT],
        "shipped": cost.by_place[CostPlace.SHIPPED],
        "lines": [_line(line) for line in cost.lines],
    }


def _line(line: CostLine) -> dict[str, Any]:
    return {
        "what": str(line),
        "sureness": line.group.sureness,
        "place": line.group.place,
        "count": line.count,
        "quantity": line.quantity,
        "price": line.price,
        "minutes": line.minutes,
        "rate": line.rate,
        "amount": line.amount,
    }
