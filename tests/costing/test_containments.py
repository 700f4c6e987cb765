"""The ways out of a containment, every figure written out by hand; sums that agree in whatever order they are made."""

from __future__ import annotations

from decimal import Decimal
from types import SimpleNamespace

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.costing.test_queries import count_queries
from tests.costing.test_worked_example import price, ship
from tests.factories import Plant, make_assembly, make_part, make_person, ticks
from trace.containment.rates import RATES, BadRate, Measure, Rates, check_rate
from trace.costing.containments import PUTS_RIGHT, SORTED, Way, list_behind, summarise_ways
from trace.costing.rules import TEN_PLACES, Cost, CostPlace, Outlay
from trace.engineering.models import Characteristic, Part, Station
from trace.floor.operations.counting import count_container
from trace.floor.operations.feeds import load_feed, top_up_feed
from trace.floor.operations.fittings import fit_child
from trace.floor.operations.orders import scrap_unit
from trace.floor.operations.passes import finish_pass, start_pass
from trace.genealogy.combined import trace_combined
from trace.genealogy.forward import trace_forward
from trace.genealogy.rules import Sureness
from trace.genealogy.suspicion import Of, Suspicion, Window

pytestmark = pytest.mark.django_db
D = Decimal


def measure(part: Part, step: int) -> None:
    Characteristic.objects.create(part=part, step_number=step, number=step, name="Voltage", judge="tester")


@pytest.fixture
def plant() -> Plant:
    plant = Plant()
    price(plant)
    return plant


@pytest.fixture
def story(plant) -> SimpleNamespace:
    """A suspect reel in five boards: in a shipped product, after test, after insertion, one that was scrapped; and one
    that only may have it. Boards are tested at step 20, products at step 10, with what is put in there."""
    reel, good = plant.reel("BAD", quantity=1000), plant.reel("GOOD")
    plant.do(load_feed, 1, feed=plant.slot_r, container=reel)
    plant.do(load_feed, 1, feed=plant.slot_c, container=plant.reel("CAPS", plant.capacitor))
    shipped, finished, inserted, scrapped, perhaps = plant.boards(5)
    for minute, board in enumerate((shipped, finished, inserted, scrapped)):
        plant.run(board, plant.insertion, 2 + minute, 2.5 + minute)
    for minute, board in enumerate((shipped, finished)):
        plant.run(board, plant.test, 10 + minute, 10.5 + minute)
    (product,) = plant.products(1)
    plant.do(fit_child, 20, unit=product, designator="M1", child=shipped)
    plant.run(product, plant.final, 21, 22)
    ship(plant, product, 30)
    plant.do(scrap_unit, 31, unit=scrapped, reason="burnt")
    plant.do(top_up_feed, 40, feed=plant.slot_r, container=good)
    plant.run(perhaps, plant.insertion, 41, 42)
    plant.do(load_feed, 50, feed=plant.slot_r, container=plant.reel("OTHER"))
    measure(plant.board, 20)  # as it should have been all the time: their readings are beside the point here
    measure(plant.product, 10)
    population = trace_forward(Suspicion.of(containers=[reel]))
    return SimpleNamespace(**{k: v for k, v in locals().items() if k != "plant"})


def table(cost: Cost) -> dict[tuple[str, str, str], Decimal]:
    return {(str(line), line.group.sureness.value, line.group.place.value): line.amount for line in cost.lines}


GIVEN = {
    "repair_rate": D(36), "sort_minutes": D(3), "sort_rate": D(40), "bad_certain": D("0.5"), "bad_possible": D("0.25"),
    "disposal": D("0.10"), "freight": D(7), "handling_minutes": D(6), "handling_rate": D(20),
    "release_minutes": D(3), "customer_minutes": D(30), "customer_rate": D(50),
}  # fmt: skip


