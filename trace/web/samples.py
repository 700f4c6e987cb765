"""Sample tests as pages show them: who owes one, what runs, what became of it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django.urls import reverse

from trace.core.clock import now, to_ticks
from trace.floor.models import Counted, Sample, SampleEntry, SampleRule, Unit
from trace.floor.samples import list_samples
from trace.floor.sampling import DROPS
from trace.web.cells import Link, Mark, Moment, Ref, Several, text_of
from trace.web.corrections import wrong_column
from trace.web.moments import Asof
from trace.web.tables import Column, Table

RULES_NONE = "No test is asked of samples. A planner or a quality engineer brings in the list of sample tests."


def list_open() -> tuple[list[Sample], list[Sample]]:
    """(samples that owe a test, samples in one): what is due first comes first. Who was scrapped owes nothing."""
    every = list(list_samples().filter(ended=None, unit__scrapped=None))
    every.sort(key=lambda one: (one.due is None, one.due or 0, one.owed, one.pk))
    return [one for one in every if one.started is None], [one for one in every if one.started is not None]


def is_overdue(sample: Sample) -> bool:
    """Whether its test should be over by now."""
    return sample.ended is None and sample.due is not None and sample.due < to_ticks(now())


def state_of(sample: Sample, until: int | None = None) -> str:
    """In a word: owed, running, or what it came to; as of a moment, if one is told."""
    if sample.ended is not None and (until is None or sample.ended <= until):
        return sample.get_result_display()
    if sample.unit.scrapped is not None:
        return "scrapped"
    started = sample.started is not None and (until is None or sample.started <= until)
    return "running" if started else "owed"


def say_demand(it: Sample | SampleRule) -> str:
    return f"{text_of(it.demand)} {it.kind}"


def say_chosen(rule: SampleRule) -> str:
    """Which units owe the test, in words."""
    match rule.chooses:
        case "one in":
            return f"one in {rule.every} of each order, the first one of it included"
        case "first":
            return "the first of each order"
    return f"as many of each order as the plan of level {rule.level}, AQL {text_of(rule.aql)} takes"


def sample_link(one: Sample) -> Link:
    return Link(one.test, reverse("sample", args=[one.pk]), f"{one.test} of {one.unit.key}")


def _done(one: Any) -> str:
    return f"{text_of(one.done or 0)} of {say_demand(one)}"


def samples_table(name: str, title: str, rows: Any, empty: str) -> Table:
    """Samples, by product, unit and test."""
    return Table(
        name,
        title,
        [
            Column("unit", "Unit", lambda one: Ref("unit", one.unit.key), "unit__key"),
            Column("part", "Part", lambda one: Ref("part", one.unit.part.key), "unit__part__key", choose=True),
            Column("test", "Test", sample_link, "test", choose=True),
            Column("state", "State", lambda one: Mark(state_of(one)), "result"),
            Column("done", "Done", _done),
            Column("owed", "Owed since", lambda one: Moment(one.owed), "owed"),
            Column("due", "Due", _due, "due"),
            Column("ended", "Ended", lambda one: Moment(one.ended), "ended"),
        ],
        rows,
        empty,
        search=("unit__key", "test"),
    )


def _due(one: Sample) -> Several:
    return Several((Moment(one.due), *([Mark("overdue")] * is_overdue(one))), " ") if one.due else Several(())


def rules_table(rules: Sequence[SampleRule]) -> Table:
    """Which tests samples of which products owe."""
    return Table(
        "rules",
        "What is tested of samples",
        [
            Column("number", "Part number", lambda rule: rule.number),
            Column("name", "Test", lambda rule: rule.name),
            Column("demand", "It takes", say_demand),
            Column("step", "Owed after step", lambda rule: rule.step_number, number=True),
            Column("chosen", "By", say_chosen),
            Column("ships", "Ships as new once passed", lambda rule: rule.ships),
            Column("days", "Within days", lambda rule: rule.days, number=True),
        ],
        rules,
        RULES_NONE,
    )


def entries_table(it: Sample) -> Table:
    """What was entered of a test."""
    return Table(
        "entries",
        "What was entered",
        [
            Column("at", "When", lambda one: Moment(one.at), "at"),
            Column("done", f"{it.kind.capitalize()} done", lambda one: text_of(one.done), "done", number=True),
            Column("failure", "Failure", _failure, "failure"),
            Column("by", "By", lambda one: Ref("person", one.by.key, one.by.name), "by__key"),
            *([wrong_column()] if it.ended is None else []),
        ],
        SampleEntry.objects.filter(sample=it, superseded=None).select_related("by").order_by("-at", "-pk"),
        "Nothing was entered yet.",
    )


def _failure(one: SampleEntry) -> Several:
    return Several((Mark("failed"), one.failure), " ") if one.failure else Several(())


def drops_table(it: Sample) -> Table:
    """On what the package falls, drop by drop; which were done."""
    done = int(getattr(it, "done", 0) or 0)
    rows = [(number, on, number <= done) for number, on in enumerate(DROPS, 1) if number <= it.demand]
    return Table(
        "drops",
        "Drop by drop (ISTA 1A)",
        [
            Column("number", "Drop", lambda row: row[0], number=True),
            Column("on", "The package falls on", lambda row: row[1]),
            Column("height", "From, mm", lambda row: it.height or "", number=True),
            Column("state", "State", lambda row: Mark("done" if row[2] else "to do")),
        ],
        rows,
        "It is dropped no time.",
        note="Faces, edges and the corner are named as the procedure numbers them on the package.",
    )


def list_samples_of(unit: Unit, asof: Asof) -> list[tuple[Sample, str]]:
    """What a unit was a sample of up to a moment, each with its state then."""
    found = list_samples().filter(unit=unit, owed__lte=asof.ticks)
    return [(one, state_of(one, asof.ticks)) for one in found]


def facts_of(it: Sample) -> list[tuple[str, Any]]:
    """What is on record of a sample."""
    facts: list[tuple[str, Any]] = [
        ("Part", Ref("part", it.unit.part.key, it.unit.part.name)),
        ("It takes", say_demand(it)),
        ("Owed since", Moment(it.owed)),
        ("After step", str(it.step)),
        ("Due", _due(it) if it.due else "no day"),
        ("Ships as new once passed", "yes" if it.ships else "no"),
    ]
    if it.instead_of:
        facts.append(("Instead of", Ref("unit", it.instead_of.unit.key)))
    if it.started is not None and it.started_by:
        facts += [("Started", Moment(it.started)), ("Started by", Ref("person", it.started_by.key, it.started_by.name))]
    if it.equipment:
        facts.append(("With", Ref("equipment", it.equipment.key, it.equipment.name)))
    if it.kind == Counted.DROPS and it.mass is not None:
        facts += [("Mass", f"{text_of(it.mass)} kg"), ("Drop height", f"{it.height} mm (ISTA 1A)")]
    if it.ended is not None and it.ended_by:
        facts += [("Ended", Moment(it.ended)), ("Ended by", Ref("person", it.ended_by.key, it.ended_by.name))]
    if it.reason:
        facts.append(("Remark", it.reason))
    if it.deviation:
        facts.append(("Waived under", Link(it.deviation.key, reverse("deviation", args=[it.deviation.key]))))
    return facts
