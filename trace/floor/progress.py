"""How far an order has come: where its units are, and how many have passed each step of its route."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from django.db.models import (
    Case,
    CharField,
    Count,
    Exists,
    IntegerField,
    OuterRef,
    Q,
    QuerySet,
    Subquery,
    Value,
    When,
)
from django.db.models.functions import Coalesce

from trace.core.sql import fetch
from trace.engineering.models import Step
from trace.floor.models import Consignment, Fitting, Packing, Pass, Skip, Unit, WorkOrder


class State(StrEnum):
    """What has become of a unit of an order; the first that is so counts."""

    SCRAPPED = "scrapped"
    SHIPPED = "shipped"
    PACKED = "packed"
    FITTED = "fitted in another unit"
    INSIDE = "inside a station"
    FINISHED = "finished"
    BEGUN = "on the way"
    NOT_STARTED = "not started"


ENDED = (State.SHIPPED, State.PACKED, State.FITTED, State.FINISHED)
"""Whoever is so has come through."""


@dataclass(frozen=True)
class Stage:
    """A step of the route, or several of which one is enough: of the order's units, how many have passed it (or
    skipped it under a deviation), are inside, failed it last, were scrapped before they passed it, and are to come."""

    number: int
    name: str
    done: int
    inside: int
    failed: int
    scrapped: int
    to_come: int


@dataclass(frozen=True)
class Progress:
    """An order's units by state, and stage by stage."""

    quantity: int
    states: Mapping[State, int]
    stages: tuple[Stage, ...]

    @property
    def through(self) -> int:
        """How many have come through: finished, and whatever became of them since."""
        return sum(self.states.get(state, 0) for state in ENDED)

    @property
    def open(self) -> int:
        """How many are still to be built, begun or not."""
        return self.quantity - self.through - self.states.get(State.SCRAPPED, 0)


def summarise_order(order: WorkOrder) -> Progress:
    """The progress of an order, in three queries, however many units it has."""
    counted = list_by_state(Unit.objects.filter(order=order)).order_by().values("state").annotate(number=Count("pk"))
    states = {State(row["state"]): row["number"] for row in counted}
    names: dict[str, list[Step]] = {}
    for step in Step.objects.filter(part=order.part_id).order_by("number"):
        names.setdefault(step.alternative or f"#{step.number}", []).append(step)
    name_of = {steps[0].number: " or ".join(step.name for step in steps) for steps in names.values()}
    stages = [
        Stage(
            number, name_of[number], done, inside, failed, scrapped, order.quantity - done - inside - failed - scrapped
        )
        for number, done, inside, failed, scrapped in fetch(__file__, "progress", order=order.pk)
    ]
    return Progress(order.quantity, states, tuple(stages))


def list_by_state(units: QuerySet[Unit]) -> QuerySet[Any]:
    """Units, each with its `state` now."""
    packing = Packing.objects.filter(unit=OuterRef("pk"), until=None)
    gone = Consignment.objects.filter(until=None, shipment__departed__isnull=False, carton=OuterRef("carton"))
    passes = Pass.objects.filter(unit=OuterRef("pk"), superseded=None).exclude(outcome=Pass.Outcome.VOID)
    own = Fitting.objects.filter(unit=OuterRef("pk"), superseded=None)
    home = Fitting.objects.filter(child=OuterRef("pk"), until=None, superseded=None)
    passed = Exists(passes.filter(outcome=Pass.Outcome.PASSED))
    cases = {
        State.SCRAPPED: Q(scrapped__isnull=False),
        State.SHIPPED: Exists(packing.filter(Exists(gone))),
        State.PACKED: Exists(packing),
        State.FITTED: Exists(home),
        State.INSIDE: Exists(passes.filter(inside=True)),
        State.FINISHED: Q(passed) & ~Exists(_list_undone()),
        State.BEGUN: Q(Exists(passes)) | Q(Exists(own)),
    }
    whens = [When(condition, then=Value(str(state))) for state, condition in cases.items()]
    return units.annotate(state=Case(*whens, default=Value(str(State.NOT_STARTED)), output_field=CharField()))


def count_through(orders: QuerySet[WorkOrder]) -> QuerySet[Any]:
    """Orders, each with how many of its units came `through` and how many were `scrapped`."""
    units = Unit.objects.filter(order=OuterRef("pk"))
    came = list_by_state(units).filter(state__in=[str(state) for state in ENDED])
    return orders.annotate(through=_count(came), scrapped=_count(units.filter(scrapped__isnull=False)))


def _count(units: QuerySet[Any]) -> Coalesce:
    counted = units.order_by().values("order").annotate(number=Count("pk")).values("number")
    return Coalesce(Subquery(counted, output_field=IntegerField()), 0)


def _list_undone() -> QuerySet[Step]:
    """The steps of a unit's route (from outside: `pk`, `part`) that it neither passed nor skipped, and of which it took
    no alternative."""
    done = _done(OuterRef("pk"))
    another = Step.objects.filter(part=OuterRef("part"), alternative=OuterRef("alternative"))
    another = another.filter(_done(OuterRef("pk"), deeper=1))
    return Step.objects.filter(part=OuterRef("part")).exclude(done).exclude(~Q(alternative="") & Q(Exists(another)))


def _done(step: OuterRef, deeper: int = 0) -> Q:
    """That the unit outside passed or skipped a step."""
    unit: OuterRef = OuterRef(OuterRef("pk"))
    for _ in range(deeper):
        unit = OuterRef(unit)
    passed = Pass.objects.filter(unit=unit, step=step, superseded=None, due_again=None, outcome=Pass.Outcome.PASSED)
    skipped = Skip.objects.filter(unit=unit, step=step, superseded=None)
    return Q(Exists(passed)) | Q(Exists(skipped))


class Share(StrEnum):
    """What part of an order's units is so at a stage."""

    DONE = "done"
    INSIDE = "inside"
    FAILED = "failed"
    SCRAPPED = "scrapped"
    TO_COME = "to come"


def list_at_stage(order: WorkOrder, number: int, share: Share) -> QuerySet[Unit]:
    """The units that a number of a stage counts."""
    first = Step.objects.filter(part=order.part_id, number=number)
    steps = Step.objects.filter(part=order.part_id).filter(
        Q(number=number) | ~Q(alternative="") & Q(alternative__in=first.values("alternative"))
    )
    passes = Pass.objects.filter(unit=OuterRef("pk"), step__in=steps, superseded=None)
    skips = Skip.objects.filter(unit=OuterRef("pk"), step__in=steps, superseded=None)
    done = Q(Exists(passes.filter(outcome=Pass.Outcome.PASSED, due_again=None))) | Q(Exists(skips))
    inside, failed = Q(Exists(passes.filter(inside=True))), Q(Exists(passes.filter(outcome=Pass.Outcome.FAILED)))
    left = Q(scrapped=None) & ~done & ~inside
    where = {
        Share.DONE: done,
        Share.INSIDE: ~done & inside,
        Share.FAILED: left & failed,
        Share.SCRAPPED: ~done & Q(scrapped__isnull=False),
        Share.TO_COME: left & ~failed,
    }
    return Unit.objects.filter(order=order).filter(where[share])