def test_each_way_by_the_rates_of_the_containment(story) -> None:
    ways = summarise_ways(story.population, Rates(GIVEN))
    returning = {
        ("PRODUCT, freight of what was shipped", "certain", "shipped"): D(7),
        ("PRODUCT, handling what comes back", "certain", "shipped"): D(2),  # 6 min × 20 / 60
    }
    customers = {("work for customers", "certain", "shipped"): D(25)}  # one customer, 30 min × 50 / 60
    assert table(ways.costs[Way.SCRAP]) == {
        ("BOARD, material of step 10", "certain", "in plant"): 2 * D("0.19"),
        ("BOARD, labour of step 10 at INSERT", "certain", "in plant"): 2 * D(2),
        ("BOARD, labour of step 20 at TEST", "certain", "in plant"): D("0.60"),
        ("BOARD, material of step 10", "possible", "in plant"): D("0.19"),
        ("BOARD, labour of step 10 at INSERT", "possible", "in plant"): D(2),
        ("BOARD, material of step 10", "certain", "shipped"): D("0.19"),
        ("BOARD, labour of step 10 at INSERT", "certain", "shipped"): D(2),
        ("BOARD, labour of step 20 at TEST", "certain", "shipped"): D("0.60"),
        ("PRODUCT, material of step 10", "certain", "shipped"): D("0.40"),
        ("PRODUCT, labour of step 10 at FINAL", "certain", "shipped"): D("2.40"),
        ("BOARD, disposing of it", "certain", "in plant"): 2 * D("0.10"),
        ("BOARD, disposing of it", "possible", "in plant"): D("0.10"),
        ("PRODUCT, disposing of it", "certain", "shipped"): D("0.10"),
        **returning, **customers,
    }  # fmt: skip
    # Per board two resistors at 0.02, and 2 × 5 min × 36 / 60 = 6.00. The test of step 20 again for those that passed
    # it; the product, opened for its board, is tested at step 10 again: 6 min × 24 / 60 = 2.40.
    rework = {
        ("RES, new, for BOARD", "certain", "in plant"): 4 * D("0.02"),
        ("RES, replacing it on BOARD", "certain", "in plant"): D(12),
        ("BOARD, step 20 tested again at TEST", "certain", "in plant"): D("0.60"),
        ("RES, new, for BOARD", "certain", "shipped"): 2 * D("0.02"),
        ("RES, replacing it on BOARD", "certain", "shipped"): D(6),
        ("BOARD, step 20 tested again at TEST", "certain", "shipped"): D("0.60"),
        ("PRODUCT, step 10 tested again at FINAL", "certain", "shipped"): D("2.40"),
        ("RES, new, for BOARD", "possible", "in plant"): 2 * D("0.02"),
        ("RES, replacing it on BOARD", "possible", "in plant"): D(6),
    }
    assert table(ways.costs[Way.REWORK]) == {**rework, **returning, **customers}
    sorting = {
        ("BOARD, sorted by test", "certain", "in plant"): D(4),  # 2 × 3 min × 40 / 60
        ("BOARD, sorted by test", "possible", "in plant"): D(2),
        ("PRODUCT, sorted by test", "certain", "shipped"): D(2),
    }
    bad = {"certain": D("0.5"), "possible": D("0.25")}
    assert table(ways.costs[Way.SORT]) == {
        **sorting,
        **{what: amount * bad[what[1]] for what, amount in rework.items()},
        **returning, **customers,
    }  # fmt: skip
    bad["certain"] = D(1)
    assert table(ways.costs[Way.SORT_POSSIBLE]) == {
        **{what: amount for what, amount in sorting.items() if what[1] == "possible"},
        **{what: amount * bad[what[1]] for what, amount in rework.items()},
        **returning, **customers,
    }  # fmt: skip
    assert table(ways.costs[Way.USE]) == {
        ("BOARD, handling it as it is", "certain", "in plant"): 2 * D(1),
        ("BOARD, handling it as it is", "possible", "in plant"): D(1),
        ("PRODUCT, handling it as it is", "certain", "shipped"): D(1),
        **customers,
    }  # fmt: skip
    # 12.76 + 0.40 + 9 + 25; 27.76 + 34; 8 + 0.5 × 21.72 + 0.25 × 6.04 + 34; 2 + 21.72 + 0.25 × 6.04 + 34; 4 + 25
    assert {way: cost.total for way, cost in ways.costs.items()} == {
        Way.SCRAP: D("47.16"), Way.REWORK: D("61.76"), Way.SORT: D("54.37"), Way.SORT_POSSIBLE: D("59.23"),
        Way.USE: D("29.00"),
    }  # fmt: skip
    assert ways.cheapest == Way.SCRAP
    assert ways.sentence == (
        "Scrapping every unit costs least, 47.16 EUR; sorting every unit and reworking what fails costs 7.21 EUR more. "
        "Using every unit as it is would cost 29.00 EUR: whether that may be done is for qualified people to decide, "
        "on evidence, not by what it costs."
    )
    assert ways.costs[Way.SCRAP].units == {CostPlace.IN_PLANT: 3, CostPlace.SHIPPED: 1, CostPlace.SCRAPPED: 1}
    assert ways.unpriced == ()


