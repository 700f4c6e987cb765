"""The travellers of units and of orders."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence

from trace.core.keys import code_of, label_text
from trace.engineering.models import Part, Step
from trace.engineering.queries import list_steps
from trace.floor.models import Unit, WorkOrder
from trace.floor.naming import list_label_codes
from trace.labels.travellers import SheetStep, Traveller


def make_unit_travellers(units: Iterable[Unit]) -> list[Traveller]:
    """A traveller for each unit (with its part and order), in their order, coded as its label is now."""
    units = list(units)
    codes = list_label_codes(units)
    routes = {part.pk: list_sheet_steps(part) for part in {unit.part for unit in units}}
    return [
        Traveller(
            code_of("unit", codes[one.pk]),
            label_text(codes[one.pk]),
            "Traveller of a unit",
            one.part.name,
            (("Serial", one.key), *_facts(one.order, one.part)),
            routes[one.part_id],
        )
        for one in units
    ]


def make_order_traveller(order: WorkOrder) -> Traveller:
    """One for the whole of an order (with its part), as a batch goes."""
    serials = list(order.units.order_by("pk").values_list("key", flat=True))
    run = f"{serials[0]} to {serials[-1]}" if len(serials) > 1 else ", ".join(serials)
    return Traveller(
        code_of("workorder", order.key),
        label_text(order.key),
        "Traveller of an order",
        order.part.name,
        (*_facts(order, order.part), ("Serials", run)),
        list_sheet_steps(order.part),
    )


def _facts(order: WorkOrder, part: Part) -> tuple[tuple[str, str], ...]:
    return (
        ("Part", f"{part.number}{part.revision and f' revision {part.revision}'}"),
        ("Order", f"{order.key}, {order.quantity} unit{'s' * (order.quantity > 1)}"),
        ("Due", f"{order.due:%-d %B %Y}" if order.due else ""),
    )


def list_sheet_steps(part: Part) -> tuple[SheetStep, ...]:
    """A part's route as a traveller has it."""
    steps = list_steps(part)
    together: dict[tuple[str, str], list[Step]] = defaultdict(list)
    for step in steps:
        together[step.free_order, step.alternative].append(step)
    return tuple(
        SheetStep(
            str(step.number),
            step.name,
            f"At {' or '.join(f'{at.key} {at.name}' for at in step.stations.all())}",
            _describe_order(step, together[step.free_order, step.alternative]),
            step.caution,
        )
        for step in steps
    )


def _describe_order(step: Step, group: Sequence[Step]) -> str:
    """How a step stands to those of its group."""
    others = " and ".join(str(other.number) for other in group if other != step)
    if not others:
        return ""
    if step.alternative:
        return f"This, or step {others.replace(' and ', ' or ')}: one is enough."
    return f"In any order with {others}." if step.free_order else ""
