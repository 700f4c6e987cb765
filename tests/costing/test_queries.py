"""Costs of what is half known, repaired, bought, not begun; sums that stay exact; queries that do not grow."""

import random
from datetime import date
from decimal import Decimal

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from tests.approvals.signing import deviation
from tests.factories import Plant, approve_substitute, make_assembly, make_part, ticks
from trace.costing.queries import (
    list_material_behind,
    list_units_behind,
    summarise_rework,
    summarise_scrap,
    trace_standard_costs,
)
from trace.costing.rules import CostPlace, Outlay, round_money
from trace.engineering.models import BomLine, Designator, Part, Station, Step
from trace.floor.models import Pass
from trace.floor.operations.feeds import load_feed, top_up_feed
from trace.floor.operations.fittings import fit_child, fit_part, remove_part
from trace.floor.operations.passes import start_pass
from trace.floor.operations.stores import split_container
from trace.genealogy.forward import trace_forward
from trace.genealogy.rules import Sureness
from trace.genealogy.suspicion import Suspicion

TODAY = date(2026, 3, 2)

pytestmark = pytest.mark.django_db
D = Decimal


@pytest.fixture
def plant() -> Plant:
    plant = Plant()
    Part.objects.filter(pk=plant.resistor.pk).update(standard_cost=D("0.02"), replace_minutes=7)
    Part.objects.filter(pk=plant.capacitor.pk).update(standard_cost=D("0.15"))
    Step.objects.update(minutes=D("1.1"))
    Station.objects.update(rate_per_hour=D("37.77"))
    return plant


def ask(*containers, **options):
    return trace_forward(Suspicion.of(containers=containers), **options)


def test_certain_and_possible_are_summed_apart(plant) -> None:
    bad, good = plant.reel("BAD"), plant.reel("GOOD")
    plant.do(load_feed, 0, feed=plant.slot_r, container=good)
    sure, perhaps = plant.boards(2)
    plant.do(top_up_feed, 5, feed=plant.slot_r, container=bad)
    plant.run(perhaps, plant.insertion, 6, 7)
    plant.do(load_feed, 8, feed=plant.slot_r, container=plant.reel("OTHER"))
    plant.do(load_feed, 9, feed=plant.slot_r, container=plant.do(split_container, 9, source=bad, key="BAD-2"))
    plant.run(sure, plant.insertion, 10, 11)
    population = ask(bad)
    assert {c.key: c.sureness for c in population.carriers} == {sure.key: "certain", perhaps.key: "possible"}
    each = D("0.19") + (D("1.1") * D("37.77") / 60).quantize(D("1E-10"))
    assert summarise_scrap(population).by_sureness == {Sureness.CERTAIN: each, Sureness.POSSIBLE: each}
    each = 2 * D("0.02") + (14 * D("37.77") / 60).quantize(D("1E-10"))
    assert summarise_rework(population).by_sureness == {Sureness.CERTAIN: each, Sureness.POSSIBLE: each}


def test_places_of_a_repaired_unit_are_counted_one_by_one(plant) -> None:
    bad = plant.reel("BAD")
    plant.do(load_feed, 0, feed=plant.slot_r, container=bad)
    half, whole, untouched = plant.boards(3)
    for minute, board in enumerate((half, whole, untouched)):
        plant.run(board, plant.insertion, 1 + minute, 1.5 + minute)
    fresh = plant.reel("FRESH")
    plant.do(fit_part, 10, unit=half, designator="R1", container=fresh, reason="drifted")
    for designator in ("R1", "R2"):
        plant.do(fit_part, 11, unit=whole, designator=designator, container=fresh, reason="drifted")
    population = ask(bad)
    (new,) = (line for line in summarise_rework(population).lines if line.outlay == Outlay.NEW_PARTS)
    assert new.count == 3
    assert list_units_behind(population, new) == sorted([half.key, untouched.key, untouched.key])
    # Before the repairs, all of them.
    assert sum(line.count for line in summarise_rework(ask(bad, at=ticks(9))).lines) == 2 * 6


def test_a_substitute_is_costed_as_the_part_designed_in(plant) -> None:
    other = make_part("RES-OTHER", cost="9")
    approve_substitute(plant.board, "R1", other)
    reel = plant.reel("SUB", other)
    plant.do(load_feed, 0, feed=plant.slot_r, container=reel)
    (board,) = plant.boards(1)
    plant.run(board, plant.insertion, 1, 2)
    population = ask(reel)
    material = [line.amount for line in summarise_scrap(population).lines if line.outlay == Outlay.MATERIAL]
    assert material == [D("0.19")]
    assert {line.part for line in summarise_rework(population).lines} == {"RES"}