def test_break_even_is_where_both_cost_the_same(story) -> None:
    ways = summarise_ways(story.population, Rates(GIVEN))
    # Sorting all: 42 + share × 27.76. As much as scrap at (47.16 − 42) / 27.76, as rework at 1 − 8 / 27.76.
    # Sorting the possible alone: 57.72 + share × 6.04: never as cheap as scrap; as rework at 1 − 2 / 6.04.
    shares = {pair: round(share, 4) for pair, share in ways.break_evens.items()}
    assert shares == {
        (Way.SORT, Way.SCRAP): D("0.1859"), (Way.SORT, Way.REWORK): D("0.7118"),
        (Way.SORT_POSSIBLE, Way.REWORK): D("0.6689"),
    }  # fmt: skip
    assert ways.break_even_sentences[0] == (
        "Where 18.6% of those sorted are bad, sorting every unit and reworking what fails costs as much as scrapping "
        "every unit."
    )
    for (way, other), share in ways.break_evens.items():
        there = summarise_ways(story.population, Rates({**GIVEN, "bad_certain": share, "bad_possible": share}))
        assert abs(there.costs[way].total - there.costs[other].total) < D("0.0001")


def test_sorting_that_takes_no_time_has_no_break_even_with_rework(story) -> None:
    """It costs what rework does where all are bad, whatever anything costs: that says nothing."""
    pairs = summarise_ways(story.population, Rates({**GIVEN, "sort_minutes": D(0)})).break_evens
    assert {other for _, other in pairs} == {Way.SCRAP}


def test_without_rates_of_its_own_the_highest_of_the_route_and_of_the_plant_hold(story) -> None:
    given = {"sort_minutes": D(10), "handling_minutes": D(10), "customer_minutes": D(10)}
    ways = summarise_ways(story.population, Rates(given))
    rates = {(line.outlay, line.assembly): line.rate for line in ways.costs[Way.SORT].lines}
    assert rates[Outlay.SORTING, "BOARD"] == 48 and rates[Outlay.SORTING, "PRODUCT"] == 24
    assert rates[Outlay.REPLACING, "BOARD"] == 48
    assert rates[Outlay.HANDLING, "PRODUCT"] == rates[Outlay.CUSTOMERS, ""] == 48
    # All of them bad, unless told otherwise: sorting only adds to the rework.
    assert ways.costs[Way.SORT].total - ways.costs[Way.REWORK].total == 3 * 8 + 4


