"""What scans prove about when a unit drew: the bounds of its passes, set by its own scans, by its neighbours’ and by
its next scan elsewhere. For use inside operations."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from copy import copy
from typing import NamedTuple

from django.db.models import F, Min, Q, QuerySet
from django.db.models.functions import Coalesce

from trace.core.clock import OPEN, now, to_ticks
from trace.core.errors import Refusal
from trace.core.models import Person
from trace.engineering.models import ScanMode, Station
from trace.floor.draws import length_class, reckon_after
from trace.floor.evidence import list_visits, scan_elsewhere
from trace.floor.leaving import judge_leaving, outcome_of
from trace.floor.models import Fitting, LooseSighting, Packing, Pass, Unit
from trace.floor.queries import list_open_passes
from trace.floor.samples import owe_samples
from trace.floor.sheets import place
from trace.ledger.operation import note
from trace.material.models import Axis, SetUp, SetUpLine
from trace.material.queries import list_setups_between

BATCH = 500
"""The most passes in one transaction."""

LAST_FEW = 2 * BATCH
"""How many of a station's latest passes are looked at for its last scan: two full batches."""

CLOSING = [
    "inside", "outcome", "scanned_out", "closed", "drew", "only", "error", "sheet",
    "began", "first", "last", "ended", "length_class", "bounded", "recorded",
]  # fmt: skip

BOUNDS = ["first", "last", "ended", "length_class", "bounded", "recorded"]


NEVER = -1
"""In the place of a scan that was not made: no moment."""


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
    error: int = 0,
    drew: str | None = None,
    only: Sequence[str] | None = None,
    displaced: bool = False,
) -> None:
    """End an open pass: outcome, bounds, and the feeds that waited for it.

    `displaced`: no scan of its own ended it, but that of another unit at its station.
    """
    was = _end(inside, outcome, scanned_out, error, drew, only, displaced)
    _keep_versions([was], [inside])
    inside.save(update_fields=CLOSING)
    _reckon_closed([inside], by)


def close_passes(
    inside: Sequence[Pass], outcomes: Mapping[int, str], scanned_out: int, by: Person, *,
    error: int = 0, drew: str | None = None, only: Sequence[str] | None = None,
) -> None:  # fmt: skip
    """The same of many that one scan ends; their `outcomes` are by the ids of their units."""
    were = [_end(entry, outcomes[entry.unit_id], scanned_out, error, drew, only) for entry in inside]
    _keep_versions(were, inside)
    Pass.objects.bulk_update(inside, CLOSING)
    _reckon_closed(inside, by)


def _reckon_closed(inside: Sequence[Pass], by: Person) -> None:
    if in_part := [one.unit_id for one in inside if one.only is not None or one.drew != Pass.Drew.ALL]:
        judge_by_designator(in_part)
    reckon_after(inside, by)
    owe_samples([one for one in inside if one.samples and one.outcome == Pass.Outcome.PASSED], by)


def _end(
    inside: Pass, outcome: str, scanned_out: int, error: int, drew: str | None, only: Sequence[str] | None,
    displaced: bool = False,
) -> Pass:  # fmt: skip
    """End a pass, which is not saved yet; returns it as it was."""
    if scanned_out + error < (inside.scanned_in or 0) - inside.error:
        raise PassRefused(f"The unit went into {inside.station.key} after that moment.")
    was = copy(inside)
    inside.inside, inside.outcome, inside.scanned_out = False, outcome, None if displaced else scanned_out
    inside.closed = to_ticks(now())
    met = (
        list_setups_between([inside.axis_id], [inside.assembly_id], inside.first, inside.last) if inside.axis_id else []
    )
    inside.error = max(inside.error, 0 if displaced else error)
    want_drawn(drew, only, met)
    if only is not None or drew is not None:
        inside.drew, inside.only = drew or Pass.Drew.ALL, None if only is None else list(only)
    elif outcome == Pass.Outcome.ABORTED:
        inside.drew = Pass.Drew.UNSURE
    if inside.station.scan_mode != ScanMode.LOOSE:
        if hasty(inside.station, inside.scanned_in, inside.scanned_out, inside.error):
            _begin_before_scans(inside)
            _judge_across_changeovers([inside])
        _bound(inside, scanned_out + error)
    return was


