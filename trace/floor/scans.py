"""What scans prove about when a unit drew: the bounds of its passes, set by its own scans, by its
neighbours' and by its next scan elsewhere. For use inside operations."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from copy import copy

from django.db.models import Max, Min, Q, QuerySet

from trace.core.clock import OPEN, now, to_ticks
from trace.core.errors import Refusal
from trace.core.models import Person
from trace.engineering.models import ScanMode, Station
from trace.floor.admission import contents_of
from trace.floor.draws import length_class, reckon_after
from trace.floor.models import Pass, Unit
from trace.holds.gate import find_holds
from trace.holds.rules import Move
from trace.ledger.operation import note
from trace.material.models import Axis, SetUp, SetUpLine
from trace.material.queries import list_setups_between

LAST_FEW = 1_000
"""How many of a station's latest passes are looked at for its last scan: two full batches."""

CLOSING = [
    "inside", "outcome", "scanned_out", "closed", "drew", "only", "began", "first", "last", "ended", "length_class",
    "bounded", "recorded",
]  # fmt: skip

BOUNDS = ["last", "ended", "length_class", "bounded", "recorded"]


class PassRefused(Refusal):
    """A pass can't be recorded as asked."""

    code = "pass-refused"
    action = "Check the traveller and the station, and scan again."


def close_pass(
    inside: Pass,
    outcome: str,
    scanned_out: int,
    by: Person,
    *,
    drew: str | None = None,
    only: Sequence[str] | None = None,
    displaced: bool = False,
) -> None:
    """End an open pass: outcome, bounds, and the feeds that waited for it.

    `displaced`: no scan of its own ended it, but that of another unit at its station.
    """
    if scanned_out < (inside.scanned_in or 0):
        raise PassRefused(f"The unit went into {inside.station.key} after that moment.")
    was = copy(inside)
    inside.inside, inside.outcome, inside.scanned_out = False, outcome, None if displaced else scanned_out
    inside.closed = to_ticks(now())
    met = (
        list_setups_between([inside.axis_id], [inside.assembly_id], inside.first, inside.last) if inside.axis_id else []
    )
    want_drawn(drew, only, met)
    if only is not None or drew is not None:
        inside.drew, inside.only = drew or Pass.Drew.ALL, None if only is None else list(only)
    elif outcome == Pass.Outcome.ABORTED:
        inside.drew = Pass.Drew.UNSURE
    if inside.station.scan_mode != ScanMode.LOOSE:
        if hasty(inside.station, inside.scanned_in, inside.scanned_out):
            _begin_before_scans(inside)
        _bound(inside, scanned_out)
    _keep_versions([was], [inside])
    inside.save(update_fields=CLOSING)
    if only is not None or inside.drew != Pass.Drew.ALL:
        judge_by_designator([inside.unit_id])
    reckon_after([inside], by)


def judge_by_designator(units: Iterable[int] | QuerySet) -> None:
    """From now on the places of these units are judged one by one: not everything that a set-up
    gives them is in them."""
    Unit.objects.filter(pk__in=units, by_designator=False).update(
        by_designator=True, by_designator_recorded=to_ticks(now())
    )


def bound_by_scan(units: Iterable[Unit], scan: int, by: Person, station: Station | None = None) -> None:
    """A scan of these units elsewhere bounds their passes that waited for it."""
    waiting = (
        Pass.objects.filter(unit__in=units, inside=False, ended=OPEN, superseded=None)
        .exclude(station=station)
        .filter(Q(scanned_in=None) | Q(scanned_in__lte=scan), Q(scanned_out=None) | Q(scanned_out__lte=scan))
    )
    _bound_all(waiting.select_related("axis"), scan, by)


def want_drawn(drew: str | None, only: Sequence[str] | None, setups: Iterable[SetUp]) -> None:
    if drew is not None and drew not in Pass.Drew.values:
        raise PassRefused(f"“{drew}” does not say what was drawn.", action="Say all, none or unsure.")
    if drew == Pass.Drew.NONE and only is not None:
        raise PassRefused("It can't have drawn nothing and some designators.", action="Say one or the other.")
    if only is not None:
        served = set(SetUpLine.objects.filter(setup__in=setups).values_list("designator", flat=True))
        if unknown := sorted(set(only) - served):
            raise PassRefused(f"Nothing is drawn for {', '.join(unknown)} here.", action="Check the designators.")


