"""What a containment costs once part of it is settled: released as it is, sorted by a test. The same on its page and
its files, in its report and by the API."""

from __future__ import annotations

from decimal import Decimal

import pypdfium2
import pytest
from django.test import Client

from tests.api.conftest import make_client
from tests.containment.alarm import Alarm
from tests.costing.test_containments import measure, table
from tests.costing.test_worked_example import price
from tests.genealogy.test_stock import begin_tape
from tests.web.conftest import make_user
from tests.web.test_answers import rows_of
from trace.containment.holding import leave_out_used, say_used
from trace.containment.operations.decide import clear_units, void_clearing
from trace.containment.operations.progress import set_rate
from trace.containment.population import reckon
from trace.containment.rates import Rates, rates_of
from trace.core.clock import OPEN
from trace.core.permissions import Role
from trace.costing.claims import count_good, make_claim
from trace.costing.containments import PUTS_RIGHT, Way, Ways, list_behind, summarise_ways
from trace.costing.rules import Cost, CostLine, Outlay, round_money
from trace.costing.spent import summarise_actuals
from trace.floor.models import Pass
from trace.floor.operations.feeds import load_feed
from trace.floor.operations.fittings import fit_part, remove_part
from trace.labels.alarm_report import list_sections, make_report, print_report
from trace.material.models import Container, Tape
from trace.material.operations.setups import finish_tape

pytestmark = pytest.mark.django_db
D = Decimal


@pytest.fixture
def alarm() -> Alarm:
    """Of the bad lot there are two counted reels in store, too, and a tape."""
    alarm = Alarm()
    plant = alarm.plant
    price(plant)
    for key, quantity in (("STAYS", 500), ("USED", 1000)):
        plant.reel(key, lot="LOT-BAD", quantity=quantity)
    plant.do(load_feed, 5, feed=begin_tape(plant), container=plant.reel("TAPED", lot="LOT-BAD"), position=(0, 0))
    plant.do(finish_tape, 25, tape=Tape.objects.get(), board_sets=45)
    alarm.stop()
    return alarm


def cost_of(alarm: Alarm) -> str:
    return f"/containments/{alarm.containment.key}/cost/"


def visitor() -> Client:
    client = Client()
    client.force_login(make_user("ursula", [Role.QUALITY]))
    return client


def report_of(alarm: Alarm) -> str:
    report = make_report(alarm.containment, reckon(alarm.containment))
    paper = pypdfium2.PdfDocument(print_report(report, list(list_sections(report, costs=True))))
    words = " ".join(" ".join(sheet.get_textpage().get_text_bounded().split()) for sheet in paper)
    paper.close()
    return words


def ways_of(alarm: Alarm) -> Ways:
    return summarise_ways(leave_out_used(alarm.containment, reckon(alarm.containment)))


def stock(ways: Ways, way: Way) -> list[CostLine]:
    return [line for line in ways.costs[way].lines if line.outlay == Outlay.STOCK]


def test_stock_that_was_released_to_be_used_as_it_is_costs_nothing_any_more(alarm) -> None:
    before = ways_of(alarm)
    used, tape = Container.objects.get(key="USED"), Tape.objects.get()
    alarm.decide(things=[used, tape], decision="use as is")
    assert [line.amount for line in stock(ways_of(alarm), Way.SCRAP)] == [D(30)], "decided, and not released yet"
    alarm.release(used, tape)
    population = reckon(alarm.containment)
    left, ways = leave_out_used(alarm.containment, population), ways_of(alarm)
    for way in PUTS_RIGHT:
        # 1500 resistors at 0.02, of which 1000 are no concern of it any more; what else it costs stays as it was
        assert [line.amount for line in stock(before, way)] == [30]
        assert [line.amount for line in stock(ways, way)] == [10]
        assert before.costs[way].total - ways.costs[way].total == 20
    assert list_behind(left, stock(ways, Way.SCRAP)[0]) == ["STAYS"]
    assert set(before.unpriced) - set(ways.unpriced) == {"Suspect board sets are on 1 tape: not in the cost."}
    assert say_used(population, left) == "Not in it: 1 container and 1 tape that were released to be used as they are."
    # A file, the report and the API say it as the page does.
    page, report = visitor(), report_of(alarm)
    assert (
        say_used(population, left) in page.get(cost_of(alarm)).content.decode() and say_used(population, left) in report
    )
    totals = {way.words: round_money(cost.total, "EUR") for way, cost in ways.costs.items()}
    assert {row["Way"]: D(row["Together, EUR"]) for row in rows_of(page.get(f"{cost_of(alarm)}?csv=ways"))} == totals
    assert f"{totals[Way.SCRAP.words]:,f}" in report
    told = make_client().get(f"/api/v1/containments/{alarm.containment.key}/population/").json()["cost"]
    assert D(told["scrap"]["total"]) == ways.costs[Way.SCRAP].total


