"""Home: what needs somebody now."""

from __future__ import annotations

from typing import Any

from django.db.models import Exists, OuterRef
from django.http import HttpRequest
from django.http.response import HttpResponseBase

from trace.core.clock import OPEN, now
from trace.engineering.models import Part
from trace.floor.models import Shipment
from trace.holds.models import Hold
from trace.material.models import Feed, Lot, SetUpLine, Span
from trace.material.queries import list_overdue_clearings
from trace.web.answer import holds_table
from trace.web.cells import Moment, Ref, Several, place_of
from trace.web.equipment import equipment_table, list_due
from trace.web.floor import list_on_floor, steps_table, units_on_floor_table
from trace.web.tables import Column, Table, respond


def home(request: HttpRequest) -> HttpResponseBase:
    """What needs me now; how to begin where the plant is empty."""
    if not Part.objects.exists():
        return respond(request, "home.html", {"begin": True}, [], name="home")
    holds = Hold.objects.filter(released=None).select_related("placed_by").order_by("-placed")
    unknown = _unknown_feeds()
    overdue = list_overdue_clearings(now())
    units = list_on_floor()
    calibrate = [due for due in list_due(now()) if due.fitness.calibration]
    context = {
        "holds": holds.count(),
        "unknown": unknown.count(),
        "overdue": overdue.count(),
        "calibrate": len(calibrate),
        "inspect": Lot.objects.filter(status=Lot.Status.QUARANTINED, containers__gone=None).distinct().count(),
        "waiting": sum(not unit.inside for unit in units),
        "inside": sum(unit.inside for unit in units),
        "material": Lot.objects.exists(),
    }
    tables = [
        holds_table(holds, "Nothing is held."),
        steps_table(units),
        _unknown_table(unknown),
        _overdue_table(overdue),
        equipment_table(calibrate, "Overdue calibrations", "No calibration is overdue."),
        _shipments_table(),
    ]
    return respond(request, "home.html", context, tables, name="home")


def floor(request: HttpRequest) -> HttpResponseBase:
    """Every unit on the floor."""
    return respond(request, "floor.html", {}, [units_on_floor_table(list_on_floor())], name="floor")


def _unknown_feeds() -> Any:
    unknown = Span.objects.filter(feed=OuterRef("pk"), container=None, end=OPEN, superseded=None)
    served = SetUpLine.objects.filter(feed=OuterRef("pk"), setup__end=OPEN)
    feeds = Feed.objects.filter(Exists(unknown), Exists(served), axis__tape=None)
    return feeds.select_related("axis__station", "axis__tape").order_by("key")


def _unknown_table(feeds: Any) -> Table:
    return Table(
        "unknown",
        "Feeds whose material is not known",
        [
            Column("feed", "Feed", lambda feed: Ref("feed", feed.key), "key"),
            Column("place", "At", lambda feed: place_of(feed.axis), "axis__station__key"),
            Column("kind", "Kind", lambda feed: feed.get_kind_display(), "kind"),
        ],
        feeds,
        "On every feed that serves a set-up the material is known.",
        search=("key", "axis__station__key"),
        note="What draws from one of these may carry any container of the part. Scan what is loaded.",
    )


def _overdue_table(feeds: Any) -> Table:
    return Table(
        "overdue",
        "Places to count or to clear",
        [
            Column("feed", "Feed", lambda feed: Ref("feed", feed.key), "key"),
            Column("place", "At", lambda feed: place_of(feed.axis), "axis__station__key"),
            Column("days", "Within days", lambda feed: feed.clear_within, "clear_within", number=True),
        ],
        feeds,
        "No place is overdue.",
        search=("key", "axis__station__key"),
        note="Until it is counted or cleared, all that was ever poured there may be in what it gives.",
    )


def _shipments_table() -> Table:
    def cartons(shipment: Shipment) -> Several:
        loads = [load for load in shipment.consignments.all() if load.until is None]
        return Several(tuple(Ref("carton", load.carton.key) for load in loads))

    return Table(
        "shipments",
        "Latest shipments",
        [
            Column("shipment", "Shipment", lambda s: Ref("shipment", s.key), "key"),
            Column("customer", "Customer", lambda s: Ref("customer", s.customer.key, s.customer.name), "customer__key"),
            Column("departed", "Departed", lambda s: Moment(s.departed) if s.departed else "being loaded", "departed"),
            Column("cartons", "Cartons", cartons),
        ],
        Shipment.objects.select_related("customer").prefetch_related("consignments__carton").order_by("-opened"),
        "Nothing has shipped yet.",
        search=("key", "customer__name", "customer__key"),
    )
