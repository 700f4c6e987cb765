"""`manage.py affected LOT…`: which units carry what is suspect, where they are, and what it costs.

What is suspect may also be the work at a station: `--passed STATION SINCE UNTIL`.

With `--csv` a row per carrier; with `--json`:
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
from trace.core.keys import natural, read_label
from trace.costing.rules import Cost, CostPlace, round_money
from trace.exchange import forward
from trace.exchange.forward import CSV_COLUMNS, ForwardAnswer, read_window
from trace.exchange.plant_time import PlantTime
from trace.genealogy.known import as_known
from trace.genealogy.rules import REASONS, Reason, Sureness
from trace.genealogy.stock import StockItem
from trace.management.answers import WIDTH, AnswerCommand, Refused, add_times, dump, table
from trace.material.models import Lot
from trace.material.queries import describe_lot, get_container, get_lot


class Command(AnswerCommand):
    help = (
        "Say which units carry a lot or a container, or passed a station in a window of time; "
        "how sure that is, where they are, and what it costs."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.formatter_class = RawDescriptionHelpFormatter
        parser.epilog = f"{__doc__}\n{forward.__doc__}"
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
            windows = [read_window(*words) for words in options["passed"]]
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


class Answer(ForwardAnswer):
    """The answer as text."""

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


def _amount(item: StockItem) -> str:
    if item.quantity is None:
        return "not counted"
    return item.sets_left or f"{item.quantity.normalize():f}"


def _totals(what: str, cost: Cost) -> list[str]:
    amounts = [cost.by_place[place] for place in CostPlace if place.failure]
    return [what, *(f"{round_money(amount, cost.currency):,}" for amount in (*amounts, cost.total))]
