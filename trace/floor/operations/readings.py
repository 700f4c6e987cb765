"""What is measured and judged of units at a station: typed, or sent by a tester."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal

from django.db.models import Max

from trace.core.clock import now, to_ticks
from trace.core.errors import Refusal
from trace.core.keys import clean_text
from trace.core.models import Person
from trace.core.permissions import BENCH, may
from trace.engineering.equipment import Equipment
from trace.engineering.models import Characteristic, Station
from trace.engineering.rules import within
from trace.floor.admission import next_of
from trace.floor.deviating import Permits
from trace.floor.doing import EquipmentHere
from trace.floor.evidence import Evidence, Visit, gather_evidence, list_visits
from trace.floor.facts import Doing, Facts
from trace.floor.leaving import judge_leaving, outcome_of
from trace.floor.models import Pass, Reading, Unit
from trace.floor.operations.corrections import want_standing
from trace.floor.operations.passes import pass_through, want_whole_panels
from trace.floor.queries import list_open_passes, lock_station, lock_units
from trace.floor.readings import begin_visit, last_moment
from trace.floor.route import RouteStep
from trace.floor.scans import BATCH, close_pass
from trace.holds.gate import moving
from trace.ledger.operation import note, operation

MEASURED = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?)\s*(.*)", re.ASCII)
MOST_VALUE, PLACES = Decimal(10) ** 12, 6

VERDICTS = {"good": True, "not good": False}
"""What is said of what is judged."""


class ReadingRefused(Refusal):
    """A reading can't be recorded, or corrected, so."""

    code = "reading-refused"
    action = "Check the traveller, the station and what was read, and enter it again."


@dataclass(frozen=True)
class UnitReadings:
    """What was read of one unit: of each characteristic, by its number or name, a value (`4.98`, `4.98 V`), or what it
    was judged to be (`good`, `not good`)."""

    unit: Unit
    readings: Mapping[str, str]


@operation()
def record_readings(
    *,
    unit: Unit,
    readings: Mapping[str, str],
    station: Station,
    equipment: Equipment | None = None,
    judge: Person | None = None,
    by: Person,
    at: datetime,
) -> list[Reading]:
    """What was read of a unit at a station, for the step for which it is, or was then, inside or due there; `readings`
    as in `UnitReadings`. Each is good or not by the limits of the unit's revision, or as `judge` (whoever records it,
    unless another is named) says. Several may follow each other in one visit: the last counts.

    `equipment` is what it was read with, to be said where several of a kind stand there. With what was not fit, or is
    not known, it is recorded, says so, and lets nothing pass. Refuses with ReadingRefused, naming each: what the step
    does not ask, or is named twice; no number, one of another unit of measure, or with too many digits; a verdict on
    what is measured; a unit that was scrapped, is inside elsewhere or not due here; what would contradict a visit that
    passed; a judge who had left by then, or does no work at benches. With BadText.
    """
    return _measure([UnitReadings(unit, readings)], station, equipment, judge, by, at)


@moving
def record_test(
    *,
    results: Sequence[UnitReadings],
    station: Station,
    equipment: Equipment | None = None,
    judge: Person | None = None,
    passes: bool = False,
    entered: datetime | None = None,
    rack: str = "",
    by: Person,
    at: datetime,
) -> list[Reading] | list[Pass]:
    """What a tester read of units, at most 500, as in `record_readings`; and with `passes` that their visit is over.

    Its result follows: a unit has passed if all that the step asks was read and is good, and nothing else stops it;
    failed, if a reading is outside its limits; else its visit is aborted, and its `stopped` says why. A unit that is
    inside is scanned out, the others went through between `entered` and `at`, as in `record_passes`. Answers with the
    passes where they are recorded, in the order of the results, else with the readings. All or none. Refuses with
    ReadingRefused; where passes are recorded with what `record_passes` and `finish_pass` refuse.
    """
    if not 0 < len(results) <= BATCH:
        raise ReadingRefused(f"Between 1 and {BATCH} units can be tested together, not {len(results)}.")
    lock_station(station)
    readings = _measure(results, station, equipment, judge, by, at)
    if not passes:
        return readings
    units = [one.unit for one in results]
    inside = {one.unit_id: one for one in list_open_passes().filter(station=station, unit__in=units)}
    want_whole_panels(inside.values(), inside)
    through = [unit for unit in units if unit.pk not in inside]
    done = {pk: _let_out(entry, by, at) for pk, entry in inside.items()}
    if through:
        recorded = pass_through(through, station, entered=entered, equipment=equipment, rack=rack, by=by, at=at)
        done |= {entry.unit_id: entry for entry in recorded}
    return [done[unit.pk] for unit in units]