def judge_by_designator(units: Iterable[int] | QuerySet) -> None:
    """From now on the places of these units are judged one by one: not everything that a set-up
    gives them is in them."""
    Unit.objects.filter(pk__in=units, by_designator=False).update(
        by_designator=True, by_designator_recorded=to_ticks(now())
    )


def _judge_across_changeovers(wider: Iterable[Pass]) -> None:
    """Passes that were made wider may now reach across a changeover: under another set-up they may have
    filled other places, which an earlier pass had filled."""
    for entry in wider:
        if entry.axis_id:
            met = list_setups_between([entry.axis_id], [entry.assembly_id], entry.first, entry.last)
            if met.count() > 1:
                judge_by_designator([entry.unit_id])


def bound_by_scan(units: Iterable[Unit], scan: int, by: Person, station: Station | None = None, error: int = 0) -> None:
    """A scan of these units elsewhere, known within `error`, bounds their passes that surely came before
    it and waited for it, or had only one known less exactly."""
    surely = scan - error - F("error")
    wider = Q(ended=OPEN) | Q(station__scan_mode=ScanMode.LOOSE, ended__gt=scan + error)
    waiting = (
        Pass.objects.filter(wider, unit__in=units, inside=False, superseded=None)
        .exclude(station=station)
        .filter(Q(scanned_in=None) | Q(scanned_in__lte=surely), Q(scanned_out=None) | Q(scanned_out__lte=surely))
    )
    _bound_all(waiting.select_related("axis"), scan + error, by)


def want_drawn(drew: str | None, only: Sequence[str] | None, setups: Iterable[SetUp]) -> None:
    if drew is not None and drew not in Pass.Drew.values:
        raise PassRefused(f"“{drew}” does not say what was drawn.", action="Say all, none or unsure.")
    if drew == Pass.Drew.NONE and only is not None:
        raise PassRefused("It can't have drawn nothing and some designators.", action="Say one or the other.")
    if only is not None:
        served = set(SetUpLine.objects.filter(setup__in=setups).values_list("designator", flat=True))
        if unknown := sorted(set(only) - served):
            raise PassRefused(f"Nothing is drawn for {', '.join(unknown)} here.", action="Check the designators.")


def neighbour_scan(
    station: Station, scan: int, by: Person, *, units: Collection[Unit] = (), error: int = 0, sheet: str = ""
) -> tuple[int | None, bool]:
    """At a one-at-a-time station: the earliest moment of the scan before this one, and whether this one
    joins its batch.

    A scan of `units` ends the passes of others there that surely came before it and had no scan out: their own it does
    not, so that a label scanned twice passes no step. One that may have
    followed faster than the work takes proves nothing: it joins the batch before, which then begins
    and ends together. The lines of a sheet follow each other, so they are no batch.
    """
    if station.scan_mode != ScanMode.ONE_AT_A_TIME:
        return None, False
    scans = _scans_at(station, scan)
    if not scans:
        return None, False
    here = Pass.objects.filter(station=station, superseded=None).select_related("axis", "station", "unit")
    last = max(scans, key=lambda found: (found.moment, found.entry))
    before = _surely_before(scans, scan - error)
    work = station.work_seconds * 1_000_000
    if work and not sheet and scan - error - last.moment - last.error < work:
        batch = list(here.filter(began=last.began, inside=False))
        _bound_all(batch, scan + error, by)
        _judge_across_changeovers(batch)
        return last.began if before is None else min(last.began, before), True
    known_worse = [
        s.entry for s in scans if not s.out and scan + error < s.ended < OPEN and s.moment + s.error <= scan - error
    ]
    if known_worse:
        _bound_all(here.filter(pk__in=known_worse), scan + error, by)
    for entry in list_open_passes().filter(station=station, began__lte=scan).exclude(unit__in=units):
        if (entry.scanned_in or 0) + entry.error > scan - error:
            continue
        # It is out, whatever stops it; but it has not passed the step.
        stopped = judge_leaving(entry, Pass.Outcome.PASSED, scan, error, by)
        drew = entry.drew if stopped else None
        outcome = outcome_of(Pass.Outcome.PASSED, stopped)
        close_pass(entry, outcome, scan, by, error=error, drew=drew, displaced=True)
        note(entry.unit)
    return before, False


