"""What a population has cost, by what was recorded of it; what of that is claimed of the supplier."""

from __future__ import annotations

from decimal import Decimal
from types import SimpleNamespace

import pytest

from tests.costing.test_containments import measure, table
from tests.costing.test_worked_example import price, ship
from tests.factories import Plant, ticks
from tests.floor.troubleshooting import Trouble
from trace.containment.rates import Rates
from trace.costing.claims import count_good, make_claim
from trace.costing.containments import Way, summarise_ways
from trace.costing.rules import Cost, CostLine, CostPlace, Outlay
from trace.costing.spent import summarise_actuals
from trace.engineering.models import Station
from trace.floor.operations.counting import scrap_parts
from trace.floor.operations.faults import void_repair
from trace.floor.operations.feeds import load_feed
from trace.floor.operations.fittings import fit_child
from trace.floor.operations.orders import scrap_unit
from trace.floor.operations.returns import receive_return
from trace.genealogy.forward import trace_forward
from trace.genealogy.rules import Sureness
from trace.genealogy.suspicion import Suspicion
from trace.material.models import Container
from trace.material.operations.stock import discard_container

pytestmark = pytest.mark.django_db
D = Decimal


@pytest.fixture
def story() -> SimpleNamespace:
    """Boards with a suspect reel: one repaired and tested again, one scrapped of which a part is kept, one in a product
    that came back and is repaired; and a board that has nothing of the reel, repaired too."""
    trouble = Trouble()
    plant: Plant = trouble.plant
    price(plant)
    Station.objects.filter(pk=trouble.repair.pk).update(rate_per_hour=36)
    mended = trouble.failed(10)
    trouble.mend(
        trouble.find(mended, 13, designator="R1"), 15, action="replaced", designator="R1", container=trouble.spare,
        minutes=D("7.5"),
    )  # fmt: skip
    plant.run(mended, plant.test, 16, 17)
    (lost, sold) = plant.boards(2, minute=20)
    for minute, board in ((20, lost), (22, sold)):
        plant.run(board, plant.insertion, minute, minute + 1)
    plant.run(sold, plant.test, 24, 25)
    plant.do(scrap_unit, 26, unit=lost, reason="burnt", salvage={"C1": "BAG-1"})
    (product,) = plant.products(1)
    plant.do(fit_child, 30, unit=product, designator="M1", child=sold)
    plant.run(product, plant.final, 31, 32)
    ship(plant, product, 40)
    plant.do(receive_return, 50, unit=product, complaint="no display")
    trouble.decide(product, 52, "repair")
    trouble.mend(trouble.find(product, 51), 53, minutes=D(10))
    measure(plant.board, 20)
    return SimpleNamespace(trouble=trouble, plant=plant, mended=mended, lost=lost, product=product, sold=sold)


def population(story):
    return trace_forward(Suspicion.of(containers=[story.trouble.reel]))


def test_what_was_spent_is_what_was_recorded_of_these_units(story) -> None:
    plant = story.plant
    other = plant.reel("REEL-2", quantity=D(100))
    plant.do(scrap_parts, 55, container=other, quantity=D(10), reason="leads bent")
    given = {"freight": D(7), "handling_minutes": D(6), "handling_rate": D(20)}
    suspects = trace_forward(Suspicion.of(containers=[story.trouble.reel, other]))
    spent = summarise_actuals(suspects, ticks(0), rates=Rates(given))
    found = {(what, place): amount for (what, _, place), amount in table(spent).items()}
    assert found == {
        # mended: 7.5 min × 36 / 60, a resistor, and the test that it had failed
        ("BOARD, repairs at RP1", "in plant"): D("4.50"),
        ("RES, new, for BOARD", "in plant"): D("0.02"),
        ("BOARD, step 20 tested again at TEST", "in plant"): D("0.60"),
        # lost: put in at step 10, and worked; its capacitor is kept
        ("BOARD, material of step 10", "in plant"): D("0.19"),
        ("BOARD, labour of step 10 at INSERT", "in plant"): D(2),
        ("CAP in BOARD, kept", "in plant"): D("-0.15"),
        # the product came back
        ("PRODUCT, repairs at RP1", "shipped"): D(6),
        ("PRODUCT, freight of what was shipped", "shipped"): D(7),
        ("PRODUCT, handling what comes back", "shipped"): D(2),
        ("RES, scrapped out of containers", "in plant"): 10 * D("0.02"),
    }  # fmt: skip
    assert spent.total == D("22.36") == sum(spent.by_place.values()) == sum(spent.by_sureness.values())
    assert (CostPlace.IN_PLANT.failure, spent.by_place[CostPlace.IN_PLANT]) == ("internal failure", D("7.36"))
    assert (CostPlace.SHIPPED.failure, spent.by_place[CostPlace.SHIPPED]) == ("external failure", D(15))


def test_only_what_was_done_in_the_time_counts(story) -> None:
    everything = summarise_actuals(population(story)).total
    parts = [summarise_actuals(population(story), ticks(a), ticks(b)).total for a, b in ((0, 16), (16, 26), (26, 99))]
    assert parts == [D("4.52"), D("0.60"), D("2.04") + 6]
    assert sum(parts) == everything


def test_a_voided_repair_was_not_done(story) -> None:
    before = summarise_actuals(population(story)).total
    repair = story.mended.repairs.get()
    story.plant.do(void_repair, 60, repair=repair, reason="of the board beside it")
    assert summarise_actuals(population(story)).total == before - D("4.52")


