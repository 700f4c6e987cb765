"""Parts and stations."""

from __future__ import annotations

from typing import Any

from django.db.models import Q, QuerySet

from trace.engineering.models import BomLine, Part, Placement, Station, Step
from trace.floor.models import Pass, Unit
from trace.material.models import Feed, Lot, SetUp
from trace.web.asbuilt import run_together
from trace.web.cells import Moment, Ref, Several
from trace.web.middleware import find_site
from trace.web.sheets.base import Fact, Sheet, count
from trace.web.sheets.feeds import feeds_table, setups_table
from trace.web.sheets.floor import lots_table, units_table
from trace.web.tables import Column, Table


def part_sheet(it: Part) -> Sheet:
    """A part: what it is made of, what is placed where, where it is used, its route, its lots or units."""
    site = find_site()
    lots = Lot.objects.filter(part=it).select_related("supplier")
    units = Unit.objects.filter(part=it).select_related("order")
    lines = it.lines.select_related("child").prefetch_related("designators", "substitutes__part")
    steps = it.steps.select_related("program").prefetch_related("stations")
    used = BomLine.objects.filter(child=it).select_related("parent").prefetch_related("designators")
    facts: list[Fact] = [
        ("Number", f"{it.number} {it.revision}".strip()),
        ("Kind", it.get_kind_display()),
        ("Tracked by", "serial" if it.serialised else "lot"),
    ]
    if site and it.standard_cost:
        facts.append(("Standard cost", f"{it.standard_cost.normalize():f} {site.currency}"))
    tables = [lots_table(lots)] if not it.serialised else [units_table(units)]
    if it.serialised or lines:
        tables += [_bom_table(lines), _placements_table(it, lines), _route_table(steps)]
    tables.append(_used_table(used))
    made = count(units.count(), "unit") if it.serialised else count(lots.count(), "lot")
    return Sheet(f"{it.name}: {made} on record, used on {count(used.count(), 'line')} of other parts.", facts, tables)


def _bom_table(lines: Any) -> Table:
    return Table(
        "bom",
        "Bill of material",
        [
            Column("line", "Line", lambda line: line.number, number=True),
            Column("part", "Part", lambda line: Ref("part", line.child.key, line.child.name)),
            Column("quantity", "Quantity", lambda line: line.quantity, number=True),
            Column("places", "Designators", lambda line: run_together([d.name for d in line.designators.all()])),
            Column(
                "or",
                "Approved substitutes",
                lambda line: Several(tuple(Ref("part", s.part.key) for s in line.substitutes.all())),
            ),
        ],
        list(lines),
        "It has no bill of material yet. Import one: python3 manage.py import_bom.",
    )


def _placements_table(it: Part, lines: Any) -> Table:
    parts = {designator.name: line.child for line in lines for designator in line.designators.all()}

    def part(placement: Placement) -> Ref | str:
        child = parts.get(placement.designator)
        return Ref("part", child.key, child.name) if child else "not in the bill of material"

    return Table(
        "placements",
        "Placements",
        [
            Column("number", "Order", lambda placement: placement.number, number=True),
            Column("place", "Designator", lambda placement: placement.designator),
            Column("part", "Part", part),
            Column("value", "Value in the file", lambda placement: placement.value),
            Column("x", "x, mm", lambda placement: placement.x, number=True),
            Column("y", "y, mm", lambda placement: placement.y, number=True),
            Column("rotation", "Rotation, degrees", lambda placement: placement.rotation, number=True),
            Column("side", "Side", lambda placement: placement.get_side_display()),
            Column("mark", "Mark", lambda placement: "do not place" if placement.do_not_place else ""),
        ],
        list(it.placements.all()),
        "It has no placements yet. Import them: python3 manage.py import_placements.",
    )


def _route_table(steps: Any) -> Table:
    return Table(
        "route",
        "Route",
        [
            Column("number", "Step", lambda step: step.number, number=True),
            Column("name", "Operation", lambda step: step.name),
            Column(
                "stations",
                "At",
                lambda step: Several(tuple(Ref("station", s.key) for s in step.stations.all()), " or "),
            ),
            Column("minutes", "Minutes", lambda step: step.minutes, number=True),
            Column(
                "equipment", "Needs", lambda step: " with ".join(filter(None, [step.equipment_kind, _program(step)]))
            ),
            Column("caution", "Caution", lambda step: step.caution),
        ],
        list(steps),
        "It has no route yet.",
    )


def _program(step: Step) -> str:
    return step.program.key if step.program else ""


def _used_table(lines: Any) -> Table:
    return Table(
        "used",
        "Used on",
        [
            Column("parent", "Assembly", lambda line: Ref("part", line.parent.key, line.parent.name)),
            Column("quantity", "Quantity", lambda line: line.quantity, number=True),
            Column("places", "Designators", lambda line: run_together([d.name for d in line.designators.all()])),
        ],
        list(lines),
        "No other part uses it.",
    )


def station_sheet(it: Station) -> Sheet:
    """A station: who is inside, its feeds and what is on each now, its set-ups, its last passes."""
    passes = Pass.objects.filter(station=it, superseded=None).select_related("unit__part", "step", "by")
    inside = passes.filter(inside=True).order_by("-began")
    feeds = Feed.objects.filter(axis__station=it)
    used = Pass.objects.filter(station=it, superseded=None, axis__isnull=False).values("axis")
    tools = it.equipment.filter(retired=None)
    setups = SetUp.objects.filter(Q(axis__station=it) | Q(axis__in=used))
    facts: list[Fact] = [
        ("Area", it.area or "none given"),
        ("What its scans prove", it.get_scan_mode_display()),
        ("Feeds go by", "the machine’s cycle count" if it.counts_cycles else "the clock"),
        ("Equipment", Several(tuple(Ref("equipment", one.key, one.kind) for one in tools)) or "none on record"),
    ]
    tables = [
        passes_table(inside, "inside", "Units inside", "No unit is inside."),
        feeds_table(feeds),
        setups_table(setups.select_related("assembly", "axis__station", "axis__tape").order_by("-pk")),
        passes_table(
            passes.filter(inside=False).order_by("-began"), "passes", "Latest passes", "Nothing passed here yet."
        ),
    ]
    return Sheet(f"{it.name}: {count(inside.count(), 'unit')} inside, {count(feeds.count(), 'feed')}.", facts, tables)


def passes_table(passes: QuerySet[Pass], name: str, title: str, empty: str) -> Table:
    """Passes at one station."""
    return Table(
        name,
        title,
        [
            Column("unit", "Unit", lambda p: Ref("unit", p.unit.key), "unit__key"),
            Column("part", "Part", lambda p: Ref("part", p.unit.part.key), "unit__part__key", choose=True),
            Column("step", "Step", lambda p: f"{p.step.number} {p.step.name}", "step__number"),
            Column("in", "In", lambda p: Moment(p.scanned_in), "scanned_in"),
            Column("out", "Out", lambda p: Moment(p.scanned_out), "scanned_out"),
            Column("outcome", "Outcome", lambda p: p.get_outcome_display(), "outcome"),
            Column("by", "By", lambda p: Ref("person", p.by.key, p.by.name), "by__key"),
        ],
        passes,
        empty,
        search=("unit__key", "by__name"),
    )
