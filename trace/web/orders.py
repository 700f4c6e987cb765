"""Orders: how far they have come, in tables."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from functools import partial
from typing import Any
from urllib.parse import urlencode

from django.db.models import QuerySet

from trace.floor.models import Unit, WorkOrder
from trace.floor.progress import Progress, Share, Stage, State, list_by_state
from trace.web.cells import Link, Moment, Ref
from trace.web.tables import Column, Table

SHARES = (Share.DONE, Share.INSIDE, Share.FAILED, Share.SCRAPPED, Share.TO_COME)


def state_of(order: Any, today: date) -> str:
    """Whether an order (as `count_through` has it) is done, closed, late, or open."""
    if order.through + order.scrapped >= order.quantity:
        return "done"
    if order.closed is not None:
        return "closed"
    return "late" if order.due and order.due < today else "open"


def orders_table(
    name: str, title: str, orders: QuerySet[WorkOrder] | Sequence[WorkOrder], today: date, empty: str
) -> Table:
    """Orders as `count_through` has them."""
    return Table(
        name,
        title,
        [
            Column("order", "Order", lambda o: Ref("workorder", o.key), "key"),
            Column("part", "Part", lambda o: Ref("part", o.part.key, o.part.name), "part__key", choose=True),
            Column("state", "State", lambda o: state_of(o, today)),
            Column("quantity", "Units", lambda o: o.quantity, "quantity", number=True),
            Column("through", "Finished", lambda o: o.through, "through", number=True),
            Column("scrapped", "Scrapped", lambda o: o.scrapped, "scrapped", number=True),
            Column("released", "Released", lambda o: Moment.of(o.released), "released"),
            Column("due", "Due", lambda o: o.due, "due"),
        ],
        orders,
        empty,
        search=("key", "part__key", "part__name"),
    )


def stages_table(progress: Progress) -> Table:
    """An order's route; each number leads to its units."""

    def share(what: Share, stage: Stage) -> Link:
        number = getattr(stage, what.name.lower())
        query = urlencode({"stage": stage.number, "is": what.value})
        return Link(number, f"?{query}#units", f"{number} {what.value}: step {stage.number}")

    return Table(
        "stages",
        "Step by step",
        [
            Column("step", "Step", lambda stage: f"{stage.number} {stage.name}"),
            *(Column(what.name.lower(), what.value.capitalize(), partial(share, what), number=True) for what in SHARES),
        ],
        progress.stages,
        "Its part has no route.",
        note="Failed is what failed the step last and has not passed it since; scrapped, what was before it passed.",
    )


def order_units_table(units: QuerySet[Unit]) -> Table:
    """Units of an order, and what has become of each."""
    return Table(
        "units",
        "Units",
        [
            Column("serial", "Serial", lambda u: Ref("unit", u.key), "key"),
            Column("state", "State", lambda u: u.state, "state", choose=True),
            Column("created", "Ordered", lambda u: Moment(u.created), "created"),
            Column("scrapped", "Scrapped", lambda u: Moment(u.scrapped), "scrapped"),
        ],
        list_by_state(units).order_by("key"),
        "No unit of it is so.",
        search=("key", "aliases__text"),
    )


def describe_states(progress: Progress) -> list[tuple[int, str, str]]:
    """(how many, the state in words, the address of the rows behind it), as an order's sentence has them."""
    return [
        (progress.states[state], state.value, f"?{urlencode({'units-state': state.value})}#units")
        for state in State
        if progress.states.get(state)
    ]
