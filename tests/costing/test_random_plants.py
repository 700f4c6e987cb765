"""Costs of random plants against sums written down unit by unit, place by place."""

from __future__ import annotations

from collections import Counter
from decimal import Decimal

import pytest
from django.db import transaction
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.genealogy.shop import Shop
from tests.genealogy.world import DEEDS, World
from trace.costing.queries import list_units_behind, summarise_rework, summarise_scrap
from trace.costing.rules import TEN_PLACES
from trace.engineering.models import Designator, Part, Station, Step
from trace.floor.models import Fitting, Pass, Unit
from trace.genealogy.forward import Population, trace_forward
from trace.genealogy.places import PlaceJudge, list_places
from trace.genealogy.rules import judge_place
from trace.genealogy.suspicion import Suspicion
from trace.material.models import Lot

pytestmark = pytest.mark.django_db
number = st.integers(0, 59)


@pytest.fixture(scope="module")
def shop(django_db_setup, django_db_blocker):
    with django_db_blocker.unblock(), transaction.atomic():
        shop = Shop()
        for index, part in enumerate(Part.objects.order_by("key"), 1):
            Part.objects.filter(pk=part.pk).update(standard_cost=Decimal(index) / 100, replace_minutes=index)
        for index, station in enumerate(Station.objects.order_by("key"), 1):
            Station.objects.filter(pk=station.pk).update(rate_per_hour=30 + index)
        for step in Step.objects.all():
            Step.objects.filter(pk=step.pk).update(minutes=Decimal(step.number) / 7)
        Designator.objects.filter(name__in=["T1", "T2"]).update(step_number=20)
        Designator.objects.filter(name="S1").update(step_number=30)
        yield shop
        transaction.set_rollback(True)


def money(minutes: Decimal, rate: Decimal) -> Decimal:
    return minutes * rate / 60


def accumulated(unit: Unit) -> Decimal:
    """What is in a unit and was worked on it, and in the units fitted in it."""
    visits = Pass.objects.filter(unit=unit, superseded=None).exclude(outcome="void").order_by("began", "id")
    if not visits:
        own = Decimal(0)
    else:
        passed = {visit.step: visit.station for visit in visits if visit.outcome == "passed"}
        numbers = {step.number for step in passed}
        designators = unit.part.designators.filter(line__child__serialised=False, step_number__in=numbers)
        own = sum((d.quantity * d.line.child.standard_cost for d in designators), Decimal(0))
        own += sum((money(step.minutes, station.rate_per_hour) for step, station in passed.items()), Decimal(0))
    inside = Fitting.objects.filter(unit=unit, child__isnull=False, until=None, superseded=None)
    return own + sum((accumulated(fitting.child) for fitting in inside), Decimal(0))


def replacing(unit: Unit, population: Population) -> Decimal:
    """New parts, and the time to replace the old, at every place of a unit that carries the suspect or may."""
    judge, total = PlaceJudge(population.evidence), Decimal(0)
    rate = max(station.rate_per_hour for step in unit.part.steps.all() for station in step.stations.all())
    for designator, happenings in list_places([unit.pk])[unit.pk].items():
        if judge_place(happenings, judge).sureness in ("certain", "possible"):
            part = unit.part.designators.get(name=designator).line.child
            total += part.standard_cost + money(part.replace_minutes, rate)
    return total


def check(population: Population) -> None:
    scrap, rework = summarise_scrap(population), summarise_rework(population)
    group = {
        top.key: (top.sureness, "shipped" if top.where.kind == "shipped" else "in plant")
        for top in population.tops()
        if top.sureness != "cleared" and top.where.kind != "scrapped"
    }
    lost, mended = Counter(), Counter()
    for carrier in population.carriers:
        unit = Unit.objects.get(pk=carrier.unit)
        if carrier.key in group:
            lost[group[carrier.key]] += accumulated(unit)
        if carrier.top in group and carrier.direct and carrier.sureness != "cleared":
            mended[group[carrier.top]] += replacing(unit, population)
    for cost, expected in ((scrap, lost), (rework, mended)):
        for sureness in ("certain", "possible"):
            for place in ("in plant", "shipped"):
                found = cost.of(sureness=sureness, place=place)
                assert abs(found - expected[sureness, place]) <= len(cost.lines) * TEN_PLACES
        assert cost.total == sum(cost.by_place.values()) == sum(cost.by_sureness.values())
        for line in cost.lines:
            assert len(list_units_behind(population, line)) == line.count


@pytest.mark.once
@settings(max_examples=15, suppress_health_check=list(HealthCheck))
@given(st.lists(st.tuples(st.sampled_from(DEEDS), number, number, number), min_size=12, max_size=40))
def test_costs_of_random_plants(shop, history) -> None:
    with transaction.atomic():
        world = World(shop)
        for deed in history:
            world.play(*deed)
        for lot in Lot.objects.all()[:4]:
            check(trace_forward(Suspicion.of(lots=[lot])))
        transaction.set_rollback(True)
