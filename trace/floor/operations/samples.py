"""Sample tests: what is tested of whom, a test from its start to its end, duties passed on or waived."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal

from django.core.exceptions import ValidationError

from trace.core.clock import from_ticks, now, to_ticks
from trace.core.errors import Refusal
from trace.core.keys import clean_text
from trace.core.models import Person
from trace.engineering.equipment import Equipment
from trace.engineering.fitness import judge_fitness
from trace.engineering.models import Part, Step
from trace.floor.admission import contents_of, places_of
from trace.floor.deviating import Permits, record_deviated
from trace.floor.facts import Facts
from trace.floor.models import Chooses, Counted, Pass, Sample, SampleEntry, SampleRule, Unit
from trace.floor.queries import lock_units
from trace.floor.route import RouteStep
from trace.floor.rules import judge
from trace.floor.samples import find_done, list_entries
from trace.floor.sampling import find_height
from trace.holds.gate import check_moves, moving
from trace.holds.rules import Move
from trace.ledger.operation import note, operation
from trace.material.sampling import AQLS, LEVELS

MOST = Decimal(1_000_000)


class SampleRuleRefused(Refusal):
    """Samples can't be chosen so."""

    code = "sample-rule-refused"
    action = "Correct the rows named and set all of them again."


class SampleRefused(Refusal):
    """This can't be done with a sample."""

    code = "sample-refused"
    action = "Look at the page of the sample: it says what is next."


@dataclass(frozen=True)
class SampleRow:
    """A test of samples: it counts `kind` (hours or drops), of which `demand` are to be done, by units that passed step
    `step_number`. `chooses`: one in so many (`every`) of each work order, the first one of it, or as many as the
    sampling plan of an inspection `level` and an `aql` takes from it. `ships`: a sample that passed may be sold as new.
    `days`: within so many the test should end."""

    name: str
    kind: Counted
    demand: Decimal
    step_number: int
    chooses: Chooses
    every: int | None = None
    level: str = ""
    aql: Decimal | None = None
    ships: bool = False
    days: int | None = None


@operation()
def set_sample_rules(*, number: str, rows: Sequence[SampleRow], by: Person, at: datetime) -> list[SampleRule]:
    """Write which tests samples of a part number, all its revisions, owe from now on; no rows: none. What is owed
    already stays owed as it was.

    Refuses with SampleRuleRefused a number of no part that is built here and tracked by serial, a name twice, a step
    that no route of it has, and what does not fit how it chooses; with BadText.
    """
    number = clean_text(number, 60, "The part number")
    if not Part.objects.filter(number=number, serialised=True, level__gt=0).exists():
        raise SampleRuleRefused(f"“{number}” is the number of no part that is built here and tracked by serial.")
    names = [clean_text(row.name, 60, "The name of the test") for row in rows]
    route = set(Step.objects.filter(part__number=number).values_list("number", flat=True))
    times = Counter(name.casefold() for name in names)
    problems = [f"“{name}” stands there {many} times." for name, many in times.items() if many > 1]
    for name, row in zip(names, rows, strict=True):
        problems += [f"“{name}”: {what}" for what in _judge(name, row, route)]
    if problems:
        raise SampleRuleRefused(" ".join(problems))
    SampleRule.objects.filter(number=number).delete()
    made = [SampleRule(number=number, **vars(row) | {"name": name}) for name, row in zip(names, rows, strict=True)]
    for rule in made:
        try:
            rule.full_clean(validate_unique=False)
        except ValidationError as error:
            raise SampleRuleRefused(f"“{rule.name}”: {' '.join(error.messages)}") from None
        rule.save()
    return made


def _judge(name: str, row: SampleRow, route: set[int]) -> Iterator[str]:
    """What is wrong with a row."""
    if not name:
        yield "give the test a name."
    if not (row.demand.is_finite() and 0 < row.demand < MOST):
        yield f"{row.demand} {row.kind} are no test."
    elif row.kind == Counted.DROPS and row.demand != int(row.demand):
        yield f"{row.demand} drops can't be done."
    if row.step_number not in route:
        yield f"no route has a step {row.step_number}."
    if (row.chooses == Chooses.EVERY) != bool(row.every) or (row.every or 0) < 0:
        yield "say one in how many." if row.chooses == Chooses.EVERY else "only one in so many has a number."
    plan = row.chooses == Chooses.PLAN
    if plan and (row.aql not in AQLS or row.level not in LEVELS):
        yield f"a plan has a level ({', '.join(LEVELS)}) and an AQL of {', '.join(map(str, AQLS))}."
    if not plan and (row.aql is not None or row.level):
        yield "only a plan has a level and an AQL."
    if row.days is not None and row.days < 1:
        yield "a test takes a day at least."


