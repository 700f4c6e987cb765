"""Which units owe a sample test, and what a sample may still do."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from decimal import Decimal

from django.db.models import Exists, Max, OuterRef, Q, QuerySet, Subquery

from trace.core.clock import DAY, OPEN, now, to_ticks
from trace.core.models import Person
from trace.engineering.models import Step
from trace.floor.models import Pass, Sample, SampleEntry, SampleRule, Unit, WorkOrder
from trace.floor.sampling import count_owed
from trace.ledger.operation import note

TO_LABORATORY = "Take it to its test, or have the duty passed on to another unit, or waived under a deviation."


def owe_samples(passes: Sequence[Pass], by: Person) -> None:
    """Of units that just passed a step at which rules choose samples: who owes a test. The event says so.

    So many of an order's units owe it as its rule asks, of those that passed; the unit with whose pass the number comes
    up is the one; who owes another test is passed over once, if units are left. Who was scrapped before its test was
    over does not count: the next owes in its place. So the number is right whatever the order in which passes are
    entered. For use inside operations, after the locks on units.
    """
    by_order: dict[tuple[int, int], list[Pass]] = defaultdict(list)
    for entry in passes:
        by_order[entry.step_id, entry.unit.order_id].append(entry)
    owed: list[Sample] = []
    for (step_id, order_id), entries in by_order.items():
        step, order = Step.objects.select_related("part").get(pk=step_id), WorkOrder.objects.get(pk=order_id)
        rules = SampleRule.objects.select_for_update().filter(number=step.part.number, step_number=step.number)
        busy = set(Sample.objects.filter(unit__order=order, ended=None).values_list("unit", flat=True))
        for rule in rules.order_by("pk"):
            made = _choose(rule, step, order, entries, busy, by)
            busy |= {sample.unit_id for sample in made}
            owed += made
    if owed:
        Sample.objects.bulk_create(owed)
        note(samples=[[sample.unit.key, sample.test] for sample in owed])


def _choose(
    rule: SampleRule, step: Step, order: WorkOrder, entries: Sequence[Pass], busy: set[int], by: Person
) -> list[Sample]:
    of_order = Sample.objects.filter(unit__order=order, test=rule.name).exclude(result=Sample.Result.PASSED_ON)
    chosen = of_order.exclude(unit__scrapped__isnull=False, ended=None).count()
    have = set(of_order.values_list("unit", flat=True))
    through = Pass.objects.filter(
        unit__order=order, step__number=step.number, outcome=Pass.Outcome.PASSED, superseded=None
    )
    before = through.values("unit").distinct().count() - len(entries)
    to_come = order.units.filter(scrapped=None).exclude(pk__in=through.values("unit")).count() + len(entries)
    owed = []
    for n, entry in enumerate(entries, 1):
        wanted, next_wanted = (count_owed(rule, before + more, order.quantity) for more in (n, n + 1))
        passed_over = entry.unit_id in busy and to_come > n and next_wanted <= chosen + 1
        if entry.unit_id not in have and chosen < wanted and not passed_over:
            chosen += 1
            moment = _passed_at(entry)
            owed.append(
                Sample(
                    unit=entry.unit,
                    test=rule.name,
                    kind=rule.kind,
                    demand=rule.demand,
                    ships=rule.ships,
                    step=step,
                    owed=moment,
                    due=moment + rule.days * DAY if rule.days else None,
                    by=by,
                    recorded=to_ticks(now()),
                )
            )
    return owed


def _passed_at(entry: Pass) -> int:
    """When a unit came out of a pass: by its scan, or, without one, by what bounds it."""
    if entry.scanned_out is not None:
        return entry.scanned_out
    return entry.ended if entry.ended < OPEN else entry.scanned_in or entry.began


def list_owing(units: Iterable[Unit]) -> QuerySet[Sample]:
    """The sample tests that units owe or are in, unit by unit; a step that is due again is done before its test."""
    through = Pass.objects.filter(
        unit=OuterRef("unit"), step=OuterRef("step"), outcome=Pass.Outcome.PASSED, superseded=None, due_again=None
    )
    return Sample.objects.filter(Exists(through), unit__in=[unit.pk for unit in units], ended=None).order_by(
        "unit", "pk"
    )


def list_owed(units: Iterable[Unit]) -> dict[int, list[str]]:
    """The same per unit (by its id), by name."""
    owed: dict[int, list[str]] = defaultdict(list)
    for unit, test in list_owing(units).values_list("unit", "test"):
        owed[unit].append(test)
    return owed


def list_unsold() -> QuerySet[Sample]:
    """The samples that keep their unit from being sold as new."""
    may = Q(result__in=[Sample.Result.WAIVED, Sample.Result.PASSED_ON]) | Q(result=Sample.Result.PASSED, ships=True)
    return Sample.objects.exclude(may)


def find_unsold(units: Iterable[Unit]) -> dict[int, tuple[str, str]]:
    """Per unit (by its id) that does not ship as new, for it is or was a sample: what it is, and what to do."""
    unsold: dict[int, tuple[str, str]] = {}
    rows = list_unsold().filter(unit__in=[unit.pk for unit in units]).order_by("pk")
    for unit, test, result in rows.values_list("unit", "test", "result"):
        match result:
            case Sample.Result.NONE:
                said = f"owes the {test}", TO_LABORATORY
            case Sample.Result.FAILED:
                said = f"failed the {test}", "Put it aside, marked, and have it reviewed."
            case _:
                said = (
                    f"was a sample of the {test}, and does not ship as new",
                    "Keep it with the samples.",
                )
        unsold.setdefault(unit, said)
    return unsold


def list_entries(sample: Sample) -> QuerySet[SampleEntry]:
    """What was entered of a test and stands, in its order."""
    return SampleEntry.objects.filter(sample=sample, superseded=None).select_related("by").order_by("at", "pk")


def find_done(sample: Sample) -> Decimal:
    """For how many hours a sample has run, or how often it was dropped."""
    return list_entries(sample).aggregate(most=Max("done"))["most"] or Decimal(0)


def list_samples() -> QuerySet[Sample]:
    """Every sample, with what a page says of it."""
    # Not by grouping: as known on a day the table is a view, of whose rows PostgreSQL knows no key.
    done = Subquery(
        SampleEntry.objects.filter(sample=OuterRef("pk"), superseded=None).order_by("-done").values("done")[:1]
    )
    samples = Sample.objects.exclude(result=Sample.Result.PASSED_ON).annotate(done=done)
    return samples.select_related("unit__part", "step", "equipment", "instead_of__unit")