def sorted_out(alarm: Alarm) -> None:
    """The board that may have it passes its test at the second try, the one that was tested before the alarm is looked
    at elsewhere: both are cleared."""
    plant, boards = alarm.plant, [alarm.blurred, alarm.third]
    alarm.decide(things=boards, decision="sort")
    plant.run(alarm.blurred, plant.test, 40, 41, outcome=Pass.Outcome.FAILED)
    plant.run(alarm.blurred, plant.test, 42, 43)
    alarm.do(clear_units, 45, units=boards, evidence="X-rayed, report 12")
    measure(plant.board, 20)  # their readings are beside the point here


def set_rates(alarm: Alarm, **rates: str) -> None:
    for name, value in rates.items():
        alarm.do(set_rate, 46, name=name, value=D(value), reason="as usual")


def spent_on(alarm: Alarm) -> Cost:
    it = alarm.containment
    return summarise_actuals(reckon(it), it.opened, OPEN, rates_of(it), it.clearings.all())


def test_the_sorting_of_what_was_cleared_was_spent(alarm) -> None:
    sorted_out(alarm)
    again = {("BOARD, step 20 tested again at TEST", "cleared", "in plant"): D("0.60")}  # 1.2 min × 30 / 60
    assert table(spent_on(alarm)) == again
    set_rates(alarm, sort_minutes="3")
    sorting = ("BOARD, sorted by test", "cleared", "in plant")
    # of one board, as the other’s test is on record: 3 min at the highest rate of its route, × 48 / 60
    assert table(spent_on(alarm)) == {**again, sorting: D("2.40")}
    set_rates(alarm, sort_rate="40")
    spent = spent_on(alarm)
    assert table(spent) == {**again, sorting: D(2)} and spent.total == D("2.60")
    # It is claimed as sorting, and printed as on the page.
    claim = make_claim(reckon(alarm.containment), spent, None, rates_of(alarm.containment))
    assert (claim.by_heading["sorting"], claim.by_heading["rework"]) == (2, D("0.60"))
    rows = rows_of(visitor().get(f"{cost_of(alarm)}?csv=spent"))
    assert {row["Line"]: D(row["Amount, EUR"]) for row in rows} == {
        what: amount for (what, *_), amount in table(spent).items()
    }
    assert "sorting BOARD, sorted by test in plant 1 2.00" in report_of(alarm)
    clearing = alarm.containment.clearings.get(unit=alarm.third)
    alarm.plant.do(void_clearing, 55, clearing=clearing, reason="the picture was of another board")
    assert sorting not in table(spent_on(alarm))


def test_what_a_sort_test_cleared_is_good_and_what_was_reworked_was_bad(alarm) -> None:
    """As in test_spoilage, of the rejected ones those count that were reworked."""
    plant, rates = alarm.plant, Rates({"normal_spoilage": D("0.5")})

    def split() -> tuple[Decimal, int, Decimal]:
        population = reckon(alarm.containment)
        claim = make_claim(population, Cost("EUR", ()), None, rates, count_good(population, rates))
        return claim.bad, claim.good, claim.normal

    # bad: the products with FIRST and SECOND, THIRD, FOURTH, and BLURRED, which only may be; good: CLEAN and FREE
    assert split() == (5, 2, 1)
    alarm.decide(things=[alarm.third], decision="rework")
    for minute, name in ((40, "R1"), (42, "R2")):
        plant.do(remove_part, minute, unit=alarm.third, designator=name, reason="suspect")
        plant.do(fit_part, minute + 1, unit=alarm.third, designator=name, container=alarm.good, reason="rework")
    assert split() == (5, 2, 1)
    alarm.decide(things=[alarm.blurred], decision="sort", minute=44)
    plant.run(alarm.blurred, plant.test, 45, 46)
    assert split() == (5, 2, 1)
    alarm.do(clear_units, 47, units=[alarm.blurred], evidence="tested hot")
    assert split() == (4, 3, D("1.5"))
