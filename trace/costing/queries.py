"""What a population costs, scrapped or reworked, by the standard costs and rates in force on its day."""

from __future__ import annotations

import json
from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import date
from decimal import Decimal

from trace.core.clock import OPEN, from_ticks, now
from trace.costing.grouped import (
    Groups,
    count_rows,
    count_tops,
    get_currency,
    group_carriers,
    group_tops,
    read_rows,
)
from trace.costing.rules import (
    ZERO,
    Content,
    Cost,
    CostGroup,
    CostLine,
    Outlay,
    roll_up,
)
from trace.engineering.models import BomLine, Designator, Part, Station, Step
from trace.engineering.queries import get_zone, list_costs, list_rates
from trace.floor.models import Unit
from trace.genealogy.direct import CHUNK
from trace.genealogy.forward import Population
from trace.genealogy.intervals import Ranges
from trace.genealogy.places import PlaceJudge, list_places
from trace.genealogy.rules import CARRYING, judge_place
from trace.genealogy.verdicts import Evidence
from trace.material.models import SetUpLine

Contents = Mapping[int, Mapping[int | None, Sequence[Content]]]
"""Of each assembly with a bill of material, what is in one of it but for children with a serial: by the number of the
step that puts it in, under None what no step does."""

AffectedPlace = tuple[CostGroup, str, int, str]
"""(group, unit key, its part id, designator)."""


def summarise_scrap(population: Population) -> Cost:
    """What is lost if every outermost carrier, certain or possible, is scrapped as it stands.

    At standard cost accumulated to where each unit stands. Material: what each step that it passed
    puts in, at the price of the part designed in; what no step puts in counts once the unit has
    begun. Labour: the minutes of each step passed, once, at the rate of the station where it was
    passed last. A step that was skipped, one of free order still to come, and the alternative not
    taken cost nothing, whatever was passed after them. Units fitted in it count in the same way, by
    what is really in it. A unit that has not begun costs nothing; one of a part without a bill of
    material costs what it was bought for. Units scrapped before cost nothing more. The number of
    queries grows with the depth of the bill of material only. No Site: its DoesNotExist.
    """
    groups = group_tops(population)
    return Cost(get_currency(), tuple(list_scrap_lines(groups, population.at)), count_tops(population))


def summarise_rework(population: Population, rate_per_hour: Decimal | None = None) -> Cost:
    """What it costs to replace the suspect part at every place that carries it, or may.

    Per place: the part's minutes to replace at `rate_per_hour` (in the Site's currency; without
    one, the highest rate among the stations on the route of the unit that carries it), and a new
    part at the standard cost of the one designed in. Divided by the sureness and the whereabouts of
    the outermost unit, as scrap is: a certain unit is put right whole. What is shipped is priced
    like the rest and shown apart, since the plant can't rework it where it is; what is scrapped
    costs nothing more. Suspect material itself is not in it. A few queries, and three more for
    every 5,000 units whose places must be judged one by one.
    """
    places = list_affected_places(population, group_carriers(population))
    lines = tuple(list_rework_lines(places, population.at, rate_per_hour))
    return Cost(get_currency(), lines, count_tops(population))


def list_units_behind(population: Population, line: CostLine) -> list[str]:
    """Keys of the units that a line of one of these costs counts, in order; for rework, a unit as
    often as it has places behind the line."""
    parts = {part.key: part.pk for part in Part.objects.filter(key__in={line.assembly, line.part} - {""})}
    assembly = parts.get(line.assembly)
    if line.outlay in (Outlay.NEW_PARTS, Outlay.REPLACING):
        groups = {line.group: group_carriers(population).get(line.group, [])}
        designed = list_designed([assembly] if assembly else [])
        places = list_affected_places(population, groups)
        found = [
            unit
            for group, unit, part, designator in places
            if part == assembly
            and (part, designator) in designed
            and designed[part, designator].part == parts[line.part]
        ]
    else:
        groups = {line.group: group_tops(population).get(line.group, [])}
        return list_lost_behind(groups, line, population.at)
    return sorted(found)


def list_lost_behind(groups: Groups, line: CostLine, at: int) -> list[str]:
    """Keys of the units, among these and all that is in them, whose material or labour a line counts."""
    assembly = Part.objects.filter(key=line.assembly).values_list("pk", flat=True).first()
    if line.step is None:
        bought = line.part == line.assembly
        standing = read_rows("standing", groups, at)
        return sorted(unit for _, unit, part, begun in standing if part == assembly and (begun or bought))
    step = Step.objects.filter(part=assembly, number=line.step).values_list("pk", flat=True).first()
    stations = set(Station.objects.filter(key=line.station).values_list("pk", flat=True))
    passed = read_rows("passed", groups, at)
    return sorted(unit for _, unit, one, where in passed if one == step and (where in stations or not stations))


