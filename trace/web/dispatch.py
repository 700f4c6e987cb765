"""Cartons, pallets and shipments as pages show them: what waits, what is in each, what was done last."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

from django.db.models import Count, Exists, Max, OuterRef, Q, QuerySet, Subquery
from django.urls import reverse

from trace.core.permissions import OPERATIONS, in_words
from trace.engineering.models import PackingLine, Part, Step
from trace.floor.admission import contents_of
from trace.floor.models import Carton, Closing, Consignment, Packing, Pallet, Shipment, Stacking, Unit
from trace.floor.packing import find_loads, find_pallets
from trace.floor.samples import list_unsold
from trace.floor.shipments import PackedLine
from trace.genealogy.whereabouts import Place
from trace.holds.models import Hold
from trace.web.answer import list_open_holds
from trace.web.cells import Link, Mark, Moment, Ref, Several
from trace.web.floor import OnFloor
from trace.web.moments import Asof
from trace.web.tables import Column, Table

WHO_RELEASES = in_words(OPERATIONS["release_hold"])
"""Who decides that what is held may go."""

DESKS = {"carton": "pack", "pallet": "stack", "shipment": "load"}
"""Where work is done with each: the name of the page."""


def desk_link(kind: str, key: str) -> Link:
    """A carton, pallet or shipment, leading to where work is done with it."""
    return Link(key, reverse(DESKS[kind], args=[key]))


def count_words(number: int, what: str) -> str:
    """A number with its noun: 1 carton, 2 cartons."""
    return f"{number} {what}{'s' * (number != 1)}"


def departed_cell(shipment: Shipment) -> Moment | str:
    """When a shipment left, or that it did not."""
    if shipment.recalled:
        return "never: it was recalled"
    return Moment(shipment.departed) if shipment.departed is not None else "not yet"


# What waits ----------------------------------------------------------------------------------------------------------


def list_finished(on_floor: Iterable[OnFloor]) -> dict[str, list[OnFloor]]:
    """Finished units that are packed as they are, by part, who waits longest first: products, then whatever else has a
    packing rule. Samples that are not sold as new are none of them."""
    packed = Part.objects.filter(Q(kind=Part.Kind.PRODUCT) | Exists(PackingLine.objects.filter(product=OuterRef("pk"))))
    kinds = dict(packed.values_list("key", "kind"))
    found: dict[str, list[OnFloor]] = {}
    samples = set(list_unsold().filter(unit__scrapped=None).values_list("unit__key", flat=True))
    units = (
        one for one in on_floor if one.where.kind == Place.FINISHED and one.part in kinds and one.key not in samples
    )
    for one in sorted(units, key=lambda one: (one.where.since, one.key)):
        found.setdefault(one.part, []).append(one)
    return dict(sorted(found.items(), key=lambda one: (kinds[one[0]] != Part.Kind.PRODUCT, one[0])))


def finished_table(units: Sequence[OnFloor]) -> Table:
    """Finished units that are packed as they are."""
    holds = Hold.objects.filter(released=None, target_kind="unit", target_key__in=[one.key for one in units])
    held = set(holds.values_list("target_key", flat=True))

    def state(one: OnFloor) -> Mark | str:
        return Mark("held") if one.key in held else "to be packed"

    return Table(
        "finished",
        "Finished, and not packed yet",
        [
            Column("unit", "Unit", lambda one: Ref("unit", one.key)),
            Column("part", "Part", lambda one: Ref("part", one.part, one.part_name), choose=True),
            Column("since", "Last scanned", lambda one: Moment(one.where.since or None)),
            Column("state", "State", state, choose=True),
        ],
        units,
        "Nothing waits to be packed.",
    )


def _cartons(**more: Any) -> Any:
    """Cartons that have not left, each with how many units it has, of which part, and since when it is closed."""
    packings = Packing.objects.filter(carton=OuterRef("pk"), until=None)
    closings = Closing.objects.filter(carton=OuterRef("pk"), until=None)
    return Carton.objects.annotate(
        units=Count("packings", filter=Q(packings__until=None)),
        part=Subquery(packings.order_by("unit__part__key").values("unit__part__key")[:1]),
        closed=Subquery(closings.values("since")[:1]),
        stacked=Exists(Stacking.objects.filter(carton=OuterRef("pk"), until=None)),
        loaded=Exists(Consignment.objects.filter(carton=OuterRef("pk"), until=None)),
    ).filter(**more)


def _carton_columns() -> list[Column]:
    return [
        Column("carton", "Carton", lambda one: desk_link("carton", one.key), "key"),
        Column("part", "Part", lambda one: Ref("part", one.part) if one.part else "", "part", choose=True),
        Column("units", "Units", lambda one: one.units, "units", number=True),
    ]


def open_cartons_table() -> Table:
    return Table(
        "open",
        "Open cartons",
        [*_carton_columns(), Column("made", "Begun", lambda one: Moment(one.made), "made")],
        _cartons(closed=None, loaded=False).order_by("-made", "key"),
        "No carton is open. Start one.",
        search=("key",),
    )


def closed_cartons_table() -> Table:
    return Table(
        "closed",
        "Closed cartons, on no pallet and no shipment",
        [*_carton_columns(), Column("closed", "Closed", lambda one: Moment(one.closed), "closed")],
        _cartons(closed__isnull=False, stacked=False, loaded=False).order_by("closed", "key"),
        "No closed carton waits.",
        search=("key",),
    )


def pallets_table() -> Table:
    loads = Consignment.objects.filter(
        until=None, carton__stackings__until=None, carton__stackings__pallet=OuterRef("pk")
    )
    on = Q(stackings__until=None, stackings__isnull=False)
    pallets = Pallet.objects.annotate(
        cartons=Count("stackings", filter=on), stacked=Max("stackings__since", filter=on)
    ).filter(~Exists(loads))
    return Table(
        "pallets",
        "Pallets on no shipment",
        [
            Column("pallet", "Pallet", lambda one: desk_link("pallet", one.key), "key"),
            Column("cartons", "Cartons", lambda one: one.cartons, "cartons", number=True),
            Column("stacked", "Last stacked", lambda one: Moment(one.stacked), "stacked"),
        ],
        pallets.order_by("key"),
        "No pallet waits.",
        search=("key",),
    )


def shipments_table() -> Table:
    on = Q(consignments__until=None, consignments__isnull=False)
    return Table(
        "shipments",
        "Shipments not sent yet",
        [
            Column("shipment", "Shipment", lambda one: desk_link("shipment", one.key), "key"),
            Column("customer", "Customer", lambda s: Ref("customer", s.customer.key, s.customer.name), "customer__key"),
            Column("opened", "Opened", lambda one: Moment(one.opened), "opened"),
            Column("cartons", "Cartons", lambda one: one.cartons, "cartons", number=True),
        ],
        Shipment.objects.filter(departed=None)
        .select_related("customer")
        .annotate(cartons=Count("consignments", filter=on))
        .order_by("opened", "key"),
        "No shipment is open. Open one to a customer.",
        search=("key", "customer__name"),
    )


# What is in each -----------------------------------------------------------------------------------------------------


def units_in_table(carton: Carton, held: set[str]) -> Table:
    """The units in a carton now."""

    def state(one: Packing) -> Mark | str:
        return Mark("held") if one.unit.key in held else ""

    return Table(
        "units",
        "Units in it",
        [
            Column("unit", "Unit", lambda one: Ref("unit", one.unit.key), "unit__key"),
            Column("part", "Part", lambda one: Ref("part", one.unit.part.key, one.unit.part.name), "unit__part__key"),
            Column("since", "Packed", lambda one: Moment(one.since), "since"),
            Column("by", "By", lambda one: Ref("person", one.by.key, one.by.name), "by__key"),
            Column("held", "Held", state),
        ],
        Packing.objects.filter(carton=carton, until=None).select_related("unit__part", "by").order_by("-since", "-pk"),
        "It is empty: scan the first unit.",
        search=("unit__key",),
    )


def packed_table(lines: Sequence[PackedLine], empty: str) -> Table:
    """What is in several cartons, carton by carton."""
    return Table(
        "packed",
        "What is on it",
        [
            Column("pallet", "Pallet", lambda line: desk_link("pallet", line.pallet) if line.pallet else ""),
            Column("carton", "Carton", lambda line: desk_link("carton", line.carton)),
            Column("part", "Part", lambda line: Ref("part", line.part.key, line.part.name), choose=True),
            Column("serials", "Serials", lambda line: Several(tuple(Ref("unit", key) for key in line.serials))),
            Column("quantity", "Quantity", lambda line: line.quantity, number=True),
        ],
        lines,
        empty,
    )


def list_holds_on(things: Sequence[Any], cartons: Sequence[Carton]) -> QuerySet[Hold]:
    """The open holds that keep these things here: on them, the cartons, their pallets, what is packed in them and what
    is fitted in that."""
    units = list(Unit.objects.filter(packings__carton__in=cartons, packings__until=None))
    inside = {unit.key for units_inside in contents_of(units).values() for unit in units_inside}
    pallets = find_pallets(cartons).values()
    targets = {(type(one)._meta.model_name or "", one.key) for one in [*things, *cartons, *pallets]}
    named = Hold.objects.filter(released=None, target_kind="unit", target_key__in=inside)
    return list_open_holds(sorted(targets | {("unit", hold.target_key) for hold in named}), Asof())


def list_cautions(parts: Iterable[Part]) -> list[str]:
    """What must be heeded with what is packed: the cautions of the last step of each part."""
    found = []
    for part in parts:
        last = Step.objects.filter(part=part).order_by("-number").first()
        found += [last.caution] if last and last.caution else []
    return list(dict.fromkeys(found))


def say_where(carton: Carton) -> str:
    """Where a closed carton is, in words."""
    if load := find_loads([carton]).get(carton.pk):
        sent = "was sent" if load.shipment.departed is not None else "is"
        return f"It {sent} on shipment {load.shipment.key} to {load.shipment.customer.name}."
    if pallet := find_pallets([carton]).get(carton.pk):
        return f"It is on pallet {pallet.key}."
    return ""


# What was done last --------------------------------------------------------------------------------------------------

DONE: Mapping[str, Callable[[str], str]] = {
    "start_carton": lambda key: "A new carton is begun: print its label and stick it on.",
    "pack_units": lambda key: f"{key} is in.",
    "there": lambda key: f"{key} is here already.",
    "unpack_unit": lambda key: f"{key} is out again.",
    "counted": lambda key: f"{key} is counted in.",
    "uncounted": lambda key: f"{key} is not counted in.",
    "close_carton": lambda key: "The carton is closed.",
    "open_carton": lambda key: "The carton is open again.",
    "start_pallet": lambda key: "A new pallet is begun: print its label and stick it on.",
    "stack_pallet": lambda key: f"Carton {key} is on the pallet.",
    "unstack_carton": lambda key: f"Carton {key} is off the pallet.",
    "open_shipment": lambda key: "The shipment is open.",
    "load_shipment": lambda key: f"{key} is loaded.",
    "unload_shipment": lambda key: f"{key} is unloaded.",
    "send_shipment": lambda key: "The shipment is sent.",
    "recall_shipment": lambda key: "The shipment is recalled: it never departed.",
}
"""By what was done: what is said of it, and of the thing that it was done with."""


def say_done(verb: str, key: str) -> str:
    """What was done last, in a sentence; nothing where the address tells of nothing."""
    return DONE[verb](key) if verb in DONE else ""
