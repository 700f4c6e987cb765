"""Two assemblies costed by hand, every figure written out, and the roll-up against a published explosion."""

from datetime import date
from decimal import Decimal
from types import SimpleNamespace

import pytest

from tests.factories import Plant, make_part
from trace.costing.queries import (
    list_material_behind,
    list_units_behind,
    summarise_rework,
    summarise_scrap,
    trace_standard_costs,
)
from trace.costing.rules import CostPlace, Outlay
from trace.engineering.models import BomLine, Part, Station, Step
from trace.floor.operations.dispatch import define_customer, load_shipment, send_shipment
from trace.floor.operations.feeds import load_feed
from trace.floor.operations.fittings import fit_child
from trace.floor.operations.orders import scrap_unit
from trace.genealogy.forward import Population, trace_forward
from trace.genealogy.rules import Sureness
from trace.genealogy.suspicion import Suspicion

TODAY = date(2026, 3, 2)

pytestmark = pytest.mark.django_db
D = Decimal


def price(plant: Plant) -> None:
    """Of parts, of minutes to replace them; of steps and stations."""
    for part, cost, minutes in ((plant.resistor, "0.02", 5), (plant.capacitor, "0.15", 8), (plant.fuse, "0.40", 1)):
        Part.objects.filter(pk=part.pk).update(standard_cost=D(cost), replace_minutes=minutes)
    for part, number, minutes in ((plant.board, 10, "2.5"), (plant.board, 20, "1.2"), (plant.product, 10, "6")):
        Step.objects.filter(part=part, number=number).update(minutes=D(minutes))
    for station, rate in ((plant.insertion, 48), (plant.test, 30), (plant.final, 24)):
        Station.objects.filter(pk=station.pk).update(rate_per_hour=rate)


def ship(plant: Plant, unit, minute: float) -> None:
    customer = plant.do(define_customer, key=f"C-{unit.key}", name="Customer")
    carton = plant.carton([unit], minute, f"BOX-{unit.key}")
    shipment = plant.do(load_shipment, minute, shipment=f"SH-{unit.key}", customer=customer, cartons=[carton])
    plant.do(send_shipment, minute, shipment=shipment)


@pytest.fixture
def plant() -> Plant:
    plant = Plant()
    price(plant)
    return plant


@pytest.fixture
def story(plant) -> SimpleNamespace:
    """A suspect reel in four boards: in a shipped product, after step 20, after step 10, and scrapped."""
    reel = plant.reel("BAD")
    plant.do(load_feed, 1, feed=plant.slot_r, container=reel)
    plant.do(load_feed, 1, feed=plant.slot_c, container=plant.reel("CAPS", plant.capacitor))
    shipped, finished, inserted, scrapped = plant.boards(4)
    for minute, board in enumerate((shipped, finished, inserted, scrapped)):
        plant.run(board, plant.insertion, 2 + minute, 2.5 + minute)
    for minute, board in enumerate((shipped, finished)):
        plant.run(board, plant.test, 10 + minute, 10.5 + minute)
    (product,) = plant.products(1)
    plant.do(fit_child, 20, unit=product, designator="M1", child=shipped)
    plant.run(product, plant.final, 21, 22)
    ship(plant, product, 30)
    plant.do(scrap_unit, 31, unit=scrapped, reason="burnt")
    population = trace_forward(Suspicion.of(containers=[reel]))
    return SimpleNamespace(**{k: v for k, v in locals().items() if k != "plant"})


def test_scrap_is_what_was_put_in_and_worked_to_where_each_unit_stands(story) -> None:
    scrap = summarise_scrap(story.population)
    # BOARD after step 10: R1 0.02 + R2 0.02 + C1 0.15 = 0.19; labour 2.5 min × 48 / 60 = 2.00; together 2.19
    # BOARD after step 20: 2.19 + 1.2 min × 30 / 60 = 0.60                                 -> 2.79
    # PRODUCT after step 10: F1 0.40 + 6 min × 24 / 60 = 2.40 + the board in it 2.79       -> 5.59
    assert scrap.by_place == {
        CostPlace.IN_PLANT: D("2.19") + D("2.79"),
        CostPlace.SHIPPED: D("5.59"),
        CostPlace.SCRAPPED: 0,
    }
    assert scrap.total == D("10.57")
    assert scrap.by_sureness == {Sureness.CERTAIN: D("10.57"), Sureness.POSSIBLE: 0}
    assert scrap.units == {CostPlace.IN_PLANT: 2, CostPlace.SHIPPED: 1, CostPlace.SCRAPPED: 1}
    assert scrap.currency == "EUR"
    shipped = {str(line): (line.quantity, line.amount) for line in scrap.lines if line.group.place == "shipped"}
    assert shipped == {
        "BOARD, material of step 10": (1, D("0.19")),
        "BOARD, labour of step 10 at INSERT": (1, D("2.00")),
        "BOARD, labour of step 20 at TEST": (1, D("0.60")),
        "PRODUCT, material of step 10": (1, D("0.40")),
        "PRODUCT, labour of step 10 at FINAL": (1, D("2.40")),
    }


