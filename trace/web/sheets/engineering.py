"""Parts and stations."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from django.db.models import Q, QuerySet
from django.urls import reverse
from django.utils import timezone
from django.utils.html import format_html

from trace.approvals.models import Attachment
from trace.core.clock import OPEN, now
from trace.engineering.models import BomLine, Part, Placement, SerialRule, Station, Step
from trace.engineering.queries import list_costs
from trace.engineering.rules import make_serial, run_together
from trace.exchange.lists.kinds import KINDS
from trace.floor.models import Pass, Unit
from trace.floor.remaining import forecast_feeds
from trace.floor.tapes import find_next_board_set
from trace.material.facts import Left
from trace.material.inspecting import list_plan
from trace.material.models import Feed, Lot, Mount, SetUp
from trace.material.queries import list_offers
from trace.material.sequencing import forecast
from trace.web.cells import Link, Mark, Moment, Ref, Several
from trace.web.clocks import describe_moisture, first_offer, offers_table
from trace.web.equipment import Due, judge_due
from trace.web.inspection import plan_table
from trace.web.middleware import find_site
from trace.web.sheets.base import Fact, Sheet, count, lasting
from trace.web.sheets.feeds import feeds_table, pace_now, setups_table
from trace.web.sheets.floor import lots_table, units_table
from trace.web.tables import Column, Table


def part_sheet(it: Part) -> Sheet:
    """A part: what it is made of, what is placed where, where it is used, its route, its lots or units."""
    site = find_site()
    lots = Lot.objects.filter(part=it).select_related("supplier")
    units = Unit.objects.filter(part=it).select_related("order")
    lines = it.lines.select_related("child").prefetch_related("designators", "substitutes__part")
    steps = it.steps.select_related("qualification", "program").prefetch_related("stations")
    used = BomLine.objects.filter(child=it).select_related("parent").prefetch_related("designators")
    facts: list[Fact] = [
        ("Number", f"{it.number} {it.revision}".strip()),
        ("Revision", Link(describe_revision(it), reverse("revisions", args=[it.key]))),
        ("Kind", it.get_kind_display()),
        ("Tracked by", "serial" if it.serialised else "lot"),
    ]
    if it.serialised:
        facts.append(("Serials", _next_serial(it)))
    offers = [] if it.serialised else list_offers([it], now())[it.key]
    if not it.serialised:
        facts.append(("Moisture", describe_moisture(it)))
    if it.shelf_life:
        facts.append(("Shelf life", f"{it.shelf_life} days from receipt, where the label gives no expiry"))
    costs = _costs(it, site.currency) if site else ""
    tables = [offers_table(offers), lots_table(lots)] if not it.serialised else [units_table(units)]
    if not it.level:
        tables.append(plan_table(list(list_plan(it))))
    if it.serialised or lines:
        tables += [_bom_table(lines), _placements_table(it, lines), _route_table(steps)]
    if it.characteristics.exists():
        tables.append(_characteristics_table(it))
    if it.panel_places.exists():
        tables.append(_panel_table(it))
    tables.append(_used_table(used))
    made = count(units.count(), "unit") if it.serialised else count(lots.count(), "lot")
    sentence = f"{it.name}: {made} on record, used on {count(used.count(), 'line')} of other parts."
    sentence = f"{sentence} {first_offer(offers)}".strip()
    return Sheet(sentence, facts, tables, costs=[("Standard cost", costs)] if costs else [])


def _next_serial(part: Part) -> str:
    """What its serial rule issues next, as of today."""
    rule = SerialRule.objects.filter(number=part.number).first()
    if rule is None:
        return "given with the order: it has no serial rule"
    return f"{make_serial(rule.prefix, rule.digits, rule.next_number, timezone.localdate())} comes next"


def _costs(part: Part, currency: str) -> str:
    """What it costs today, and from which day on something else."""
    today = timezone.localdate()
    cost = list_costs([part.pk], today)[part.pk][0]
    set_already = [
        f"{later.standard_cost.normalize():f} {currency} from {later.since} on"
        for later in part.costs.filter(since__gt=today)
    ]
    return ", ".join([*([f"{cost.normalize():f} {currency}"] if cost else []), *set_already])


def describe_revision(part: Part) -> str:
    """In a sentence, how far a revision has come."""
    if not part.level:
        return "It is bought: it has no draft and needs no release."
    if not part.released:
        return "It is a draft: its bill of material, route and placements can be changed, and no order builds it yet."
    since = f"It is released since {part.released:%-d %B %Y}"
    if part.retired:
        return f"{since}, and retired since {part.retired:%-d %B %Y}: no new order builds it."
    if part.effective_from:
        return f"{since}; orders from {part.effective_from:%-d %B %Y} on build it."
    if part.effective_serial:
        return f"{since}; units from {part.effective_serial} on are built by it."
    if part.uses_up:
        return f"{since}; orders build it once no {part.uses_up.key} is left in stock."
    return f"{since}, and in effect since then."


def _to_bring(lacking: str, name: str) -> str:
    """What is lacking, and the list by which it comes."""
    title = KINDS[name].title
    link = format_html('<a href="{}">{}</a>', reverse("list", args=[name]), title)
    return format_html("{} A planner brings in a list: {}.", lacking, link)


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
        _to_bring("It has no bill of material yet.", "bom"),
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
        _to_bring("It has no placements yet.", "placements"),
    )


def _route_table(steps: Any) -> Table:
    shown = Attachment.objects.filter(sha256__in={step.picture for step in steps} - {""}).order_by("-pk")
    pictures = {file.sha256: Ref("attachment", file.key, file.name) for file in shown}
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
            Column("turn", "Its turn", _turn),
            Column("instruction", "Instruction", lambda step: step.instruction),
            Column("picture", "Picture", lambda step: pictures.get(step.picture, "")),
            Column("qualification", "Asks for", lambda step: step.qualification.name if step.qualification else ""),
            Column(
                "equipment", "Needs", lambda step: " with ".join(filter(None, [step.equipment_kind, _program(step)]))
            ),
            Column("caution", "Caution", lambda step: step.caution),
        ],
        list(steps),
        _to_bring("It has no route yet.", "routes"),
    )


def _turn(step: Step) -> str:
    """When a step is done, where that is not simply after the one before it."""
    words = []
    if step.free_order:
        words.append(f"in any order with those of {step.free_order}")
    if step.alternative:
        words.append(f"one of {step.alternative} is enough")
    if step.first_piece:
        words.append("first piece approved after a changeover")
    if step.verification:
        words.append(step.get_verification_display())
    if step.sample_every:
        words.append(f"one unit in {step.sample_every}")
    if step.attempts:
        words.append(f"reviewed after {count(step.attempts, 'failure')}")
    return "; ".join(words)


def _characteristics_table(it: Part) -> Table:
    return Table(
        "characteristics",
        "What is measured and judged",
        [
            Column("step", "Step", lambda row: row.step_number, number=True),
            Column("name", "Characteristic", lambda row: row.name),
            Column("lower", "Lower limit", lambda row: row.lower, number=True),
            Column("target", "Target", lambda row: row.target, number=True),
            Column("upper", "Upper limit", lambda row: row.upper, number=True),
            Column("unit", "Unit of measure", lambda row: row.unit_of_measure),
            Column("judge", "Judged by", lambda row: row.judge),
        ],
        list(it.characteristics.all()),
        "Nothing is measured or judged.",
    )


def _panel_table(it: Part) -> Table:
    return Table(
        "panel",
        "Boards in the panel",
        [
            Column("number", "Place", lambda place: place.number, number=True),
            Column("board", "Board", lambda place: Ref("part", place.board.key, place.board.name)),
            Column("x", "x, mm", lambda place: place.x, number=True),
            Column("y", "y, mm", lambda place: place.y, number=True),
            Column("rotation", "Rotation, degrees", lambda place: place.rotation, number=True),
        ],
        list(it.panel_places.select_related("board")),
        "No board stands in it.",
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
    tools = judge_due(list(it.equipment.filter(retired=None)), now())
    pace = pace_now(it)
    setups = SetUp.objects.filter(Q(axis__station=it) | Q(axis__in=used))
    facts: list[Fact] = [
        ("Area", it.area or "none given"),
        ("What its scans prove", it.get_scan_mode_display()),
        ("Feeds go by", "the machine’s cycle count" if it.counts_cycles else "the clock"),
        ("Tape on it", _tape_on(it, pace)),
        ("Equipment", Several(tuple(map(_tool, tools)), "; ") or "none on record"),
    ]
    tables = [
        passes_table(inside, "inside", "Units inside", "No unit is inside."),
        feeds_table(feeds, forecast_feeds(list(feeds), pace)),
        setups_table(setups.select_related("assembly", "axis__station", "axis__tape").order_by("-pk")),
        passes_table(
            passes.filter(inside=False).order_by("-began"), "passes", "Latest passes", "Nothing passed here yet."
        ),
    ]
    return Sheet(f"{it.name}: {count(inside.count(), 'unit')} inside, {count(feeds.count(), 'feed')}.", facts, tables)


def _tool(due: Due) -> Several:
    """Equipment at a station, whether it is fit, and what is wrong with it."""
    what = (Ref("equipment", due.it.key, due.it.kind), Mark(due.state))
    return Several((*what, due.wanting) if due.wanting else what)


def _tape_on(station: Station, pace: Decimal | None) -> Ref | str:
    """The tape that is mounted here, and how long it lasts."""
    mount = Mount.objects.filter(station=station, until=OPEN).select_related("tape").first()
    if mount is None:
        return "none"
    left = Decimal(max(mount.tape.board_sets - find_next_board_set(mount.tape), 0))
    return Ref("tape", mount.tape.key, f"lasts {lasting(forecast(Left(left, left), 1, pace))}")


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