def list_material_behind(line: CostLine, day: date) -> list[CostLine]:
    """A material line of scrap opened to the parts in it, at the costs of a day; the amounts add up to its own."""
    assembly = Part.objects.get(key=line.assembly)
    contents = _contents([assembly.pk])
    if not contents:
        return [line]
    quantities: dict[int, Decimal] = defaultdict(Decimal)
    for part, quantity in contents[assembly.pk][line.step]:
        quantities[part] += quantity
    costs = trace_standard_costs(quantities, day)
    keys = dict(Part.objects.filter(pk__in=quantities).values_list("pk", "key"))
    return [
        CostLine(
            Outlay.MATERIAL, line.group, line.assembly, line.count, line.count * quantity, costs[part],
            step=line.step, part=keys[part],
        )
        for part, quantity in quantities.items()
    ]  # fmt: skip


def trace_standard_costs(parts: Collection[int], day: date) -> dict[int, Decimal]:
    """{part id: cost of one unit of measure on a day}: as bought, or of an assembly's parts by every way down.

    The work on an assembly that is tracked by lot is not in it. A query or two for each level.
    """
    bought: dict[int, Decimal] = {}
    lines: list[tuple[int, int, Decimal]] = []
    layer = set(parts)
    while layer:
        bought |= {part: cost for part, (cost, _) in list_costs(layer, day).items()}
        below = list(BomLine.objects.filter(parent__in=layer).values_list("parent", "child", "quantity"))
        lines += below
        layer = {child for _, child, _ in below} - bought.keys()
    costs = roll_up(lines, bought)
    return {part: costs[part] for part in parts}


# Scrap ---------------------------------------------------------------------------------------------------------------


def list_scrap_lines(groups: Groups, at: int) -> Iterator[CostLine]:
    """What is lost with these units and all that is in them, at standard cost accumulated to where they stand."""
    standing = count_rows("standing", "part_id, begun", groups, at)
    worked = count_rows("passed", "step_id, station_id", groups, at)
    steps = Step.objects.in_bulk({step for _, step, _ in worked})
    assemblies = {part for _, part, _ in standing}
    contents = _contents(assemblies)
    put_in: Counter[tuple[CostGroup, int, int | None]] = Counter()
    for (group, part, begun), count in standing.items():
        if begun or part not in contents:
            put_in[group, part, None] += count
    for (group, step_id, _), count in worked.items():
        put_in[group, steps[step_id].part_id, steps[step_id].number] += count
    inside = {part for content in contents.values() for steps_of in content.values() for part, _ in steps_of}
    day = day_of(at)
    costs = trace_standard_costs(inside | assemblies, day)
    keys = dict(Part.objects.filter(pk__in=assemblies).values_list("pk", "key"))
    for (group, part, number), count in put_in.items():
        key = keys[part]
        if part in contents:
            if content := contents[part].get(number):
                price = sum((quantity * costs[child] for child, quantity in content), ZERO)
                yield CostLine(Outlay.MATERIAL, group, key, count, Decimal(count), price, step=number)
        elif number is None:
            yield CostLine(Outlay.MATERIAL, group, key, count, Decimal(count), costs[part], part=key)
    stations = Station.objects.in_bulk({station for *_, station in worked})
    rates = list_rates(stations, day)
    for (group, step_id, station_id), count in worked.items():
        step, station = steps[step_id], stations[station_id]
        yield CostLine(
            Outlay.LABOUR, group, keys[step.part_id], count, Decimal(count), minutes=step.minutes,
            rate=rates[station_id], step=step.number, station=station.key,
        )  # fmt: skip


def _contents(assemblies: Collection[int]) -> Contents:
    lines = BomLine.objects.filter(parent__in=assemblies).order_by("parent", "number")
    contents: dict[int, dict[int | None, list[Content]]] = {
        parent: defaultdict(list) for parent in lines.values_list("parent", flat=True)
    }
    unplaced = lines.filter(designators=None, child__serialised=False)
    for parent, child, quantity in unplaced.values_list("parent", "child", "quantity"):
        contents[parent][None].append(Content(child, quantity))
    designators = Designator.objects.filter(parent__in=assemblies, line__child__serialised=False).order_by("pk")
    for parent, child, quantity, step in designators.values_list("parent", "line__child", "quantity", "step_number"):
        contents[parent][step].append(Content(child, quantity))
    return contents