def test_what_is_fitted_and_carries_nothing_is_kept(plant) -> None:
    """A frame with a bought motor of 41.50 and a good board beside the suspect one."""
    motor = make_part("MOTOR", serialised=True, cost="41.5")
    places = {"M1": motor, "P1": plant.board, "P2": plant.board}
    frame_part = make_assembly("FRAME", places=places, route={10: [plant.final]})
    bad, good = plant.reel("BAD"), plant.reel("GOOD")
    board, clean = plant.boards(2)
    plant.do(load_feed, 0, feed=plant.slot_r, container=bad)
    plant.run(board, plant.insertion, 1, 2)
    plant.do(load_feed, 3, feed=plant.slot_r, container=good)
    plant.run(clean, plant.insertion, 4, 5)
    plant.run(board, plant.test, 6, 7)
    plant.run(clean, plant.test, 8, 9)
    (frame,), (bought,) = plant.units(frame_part), plant.units(motor)
    for designator, child in (("M1", bought), ("P1", board), ("P2", clean)):
        plant.do(fit_child, 10, unit=frame, designator=designator, child=child)
    population = trace_forward(Suspicion.of(containers=[bad]))
    ways = summarise_ways(population, Rates({"salvage_minutes": D(5), "repair_rate": D(36)}))
    kept = {what[0]: amount for what, amount in table(ways.costs[Way.SCRAP]).items() if "kept" in what[0]}
    assert kept == {
        "MOTOR, as bought, kept": D("-41.5"),
        "BOARD, kept: material of step 10": D("-0.19"),
        "BOARD, kept: labour of step 10 at INSERT": D(-2),
        "BOARD, kept: labour of step 20 at TEST": D("-0.60"),
        "BOARD, taking it out to be kept": D(3),
        "MOTOR, taking it out to be kept": D(3),
    }
    assert ways.costs[Way.SCRAP].total == D("2.79") + 6  # the suspect board is lost, two are taken out
    half = summarise_ways(population, Rates({"salvage_share": D("0.5")}))
    assert half.costs[Way.SCRAP].total == D("2.79") + D("44.29") / 2
    for line in ways.costs[Way.SCRAP].lines:
        assert len(list_behind(population, line)) == line.count, str(line)
    behind = {str(line): list_behind(population, line) for line in ways.costs[Way.SCRAP].lines}
    assert behind["BOARD, kept: labour of step 20 at TEST"] == [clean.key]
    assert behind["MOTOR, taking it out to be kept"] == [bought.key]


def test_suspect_stock_is_lost_but_for_what_the_supplier_takes_back(plant) -> None:
    counted, unknown = plant.reel("R-1", lot="L-1", quantity=1000), plant.reel("R-2", lot="L-2")
    population = trace_forward(Suspicion.of(containers=[counted, unknown]))
    ways = summarise_ways(population, Rates({"stock_credited": D("0.75")}))
    for way in PUTS_RIGHT:
        assert table(ways.costs[way]) == {
            ("RES, suspect stock", "certain", "in plant"): D(20),
            ("RES, suspect stock that the supplier takes back", "certain", "in plant"): D(-15),
        }
    assert ways.costs[Way.USE].lines == ()
    assert ways.unpriced == ("1 suspect container was never counted: not in the cost.",)
    assert list_behind(population, ways.costs[Way.SCRAP].lines[0]) == ["R-1"]
    plant.do(count_container, 5, container=unknown, quantity=D(50))
    ways = summarise_ways(trace_forward(Suspicion.of(containers=[counted, unknown])))
    assert ways.costs[Way.SCRAP].total == 21 and ways.unpriced == ()


