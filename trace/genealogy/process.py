"""Process facts as a suspicion: units that were worked on, drew, failed or are named, whatever is in them."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterable, Iterator
from typing import NamedTuple

from django.db.models import F, Q, QuerySet

from trace.core.clock import OPEN, from_ticks, to_ticks
from trace.engineering.equipment import ProgramLoad
from trace.engineering.models import Characteristic
from trace.floor.models import BatchPass, Fault, Fitting, Pass, Reading, Repair, Sample, Unit
from trace.genealogy.intervals import Ranges
from trace.genealogy.reading import fetch
from trace.genealogy.rules import NOTHING, REASONS_BY_NUMBER, Finding, Reason, Sureness, Suspect
from trace.genealogy.suspicion import Failed, Faulty, Of, Run, Suspicion, Window
from trace.ledger.models import EventSubject
from trace.material.models import BagRecord, SetUp, SetUpLine

HOUR = 3_600_000_000

RECORDED_BY = {Of.STATION: "station", Of.PERSON: "by", Of.EQUIPMENT: "equipment"}
"""The field of a pass that names what a window is of."""


class Fact(NamedTuple):
    """What selects a unit: what it was selected by, and what is to be said of it."""

    unit: int
    by: Window | Run | Failed | Faulty | int
    finding: Finding


class Visit(NamedTuple):
    """A pass as it was scanned: somewhere in `began..ended` on the clock; the scans known within `error`."""

    unit: int
    began: int
    ended: int
    scanned_in: int | None
    scanned_out: int | None
    inside: bool
    error: int


def find_selected(suspicion: Suspicion, at: int = OPEN) -> dict[int, Finding]:
    """{unit: what is to be said of it} of all units that a suspicion's process facts select, up to a moment."""
    found: dict[int, Finding] = {}
    for unit, _, finding in list_facts(suspicion, at):
        found[unit] = found.get(unit, NOTHING).join(finding)
    return found


def list_facts(suspicion: Suspicion, at: int = OPEN) -> Iterator[Fact]:
    """Every fact by which a suspicion selects a unit, up to a moment.

    Certain, where it surely was worked on in the window, or drew in the run; possible, where its scans or the position
    leave it open. What failed, and what is named, is certain. A void pass, reading or fault does not count.
    """
    for window in _cut(suspicion.windows, at):
        if window.of != Of.PROGRAM:
            for row in fetch("passed", **window._asdict()):
                visit = Visit(*row)
                yield Fact(visit.unit, window, _judge(_surely(visit, window), visit.began))
        for unit, first, last in _deeds(window):
            yield Fact(unit, window, _judge(window.since <= first and last < window.until, first))
    for run in suspicion.runs:
        yield from _drawn(run, at)
    for failure in suspicion.failures:
        for unit, moment in _fallen(failure, at):
            yield Fact(unit, failure, Finding(Sureness.CERTAIN, Reason(0), moment))
    if suspicion.units:
        units = Unit.objects.filter(pk__in=suspicion.units, created__lte=at)
        for unit, created in units.values_list("pk", "created"):
            yield Fact(unit, unit, Finding(Sureness.CERTAIN, Reason(0), created))


def find_processed(windows: Iterable[Window], at: int = OPEN) -> dict[int, Suspect]:
    """The containers whose content went through work in a window, up to a moment: suspect since it may have been
    there, and surely so once it had been, where it surely was there in the window. What was baked in an oven was."""
    found: dict[int, Suspect] = {}
    for window in _cut(windows, at):
        if window.of not in RECORDED_BY:
            continue
        batches = BatchPass.objects.filter(
            ended__gte=window.since, began__lt=window.until, superseded=None, **{RECORDED_BY[window.of]: window.thing}
        )
        rows = batches.values_list("container", "began", "ended", "scanned_in", "scanned_out", "error")
        visits = [
            Visit(container, began, ended, scanned_in, scanned_out, False, error)
            for container, began, ended, scanned_in, scanned_out, error in rows
        ]
        if window.of == Of.EQUIPMENT:
            visits += _baked(window)
        for visit in visits:
            before = found.get(visit.unit, Suspect(OPEN, surely_from=OPEN))
            surely = visit.ended if _surely(visit, window) else OPEN
            found[visit.unit] = Suspect(min(before.since, visit.began), surely_from=min(before.surely_from, surely))
    return found