# Rework --------------------------------------------------------------------------------------------------------------


def list_rework_lines(places: Iterable[AffectedPlace], at: int, rate_per_hour: Decimal | None) -> Iterator[CostLine]:
    """A new part, and its minutes to replace, at every place that carries the suspect, or may."""
    counted = Counter((group, part, designator) for group, _, part, designator in places)
    assemblies = {part for _, part, _ in counted}
    designed = list_designed(assemblies)
    counts: dict[tuple[CostGroup, int, int], int] = defaultdict(int)
    quantities: dict[tuple[CostGroup, int, int], Decimal] = defaultdict(Decimal)
    for (group, assembly, designator), count in counted.items():
        if content := designed.get((assembly, designator)):
            counts[group, assembly, content.part] += count
            quantities[group, assembly, content.part] += count * content.quantity
    parts = Part.objects.in_bulk(assemblies | {part for *_, part in counts})
    day = day_of(at)
    costs, bought = trace_standard_costs({part for *_, part in counts}, day), list_costs(parts, day)
    rates = find_highest_rates(assemblies, day)
    for (group, assembly, part), count in sorted(counts.items(), key=lambda item: (str(item[0][0]), *item[0][1:])):
        line = CostLine(
            Outlay.NEW_PARTS, group, parts[assembly].key, count, quantities[group, assembly, part], costs[part],
            part=parts[part].key,
        )  # fmt: skip
        yield line
        rate = rates.get(assembly, ZERO) if rate_per_hour is None else rate_per_hour
        yield replace(
            line, outlay=Outlay.REPLACING, quantity=Decimal(count), price=ZERO,
            minutes=bought[part][1], rate=rate,
        )  # fmt: skip


def list_evidences(population: Population) -> list[Evidence]:
    """The evidence of a population; of a combination that of each suspicion that all of it meets."""
    return [part.evidence for part in population.parts] or [population.evidence]


def list_affected_places(population: Population, groups: Groups) -> Iterator[AffectedPlace]:
    """Every place of these units that carries the suspect, or may."""
    evidences = list_evidences(population)
    verdicts: dict[int, Ranges] = defaultdict(Ranges)
    for evidence in evidences:
        for feed, verdict in evidence.verdicts.items():
            if verdict.possible:
                verdicts[feed] |= verdict.possible
    served = {
        (line.setup, line.feed_id) for line in SetUpLine.objects.filter(feed__in=verdicts).select_related("setup")
    }
    pieces = [
        [setup.axis_id, setup.assembly_id, setup.pk, feed, first, end]
        for setup, feed in served
        for first, end in verdicts[feed] & Ranges([(setup.first, setup.end)])
    ]
    yield from read_rows("drawn", groups, population.at, pieces=json.dumps(pieces))
    judges = [PlaceJudge(evidence) for evidence in evidences]
    of_unit = {unit: group for group, units in groups.items() for unit in units}
    for start in range(0, len(of_unit), CHUNK):
        chunk = sorted(of_unit)[start : start + CHUNK]
        units = Unit.objects.filter(pk__in=chunk, by_designator=True)
        one_by_one = {pk: (key, part) for pk, key, part in units.values_list("pk", "key", "part")}
        for unit, places in list_places(one_by_one, population.at).items():
            for designator, happenings in places.items():
                found = {judge_place(happenings, judge).sureness for judge in judges}
                if not found.isdisjoint(CARRYING):
                    yield (of_unit[unit], *one_by_one[unit], designator)


def list_designed(assemblies: Iterable[int]) -> dict[tuple[int, str], Content]:
    """{(assembly id, designator): the part designed in, and how much of it}."""
    rows = Designator.objects.filter(parent__in=assemblies)
    return {
        (parent, name): Content(part, quantity)
        for parent, name, part, quantity in rows.values_list("parent", "name", "line__child", "quantity")
    }


def find_highest_rates(assemblies: Iterable[int], day: date) -> dict[int, Decimal]:
    """{part id: the highest rate among the stations of its route}."""
    rates: dict[int, Decimal] = {}
    routes = Step.objects.filter(part__in=assemblies, stations__isnull=False).order_by().values_list("part", "stations")
    of_station = list_rates({station for _, station in routes}, day)
    for part, station in routes:
        rates[part] = max(rates.get(part, ZERO), of_station[station])
    return rates


def day_of(at: int) -> date:
    """The plant's day whose costs are in force at a moment: today, where it has no end."""
    moment = now() if at >= OPEN else from_ticks(at)
    return moment.astimezone(get_zone()).date()