def test_where_the_work_is_suspect_the_step_is_done_again(plant) -> None:
    early, tested = plant.boards(2)
    plant.run(early, plant.insertion, 1, 2)
    plant.run(tested, plant.insertion, 3, 4)
    plant.run(tested, plant.test, 5, 6)
    measure(plant.board, 20)
    population = trace_forward(Suspicion.of(windows=[Window(plant.insertion.pk, ticks(0), ticks(10))]))
    ways = summarise_ways(population)
    assert table(ways.costs[Way.REWORK]) == {
        ("BOARD, step 10 done again at INSERT", "certain", "in plant"): 2 * D(2),
        ("BOARD, step 20 tested again at TEST", "certain", "in plant"): D("0.60"),
    }
    behind = {str(line): list_behind(population, line) for line in ways.costs[Way.REWORK].lines}
    assert behind["BOARD, step 10 done again at INSERT"] == sorted([early.key, tested.key])
    assert behind["BOARD, step 20 tested again at TEST"] == [tested.key]
    assert ways.costs[Way.REWORK].unpriced == ()


def test_what_somebody_did_is_done_again_wherever_it_was(plant) -> None:
    bob = make_person("BOB")
    mine, hers = plant.boards(2)
    for minute, board in enumerate((mine, hers)):
        plant.run(board, plant.insertion, 1 + minute, 1.5 + minute)
    plant.do(start_pass, 5, unit=mine, station=plant.test, by=bob)
    plant.do(finish_pass, 6, unit=mine, by=bob)
    plant.run(hers, plant.test, 7, 8)
    population = trace_forward(Suspicion.of(windows=[Window(bob.pk, ticks(0), ticks(10), Of.PERSON)]))
    rework = summarise_ways(population).costs[Way.REWORK]
    assert table(rework) == {("BOARD, step 20 done again at TEST", "certain", "in plant"): D("0.60")}
    assert list_behind(population, rework.lines[0]) == [mine.key]


def test_what_is_only_named_has_a_rework_without_a_price(plant) -> None:
    (board,) = plant.boards(1)
    plant.run(board, plant.insertion, 1, 2)
    ways = summarise_ways(trace_forward(Suspicion(units=frozenset({board.pk}))))
    assert ways.costs[Way.REWORK].unpriced == (
        "1 unit has nothing on record to replace or to do again: what their rework takes is not priced.",
    )
    assert ways.costs[Way.REWORK].total == 0 < ways.costs[Way.SCRAP].total and ways.cheapest == Way.SCRAP
    assert "reworking every unit is not priced whole" in ways.sentence


def test_of_a_combination_every_suspicion_is_put_right(story) -> None:
    """What has the reel and was at the tester too: the shipped board and the finished one."""
    tester = Suspicion.of(windows=[Window(Station.objects.get(key="TEST").pk, ticks(0), ticks(99))])
    both = trace_combined([tester, Suspicion.of(containers=[story.reel])])
    ways = summarise_ways(both, Rates({"repair_rate": D(36)}))
    alone = summarise_ways(
        trace_combined([Suspicion.of(containers=[story.reel]), tester]), Rates({"repair_rate": D(36)})
    )
    assert table(ways.costs[Way.REWORK]) == table(alone.costs[Way.REWORK]) == {
        ("RES, new, for BOARD", "certain", "in plant"): 2 * D("0.02"),
        ("RES, replacing it on BOARD", "certain", "in plant"): D(6),
        ("BOARD, step 20 tested again at TEST", "certain", "in plant"): D("0.60"),
        ("RES, new, for BOARD", "certain", "shipped"): 2 * D("0.02"),
        ("RES, replacing it on BOARD", "certain", "shipped"): D(6),
        ("BOARD, step 20 tested again at TEST", "certain", "shipped"): D("0.60"),
        ("PRODUCT, step 10 tested again at FINAL", "certain", "shipped"): D("2.40"),
    }  # fmt: skip
    for line in ways.costs[Way.REWORK].lines:
        assert len(list_behind(both, line)) == line.count, str(line)


def test_every_line_opens_to_what_it_counts(story) -> None:
    for cost in summarise_ways(story.population, Rates(GIVEN)).costs.values():
        for line in cost.lines:
            assert len(list_behind(story.population, line)) == line.count, str(line)