def test_what_no_step_puts_in_counts_once_the_unit_has_begun(plant) -> None:
    label, glue = make_part("LABEL", cost="0.5"), make_part("GLUE", kind=Part.Kind.PROCESS, cost="3")
    for number, (part, quantity) in enumerate(((label, "1"), (glue, "0.004")), 90):
        BomLine.objects.create(
            parent=plant.board, child=part, parent_level=1, child_level=0, number=number, quantity=D(quantity)
        )
    Designator.objects.create(
        parent=plant.board, line=BomLine.objects.get(child=label), name="LBL", step_number=None, quantity=1
    )
    bad = plant.reel("BAD")
    plant.do(load_feed, 0, feed=plant.slot_r, container=bad)
    begun, fitted = plant.boards(2)
    plant.do(start_pass, 1, unit=begun, station=plant.insertion)
    plant.do(fit_part, 1, unit=fitted, designator="R1", container=bad, reason="by hand")
    population = ask(bad)
    assert {carrier.key for carrier in population.carriers} == {begun.key, fitted.key}
    (line,) = summarise_scrap(population).lines
    assert str(line) == "BOARD, material of no step"
    assert (line.count, line.amount) == (1, D("0.5") + D("0.004") * 3)  # the fitted one has not begun: nothing
    assert list_units_behind(population, line) == [begun.key]


def test_only_steps_that_were_passed_count_and_each_once(plant) -> None:
    bad = plant.reel("BAD")
    plant.do(load_feed, 0, feed=plant.slot_r, container=bad)
    (board,) = plant.boards(1)
    plant.run(board, plant.insertion, 1, 2, outcome="failed")
    assert not summarise_scrap(ask(bad)).lines
    plant.run(board, plant.insertion, 3, 4)
    plant.run(board, plant.test, 5, 6)
    lines = [(str(line), line.count) for line in summarise_scrap(ask(bad)).lines]
    assert lines == [
        ("BOARD, material of step 10", 1),
        ("BOARD, labour of step 10 at INSERT", 1),
        ("BOARD, labour of step 20 at TEST", 1),
    ]
    # Passed again elsewhere, after a correction: still once, at the station where it was passed last.
    again = Pass.objects.get(unit=board, outcome="passed", station=plant.insertion)
    again.pk, again.station, again.began, again.ended = None, plant.final, ticks(7), ticks(8)
    again.scanned_in, again.scanned_out, again.axis = ticks(7), ticks(8), None
    again.save()
    lines = [(str(line), line.count) for line in summarise_scrap(ask(bad)).lines]
    assert lines[:1] == [("BOARD, material of step 10", 1)] and ("BOARD, labour of step 10 at FINAL", 1) in lines
    assert len(lines) == 3
    assert len(summarise_scrap(ask(bad, at=ticks(5.5))).lines) == 2


def route_of_three(plant: Plant, **label: str) -> tuple[Part, list[Station]]:
    """An assembly with a resistor of 0.02 at each of its steps 10, 20 and 30, the first two joined as labelled."""
    stations = [plant.insertion, plant.test, plant.final]
    steps = {10 * number: [station] for number, station in enumerate(stations, 1)}
    triple = make_assembly("TRIPLE", places=dict.fromkeys(("T1", "T2", "T3"), plant.resistor), route=steps)
    for number in steps:
        Designator.objects.filter(parent=triple, name=f"T{number // 10}").update(step_number=number)
    Step.objects.filter(part=triple).update(minutes=D(2))
    Step.objects.filter(part=triple, number__lt=30).update(**label)
    Station.objects.update(rate_per_hour=30)
    return triple, stations


@pytest.mark.parametrize(
    ("label", "visited", "worked"),
    [
        ({"free_order": "A"}, [1], [20]),  # 10 and 20 in any order: the later number first
        ({"free_order": "A"}, [1, 0], [10, 20]),
        ({"alternative": "A"}, [1], [20]),  # one of two
        ({"alternative": "A"}, [1, 2], [20, 30]),
        ({}, [1], [20]),  # 10 skipped under a deviation
        ({}, [1, 2], [20, 30]),
    ],
)
def test_what_was_not_passed_costs_nothing_though_a_later_step_was(plant, label, visited, worked) -> None:
    triple, stations = route_of_three(plant, **label)
    bad = plant.reel("BAD")
    (unit,) = plant.units(triple)
    if not label:
        deviation(plant, scope=["part:TRIPLE", "step:10"])
    for minute, index in enumerate(visited):
        plant.run(unit, stations[index], 10 + minute, 10.5 + minute)
    plant.do(fit_part, 20, unit=unit, designator="T2", container=bad, reason="by hand")
    population = ask(bad)
    scrap = summarise_scrap(population)
    assert sorted(line.step for line in scrap.lines if line.outlay == Outlay.MATERIAL) == worked
    assert sorted(line.step for line in scrap.lines if line.outlay == Outlay.LABOUR) == worked
    assert scrap.total == len(worked) * (D("0.02") + 2 * D(30) / 60)
    for line in scrap.lines:
        assert list_units_behind(population, line) == [unit.key]
        if line.outlay == Outlay.MATERIAL:
            assert [(part.part, part.quantity) for part in list_material_behind(line, TODAY)] == [("RES", 1)]


