"""What a containment's cost is made of: its outermost units, what is in them, what must be done again, its stock."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from functools import cached_property

from trace.containment.rates import RATES, Derived, Rates
from trace.costing.grouped import Groups, count_rows, group_carriers, group_tops, read_rows
from trace.costing.queries import (
    AffectedPlace,
    day_of,
    find_highest_rates,
    list_affected_places,
    list_rework_lines,
    list_scrap_lines,
    trace_standard_costs,
)
from trace.costing.rules import ZERO, CostGroup, CostLine, CostPlace, Outlay
from trace.engineering.models import Designator, Part, Station, Step
from trace.engineering.queries import list_rates
from trace.floor.left import find_all_left
from trace.floor.models import Pass, Unit
from trace.genealogy.direct import CHUNK
from trace.genealogy.forward import Carrier, Population
from trace.genealogy.process import list_facts
from trace.genealogy.rules import Sureness
from trace.genealogy.stock import StockItem, list_population_stock
from trace.genealogy.suspicion import Of, Run, Window
from trace.material.models import Container

KEPT = {Outlay.MATERIAL: Outlay.SALVAGED, Outlay.LABOUR: Outlay.SALVAGED_WORK}
"""What is not lost where a unit is kept: the credit of each loss."""


def find_highest_rate(day: date) -> Decimal:
    """The highest rate of any station in use."""
    stations = Station.objects.filter(retired=None).values_list("pk", flat=True)
    return max(list_rates(set(stations), day).values(), default=ZERO)


@dataclass(frozen=True)
class Reckoning:
    """A population, and the rates by which it is costed. What is read of it is read once."""

    population: Population
    rates: Rates

    @cached_property
    def standing(self) -> Groups:
        """The outermost units that are not scrapped, by group."""
        return group_tops(self.population)

    @cached_property
    def tops(self) -> Mapping[tuple[CostGroup, str], Sequence[Carrier]]:
        """The outermost units that are not scrapped, by group and part key."""
        of_unit = {unit: group for group, units in self.standing.items() for unit in units}
        found: dict[tuple[CostGroup, str], list[Carrier]] = defaultdict(list)
        for top in self.population.carrying():
            if top.unit in of_unit:
                found[of_unit[top.unit], top.part].append(top)
        return dict(sorted(found.items()))

    # Rates ---------------------------------------------------------------------------------------------------------

    @cached_property
    def _on_route(self) -> dict[str, Decimal]:
        """{part key: the highest rate on its route}, of every part that has one."""
        day = day_of(self.population.at)
        parts = dict(Part.objects.filter(serialised=True).values_list("pk", "key"))
        return {parts[part]: rate for part, rate in find_highest_rates(parts, day).items()}

    @cached_property
    def _anywhere(self) -> Decimal:
        return find_highest_rate(day_of(self.population.at))

    def hour(self, name: str, part: str = "") -> Decimal:
        """A rate of money per hour: as given, or of the part's route or the plant's stations."""
        given = self.rates.find(name)
        if given is not None:
            return given
        return self._on_route.get(part, self._anywhere) if RATES[name].derived == Derived.ON_ROUTE else self._anywhere

    # Outermost units -----------------------------------------------------------------------------------------------

    def list_each(
        self, outlay: Outlay, amount: str, per_hour: str = "", places: Collection[CostPlace] = tuple(CostPlace),
        sureness: Collection[Sureness] = tuple(Sureness),
    ) -> Iterator[CostLine]:  # fmt: skip
        """A line for the outermost units of each group and part, by the rate named `amount`: money, or minutes at the
        rate named `per_hour`. None where that is nothing."""
        each = self.rates[amount]
        for (group, part), units in self.tops.items() if each else ():
            if group.place in places and group.sureness in sureness:
                line = CostLine(outlay, group, part, len(units), Decimal(len(units)))
                if per_hour:
                    yield replace(line, minutes=each, rate=self.hour(per_hour, part))
                else:
                    yield replace(line, price=each)

    def list_returning(self) -> Iterator[CostLine]:
        """What brings the shipped units back."""
        shipped = (CostPlace.SHIPPED,)
        yield from self.list_each(Outlay.FREIGHT, "freight", places=shipped)
        yield from self.list_each(Outlay.HANDLING, "handling_minutes", "handling_rate", places=shipped)

    @cached_property
    def customers(self) -> dict[str, Sureness]:
        """Those who have some, each as surely as the surest unit that they have."""
        found: dict[str, Sureness] = {}
        for (group, _), units in self.tops.items():  # certain ones come first
            for top in units if group.place == CostPlace.SHIPPED else ():
                found.setdefault(top.where.customer, group.sureness)
        return found

    def list_customer_work(self) -> Iterator[CostLine]:
        """The work for each customer, once, whatever the way."""
        minutes = self.rates["customer_minutes"]
        for sureness, count in sorted(Counter(self.customers.values()).items()) if minutes else ():
            yield CostLine(
                Outlay.CUSTOMERS, CostGroup(sureness, CostPlace.SHIPPED), "", count, Decimal(count), minutes=minutes,
                rate=self.hour("customer_rate"),
            )  # fmt: skip

    # Scrap ---------------------------------------------------------------------------------------------------------

    @cached_property
    def _inside(self) -> list[tuple[CostGroup, int, int, str, int, int]]:
        """(group, unit, its part, designator, child, its part) of what is fitted in units that carry."""
        return read_rows("children", group_carriers(self.population, direct=False), self.population.at)

    @cached_property
    def _carrying(self) -> dict[int, CostGroup]:
        """{unit: group of its outermost unit}, of every unit that carries."""
        groups = group_carriers(self.population, direct=False)
        return {unit: group for group, units in groups.items() for unit in units}

    @cached_property
    def kept(self) -> Groups:
        """What is kept where units are scrapped: all that is fitted in one that carries, and carries nothing itself."""
        found: Groups = defaultdict(list)
        for group, _, _, _, child, _ in self._inside:
            if child not in self._carrying:
                found[group].append(child)
        return found

    def list_kept(self) -> Iterator[CostLine]:
        """What is kept, as credit, and the work of taking it out."""
        share, minutes = self.rates["salvage_share"], self.rates["salvage_minutes"]
        for line in list_scrap_lines(self.kept, self.population.at) if self.kept and share else ():
            yield replace(line, outlay=KEPT[line.outlay], quantity=-line.quantity * share)
        keys = dict(Part.objects.filter(pk__in={row[-1] for row in self._inside}).values_list("pk", "key"))
        taken = Counter((row[0], keys[row[-1]]) for row in self._inside if row[-2] not in self._carrying)
        for (group, part), count in sorted(taken.items()) if minutes else ():
            yield CostLine(
                Outlay.SALVAGING, group, part, count, Decimal(count), minutes=minutes,
                rate=self.hour("repair_rate", part),
            )  # fmt: skip

    def list_taken_out(self, line: CostLine) -> list[str]:
        """Keys of the units behind a line of taking out what is kept."""
        units = Unit.objects.filter(pk__in=self.kept.get(line.group, []), part__key=line.assembly)
        return sorted(units.values_list("key", flat=True))

    # Rework --------------------------------------------------------------------------------------------------------

    @cached_property
    def _places(self) -> list[AffectedPlace]:
        return list(list_affected_places(self.population, group_carriers(self.population)))

    @cached_property
    def _redone(self) -> dict[int, list[tuple[int, int]]]:
        """{unit with no place of its own that carries: the steps, and their stations, by which it is suspect}."""
        placed = {key for _, key, _, _ in self._places}
        units = {c.unit for c in self.population.carriers if c.direct and c.unit in self._carrying} - {
            self._ids[key] for key in placed
        }
        moments: dict[int, set[tuple[int, int | None]]] = defaultdict(set)
        suspicions = [part.suspicion for part in self.population.parts] or [self.population.suspicion]
        for suspicion in suspicions if units else ():
            for unit, by, finding in list_facts(suspicion, self.population.at):
                if unit in units and isinstance(by, Window | Run) and finding.since is not None:
                    station = by.thing if isinstance(by, Window) and by.of == Of.STATION else None
                    moments[unit].add((finding.since, station))
        found: dict[int, list[tuple[int, int]]] = {unit: [] for unit in units}
        ordered = sorted(moments)
        for start in range(0, len(ordered), CHUNK):
            passes = Pass.objects.filter(unit__in=ordered[start : start + CHUNK], superseded=None)
            rows = passes.exclude(outcome=Pass.Outcome.VOID).order_by("began", "pk")
            for unit, step, where, began, ended in rows.values_list("unit", "step", "station", "began", "ended"):
                if (step, where) not in found[unit] and any(
                    began <= moment <= ended and station in (None, where) for moment, station in moments[unit]
                ):
                    found[unit].append((step, where))
        return found

    @cached_property
    def _ids(self) -> dict[str, int]:
        return {carrier.key: carrier.unit for carrier in self.population.carriers}

    @property
    def unmendable(self) -> int:
        """How many units carry by nothing that can be replaced or done again, as far as is on record."""
        return sum(not steps for steps in self._redone.values())

    @cached_property
    def tested_from(self) -> dict[int, int]:
        """{unit: number of the step from which on its tests are passed again}: the first that puts in what is replaced,
        or is done again, or that puts in a unit which is opened for that."""
        found: dict[int, int] = {}

        def enter(unit: int, number: int | None) -> None:
            found[unit] = min(found.get(unit, number or 0), number or 0)

        assemblies = {part for _, _, part, _ in self._places} | {row[2] for row in self._inside}
        rows = Designator.objects.filter(parent__in=assemblies).values_list("parent", "name", "step_number")
        steps = {(parent, name): number for parent, name, number in rows}
        for _, key, part, designator in self._places:
            enter(self._ids[key], steps.get((part, designator)))
        for _, unit, part, designator, child, _ in self._inside:
            if child in self._carrying:
                enter(unit, steps.get((part, designator)))
        numbers = dict(Step.objects.filter(pk__in=self._redone_steps).values_list("pk", "number"))
        for unit, done in self._redone.items():
            for step, _ in done:
                enter(unit, numbers[step] + 1)
        return found

    @cached_property
    def _redone_steps(self) -> set[int]:
        return {step for done in self._redone.values() for step, _ in done}

    @property
    def _retested(self) -> dict[tuple[CostGroup, int], list[int]]:
        found: dict[tuple[CostGroup, int], list[int]] = defaultdict(list)
        for unit, number in self.tested_from.items():
            found[self._carrying[unit], number].append(unit)
        return found

    @cached_property
    def rework(self) -> tuple[CostLine, ...]:
        """Putting every unit right: new parts, replacing them, steps done again, and every test since, again."""
        at = self.population.at
        lines = list(list_rework_lines(self._places, at, self.rates.find("repair_rate")))
        again = Counter((self._carrying[unit], *one) for unit, done in self._redone.items() for one in done)
        tested: Counter[tuple[CostGroup, int, int]] = Counter()
        rows = count_rows("tested", "step_id, station_id", self._retested, at)
        steps = Step.objects.select_related("part").in_bulk({step for _, step, _ in rows} | self._redone_steps)
        for ((group, first), step, station), count in rows.items():
            if steps[step].number >= first:
                tested[group, step, station] += count
        stations = Station.objects.in_bulk({station for *_, station in [*again, *tested]})
        rates = list_rates(stations, day_of(at))
        for outlay, counted in ((Outlay.REDOING, again), (Outlay.RETEST, tested)):
            lines += [
                CostLine(
                    outlay, group, steps[step].part.key, count, Decimal(count), minutes=steps[step].minutes,
                    rate=rates[station], step=steps[step].number, station=stations[station].key,
                )
                for (group, step, station), count in sorted(counted.items())
            ]  # fmt: skip
        return tuple(lines)

    def list_done_again(self, line: CostLine) -> list[str]:
        """Keys of the units behind a line of rework that is for a step done or tested again."""
        step = Step.objects.get(part__key=line.assembly, number=line.step or 0).pk
        station = Station.objects.get(key=line.station).pk
        if line.outlay == Outlay.REDOING:
            again = {unit for unit, done in self._redone.items() if (step, station) in done}
            carriers = self.population.carriers
            return sorted(c.key for c in carriers if c.unit in again and self._carrying[c.unit] == line.group)
        groups = {
            (group, first): units
            for (group, first), units in self._retested.items()
            if group == line.group and first <= (line.step or 0)
        }
        rows = read_rows("tested", groups, self.population.at)
        return sorted(unit for _, unit, one, where in rows if (one, where) == (step, station))

    # Stock ---------------------------------------------------------------------------------------------------------

    @cached_property
    def _items(self) -> list[StockItem]:
        return list_population_stock(self.population)

    @cached_property
    def stock(self) -> Mapping[tuple[CostGroup, str], Mapping[str, Decimal | None]]:
        """Suspect containers in the plant by group and part key: what is left in each at most, None where nobody
        counted it."""
        at = self.population.at
        items = {item.key: item for item in self._items if item.kind != "tape"}
        containers = {one.pk: one for one in Container.objects.filter(key__in=items).select_related("part")}
        found: dict[tuple[CostGroup, str], dict[str, Decimal | None]] = defaultdict(dict)
        for pk, left in find_all_left(containers.values(), at).items():
            one = containers[pk]
            sureness = Sureness.CERTAIN if items[one.key].wholly else Sureness.POSSIBLE
            most = max(left.most, ZERO) if left else None
            found[CostGroup(sureness, CostPlace.IN_PLANT), one.part.key][one.key] = most
        return dict(sorted(found.items()))

    @property
    def uncounted(self) -> int:
        """How many suspect containers nobody counted."""
        return sum(left is None for containers in self.stock.values() for left in containers.values())

    @property
    def tapes(self) -> int:
        """How many tapes have suspect board sets on them."""
        return sum(item.kind == "tape" for item in self._items)

    def list_stock_lines(self) -> Iterator[CostLine]:
        """Suspect stock at standard cost, and what the supplier takes back of it."""
        share = self.rates["stock_credited"]
        parts = dict(Part.objects.filter(key__in={part for _, part in self.stock}).values_list("key", "pk"))
        costs = trace_standard_costs(set(parts.values()), day_of(self.population.at))
        for (group, part), containers in self.stock.items():
            left = [quantity for quantity in containers.values() if quantity]
            if not left:
                continue
            line = CostLine(Outlay.STOCK, group, "", len(left), sum(left, ZERO), costs[parts[part]], part=part)
            yield line
            if share:
                yield replace(line, outlay=Outlay.STOCK_CREDITED, quantity=-line.quantity * share)