def test_an_empty_population_has_nothing_to_pay_for(plant) -> None:
    ways = summarise_ways(trace_forward(Suspicion.of(containers=[plant.reel()])))
    assert ways.costs[Way.SCRAP].total == 0
    assert ways.break_evens == {}


@pytest.mark.parametrize(
    ("name", "value", "says"),
    [
        ("sort_minutes", "-1", "“to sort a unit by test” can’t be -1."),
        ("freight", "NaN", "“freight of a shipped unit, back and out again” can’t be NaN."),
        ("freight", "0.1234567", "“freight of a shipped unit, back and out again” can’t be 0.1234567."),
        ("freight", "1E12", "“freight of a shipped unit, back and out again” can’t be 1E+12."),
        ("bad_possible", "1.01", "“of the possible units, those that are bad” is a share, and 1.01 is more than all."),
        ("tea_minutes", "5", "“tea_minutes” is no rate."),
    ],
)
def test_a_rate_that_can_not_be_is_refused(name, value, says) -> None:
    for refused in (lambda: check_rate(name, D(value)), lambda: Rates({name: D(value)})):
        with pytest.raises(BadRate) as refusal:
            refused()
        assert refusal.value.message == says and refusal.value.action


def test_every_rate_is_0_by_default_all_or_derived() -> None:
    for rate in RATES.values():
        assert (rate.default is None) == (rate.measure == Measure.MONEY_PER_HOUR) == bool(rate.derived)
        assert rate.default in (None, 0, 1) and (rate.default != 1 or rate.measure == Measure.SHARE)


def test_the_number_of_queries_does_not_grow_with_units(plant) -> None:
    bad = plant.reel("BAD")
    plant.do(load_feed, 0, feed=plant.slot_r, container=bad)

    def build(first: int, number: int) -> int:
        for minute, board in enumerate(plant.boards(number), first):
            plant.finish(board, 3 * minute)
        population = trace_forward(Suspicion.of(containers=[bad]))
        return count_queries(lambda: summarise_ways(population, Rates(GIVEN)))

    few = build(1, 2)
    assert build(10, 20) == few < 80


shares = st.decimals(0, 1, places=2)
amounts = st.decimals(0, 100, places=3)


@settings(max_examples=40, suppress_health_check=list(HealthCheck), deadline=None)
@given(
    st.fixed_dictionaries({name: shares if rate.measure == Measure.SHARE else amounts for name, rate in RATES.items()})
)
def test_whatever_the_rates_the_parts_add_up_to_the_whole(story, given_rates) -> None:
    ways = summarise_ways(story.population, Rates(given_rates))
    for cost in ways.costs.values():
        assert cost.total == sum((line.amount for line in cost.lines), D(0))
        assert cost.total == sum(cost.by_sureness.values()) == sum(cost.by_place.values())
        assert cost.by_place[CostPlace.SCRAPPED] == 0
        apart = (cost.of(sureness=s, place=p) for s in Sureness for p in CostPlace)
        assert sum(apart, D(0)) == cost.total
    # Sorting is the rework of the share that is bad, and the sorting.
    for way, sorts in SORTED.items():
        bad = {Sureness.CERTAIN: given_rates["bad_certain"], Sureness.POSSIBLE: given_rates["bad_possible"]}
        expected, most = D(0), 0
        for line in ways.costs[Way.REWORK].lines:
            mending = line.outlay in (Outlay.NEW_PARTS, Outlay.REPLACING, Outlay.RETEST)
            expected += line.amount * (bad[line.group.sureness] if mending and line.group.sureness in sorts else 1)
            most += 1
        expected += sum(line.amount for line in ways.costs[way].lines if line.outlay == Outlay.SORTING)
        assert abs(ways.costs[way].total - expected) <= most * TEN_PLACES
    assert ways.costs[ways.cheapest].total == min(ways.costs[way].total for way in PUTS_RIGHT)
