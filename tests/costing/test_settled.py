"""What a containment costs once part of it is settled: released as it is, sorted by a test. The same on its page and
its files, in its report and by the API."""

from __future__ import annotations

from decimal import Decimal

import pypdfium2
import pytest
from django.test import Client

from tests.api.conftest import make_client
from tests.containment.alarm import Alarm
from tests.costing.test_worked_example import price
from tests.genealogy.test_stock import begin_tape
from tests.web.conftest import make_user
from tests.web.test_answers import rows_of
from trace.containment.holding import leave_out_used, say_used
from trace.containment.population import reckon
from trace.core.permissions import Role
from trace.costing.containments import PUTS_RIGHT, Way, Ways, list_behind, summarise_ways
from trace.costing.rules import CostLine, Outlay, round_money
from trace.floor.operations.feeds import load_feed
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