def _baked(window: Window) -> Iterator[Visit]:
    """Containers that an oven baked, as visits to it."""
    bakes = BagRecord.objects.filter(act=BagRecord.Act.BAKED, equipment=window.thing, at__gte=window.since)
    for container, end, hours in bakes.filter(superseded=None).values_list("container", "at", "hours"):
        began = end - int((hours or 0) * HOUR)
        if began < window.until:
            yield Visit(container, began, end, began, end, False, 0)


# Windows -------------------------------------------------------------------------------------------------------------


def _cut(windows: Iterable[Window], at: int) -> Iterator[Window]:
    """Windows up to a moment; those of one thing that touch are one. A program's are also those of the equipment that
    it was on."""
    spread: dict[tuple[Of, int], Ranges] = defaultdict(Ranges)
    for thing, since, until, of in windows:
        asked = Ranges([(since, min(until, at + 1))])
        spread[of, thing] |= asked
        if of == Of.PROGRAM:
            for equipment, loaded in _list_loaded(thing):
                spread[Of.EQUIPMENT, equipment] |= loaded & asked
    for (of, thing), ranges in spread.items():
        for since, until in ranges:
            yield Window(thing, since, until, of)


def _list_loaded(program: int) -> Iterator[tuple[int, Ranges]]:
    """(equipment, when a program was on it): from its load until the next."""
    loads: dict[int, list[tuple[int, int]]] = defaultdict(list)
    concerned = ProgramLoad.objects.filter(program=program).values("equipment")
    rows = ProgramLoad.objects.filter(equipment__in=concerned).order_by("since", "id")
    for equipment, loaded, since in rows.values_list("equipment", "program", "since"):
        loads[equipment].append((to_ticks(since), loaded))
    for equipment, moments in loads.items():
        ends = [since for since, _ in moments[1:]] + [OPEN]
        yield equipment, Ranges((s, e) for (s, loaded), e in zip(moments, ends, strict=True) if loaded == program)


def _deeds(window: Window) -> Iterator[tuple[int, int, int]]:
    """(unit, first moment, last moment) of what beside passes names a person, equipment or a program and may be in a
    window: readings; sample tests that it ran; what a person fitted, mended or scanned out."""
    if window.of == Of.STATION:
        return
    thing, since, until = window.thing, window.since, window.until
    kinds = Characteristic.objects.values("pk")  # there is an index by kind and moment
    readings = Reading.objects.filter(characteristic__in=kinds, happened__gte=since, happened__lt=until)
    own = Q(by=thing) | Q(judge=thing) if window.of == Of.PERSON else Q(**{window.of.value: thing})
    for unit, moment in readings.filter(own, superseded=None).values_list("unit", "happened"):
        yield unit, moment, moment
    if window.of == Of.EQUIPMENT:
        samples = Sample.objects.filter(equipment=thing, started__lt=until)
        for unit, started, ended in samples.values_list("unit", "started", "ended"):
            if ended is None or ended >= since:
                there = max(started or 0, since)  # it was on it all the time between
                yield unit, there, there
    if window.of == Of.PERSON:
        repairs = Repair.objects.filter(by=thing, at__gte=since, at__lt=until, superseded=None)
        for unit, moment in repairs.values_list("unit", "at"):
            yield unit, moment, moment
        fittings = Fitting.objects.filter(
            by=thing, since__gte=since - F("error"), since__lt=F("error") + until, superseded=None
        )
        for unit, moment, error in fittings.values_list("unit", "since", "error"):
            yield unit, moment - error, moment + error
        yield from _scanned_out(window)


SCANNING_OUT = ("finish_pass", "finish_carrier", "record_test")
"""Operations that end a pass which somebody else may have begun; a pass names who began it."""


