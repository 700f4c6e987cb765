"""Lots without serials on their route, as pages show them."""

from __future__ import annotations

import json
from typing import Any

from trace.engineering.models import Step
from trace.floor.batches import read_route
from trace.floor.models import BatchPass
from trace.ledger.models import Event
from trace.material.models import Container
from trace.web.cells import Moment, Ref
from trace.web.corrections import wrong_column
from trace.web.tables import Column, Table


def has_route(it: Container) -> bool:
    """Whether its part goes through steps as a lot."""
    return not it.part.serialised and Step.objects.filter(part=it.part).exists()


def route_fact(it: Container, at: int) -> list[tuple[str, Any]]:
    """What is due for it next; nothing where its part has no route."""
    if not has_route(it):
        return []
    route = read_route(it, at)
    due = "; or ".join(f"step {step.number}, {step.name}, at {' or '.join(step.stations)}" for step in route.due)
    return [("Next on its route", due or "nothing: it has passed every step")]


def batches_table(it: Container, at: int) -> Table:
    """The steps that it went through: how many in, good and scrapped."""

    def result(one: BatchPass) -> str:
        if one.passed:
            return "passed"
        about = Event.objects.filter(verb="record_batch", subjects__kind="batchpass", subjects__key=str(one.pk)).first()
        why = json.loads(about.payload)["facts"]["stopped"] if about else {}
        return " ".join(["not passed.", *(message for messages in why.values() for message in messages)])

    rows = BatchPass.objects.filter(container=it, scanned_out__lte=at, superseded=None)
    return Table(
        "batches",
        "Steps it went through",
        [
            Column("at", "When", lambda one: Moment(one.scanned_out), "scanned_out"),
            Column("step", "Step", lambda one: f"{one.step.number} {one.step.name}", "step__number"),
            Column("station", "At", lambda one: Ref("station", one.station.key), "station__key"),
            Column("quantity", "In", lambda one: one.quantity.normalize(), "quantity", number=True),
            Column("good", "Good", lambda one: one.good.normalize(), "good", number=True),
            Column("scrapped", "Scrapped", lambda one: one.scrapped.normalize(), "scrapped", number=True),
            Column("reason", "Why", lambda one: one.reason, "reason"),
            Column("result", "Result", result),
            Column("by", "By", lambda one: Ref("person", one.by.key, one.by.name), "by__key"),
            wrong_column(),
        ],
        rows.select_related("container", "step", "station", "by").order_by("-scanned_out", "-pk"),
        "It went through no step yet.",
    )