def test_children_count_by_what_is_really_inside_and_bought_ones_as_bought(plant) -> None:
    motor = make_part("MOTOR", serialised=True, cost="41.5")
    plant.frame = make_assembly("FRAME", places={"M1": motor, "P1": plant.board}, route={10: [plant.final]})
    bad = plant.reel("BAD")
    plant.do(load_feed, 0, feed=plant.slot_r, container=bad)
    (board,), (frame,), (bought,) = plant.boards(1), plant.units(plant.frame), plant.units(motor)
    plant.finish(board, 1)
    plant.do(fit_child, 10, unit=frame, designator="P1", child=board)
    labour = (D("1.1") * D("37.77") / 60).quantize(D("1E-10"))
    assert summarise_scrap(ask(bad)).total == D("0.19") + 2 * labour
    plant.do(fit_child, 11, unit=frame, designator="M1", child=bought)
    scrap = summarise_scrap(ask(bad))
    assert scrap.total == D("0.19") + 2 * labour + D("41.5")
    assert "MOTOR, as bought" in map(str, scrap.lines)
    assert scrap.units == {CostPlace.IN_PLANT: 1}
    plant.do(remove_part, 12, unit=frame, designator="M1", reason="noisy")
    assert summarise_scrap(ask(bad)).total == D("0.19") + 2 * labour
    assert summarise_scrap(ask(bad, at=ticks(11.5))).total == scrap.total
    # The board inside is reworked, and counts where the frame is.
    assert {line.assembly for line in summarise_rework(ask(bad)).lines} == {"BOARD"}


def test_lot_tracked_assemblies_cost_what_is_in_them(plant) -> None:
    nut = make_part("NUT", cost="0.001")
    kit = make_part("KIT", kind=Part.Kind.ASSEMBLY, level=1, cost="99")
    BomLine.objects.create(parent=kit, child=nut, parent_level=1, child_level=0, number=1, quantity=D("12"))
    assert trace_standard_costs([kit.pk, nut.pk], TODAY) == {kit.pk: D("0.012"), nut.pk: D("0.001")}
    assert trace_standard_costs([], TODAY) == {}


def test_sums_are_exact_in_any_order_and_rounded_for_display_only(plant) -> None:
    bad = plant.reel("BAD")
    plant.do(load_feed, 0, feed=plant.slot_r, container=bad)
    for minute, board in enumerate(plant.boards(7)):
        plant.run(board, plant.insertion, 1 + minute, 1.5 + minute)
        if minute % 2:
            plant.run(board, plant.test, 20 + minute, 20.5 + minute)
    for cost in (summarise_scrap(ask(bad)), summarise_rework(ask(bad))):
        amounts = [line.amount for line in cost.lines]
        for seed in range(5):
            random.Random(seed).shuffle(amounts)
            assert sum(amounts) == cost.total
        assert sum(cost.by_place.values()) == sum(cost.by_sureness.values()) == cost.total
    # 7 × 1.1 min × 37.77 / 60 = 4.8471… of step 10, and 3 × 1.1 × 37.77 / 60 = 2.07735 of step 20
    (ten, twenty) = (line for line in summarise_scrap(ask(bad)).lines if line.outlay == Outlay.LABOUR)
    assert (ten.amount, twenty.amount) == (D("4.8471500000"), D("2.0773500000"))
    assert round_money(twenty.amount, "EUR") == D("2.08")


@pytest.mark.parametrize(
    ("amount", "currency", "shown"),
    [("2.345", "EUR", "2.35"), ("-2.345", "EUR", "-2.35"), ("2.5", "JPY", "3"), ("2.3455", "KWD", "2.346")],
)
def test_money_is_shown_to_its_minor_unit(amount, currency, shown) -> None:
    assert str(round_money(D(amount), currency)) == shown


def count_queries(work) -> int:
    with CaptureQueriesContext(
        connection,
    ) as queries:
        work()
    return len(queries)


@pytest.mark.parametrize("summarise", [summarise_scrap, summarise_rework])
def test_the_number_of_queries_does_not_grow_with_units(plant, summarise) -> None:
    bad = plant.reel("BAD")
    plant.do(load_feed, 0, feed=plant.slot_r, container=bad)

    def build(first: int, number: int) -> None:
        for minute, board in enumerate(plant.boards(number), first):
            plant.finish(board, 3 * minute)
            if minute % 2:
                (product,) = plant.products(1)
                plant.do(fit_child, 3 * minute + 2, unit=product, designator="M1", child=board)
            elif minute % 4:
                plant.do(fit_part, 3 * minute + 2, unit=board, designator="R1", container=bad, reason="again")

    build(1, 4)
    few = ask(bad)
    before = count_queries(lambda: summarise(few))
    build(10, 20)
    many = ask(bad)
    assert len(many.carriers) == 24 + 12
    assert count_queries(lambda: summarise(many)) == before
    assert len(summarise(many).lines) == len(summarise(few).lines)