def _scanned_out(window: Window) -> Iterator[tuple[int, int, int]]:
    subjects = EventSubject.objects.filter(
        kind="unit",
        event__verb__in=SCANNING_OUT,
        event__by=window.thing,
        event__happened__gte=from_ticks(max(window.since, 0)),
        **({} if window.until >= OPEN else {"event__happened__lt": from_ticks(window.until)}),
    )
    ended = {(key, to_ticks(happened)) for key, happened in subjects.values_list("key", "event__happened")}
    passes = Pass.objects.filter(
        unit__key__in={key for key, _ in ended}, scanned_out__in={moment for _, moment in ended}, superseded=None
    ).exclude(outcome=Pass.Outcome.VOID)
    for unit, key, moment, error in passes.values_list("unit", "unit__key", "scanned_out", "error"):
        if moment is not None and (key, moment) in ended:
            yield unit, moment - error, moment + error


def _judge(surely: bool, since: int) -> Finding:
    sureness, reason = _CERTAIN if surely else _POSSIBLE
    return Finding(sureness, reason, since)


_CERTAIN = Sureness.CERTAIN, REASONS_BY_NUMBER[0]
_POSSIBLE = Sureness.POSSIBLE, REASONS_BY_NUMBER[Reason.BLURRED]


def _surely(visit: Visit, window: Window) -> bool:
    """Its whole range lies in the window, or it was inside between two scans that reach into it; of one scan, where
    that lies in it."""
    if window.since <= visit.began and visit.ended < window.until:
        return True
    came = visit.scanned_out if visit.scanned_in is None else visit.scanned_in
    left = came if visit.scanned_out is None else visit.scanned_out
    if came is None or left is None:
        return False
    return came + visit.error < window.until and (visit.inside or left - visit.error >= window.since)


# Runs, failures ------------------------------------------------------------------------------------------------------


def _drawn(run: Run, at: int) -> Iterator[Fact]:
    """Units that drew from an axis in a run, in a pass or for a fitting: surely, where all of its range lies in it."""
    setups = SetUp.objects.filter(axis=run.axis, end__gt=F("first"))
    if run.assembly is not None:
        setups = setups.filter(assembly=run.assembly)
    pieces = [
        {"axis": run.axis, "assembly": assembly, "first": run.first, "end": run.end, "certain": True, "reason": 0}
        for assembly in sorted(set(setups.values_list("assembly", flat=True)))
    ]
    for _, certain, reason, since, unit, *_ in fetch("ranges", ranges=json.dumps(pieces), at=min(at, OPEN - 1)):
        # One that drew for some designators only drew all the same: then there is no reason why it only may have.
        sureness = Sureness.CERTAIN if certain or not reason else Sureness.POSSIBLE
        yield Fact(unit, run, Finding(sureness, REASONS_BY_NUMBER[0 if certain else reason], since))
    served = set(SetUpLine.objects.filter(setup__in=setups).values_list("feed", "designator"))
    fittings: QuerySet[Fitting] = Fitting.objects.filter(
        feed__in={feed for feed, _ in served},
        first__lt=run.end,
        last__gte=run.first,
        since__lte=F("error") + at,
        superseded=None,
    )
    columns = ("unit", "feed", "designator", "first", "last", "since")
    for unit, feed, designator, first, last, since in fittings.values_list(*columns):
        if (feed, designator) in served:
            yield Fact(unit, run, _judge(run.first <= first and last < run.end, since))


WAYS = {
    "": Q(good=False),
    "below": Q(value__lt=F("characteristic__lower")),
    "above": Q(value__gt=F("characteristic__upper")),
    "outside": Q(value__lt=F("characteristic__lower")) | Q(value__gt=F("characteristic__upper")),
}
"""The ways in which a unit may fail a test; in whatever way, also as judged."""


def _fallen(failure: Failed | Faulty, at: int) -> Iterator[tuple[int, int]]:
    """(unit, when it failed in this way)."""
    until = min(failure.until, at + 1)
    if isinstance(failure, Failed):
        rows = Reading.objects.filter(
            WAYS[failure.way],
            characteristic=failure.characteristic,
            happened__gte=failure.since,
            happened__lt=until,
            superseded=None,
        )
        return iter(rows.values_list("unit", "happened"))
    faults = Fault.objects.filter(code=failure.code, found__gte=failure.since, found__lt=until, superseded=None)
    if failure.designator:
        faults = faults.filter(designator=failure.designator)
    return iter(faults.values_list("unit", "found"))
