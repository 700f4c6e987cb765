"""What was spent on units that were not right, as far as is on record: repairs, tests done again, scrap, returns."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from functools import cached_property
from typing import Any

from django.db.models import Exists, F, OuterRef, Q, QuerySet
from django.db.models.functions import Coalesce

from trace.containment.models import Clearing
from trace.containment.rates import Rates
from trace.core.clock import DAY, OPEN
from trace.costing.grouped import Groups, get_currency
from trace.costing.queries import (
    day_of,
    find_highest_rates,
    list_designed,
    list_evidences,
    list_scrap_lines,
    trace_standard_costs,
)
from trace.costing.reckoning import find_highest_rate
from trace.costing.rules import ZERO, Content, Cost, CostGroup, CostLine, CostPlace, Outlay
from trace.engineering.models import Characteristic, Part, Station, Step
from trace.engineering.queries import list_rates
from trace.floor.left import find_all_left
from trace.floor.models import Fitting, Pass, Repair, Return, Salvage, Sample, Unit
from trace.genealogy.direct import CHUNK
from trace.genealogy.forward import Population
from trace.genealogy.rules import Sureness
from trace.material.models import Container, Lot, ScrappedParts

TESTED = (Pass.Outcome.PASSED, Pass.Outcome.FAILED)
"""How a test ends that was carried out."""


def find_tests() -> dict[int, Step]:
    """{id: step} of the steps at which something is measured or judged."""
    measured = Characteristic.objects.filter(part=OuterRef("part"), step_number=OuterRef("number"))
    return Step.objects.filter(Exists(measured)).select_related("part").in_bulk()


def list_tested(steps: Collection[int], since: int, until: int, *, again: bool) -> QuerySet[Pass]:
    """The tests at these steps that ended in a time: those of units on which they were carried out before, or the
    first ones."""
    before = Pass.objects.filter(
        unit=OuterRef("unit"), step=OuterRef("step"), superseded=None, outcome__in=TESTED, began__lt=OuterRef("began")
    )
    stations = set(Step.objects.filter(pk__in=steps).order_by().values_list("stations", flat=True)) - {None}
    # Few last longer than a day; those that do are looked for apart, as their index has them.
    begun = Q(began__gte=since - DAY) | Q(ended__gt=F("began") + DAY, ended__gte=since)
    passes = Pass.objects.filter(begun, station__in=stations, began__lt=until, superseded=None, step__in=steps)
    passes = passes.filter(outcome__in=TESTED).annotate(gone=Coalesce("scanned_out", "ended"))
    return passes.filter(Exists(before) if again else ~Exists(before), gone__gte=since, gone__lt=until)


@dataclass(frozen=True)
class Spent:
    """What was spent from a moment to another (microseconds) on these units, by how surely they carry; on all of the
    plant's where they are None. At the costs and rates of its last day."""

    units: Mapping[int, Sureness] | None
    since: int
    until: int

    def _read(self, rows: QuerySet, field: str = "unit") -> Iterator[Any]:
        """The rows that are about these units."""
        if self.units is None:
            yield from rows
            return
        ordered = sorted(self.units)
        for start in range(0, len(ordered), CHUNK):
            yield from rows.filter(**{f"{field}__in": ordered[start : start + CHUNK]})

    @cached_property
    def _day(self) -> date:
        return day_of(self.until if self.until >= OPEN else self.until - 1)

    @cached_property
    def returned(self) -> dict[int, int]:
        """{unit: when it came back first}, with what was fitted in it then."""
        rows = Return.objects.filter(superseded=None, received__lt=self.until).order_by("-received")
        found = dict(rows.values_list("unit", "received"))
        layer = dict(found)
        while layer:
            inside: dict[int, int] = {}
            ordered = sorted(layer)
            for start in range(0, len(ordered), CHUNK):
                fittings = Fitting.objects.filter(
                    unit__in=ordered[start : start + CHUNK], child__isnull=False, superseded=None
                )
                for unit, child, since, until in fittings.values_list("unit", "child", "since", "until"):
                    if since <= layer[unit] and (until is None or until > layer[unit]) and child not in found:
                        assert child is not None
                        inside[child] = layer[unit]
            found |= inside
            layer = inside
        return found

    def group_of(self, unit: int, moment: int) -> CostGroup:
        """In whose cost something counts that was done to a unit at a moment: found after delivery, once it came back.
        Of the whole plant it is certain."""
        sureness = Sureness.CERTAIN if self.units is None else self.units[unit]
        back = self.returned.get(unit)
        return CostGroup(sureness, CostPlace.IN_PLANT if back is None or moment < back else CostPlace.SHIPPED)

    def list_repairs(self) -> Iterator[CostLine]:
        """The minutes of every repair at the rate of its station (where none is on record, the highest on the unit's
        route), and a part at each designator where one was replaced, at the cost of the one designed in."""
        done: Counter[tuple[CostGroup, int, int | None, Decimal]] = Counter()
        parts: Counter[tuple[CostGroup, int, str]] = Counter()
        repairs = Repair.objects.filter(superseded=None, at__gte=self.since, at__lt=self.until)
        rows = repairs.values_list("unit", "unit__part", "station", "minutes", "action", "designator", "at")
        for unit, part, station, minutes, action, designator, at in self._read(rows):
            group = self.group_of(unit, at)
            if minutes:
                done[group, part, station, minutes] += 1
            if action == Repair.Action.REPLACED:
                parts[group, part, designator] += 1
        keys = dict(Part.objects.filter(pk__in={key[1] for key in [*done, *parts]}).values_list("pk", "key"))
        stations = Station.objects.in_bulk({station for _, _, station, _ in done if station})
        rates, routes = list_rates(stations, self._day), self._rate_routes(keys)
        for (group, part, station, minutes), count in done.items():
            rate = rates[station] if station else routes[part]
            where = stations[station].key if station else ""
            yield CostLine(
                Outlay.REPAIR, group, keys[part], count, Decimal(count), minutes=minutes, rate=rate, station=where
            )
        yield from self._price_places(Outlay.NEW_PARTS, parts, keys)

    def _price_places(
        self, outlay: Outlay, places: Mapping[tuple[CostGroup, int, str], int], keys: Mapping[int, str], sign: int = 1
    ) -> Iterator[CostLine]:
        """{(group, assembly id, designator): how often} at the cost of what is designed in there."""
        designed = list_designed({assembly for _, assembly, _ in places})
        counts: Counter[tuple[CostGroup, int, int]] = Counter()
        quantities: dict[tuple[CostGroup, int, int], Decimal] = defaultdict(Decimal)
        for (group, assembly, designator), count in places.items():
            content: Content | None = designed.get((assembly, designator))
            if content:
                counts[group, assembly, content.part] += count
                quantities[group, assembly, content.part] += count * content.quantity
        costs = trace_standard_costs({part for *_, part in counts}, self._day)
        names = dict(Part.objects.filter(pk__in=costs).values_list("pk", "key"))
        for (group, assembly, part), count in counts.items():
            quantity = sign * quantities[group, assembly, part]
            yield CostLine(outlay, group, keys[assembly], count, quantity, costs[part], part=names[part])

    def list_retests(self) -> Iterator[CostLine]:
        """Every test of a unit that had been carried out on it before, whatever came of it."""
        tests = Counter((self.group_of(unit, began), step, station) for unit, step, station, began in self._retests)
        yield from price_tests(Outlay.RETEST, tests, find_tests(), self._day)

    @cached_property
    def _retests(self) -> list[tuple[int, int, int, int]]:
        """(unit, step, station, when it began) of each."""
        rows = list_tested(find_tests(), self.since, self.until, again=True)
        return list(self._read(rows.values_list("unit", "step", "station", "began")))

    def _rate_routes(self, parts: Iterable[int]) -> dict[int, Decimal]:
        """{part: the highest rate of a station on its route}; of one without a route the highest of all."""
        rates, highest = find_highest_rates(parts, self._day), find_highest_rate(self._day)
        return {part: rates.get(part, highest) for part in parts}

    def list_sorted(self, clearings: QuerySet[Clearing], rates: Rates) -> Iterator[CostLine]:
        """Sorting every unit that was cleared by a test, by the rates. Where it was tested again before, that test is
        on record, and priced as what it took."""
        if not (minutes := rates["sort_minutes"]):
            return
        tested: dict[int, int] = {}
        for unit, _, _, began in self._retests:
            tested[unit] = min(began, tested.get(unit, OPEN))
        rows = clearings.filter(superseded=None, cleared__gte=self.since, cleared__lt=self.until)
        cleared = Counter(
            (self.group_of(unit, at), part)
            for unit, part, at in self._read(rows.values_list("unit", "unit__part", "cleared"))
            if at < tested.get(unit, OPEN)
        )
        keys = dict(Part.objects.filter(pk__in={part for _, part in cleared}).values_list("pk", "key"))
        given, routes = rates.find("sort_rate"), self._rate_routes(keys)
        for (group, part), count in sorted(cleared.items()):
            rate = routes[part] if given is None else given
            yield CostLine(Outlay.SORTING, group, keys[part], count, Decimal(count), minutes=minutes, rate=rate)

    def list_scrapped(self) -> Iterator[CostLine]:
        """Every unit that was scrapped, with all that is left in it, at standard cost accumulated to where it stood;
        less the parts that were kept of it."""
        rows = Unit.objects.filter(scrapped__gte=self.since, scrapped__lt=self.until)
        scrapped = {unit: (part, at) for unit, part, at in self._read(rows.values_list("pk", "part", "scrapped"), "pk")}
        inside = set()
        ordered = sorted(scrapped)
        for start in range(0, len(ordered), CHUNK):
            within = Fitting.objects.filter(child__in=ordered[start : start + CHUNK], until=None, superseded=None)
            inside |= {child for child, unit in within.values_list("child", "unit") if unit in scrapped}
        groups: Groups = defaultdict(list)
        for unit, (_, at) in scrapped.items():
            if unit not in inside:
                groups[self.group_of(unit, at)].append(unit)
        yield from list_scrap_lines(groups, self.until)
        kept: Counter[tuple[CostGroup, int, str]] = Counter()
        salvages = Salvage.objects.filter(superseded=None, at__gte=self.since, at__lt=self.until)
        for unit, designator, at in self._read(salvages.values_list("unit", "designator", "at")):
            if scrapped.get(unit, (0, None))[1] == at:
                kept[self.group_of(unit, at), scrapped[unit][0], designator] += 1
        keys = dict(Part.objects.filter(pk__in={part for _, part, _ in kept}).values_list("pk", "key"))
        yield from self._price_places(Outlay.SALVAGED, kept, keys, -1)

    def list_returns(self, rates: Rates) -> Iterator[CostLine]:
        """Freight and handling of every unit that came back, where the rates say what they are."""
        rows = Return.objects.filter(superseded=None, received__gte=self.since, received__lt=self.until)
        came = Counter(
            (CostGroup(self.group_of(unit, at).sureness, CostPlace.SHIPPED), part)
            for unit, part, at in self._read(rows.values_list("unit", "unit__part__key", "received"))
        )
        rate = rates.find("handling_rate")
        rate = find_highest_rate(self._day) if rate is None else rate
        for (group, part), count in sorted(came.items()):
            line = CostLine(Outlay.FREIGHT, group, part, count, Decimal(count), rates["freight"])
            if line.price:
                yield line
            if minutes := rates["handling_minutes"]:
                yield replace(line, outlay=Outlay.HANDLING, price=ZERO, minutes=minutes, rate=rate)