@moving
def start_sample(
    *,
    sample: Sample,
    equipment: Equipment | None = None,
    mass: Decimal | None = None,
    by: Person,
    at: datetime,
) -> Sample:
    """The test of a unit that owes it begins, with what equipment, if with any. A package that is dropped is weighed
    first: `mass` in kg gives its height (ISTA 1A).

    Refuses with SampleRefused a test that began or ended, a unit that is inside a station, fitted, packed or scrapped,
    equipment that is not fit then, a drop test without a mass up to 68 kg, another with one; with Held.
    """
    sample, unit = _lock(sample)
    _want_open(sample)
    if sample.started is not None:
        raise SampleRefused(f"The {sample.test} of {unit.key} is running already.")
    _want_at_hand(unit)
    check_moves(Move.START, contents_of([unit])[unit.pk])
    if to_ticks(at) < sample.owed:
        raise SampleRefused(f"{unit.key} owes it since after that moment.", action="Give the right time.")
    if equipment and not (fitness := judge_fitness([equipment], at)[equipment.pk]).fit:
        wrong = fitness.calibration or f"owes its check pieces {', '.join(fitness.owed)} in this shift"
        raise SampleRefused(f"{equipment.key} {wrong}.", action="Take other equipment, or have it made fit.")
    if (sample.kind == Counted.DROPS) != (mass is not None):
        raise SampleRefused(
            "Weigh the package first: its mass says from what height it is dropped."
            if mass is None
            else "Only what is dropped is weighed for it.",
            action="Give its mass in kg." if mass is None else "Leave the mass out.",
        )
    if mass is not None:
        try:
            sample.mass, sample.height = round(mass, 3), find_height(round(mass, 3))
        except (ValueError, ArithmeticError):
            raise SampleRefused(
                f"A package of {mass} kg is not dropped by ISTA 1A: it is for up to 68 kg.",
                action="Weigh it again, or have it tested by another procedure.",
            ) from None
    sample.equipment, sample.started, sample.started_by = equipment, to_ticks(at), by
    sample.start_recorded = to_ticks(now())
    sample.save()
    return sample


@operation()
def record_sample(*, sample: Sample, done: Decimal, failure: str = "", by: Person, at: datetime) -> SampleEntry:
    """So many hours, or drops, of a running test are done by now, all in all; and what failed then, if anything did:
    what, and how.

    Refuses with SampleRefused what does not run, more hours than passed since it began, less than was done before, half
    a drop, and an entry before the last one; with BadText.
    """
    failure = clean_text(failure, 300, "The failure")
    sample, unit = _lock(sample)
    _want_running(sample)
    if not (done.is_finite() and 0 <= done < MOST) or sample.kind == Counted.DROPS and done != int(done):
        raise SampleRefused(f"{done} {sample.kind} can't be done.", action="Enter how many are done all in all.")
    done = round(done, 2)
    if (before := list_entries(sample).last()) and (to_ticks(at) < before.at or done < before.done):
        raise SampleRefused(
            f"{before.done.normalize():f} {sample.kind} are on record by {from_ticks(before.at):%Y-%m-%d %H:%M} UTC.",
            action="Enter how many are done all in all; have a wrong entry voided first.",
        )
    hours = Decimal(to_ticks(at) - (sample.started or 0)) / 3_600_000_000
    if hours < 0 or sample.kind == Counted.HOURS and done > hours + Decimal("0.01"):
        raise SampleRefused(
            f"Since {unit.key} began, {max(hours, Decimal(0)):.2f} hours have passed.",
            action="Read the hour meter again, or give the right time.",
        )
    note(unit)
    return SampleEntry.objects.create(
        sample=sample, done=done, failure=failure, at=to_ticks(at), by=by, recorded=to_ticks(now())
    )


@operation()
def void_sample_entry(*, entry: SampleEntry, reason: str, by: Person, at: datetime) -> SampleEntry:
    """What was entered of a running test was wrong. It stays readable as superseded.

    Refuses with SampleRefused without a reason, what is void already, and once the test has ended; with BadText.
    """
    reason = clean_text(reason, 300, "The reason")
    sample, unit = _lock(entry.sample)
    _want_running(sample)
    entry = SampleEntry.objects.select_for_update().get(pk=entry.pk)
    if not reason or entry.superseded is not None:
        raise SampleRefused("Say why." if not reason else "This entry is void already.")
    entry.superseded = to_ticks(now())
    entry.save(update_fields=["superseded"])
    note(unit, sample)
    return entry


@operation()
def finish_sample(*, sample: Sample, passed: bool, remark: str = "", by: Person, at: datetime) -> Sample:
    """The test is over. It passed only where all that it demands was done and nothing failed; it failed where something
    did. A sample that failed never ships.

    Refuses with SampleRefused what does not run or was entered after that moment, and what does not follow from what
    was entered; with BadText.
    """
    remark = clean_text(remark, 300, "The remark")
    sample, unit = _lock(sample)
    _want_running(sample)
    entries = list(list_entries(sample))
    failed = [entry for entry in entries if entry.failure]
    done = find_done(sample)
    if to_ticks(at) < max([sample.started or 0, *(entry.at for entry in entries)]):
        raise SampleRefused("Something was entered after that moment.", action="Give the right time.")
    if passed and failed:
        raise SampleRefused(f"A failure is on record: {failed[0].failure}.", action="End it as failed.")
    if passed and done < sample.demand:
        raise SampleRefused(
            f"{done.normalize():f} of {sample.demand.normalize():f} {sample.kind} are done.",
            action="Let it go on, and enter what is done.",
        )
    if not passed and not failed:
        raise SampleRefused("No failure is on record.", action="Enter first what failed, and after how many.")
    return _end(sample, Sample.Result.PASSED if passed else Sample.Result.FAILED, remark, by, at)