class Scan(NamedTuple):
    """The last scan of a pass up to a moment: when, known within what; the id and bounds of the pass, and
    whether it was scanned out at all."""

    moment: int
    error: int
    entry: int
    began: int
    ended: int
    out: bool


def _scans_at(station: Station, moment: int, besides: int | None = None) -> list[Scan]:
    """The latest passes at a station with a scan up to a moment.

    Passes there begin in the order of their scans, a batch together, so the last few hold the last.
    """
    latest = (
        Pass.objects.filter(station=station, began__lte=moment, superseded=None)
        .exclude(Q(outcome=Pass.Outcome.VOID) | Q(pk=besides))
        .order_by("-began", "-id")
        .values_list("scanned_in", "scanned_out", "error", "id", "began", "ended")[:LAST_FEW]
    )
    scans = [
        Scan(max(out or 0, into or 0), error, entry, began, ended, out is not None)
        for into, out, error, entry, began, ended in latest
    ]
    return [scan for scan in scans if scan.moment <= moment]


def _surely_before(scans: Iterable[Scan], moment: int) -> int | None:
    """The earliest moment of the last of these scans that surely came before a moment."""
    return max((s.moment - s.error for s in scans if s.moment + s.error <= moment), default=None)


def hasty(station: Station, scanned_in: int | None, scanned_out: int | None, error: int = 0) -> bool:
    """Whether both scans of a one-at-a-time pass may have been made faster than the work: they prove one
    moment."""
    return (
        station.scan_mode == ScanMode.ONE_AT_A_TIME
        and scanned_in is not None
        and scanned_out is not None
        and scanned_out - scanned_in < station.work_seconds * 1_000_000 + (2 * error if station.work_seconds else 0)
    )


def _begin_before_scans(entry: Pass) -> None:
    """Begin a pass at the scan before its own, at this station or else of its unit."""
    entry.began = min(entry.began, _began_before(entry))
    _place(entry)


def _began_before(entry: Pass) -> int:
    """The earliest moment of the last scan that surely came before a pass's own: at its station where one
    unit is there at a time, or else of its unit elsewhere."""
    scan = entry.scanned_in if entry.scanned_in is not None else entry.scanned_out
    assert scan is not None
    before = None
    if entry.station.scan_mode == ScanMode.ONE_AT_A_TIME:
        before = _surely_before(_scans_at(entry.station, scan, entry.pk), scan - entry.error)
    if before is None:
        before = scan_elsewhere(entry.unit, list_visits(entry.unit), entry.station, scan - entry.error)
    return before


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
    _place(entry)


def _place(entry: Pass) -> None:
    """Positions that are moments follow the moments."""
    if entry.axis is None or entry.axis.kind == Axis.Kind.CLOCK:
        entry.first, entry.last = entry.began, entry.ended
        if entry.axis:
            entry.first, entry.last = place(entry.axis, entry.began, entry.ended, sheet=entry.sheet)
        entry.length_class = length_class(entry.first, entry.last)


