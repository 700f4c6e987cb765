"""Sending a unit back on its route: steps that it had passed are due again. For use inside operations, after their
locks."""

from __future__ import annotations

from collections.abc import Sequence

from django.db.models import Max, QuerySet

from trace.core.clock import now, to_ticks
from trace.engineering.models import Characteristic, Step
from trace.engineering.queries import list_steps
from trace.floor.models import Pass, Repair, Unit
from trace.floor.route import S, list_turns


def list_from(route: Sequence[S], step: S) -> list[S]:
    """The steps of a route from one on: of those that go in any order with it that one alone, its alternatives too."""
    turns = list(list_turns(route))
    own = next(number for number, turn in enumerate(turns) if step in turn)
    return [*(turns[own] if step.alternative else [step]), *(one for turn in turns[own + 1 :] for one in turn)]


def send_back(unit: Unit, step: Step, moment: int) -> list[Pass]:
    """From a moment on the steps of its route from this one on are due again that the unit passed before. What it drew
    there stands. A step that it skipped under a deviation stays skipped."""
    passed = Pass.objects.filter(unit=unit, step__in=list_from(list_steps(unit.part), step), due_again=None)
    return _write_anew(passed.filter(outcome=Pass.Outcome.PASSED, began__lte=moment), moment)


def take_back(unit: Unit, moment: int) -> list[Pass]:
    """What was due again since this moment is passed as it was, but for what is due again by another sending back,
    which found it due already: a repair that stands, or its salvage, by which it goes to its last test."""
    back = _write_anew(Pass.objects.filter(unit=unit, due_again=moment), None)
    repairs = Repair.objects.filter(unit=unit, superseded=None).order_by("at", "pk")
    others = [(one.returns, one.at) for one in repairs.select_related("returns") if one.returns]
    due = Pass.objects.filter(unit=unit, superseded=None, due_again__isnull=False)
    salvaged = {at for at in due.values_list("due_again", flat=True) if at is not None} - {at for _, at in others}
    if test := find_last_test(unit) if salvaged else None:
        others += [(test, at) for at in salvaged]
    for step, at in sorted(others, key=lambda other: other[1]):
        send_back(unit, step, at)
    return back


def find_last_test(unit: Unit) -> Step | None:
    """The last step of its route at which something is measured or judged."""
    last = Characteristic.objects.filter(part=unit.part_id).aggregate(last=Max("step_number"))["last"]
    return Step.objects.filter(part=unit.part_id, number=last).first()


def _write_anew(passes: QuerySet[Pass], due_again: int | None) -> list[Pass]:
    """The rows as they were stay beside these, superseded: they say what was believed until now."""
    entries, recorded = list(passes.filter(superseded=None).order_by("pk")), to_ticks(now())
    Pass.objects.filter(pk__in=[entry.pk for entry in entries]).update(superseded=recorded)
    for entry in entries:
        entry.pk, entry.recorded, entry.due_again = None, recorded, due_again
    return Pass.objects.bulk_create(entries)