def price_tests(
    outlay: Outlay, tests: Mapping[tuple[CostGroup, int, int], int], steps: Mapping[int, Step], day: date
) -> Iterator[CostLine]:
    """{(group, step id, station id): how many}, each for the minutes of its step at the rate of its station."""
    stations = Station.objects.in_bulk({station for *_, station in tests})
    rates = list_rates(stations, day)
    for (group, step, station), count in sorted(tests.items()):
        yield CostLine(
            outlay, group, steps[step].part.key, count, Decimal(count), minutes=steps[step].minutes,
            rate=rates[station], step=steps[step].number, station=stations[station].key,
        )  # fmt: skip


def list_scrapped_stock(since: int, until: int, suspects: Mapping[int, bool] | None = None) -> Iterator[CostLine]:
    """Parts scrapped out of containers, and what was left at least in those that were discarded, at standard cost: of
    the suspect containers ({id: whether wholly}), or of all. What went back to its supplier is not scrap."""
    scrapped = ScrappedParts.objects.filter(superseded=None, at__gte=since, at__lt=until)
    gone = Container.objects.filter(gone__gte=since, gone__lt=until).exclude(lot__status=Lot.Status.RETURNED)
    if suspects is not None:
        scrapped, gone = scrapped.filter(container__in=suspects), gone.filter(pk__in=suspects)
    taken: dict[tuple[bool, int], list[Decimal]] = defaultdict(list)
    for container, part, quantity in scrapped.values_list("container", "container__part", "quantity"):
        taken[suspects is None or suspects[container], part].append(quantity)
    discarded = {one.pk: one for one in gone}
    for one in discarded.values():
        one.gone = None  # as it was before: what has left holds nothing any more
    left = find_all_left(discarded.values(), until) if discarded else {}
    for pk, rest in left.items():
        if rest and rest.least > 0:
            taken[suspects is None or suspects[pk], discarded[pk].part_id].append(rest.least)
    parts = dict(Part.objects.filter(pk__in={part for _, part in taken}).values_list("pk", "key"))
    costs = trace_standard_costs(parts, day_of(until))
    for (wholly, part), quantities in sorted(taken.items()):
        group = CostGroup(Sureness.CERTAIN if wholly else Sureness.POSSIBLE, CostPlace.IN_PLANT)
        yield CostLine(
            Outlay.SCRAPPED_PARTS, group, "", len(quantities), sum(quantities, ZERO), costs[part], part=parts[part]
        )