def test_what_is_cleared_since_has_still_cost_something(story) -> None:
    trouble, plant = story.trouble, story.plant
    trouble.mend(
        trouble.find(story.mended, 60, designator="R2"), 61, action="replaced", designator="R2",
        container=trouble.spare, minutes=D(5),
    )  # fmt: skip
    after = population(story)
    assert story.mended.key in {carrier.key for carrier in after.of(Sureness.CLEARED)}
    spent = summarise_actuals(after, ticks(60))
    assert spent.by_sureness == {Sureness.CERTAIN: 0, Sureness.POSSIBLE: 0, Sureness.CLEARED: D("3.02")}
    # What else was spent on what never had it is not in this.
    clean = plant.boards(1, minute=62)[0]
    assert clean.key not in {carrier.key for carrier in after.carriers}


def test_discarded_suspect_stock_is_lost_at_what_was_surely_left(story) -> None:
    spare = story.trouble.spare
    story.plant.do(discard_container, 70, container=spare, reason="of the same lot")
    found = summarise_actuals(trace_forward(Suspicion.of(containers=[spare])), ticks(60))
    (line,) = (line for line in found.lines if line.outlay == Outlay.SCRAPPED_PARTS)
    assert (line.quantity, line.amount, line.count) == (9, D("0.18"), 1)


# Claims --------------------------------------------------------------------------------------------------------------


def test_a_claim_is_what_follows_from_the_material_by_the_suppliers_share(story) -> None:
    now = population(story)
    rates = Rates({"freight": D(7), "customer_minutes": D(30), "customer_rate": D(50), "claim_certain": D("0.5")})
    spent, ahead = summarise_actuals(now, ticks(0), rates=rates), summarise_ways(now, rates).costs[Way.SCRAP]
    claim = make_claim(now, spent, ahead, rates)
    assert claim.total * 2 == spent.total + ahead.total == sum(claim.by_heading.values()) * 2
    assert claim.by_heading["freight"] == D("3.50")
    assert claim.sentence == (
        "Claimed are 50% of what certain and cleared units cost and 0% of possible ones: material, work lost, sorting, "
        "rework, freight; no spoilage is normal. Work for customers is not in it."
    )
    # Nothing but what was spent, where nothing is left to do.
    assert make_claim(now, spent, None, rates).total * 2 == spent.total


def test_work_for_customers_is_not_claimed(story) -> None:
    plant, now = story.plant, population(story)
    (board,), (product,) = plant.boards(1, minute=60), plant.products(1, minute=60)
    assert board and product
    rates = Rates({"customer_minutes": D(30), "customer_rate": D(50), "release_minutes": D(3)})
    use = summarise_ways(now, rates).costs[Way.USE]
    assert use.total > 0 and make_claim(now, Cost("EUR", ()), use, rates).lines == ()


def test_normal_spoilage_is_left_out_of_a_claim_and_abnormal_is_claimed(story) -> None:
    """28,500 good units, 4 % of them normal: 1,140 of 1,500 (gaodun.com, as in test_spoilage)."""
    now = population(story)
    top = next(top for top in now.tops() if top.sureness == Sureness.CERTAIN)
    group = next(iter(summarise_actuals(now).lines)).group
    many = SimpleNamespace(tops=lambda: [top] * 1500)
    line = CostLine(Outlay.REPAIR, group, "BOARD", 1500, D(1500), minutes=D(15), rate=D(46))  # 11.50 each
    claim = make_claim(many, Cost("EUR", (line,)), None, Rates({"normal_spoilage": D("0.04")}), good=28_500)
    assert (claim.bad, claim.normal, claim.total) == (1500, 1140, 4140)
    assert (
        "of 1500 bad units 1140 are normal, 4.00% of 28500 good ones of the same orders, and left out, and 360 abnormal"
        in claim.sentence
    )


def test_of_possible_units_the_share_that_is_expected_to_be_bad_is_spoiled() -> None:
    tops = [SimpleNamespace(sureness=Sureness.POSSIBLE, reasons=())] * 40
    tops += [SimpleNamespace(sureness=Sureness.CERTAIN, reasons=())] * 10
    claim = make_claim(
        SimpleNamespace(tops=lambda: tops), Cost("EUR", ()), None, Rates({"bad_possible": D("0.25")}), good=0
    )
    assert (claim.bad, claim.normal) == (20, 0)


def test_good_units_are_those_that_came_through_on_the_same_orders() -> None:
    plant, rates = Plant(), Rates({"normal_spoilage": D("0.01")})
    plant.do(load_feed, 1, feed=plant.slot_r, container=plant.reel("BAD"))
    bad, good, _ = plant.boards(3)  # the third is not begun
    plant.finish(bad, 2)
    plant.do(load_feed, 10, feed=plant.slot_r, container=plant.reel("GOOD"))
    for board in (good, *plant.boards(1)):  # that of another order counts for nothing
        plant.finish(board, 11)
    suspect = trace_forward(Suspicion.of(containers=[Container.objects.get(key="BAD")]))
    assert [top.key for top in suspect.tops()] == [bad.key]
    assert count_good(suspect, rates) == 1
    assert count_good(suspect, Rates()) == 0, "not asked where no spoilage is normal"