def neighbour_scan(station: Station, scan: int, by: Person) -> tuple[int | None, bool]:
    """At a one-at-a-time station: the scan before this one, and whether this one joins its batch.

    A scan ends the passes there that had no scan out. One that follows faster than the work takes
    proves nothing: it joins the batch before, which then begins and ends together.
    """
    if station.scan_mode != ScanMode.ONE_AT_A_TIME:
        return None, False
    last, before = _last_scan(station, scan)
    if last is None:
        return None, False
    here = Pass.objects.filter(station=station, superseded=None).select_related("axis", "station", "unit")
    if scan - before < station.work_seconds * 1_000_000:
        _bound_all(here.filter(began=last.began, inside=False), scan, by)
        return last.began, True
    for entry in here.filter(inside=True, began__lte=scan):
        held = find_holds(Move.FINISH, [*contents_of([entry.unit])[entry.unit.pk], station])
        if held:  # it is out, whatever the hold says; but it has not passed the step
            close_pass(entry, Pass.Outcome.ABORTED, scan, by, drew=entry.drew, displaced=True)
        else:
            close_pass(entry, Pass.Outcome.PASSED, scan, by, displaced=True)
        note(entry.unit)
    return before, False


def _last_scan(station: Station, scan: int, besides: int | None = None) -> tuple[Pass | None, int]:
    """The pass with the last scan at a station up to a moment, and that scan.

    Passes there begin in the order of their scans, a batch together, so the last few hold it.
    """
    latest = (
        Pass.objects.filter(station=station, began__lte=scan, superseded=None)
        .exclude(Q(outcome=Pass.Outcome.VOID) | Q(pk=besides))
        .order_by("-began", "-id")[:LAST_FEW]
    )
    scans = [(max(p.scanned_out or 0, p.scanned_in or 0), p.pk, p) for p in latest]
    last = max(((moment, pk, p) for moment, pk, p in scans if moment <= scan), default=None)
    return (last[2], last[0]) if last else (None, 0)


def hasty(station: Station, scanned_in: int | None, scanned_out: int | None) -> bool:
    """Whether both scans of a one-at-a-time pass were made faster than the work: they prove one moment."""
    return (
        station.scan_mode == ScanMode.ONE_AT_A_TIME
        and scanned_in is not None
        and scanned_out is not None
        and scanned_out - scanned_in < station.work_seconds * 1_000_000
    )


def _begin_before_scans(entry: Pass) -> None:
    """Begin a pass at the scan before its own, at this station or else of its unit."""
    assert entry.scanned_in is not None
    last, before = _last_scan(entry.station, entry.scanned_in, entry.pk)
    if last is None:
        before = scans_elsewhere([entry.unit], entry.station, entry.scanned_in)[entry.unit.pk]
    entry.began = min(entry.began, before)
    if entry.axis is None or entry.axis.kind == Axis.Kind.CLOCK:
        entry.first = min(entry.first, before)


def scans_elsewhere(units: Sequence[Unit], station: Station, scan: int) -> dict[int, int]:
    """Each unit's last scan at another station up to a moment, or when it was made."""
    rows = (
        Pass.objects.filter(unit__in=units, began__lte=scan, superseded=None)
        .exclude(Q(station=station) | Q(outcome=Pass.Outcome.VOID))
        .values("unit")
        .annotate(
            into=Max("scanned_in", filter=Q(scanned_in__lte=scan)),
            out=Max("scanned_out", filter=Q(scanned_out__lte=scan)),
        )
        .values_list("unit", "into", "out")
    )
    scans = {unit: max(into or 0, out or 0) for unit, into, out in rows}
    return {unit.pk: max(scans.get(unit.pk, 0), min(unit.created, scan)) for unit in units}


def _bound_all(passes: Iterable[Pass], moment: int, by: Person) -> None:
    bounded = list(passes)
    were = [copy(entry) for entry in bounded]
    for entry in bounded:
        _bound(entry, moment)
    if bounded:
        _keep_versions(were, bounded)
        Pass.objects.bulk_update(bounded, BOUNDS)
        reckon_after(bounded, by)