@operation()
def pass_on_sample(*, sample: Sample, unit: Unit, reason: str, by: Person, at: datetime) -> Sample:
    """Another unit of the same order owes the test instead, for a reason.

    Refuses with SampleRefused a test that began or ended, no reason, a unit of another order, one that did not pass the
    step, that owes the test or was a sample of it, and one that is inside a station, fitted, packed or scrapped; with
    BadText.
    """
    reason = clean_text(reason, 300, "The reason")
    locked = {one.pk: one for one in lock_units([sample.unit, unit])}
    sample = Sample.objects.select_for_update(of=("self",)).select_related("step").get(pk=sample.pk)
    old, new = locked[sample.unit_id], locked[unit.pk]
    _want_open(sample)
    if sample.started is not None:
        raise SampleRefused(f"The {sample.test} of {old.key} has begun.", action="Let it end.")
    if not reason:
        raise SampleRefused("Say why another unit takes the test.")
    if new.pk == old.pk or new.order_id != old.order_id:
        raise SampleRefused(f"{new.key} is not another unit of order {old.order.key}.", action="Choose one of them.")
    through = Pass.objects.filter(unit=new, step__number=sample.step.number, superseded=None, due_again=None)
    if not through.filter(outcome=Pass.Outcome.PASSED).exists():
        raise SampleRefused(f"{new.key} did not pass step {sample.step} yet.", action="Choose one that did.")
    others = Sample.objects.filter(unit=new, test=sample.test).exclude(result=Sample.Result.PASSED_ON)
    if others.exists():
        raise SampleRefused(f"{new.key} is a sample of the {sample.test} already.", action="Choose another.")
    _want_at_hand(new)
    _end(sample, Sample.Result.PASSED_ON, reason, by, at)
    note(old)
    told = {name: getattr(sample, name) for name in ("test", "kind", "demand", "ships", "step", "due")}
    return Sample.objects.create(
        unit=new, instead_of=sample, owed=to_ticks(at), by=by, recorded=to_ticks(now()), **told
    )


@operation()
def waive_sample(*, sample: Sample, reason: str, by: Person, at: datetime) -> Sample:
    """The unit goes without the test, under a deviation from `sample-owed` that was approved by signature and covers
    it: a use of that is counted.

    Refuses with SampleRefused a test that began or ended, no reason, and without such a deviation; with BadText.
    """
    reason = clean_text(reason, 300, "The reason")
    sample, unit = _lock(sample)
    _want_open(sample)
    if sample.started is not None:
        raise SampleRefused(f"The {sample.test} of {unit.key} has begun.", action="Let it end.")
    if not reason:
        raise SampleRefused("Say why it is waived.")
    due = RouteStep(sample.step.pk, sample.step.number, sample.step.name, ("",))
    facts = Facts(unit.key, "", due, sample_owed=sample.test)
    deviated = Permits(at, at).let_by(unit, facts, judge(facts))
    if not deviated:
        raise SampleRefused(
            f"No deviation in force lets {unit.key} go without the {sample.test}.",
            action="Open a deviation from sample-owed, and have it approved by signature.",
        )
    record_deviated(deviated, to_ticks(at), by, to_ticks(now()))
    sample.deviation = deviated[0].deviation
    return _end(sample, Sample.Result.WAIVED, reason, by, at)


def _lock(sample: Sample) -> tuple[Sample, Unit]:
    """The unit, then its sample."""
    (unit,) = lock_units([sample.unit])
    sample = Sample.objects.select_for_update(of=("self",)).select_related("step").get(pk=sample.pk)
    note(unit)
    return sample, unit


def _want_open(sample: Sample) -> None:
    if sample.ended is not None:
        raise SampleRefused(f"The {sample.test} is over: {sample.get_result_display()}.", action="Nothing needs doing.")


def _want_running(sample: Sample) -> None:
    _want_open(sample)
    if sample.started is None:
        raise SampleRefused(f"The {sample.test} has not begun.", action="Start it first.")


def _want_at_hand(unit: Unit) -> None:
    where = places_of([unit]).get(unit.pk, {})
    if unit.scrapped is not None:
        raise SampleRefused(f"{unit.key} was scrapped.", action="The next unit of its order owes the test instead.")
    for name, words in (("inside_at", "inside"), ("fitted_in", "fitted in"), ("packed_in", "packed in carton")):
        if there := where.get(name):
            raise SampleRefused(f"{unit.key} is {words} {there}.", action="Take it out of there with a record first.")


def _end(sample: Sample, result: str, reason: str, by: Person, at: datetime) -> Sample:
    if to_ticks(at) < max(sample.owed, sample.started or 0):
        raise SampleRefused("That is before the test was owed.", action="Give the right time.")
    sample.result, sample.reason, sample.ended_by = result, reason, by
    sample.ended, sample.end_recorded = to_ticks(at), to_ticks(now())
    sample.save()
    return sample