def _let_out(inside: Pass, by: Person, at: datetime) -> Pass:
    """A unit comes out with what it was tested to be, whatever stops it."""
    stopped = judge_leaving(inside, Pass.Outcome.PASSED, to_ticks(at), 0, by)
    drew = inside.drew if stopped else None
    close_pass(inside, outcome_of(Pass.Outcome.PASSED, stopped), to_ticks(at), by, drew=drew)
    inside.stopped = stopped
    return inside


@operation()
def void_reading(*, reading: Reading, reason: str, instead: str = "", by: Person, at: datetime) -> Reading:
    """What was recorded as read was not: it stays readable as superseded, and `instead`, as in `UnitReadings`, is what
    was read really.

    Refuses with ReadingRefused what would leave a visit that passed without a good reading: that pass is voided first.
    With CorrectionRefused without a reason, or where it was superseded before; with BadText.
    """
    (unit,) = lock_units([reading.unit])
    reading = Reading.objects.select_related("characteristic").get(pk=reading.pk)
    want_standing(reading.superseded, reason)
    recorded = to_ticks(now())
    Reading.objects.filter(pk=reading.pk).update(superseded=recorded)
    told, it = clean_text(instead, 40, "What was read"), reading.characteristic
    if told:
        value, good, problem = _read(it, told)
        if problem:
            raise ReadingRefused(problem)
        reading.pk, reading.value, reading.good, reading.by, reading.recorded = None, value, good, by, recorded
        reading.attempt = _count_attempts([unit])[unit.pk, it.pk] + 1
        reading._state.adding = True
        reading.save()
    else:
        reading.superseded = recorded
    visit = _visit_at(list_visits(unit), reading.happened, step=reading.step_id)
    if visit and visit.outcome == Pass.Outcome.PASSED and not (told and reading.passes):
        _contradicts(unit, it)
    note(unit, reason=reason)
    return reading


def _contradicts(unit: Unit, it: Characteristic) -> None:
    raise ReadingRefused(
        f"{unit.key} passed this step in that visit, and {it.name} would say otherwise.",
        action="Have the pass voided first, with the reason, then enter what was read.",
    )


def _measure(
    results: Sequence[UnitReadings],
    station: Station,
    equipment: Equipment | None,
    judge: Person | None,
    by: Person,
    at: datetime,
) -> list[Reading]:
    """Write what was read of units. The number of queries does not grow with theirs."""
    if len({one.unit.pk for one in results}) < len(results):
        raise ReadingRefused("A unit is named twice.")
    if judge and (judge.retired and at > judge.retired or not may(judge.roles, BENCH)):
        raise ReadingRefused(f"{judge} was not here to judge it.", action="Enter who judged it.")
    units, moment = {unit.pk: unit for unit in lock_units(one.unit for one in results)}, to_ticks(at)
    found = gather_evidence(list(units.values()), station, moment, None, None)
    permits = Permits(at, at)
    steps = {pk: _find_step(unit, station, moment, found, permits) for pk, unit in units.items()}
    asked = Characteristic.objects.filter(
        part__in={unit.part_id for unit in units.values()}, step_number__in={step.number for step, _ in steps.values()}
    )
    by_step: dict[tuple[int, int], list[Characteristic]] = {}
    for characteristic in asked:
        by_step.setdefault((characteristic.part_id, characteristic.step_number), []).append(characteristic)
    attempts, here, recorded = _count_attempts(units.values()), EquipmentHere(station, equipment, at), to_ticks(now())
    rows, problems = list[Reading](), list[str]()
    for one in results:
        unit, (step, passed) = units[one.unit.pk], steps[one.unit.pk]
        doing = here.find_used(step)
        if not one.readings:
            problems.append(f"Nothing was read of {unit.key}.")
        for it, value, good, problem in _match(one.readings, by_step.get((unit.part_id, step.number), [])):
            if problem or it is None:
                problems.append(f"{unit.key}: {problem}" if len(results) > 1 else problem)
                continue
            reading = Reading(
                unit=unit, characteristic=it, step_id=step.pk, station=station,
                value=value, good=good, judge=None if value is not None else judge or by,
                equipment_id=doing.pk, program_id=doing.loaded, unfit=_say_unfit(doing),
                attempt=attempts.get((unit.pk, it.pk), 0) + 1, by=by, happened=moment, recorded=recorded,
            )  # fmt: skip
            if passed and not reading.passes:
                _contradicts(unit, it)
            rows.append(reading)
    if problems:
        raise ReadingRefused(" ".join(problems))
    outside = sorted({row.unit.key for row in rows if not row.good})
    unfit = sorted({row.unfit for row in rows if row.unfit})
    note(*units.values(), **({"outside": outside} if outside else {}), **({"unfit": unfit} if unfit else {}))
    return Reading.objects.bulk_create(rows)


