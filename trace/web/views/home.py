"""Home: what needs somebody now."""

from __future__ import annotations

from typing import Any

from django.db.models import Exists, OuterRef
from django.http import HttpRequest
from django.http.response import HttpResponseBase
from django.utils import timezone

from trace.approvals.queries import list_awaiting
from trace.containment.narrowed import list_narrowed_awaiting
from trace.containment.shipped import list_notices_awaiting
from trace.core.clock import OPEN, now
from trace.core.permissions import JUDGING, OPERATIONS, STOPPING, may, roles_of
from trace.engineering.calendar import shift_at
from trace.engineering.models import Part, Station
from trace.engineering.queries import get_calendar
from trace.floor.models import Sample, Shipment
from trace.floor.queries import list_refused_scans
from trace.floor.waiting import list_to_repair
from trace.holds.models import Hold
from trace.holds.queries import list_dispositions_awaiting
from trace.material.models import Call, Feed, Lot, SetUpLine, Span
from trace.material.queries import list_overdue_clearings
from trace.quality.standing import list_below_limit
from trace.web.alarms import alarms_table, list_alarms
from trace.web.answer import holds_table
from trace.web.approvals import deviations_table
from trace.web.cells import Ref, Several, place_of
from trace.web.dispatch import departed_cell, list_finished
from trace.web.dispositions import dispositions_table
from trace.web.equipment import Due, equipment_table, list_due
from trace.web.floor import list_on_floor, steps_table, units_on_floor_table
from trace.web.line import limits_table
from trace.web.progress import notices_table
from trace.web.returns import count_waiting
from trace.web.samples import is_overdue, list_open, samples_table
from trace.web.tables import Column, Table, respond

NONE_DUE = "Nothing is due."


def home(request: HttpRequest) -> HttpResponseBase:
    """What needs me now; how to begin where the plant is empty."""
    if not Part.objects.exists():
        return respond(request, "home.html", {"begin": True}, [], name="home")
    person = request.user.person  # type: ignore[union-attr]
    holds = Hold.objects.filter(released=None).select_related("placed_by").order_by("-placed")
    unknown = _unknown_feeds()
    overdue = list_overdue_clearings(now())
    units = list_on_floor()
    awaiting = list_awaiting(person, now())  # type: ignore[arg-type]
    deciding = list_dispositions_awaiting(person)  # type: ignore[arg-type]
    telling = list_notices_awaiting(person)  # type: ignore[arg-type]
    failed, late, soon, owed = _equipment_for(request)
    below = list_below_limit(now()) if may(roles_of(request.user), STOPPING) else []
    untested = _samples_for(request)
    alarms = list_alarms(only_open=True) if may(roles_of(request.user), STOPPING) else []
    context = {
        "alarms": len(alarms),
        "narrowed": len(list_narrowed_awaiting(person)),  # type: ignore[arg-type]
        "untested": len(untested),
        "overdue_tests": sum(map(is_overdue, untested)),
        "holds": holds.count(),
        "unknown": unknown.count(),
        "overdue": overdue.count(),
        "inspect": Lot.objects.filter(status=Lot.Status.QUARANTINED, containers__gone=None).distinct().count(),
        "calls": Call.objects.filter(delivered=None, withdrawn=None).count()
        if may(roles_of(request.user), OPERATIONS["issue_container"])
        else 0,
        "refused": list_refused_scans().count()
        if may(roles_of(request.user), OPERATIONS["settle_refused_scan"])
        else 0,
        "awaiting": len(awaiting),
        "deciding": len(deciding),
        "telling": len(telling),
        "repair_station": Station.objects.filter(repairs=True, retired=None).first(),
        "to_repair": len(list_to_repair()) if may(roles_of(request.user), OPERATIONS["record_repair"]) else 0,
        "to_pack": sum(map(len, list_finished(units).values()))
        if may(roles_of(request.user), OPERATIONS["pack_units"])
        else 0,
        "returned": count_waiting(request),
        "failed": len(failed),
        "late": len(late),
        "soon": len(soon),
        "calibrate": len(late) + len(soon),
        "owed": len(owed),
        "below": len(below),
        "shift": shift_at(get_calendar(), now()) if owed else None,
        "waiting": sum(not unit.inside for unit in units),
        "inside": sum(unit.inside for unit in units),
        "material": Lot.objects.exists(),
    }
    tables = [
        *([alarms_table(alarms, "Open containments")] if alarms else []),
        holds_table(holds, "Nothing is held."),
        steps_table(units),
        _unknown_table(unknown),
        _overdue_table(overdue),
        deviations_table(awaiting, now(), "Deviations that wait for your approval"),
        dispositions_table(deciding, "Dispositions that wait for your approval"),
        notices_table(telling, "Notices that wait for your approval"),
        equipment_table(failed, "Failed a check piece: not to be used", NONE_DUE, name="failed"),
        equipment_table([*late, *soon], "Calibrations that are due", NONE_DUE, name="calibrations"),
        equipment_table(owed, "Check pieces to be run", NONE_DUE, name="checks"),
        limits_table(below),
        samples_table("samples", "Sample tests that wait to begin, or are overdue", untested, NONE_DUE),
        _shipments_table(),
    ]
    return respond(request, "home.html", context, tables, name="home")


def _equipment_for(request: HttpRequest) -> tuple[list[Due], list[Due], list[Due], list[Due]]:
    """(what failed a check piece, whose calibration is overdue; what is due for it within a week, for those who have
    it calibrated; what owes check pieces where it stands, for those who run them, at a device its stations alone)."""
    roles, today = roles_of(request.user), timezone.localdate(now())
    device = request.device  # type: ignore[attr-defined]
    every = list_due(now())
    owing = [due for due in every if due.owes] if may(roles, OPERATIONS["record_check"]) else []
    return (
        [due for due in every if due.wrong],
        [due for due in every if due.fitness.calibration],
        [due for due in every if due.soon(today) and may(roles, OPERATIONS["record_calibration"])],
        [due for due in owing if not device or due.it.station and due.it.station.key in device.stations],
    )


def _samples_for(request: HttpRequest) -> list[Sample]:
    """The samples that owe a test or are overdue in one, for who tests them or answers for them; not at a device."""
    if request.device or not may(roles_of(request.user), JUDGING):  # type: ignore[attr-defined]
        return []
    owed, running = list_open()
    return [*owed, *filter(is_overdue, running)]


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
            Column("departed", "Departed", departed_cell, "departed"),
            Column("cartons", "Cartons", cartons),
        ],
        Shipment.objects.select_related("customer").prefetch_related("consignments__carton").order_by("-opened"),
        "Nothing has shipped yet.",
        search=("key", "customer__name", "customer__key"),
    )