def test_rework_is_a_new_part_and_its_minutes_at_every_place(story) -> None:
    # Per board R1 and R2: 2 × 0.02 = 0.04, and 2 × 5 min × 48 / 60 = 8.00; 48 is the highest rate of its route.
    # Boards shipped 1, in the plant 2, scrapped 1 (which costs nothing more).
    rework = summarise_rework(story.population)
    assert rework.by_place == {CostPlace.IN_PLANT: D("16.08"), CostPlace.SHIPPED: D("8.04"), CostPlace.SCRAPPED: 0}
    # At a repair station of 36 an hour: 2 × 5 × 36 / 60 = 6.00 per board.
    assert summarise_rework(story.population, D(36)).total == 3 * D("6.04")
    assert [(str(line), line.count) for line in rework.lines if line.group.place == "in plant"] == [
        ("RES, new, for BOARD", 4),
        ("RES, replacing it on BOARD", 4),
    ]


def test_internal_failure_is_found_before_delivery_and_external_after_it() -> None:
    assert CostPlace.IN_PLANT.failure == "internal failure"
    assert CostPlace.SHIPPED.failure == "external failure"
    assert CostPlace.SCRAPPED.failure == ""


def test_every_line_opens_to_its_units(story) -> None:
    scrap, rework = summarise_scrap(story.population), summarise_rework(story.population)
    for line in (*scrap.lines, *rework.lines):
        assert len(list_units_behind(story.population, line)) == line.count
    behind = {(str(line), line.group.place): list_units_behind(story.population, line) for line in scrap.lines}
    assert behind["BOARD, labour of step 10 at INSERT", "in plant"] == [story.finished.key, story.inserted.key]
    assert behind["BOARD, material of step 10", "shipped"] == [story.shipped.key]
    (new,) = (line for line in rework.lines if line.outlay == Outlay.NEW_PARTS and line.group.place == "shipped")
    assert list_units_behind(story.population, new) == [story.shipped.key] * 2


def test_a_material_line_opens_to_the_parts_in_it(story) -> None:
    lines = [line for line in summarise_scrap(story.population).lines if str(line) == "BOARD, material of step 10"]
    (line,) = (line for line in lines if line.group.place == "in plant")
    opened = list_material_behind(line, TODAY)
    assert {part.part: (part.quantity, part.price, part.amount) for part in opened} == {
        "RES": (4, D("0.02"), D("0.08")),
        "CAP": (2, D("0.15"), D("0.30")),
    }
    assert sum(part.amount for part in opened) == line.amount


def test_an_empty_population_costs_nothing(plant) -> None:
    population = trace_forward(Suspicion.of(containers=[plant.reel()]))
    assert population == Population(population.suspicion, population.at, (), population.evidence)
    assert summarise_scrap(population).lines == summarise_rework(population).lines == ()
    assert summarise_scrap(population).total == 0


# IBM Db2 documentation, "Recursion example: bill of materials": table PARTLIST, and the total for one 01.
PARTLIST = """
00 01 5, 00 05 3, 01 02 2, 01 03 3, 01 04 4, 01 06 3, 02 05 7, 02 06 6, 03 07 6, 04 08 10, 04 09 11, 05 10 10,
05 11 10, 06 12 10, 06 13 10, 07 14 8, 07 12 8
"""
TOTALS = "02 2, 03 3, 04 4, 05 14, 06 15, 07 18, 08 40, 09 44, 10 140, 11 140, 12 294, 13 150, 14 144"
LEVELS = {"00": 4, "01": 3, "02": 2, "03": 2, "04": 2, "05": 1, "06": 1, "07": 1}


def pairs(text: str) -> list[list[str]]:
    return [entry.split() for entry in text.replace("\n", " ").split(",")]


@pytest.mark.parametrize(("number", "quantity"), pairs(TOTALS))
def test_a_part_of_price_one_rolls_up_to_its_published_total_quantity(db, number, quantity) -> None:
    """One part costs 1 as bought, all others nothing: an 01 then costs how many of it are in an 01."""
    parts = {}
    for name in {name for parent, child, _ in pairs(PARTLIST) for name in (parent, child)}:
        level = LEVELS.get(name, 0)
        kind = Part.Kind.ASSEMBLY if level else Part.Kind.COMPONENT
        parts[name] = make_part(f"N{name}", level=level, kind=kind, cost="1" if name == number else "0")
    for line, (parent, child, count) in enumerate(pairs(PARTLIST)):
        if parent != number:  # it is bought whole
            BomLine.objects.create(
                parent=parts[parent],
                child=parts[child],
                parent_level=parts[parent].level,
                child_level=parts[child].level,
                number=line,
                quantity=D(count),
            )
    assert trace_standard_costs([parts["01"].pk], TODAY) == {parts["01"].pk: D(quantity)}