def _find_step(unit: Unit, station: Station, moment: int, found: Evidence, permits: Permits) -> tuple[RouteStep, bool]:
    """(the step for which a unit is, or was at a moment, inside or due at a station, or which a deviation lets it do
    next; whether it passed it in that visit)."""
    if unit.scrapped is not None and unit.scrapped <= moment:
        raise ReadingRefused(f"{unit.key} was scrapped.", action="Put it in the scrap cage.")
    if moment < unit.created:
        raise ReadingRefused(f"{unit.key} was made after that moment.", action="Give the right moment.")
    visits, route = found.visits[unit.pk], found.routes[unit.part_id]
    if visit := _visit_at(visits, moment, station=station.pk):
        return next(step for step in route if step.pk == visit.step), visit.outcome == Pass.Outcome.PASSED
    if inside := next((visit for visit in visits if visit.outcome == Pass.Outcome.NONE), None):
        where = "went in after that moment" if inside.station == station.pk else "is inside another station"
        raise ReadingRefused(f"{unit.key} {where}.", action="Scan it out there first, or give the right moment.")
    done = {visit.step for visit in visits if visit.passed} | found.skips[unit.pk]

    def look(choices: Sequence[RouteStep]) -> Facts:
        return Facts(unit.key, station.key, next_of(choices, station), tuple(choices))

    due, stopped, _ = permits.settle(unit, route, done, look)
    if stopped or due is None:
        raise ReadingRefused(stopped[0].message.removeprefix("Stop. "), action=stopped[0].action)
    return due, False


def _visit_at(
    visits: Sequence[Visit], moment: int, *, station: int | None = None, step: int | None = None
) -> Visit | None:
    """The visit of a unit, at a station or for a step, that a moment lies in; of several the first to end."""
    covering = [
        visit
        for visit in visits
        if visit.outcome != Pass.Outcome.VOID and visit.station == (station or visit.station)
        and visit.step == (step or visit.step)
        and begin_visit(visits, visit.step, visit.scanned_in, _end(visit), visit.error) <= moment <= _end(visit)
    ]  # fmt: skip
    return min(covering, key=_end, default=None)


def _end(visit: Visit) -> int:
    return visit.ended if visit.outcome == Pass.Outcome.NONE else last_moment(visit)


def _count_attempts(units: Iterable[Unit]) -> dict[tuple[int, int], int]:
    rows = Reading.objects.filter(unit__in=units).values_list("unit", "characteristic")
    return {(unit, it): last for unit, it, last in rows.annotate(Max("attempt")).order_by()}


Matched = tuple[Characteristic | None, Decimal | None, bool, str]
"""A characteristic; its value, if it is measured; whether it is good; or what is wrong."""


def _match(told: Mapping[str, str], asked: Sequence[Characteristic]) -> Iterator[Matched]:
    """What was told, each of the characteristics that are asked, by number or name."""
    by_number, by_name = {str(it.number): it for it in asked}, {it.name.casefold(): it for it in asked}
    named = set[int]()
    for name, text in told.items():
        name = clean_text(name, 120, "The name of a characteristic")
        it = by_number.get(name) or by_name.get(name.casefold())
        if it is None:
            names = ", ".join(it.name for it in asked) or "nothing"
            yield None, None, False, f"“{name}” is not read here; asked is {names}."
        elif it.pk in named:
            yield it, None, False, f"{it.name} is named twice."
        else:
            named.add(it.pk)
            yield it, *_read(it, clean_text(str(text), 40, it.name))


def _read(it: Characteristic, told: str) -> tuple[Decimal | None, bool, str]:
    """(the value of what is measured, whether it is good, what is wrong with what was told)."""
    if it.judge:
        verdict = VERDICTS.get(told.casefold())
        return None, bool(verdict), "" if verdict is not None else f"{it.name} is judged: say good or not good."
    number = MEASURED.fullmatch(told)
    if number is None:
        return None, False, f"{it.name}: “{told}” is not a number."
    if number[2] not in ("", it.unit_of_measure):
        return None, False, f"{it.name} is measured in {it.unit_of_measure}, not in “{number[2]}”."
    value = Decimal(number[1])
    if abs(value) >= MOST_VALUE or round(value, PLACES) != value:
        return None, False, f"{it.name}: {number[1]} has too many digits; {PLACES} stand behind the point."
    return value, within(value, it.lower, it.upper), ""


def _say_unfit(doing: Doing) -> str:
    """What is the matter with what a reading was made with."""
    owed = f"has not told {', '.join(doing.owed)} right in this shift" if doing.owed else ""
    wrong = " and ".join(filter(None, (doing.calibration, owed, doing.program)))
    return (f"{doing.key} {wrong}" if wrong else doing.unknown.rstrip("."))[:300]