def _keep_versions(were: Sequence[Pass], entries: Sequence[Pass]) -> None:
    """Before changed passes are saved: what was believed of them stays readable.

    That a pass was open is told by when it was closed and bounded; after any other change the row as it
    was stays beside it, superseded.
    """
    recorded = to_ticks(now())
    old = []
    for was, entry in zip(were, entries, strict=True):
        same = all(getattr(was, name) == getattr(entry, name) for name in ("began", "first", "drew", "only", "error"))
        if entry.ended == was.ended:
            plain = same
        else:
            plain = same and was.ended == OPEN and was.last in (OPEN, entry.last)
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
    told = [scan for scan in (gone.scanned_in, gone.scanned_out) if scan is not None]
    _begin_anew(gone, {scan - gone.error for scan in told}, by)
    _end_anew(Q(unit=gone.unit_id) | Q(station=gone.station_id), {scan + gone.error for scan in told}, by)


def end_anew(unit: Unit, scan: int, by: Person) -> None:
    """A scan of a unit that was no pass turned out never to have been: the same for its passes that it had bounded."""
    _end_anew(Q(unit=unit), {scan}, by)


def _end_anew(whose: Q, scans: set[int], by: Person) -> None:
    bounded = list(
        Pass.objects.filter(whose, ended__in=scans, superseded=None)
        .alias(own_end=Coalesce(F("scanned_out") + F("error"), NEVER))
        .exclude(Q(outcome=Pass.Outcome.VOID) | Q(own_end__in=scans) & ~Q(station__scan_mode=ScanMode.LOOSE))
        .select_related("axis", "station")
    )
    were = [copy(entry) for entry in bounded]
    for entry in bounded:
        scanned = entry.scanned_out if entry.scanned_out is not None else entry.scanned_in
        after = F("error") + (scanned or 0) + entry.error
        later = Pass.objects.filter(Q(scanned_in__gt=after) | Q(scanned_out__gt=after), superseded=None).exclude(
            Q(pk=entry.pk) | Q(outcome=Pass.Outcome.VOID)
        )
        if entry.station.scan_mode == ScanMode.ONE_AT_A_TIME:
            later = later.filter(station=entry.station_id)
        else:
            later = later.filter(unit=entry.unit_id).exclude(station=entry.station_id)
        scans_after = later.aggregate(
            into=Min(F("scanned_in") + F("error"), filter=Q(scanned_in__gt=after)),
            out=Min(F("scanned_out") + F("error"), filter=Q(scanned_out__gt=after)),
        )
        seen = (
            [m for m in _sightings(entry.unit_id) if m and m > (scanned or 0) + entry.error]
            if entry.station.scan_mode == ScanMode.LOOSE
            else []
        )
        _bound(entry, min([m for m in (*scans_after.values(), *seen) if m is not None], default=OPEN))
    _keep_versions(were, bounded)
    Pass.objects.bulk_update(bounded, BOUNDS)
    _judge_across_changeovers(bounded)
    reckon_after(bounded, by)


def _sightings(unit: int) -> list[int | None]:
    """When a unit was scanned elsewhere than at a station: fitted, found, packed, scrapped, if it was."""
    return [
        *Fitting.objects.filter(child=unit, superseded=None).values_list("since", flat=True),
        *LooseSighting.objects.filter(unit=unit).values_list("at", flat=True),
        *Packing.objects.filter(unit=unit).values_list("since", flat=True),
        *Unit.objects.filter(pk=unit).values_list("scrapped", flat=True),
    ]


def _begin_anew(gone: Pass, scans: set[int], by: Person) -> None:
    """The passes that began at these scans because nothing proved a later moment begin earlier."""
    begun = list(
        Pass.objects.filter(Q(unit=gone.unit_id) | Q(station=gone.station_id), began__in=scans, superseded=None)
        .alias(own_begin=Coalesce(F("scanned_in") - F("error"), NEVER))
        .exclude(Q(outcome=Pass.Outcome.VOID) | Q(own_begin__in=scans))
        .select_related("axis", "station", "unit")
    )
    were = [copy(entry) for entry in begun]
    for entry in begun:
        entry.began = min(_began_before(entry), entry.began)
        _place(entry)
    _keep_versions(were, begun)
    Pass.objects.bulk_update(begun, ["began", *BOUNDS])
    _judge_across_changeovers(begun)
    reckon_after(begun, by)
