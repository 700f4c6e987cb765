"""Builds the demo plant, through the operations and in one transaction: a broken-off build leaves nothing."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime

from django.db import connection, transaction

from trace.core.clock import telling
from trace.core.errors import Refusal
from trace.core.models import Person, User
from trace.demo.alarm import plan_alarm
from trace.demo.calendar import PREPARED, UNTIL, Act
from trace.demo.carrying import plan_carrying
from trace.demo.decisions import plan_decisions
from trace.demo.dispatch import plan_dispatch
from trace.demo.inspection import plan_inspections
from trace.demo.lines import plan_lines, plan_orders
from trace.demo.naming import plan_names
from trace.demo.plant import SITE, Plant, prepare
from trace.demo.returns import plan_returns
from trace.demo.samples import plan_samples
from trace.demo.stories import plan_stories
from trace.demo.supply import plan_bath, plan_dry_packs, plan_receipts, plan_stations, plan_supply
from trace.demo.upkeep import plan_upkeep
from trace.engineering.models import Site
from trace.ledger.models import Event

RACK, UNITS = 20, 9
"""Control boards in a rack, and how many of them become ventilators, at full size."""


class NotTheDemo(Refusal):
    """The database belongs to another plant."""

    code = "not-the-demo"
    action = "Name an empty database in DATABASE_URL, or another folder in DATA_DIR."


def check_is_ours() -> None:
    """Refuse with NotTheDemo a database with anything but the demo in it, before it is even migrated."""
    tables = set(connection.introspection.table_names())
    if tables - {"django_migrations", *connection.introspection.django_table_names()}:
        raise NotTheDemo("This database holds tables of another program.")
    if {model._meta.db_table for model in (Site, Person, User, Event)} <= tables:
        is_built()


def is_built() -> bool:
    """Whether the demo plant is there. Refuses with NotTheDemo a database with anything else in it."""
    sites = list(Site.objects.values_list("key", flat=True))
    if sites == [SITE]:
        return True
    if sites or any(model._default_manager.exists() for model in (Person, User, Event)):
        raise NotTheDemo("This is the database of another plant; the demo leaves it alone.")
    return False


def build(
    *,
    scale: float = 1,
    until: datetime = UNTIL,
    progress: Callable[[int, int], None] = lambda done, acts: None,
    watch: Callable[[Plant], None] = lambda plant: None,
) -> Plant:
    """Build the plant as it stood at `until`. `scale` makes its racks smaller, not its story shorter. `watch` gets the
    plant before anything happens in it."""
    plant = Plant(rack=max(round(RACK * scale), 2), units=max(round(UNITS * scale), 1))
    watch(plant)
    with transaction.atomic():
        with telling(PREPARED):
            prepare(plant)
        acts = [act for act in plan(plant) if act.at <= until]
        for done, act in enumerate(acts, 1):
            with telling(act.at):
                act.do(act.at)
            progress(done, len(acts))
    return plant


def plan(plant: Plant) -> list[Act]:
    """Everything that happens, in order of time."""
    plans = (
        plan_stations,
        plan_upkeep,
        plan_decisions,
        plan_receipts,
        plan_inspections,
        plan_stories,
        plan_bath,
        plan_dry_packs,
        plan_supply,
        plan_orders,
        plan_lines,
        plan_dispatch,
        plan_returns,
        plan_names,
        plan_carrying,
        plan_samples,
        plan_alarm,
    )
    return sorted((act for make in plans for act in make(plant)), key=lambda act: act.at)