def _bound(entry: Pass, moment: int) -> None:
    """Bound a pass on the clock; on a clock axis its positions with it."""
    entry.ended = max(moment, entry.began)
    if entry.axis is None or entry.axis.kind == Axis.Kind.CLOCK:
        entry.last = max(moment, entry.first)
        entry.length_class = length_class(entry.first, entry.last)


def _keep_versions(were: Sequence[Pass], entries: Sequence[Pass]) -> None:
    """Before changed passes are saved: what was believed of them stays readable.

    That a pass was open is told by when it was closed and bounded; after any other change the row as it
    was stays beside it, superseded.
    """
    recorded = to_ticks(now())
    old = []
    for was, entry in zip(were, entries, strict=True):
        same = all(getattr(was, name) == getattr(entry, name) for name in ("began", "first", "drew", "only"))
        if entry.ended == was.ended:
            plain = same
        else:
            plain = same and was.ended == OPEN
            entry.bounded = recorded
        if not plain:
            was.pk, was.superseded = None, recorded
            was._state.adding = True
            entry.recorded = recorded
            old.append(was)
    Pass.objects.bulk_create(old)


def bound_anew(gone: Pass, by: Person) -> None:
    """A pass turned out never to have been: the passes that its scans had bounded reach to the next
    scan that bounds them, on either side, or stay open."""
    scans = {scan for scan in (gone.scanned_in, gone.scanned_out) if scan is not None}
    _begin_anew(gone, scans, by)
    bounded = list(
        Pass.objects.filter(Q(unit=gone.unit_id) | Q(station=gone.station_id), ended__in=scans, superseded=None)
        .exclude(Q(outcome=Pass.Outcome.VOID) | Q(scanned_out__in=scans) & ~Q(station__scan_mode=ScanMode.LOOSE))
        .select_related("axis", "station")
    )
    were = [copy(entry) for entry in bounded]
    for entry in bounded:
        scanned = entry.scanned_out if entry.scanned_out is not None else entry.scanned_in
        after = scanned or 0
        later = Pass.objects.filter(Q(scanned_in__gt=after) | Q(scanned_out__gt=after), superseded=None).exclude(
            Q(pk=entry.pk) | Q(outcome=Pass.Outcome.VOID)
        )
        if entry.station.scan_mode == ScanMode.ONE_AT_A_TIME:
            later = later.filter(station=entry.station_id)
        else:
            later = later.filter(unit=entry.unit_id).exclude(station=entry.station_id)
        scans_after = later.aggregate(
            into=Min("scanned_in", filter=Q(scanned_in__gt=after)),
            out=Min("scanned_out", filter=Q(scanned_out__gt=after)),
        )
        _bound(entry, min((m for m in scans_after.values() if m is not None), default=OPEN))
    _keep_versions(were, bounded)
    Pass.objects.bulk_update(bounded, BOUNDS)
    reckon_after(bounded, by)


def _begin_anew(gone: Pass, scans: set[int], by: Person) -> None:
    """The passes that began at these scans because nothing proved a later moment begin earlier."""
    begun = list(
        Pass.objects.filter(Q(unit=gone.unit_id) | Q(station=gone.station_id), began__in=scans, superseded=None)
        .exclude(Q(outcome=Pass.Outcome.VOID) | Q(scanned_in__in=scans))
        .select_related("axis", "station", "unit")
    )
    were = [copy(entry) for entry in begun]
    for entry in begun:
        last, before = None, 0
        if entry.station.scan_mode == ScanMode.ONE_AT_A_TIME:
            last, before = _last_scan(entry.station, entry.began, entry.pk)
        if last is None:
            before = scans_elsewhere([entry.unit], entry.station, entry.began)[entry.unit_id]
        entry.began = min(before, entry.began)
        if entry.axis is None or entry.axis.kind == Axis.Kind.CLOCK:
            entry.first = entry.began
            entry.length_class = length_class(entry.first, entry.last)
    _keep_versions(were, begun)
    Pass.objects.bulk_update(begun, ["began", "first", *BOUNDS])
    reckon_after(begun, by)


def lock_station(station: Station) -> None:
    """At a one-at-a-time station each scan ends the pass before it: scans there wait for each other.

    Taken before every other row lock.
    """
    if station.scan_mode == ScanMode.ONE_AT_A_TIME:
        Station.objects.select_for_update().get(pk=station.pk)