def summarise_actuals(
    population: Population,
    since: int = 0,
    until: int = OPEN,
    rates: Rates | None = None,
    clearings: QuerySet[Clearing] | None = None,
) -> Cost:
    """What a population has cost since a moment, by what was recorded of its units, cleared ones among them: repairs
    with their parts, tests passed again, units scrapped, suspect parts scrapped; by the rates of the containment its
    returns, and the sorting of its `clearings` by tests that are on no record. What was done for another reason to the
    same units is in it. A unit that came back is shipped here, the others are in the plant, wherever they are now. No
    Site: its DoesNotExist."""
    rates = rates or Rates()
    units = {carrier.unit: carrier.sureness for carrier in population.carriers}
    spent = Spent(units, since, until)
    evidences = list_evidences(population)
    suspects = {
        pk: all(one.suspects[pk].whole_until == OPEN for one in evidences)
        for pk in evidences[0].suspects
        if all(pk in one.suspects for one in evidences)
    }
    lines = [
        *spent.list_repairs(),
        *spent.list_retests(),
        *spent.list_scrapped(),
        *list_scrapped_stock(since, until, suspects),
        *spent.list_returns(rates),
        *(spent.list_sorted(clearings, rates) if clearings is not None else ()),
    ]
    return Cost(get_currency(), tuple(lines), unpriced=tuple(say_samples(units, since, until)))


def say_samples(units: Iterable[int] | None, since: int, until: int) -> Iterator[str]:
    """That sample tests ended: no record says what one takes."""
    ended = Sample.objects.filter(
        ended__gte=since, ended__lt=until, result__in=[Sample.Result.PASSED, Sample.Result.FAILED]
    )
    if units is None:
        n = ended.count()
    else:
        mine = set(units)
        n = sum(unit in mine for unit in ended.values_list("unit", flat=True))
    if n:
        yield f"{n} sample test{'s' * (n != 1)} ended: what they took is not on record."
