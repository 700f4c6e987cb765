"""What a sort test said of units since they were held."""

from __future__ import annotations

from collections.abc import Sequence

from trace.containment.holding import list_holds
from trace.containment.models import Containment
from trace.core.clock import to_ticks
from trace.engineering.models import Characteristic, Step
from trace.floor.models import Pass, Reading, Unit
from trace.holds.models import Hold


def list_tests(containment: Containment) -> list[Step | Characteristic]:
    """What may have tested the units that it holds: the steps of their parts, and what is read at them."""
    held = list_holds(containment).filter(released=None, target_kind="unit").values("target_key")
    parts = Unit.objects.filter(key__in=held).values("part")
    steps = Step.objects.filter(part__in=parts).select_related("part").order_by("part__key", "number")
    read = Characteristic.objects.filter(part__in=parts).select_related("part")
    return [*read.order_by("part__key", "step_number", "name"), *steps]


def explain_untested(
    held: Sequence[tuple[Unit, Hold]], step: Step | None, characteristic: Characteristic | None
) -> dict[str, str]:
    """{unit key: what is wrong} of these units with the holds on them: the step or the characteristic, where one is
    named (of any revision of the part), was not done since, or failed when it was done last."""
    wrong: dict[str, str] = {}
    units = [unit for unit, _ in held]
    if step:
        named = {"step__number": step.number, "step__part__number": step.part.number}
        passes = Pass.objects.filter(unit__in=units, superseded=None, **named).exclude(outcome=Pass.Outcome.VOID)
        rows = passes.order_by("began", "pk").values_list("unit", "began", "recorded", "outcome")
        results = [(unit, began, recorded, outcome == Pass.Outcome.PASSED) for unit, began, recorded, outcome in rows]
        wrong |= _explain(held, results, f"step {step.number}, {step.name}")
    if characteristic:
        named = {
            "characteristic__name": characteristic.name,
            "characteristic__step_number": characteristic.step_number,
            "characteristic__part__number": characteristic.part.number,
        }
        readings = Reading.objects.filter(unit__in=units, superseded=None, **named).order_by("happened", "pk")
        found = [(one.unit_id, one.happened, one.recorded, one.passes) for one in readings]
        wrong |= _explain(held, found, characteristic.name)
    return wrong


def _explain(
    held: Sequence[tuple[Unit, Hold]], results: Sequence[tuple[int, int, int, bool]], test: str
) -> dict[str, str]:
    """`results` in their order: unit, when, when recorded, whether it passed."""
    of_unit: dict[int, list[tuple[int, int, bool]]] = {}
    for pk, happened, recorded, passed in results:
        of_unit.setdefault(pk, []).append((happened, recorded, passed))
    wrong = {}
    for unit, hold in held:
        placed, known = to_ticks(hold.placed), to_ticks(hold.recorded)
        results_of = of_unit.get(unit.pk, ())
        since = [passed for happened, told, passed in results_of if happened >= placed and told >= known]
        if not since:
            wrong[unit.key] = f"was not tested since it was held: {test}"
        elif not since[-1]:
            wrong[unit.key] = f"did not pass when it was tested last: {test}"
    return wrong
