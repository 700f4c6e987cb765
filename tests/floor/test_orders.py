"""Orders by quantity, the serial rules that number their units, and how far they have come."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from tests.approvals.signing import approved
from tests.factories import Plant, make_assembly, make_station, moment
from tests.refusals import refused
from trace.engineering.models import Part, SerialRule, Step
from trace.engineering.operations import release_revision, revise_part, set_serial_rule
from trace.engineering.rules import make_serial
from trace.floor.models import Unit, WorkOrder
from trace.floor.operations.aliases import replace_label
from trace.floor.operations.dispatch import define_customer, load_shipment, pack_units, send_shipment
from trace.floor.operations.fittings import fit_child
from trace.floor.operations.orders import close_order, release_order, reopen_order, reschedule_order, scrap_unit
from trace.floor.operations.passes import finish_pass, start_pass
from trace.floor.progress import Share, State, count_through, list_at_stage, summarise_order
from trace.ledger.models import Event

pytestmark = pytest.mark.django_db


@pytest.fixture
def plant() -> Plant:
    plant = Plant()
    plant.do(set_serial_rule, number="BOARD", prefix="CB-", digits=3)
    return plant


def order(plant: Plant, key: str, minute: float = 5, **told: Any) -> WorkOrder:
    return plant.do(release_order, minute, key=key, **{"part": plant.board, "site": plant.site, **told})


def serials(made: WorkOrder) -> list[str]:
    return list(made.units.order_by("pk").values_list("key", flat=True))


# Serials -------------------------------------------------------------------------------------------------------------


def test_serials_go_on_from_order_to_order(plant: Plant) -> None:
    first, second = order(plant, "WO-1", quantity=2), order(plant, "WO-2", quantity=2, due=date(2026, 3, 9))
    assert (serials(first), serials(second)) == (["CB-001", "CB-002"], ["CB-003", "CB-004"])
    assert (second.quantity, second.due) == (2, date(2026, 3, 9))
    assert SerialRule.objects.get().next_number == 5


def test_what_is_taken_is_passed_over_and_the_entry_says_so(plant: Plant) -> None:
    other = order(plant, "WO-1", serials=["CB-002", "X-1"]).units.get(key="X-1")
    plant.do(replace_label, 6, unit=other, label="CB-004", reason="torn")
    assert serials(order(plant, "WO-2", quantity=4)) == ["CB-001", "CB-003", "CB-005", "CB-006"]
    assert '"passed_over":["CB-002","CB-004"]' in Event.objects.filter(verb="release_order").last().payload


def test_revisions_of_a_number_share_its_serials(plant: Plant) -> None:
    order(plant, "WO-1", quantity=1)
    new = plant.do(release_revision, 20, part=approved(plant.do(revise_part, 10, part=plant.board, revision="B")))
    assert serials(order(plant, "WO-2", 30, part=new, quantity=1)) == ["CB-002"]
    says = refused(plant, "order-refused", release_order, 31, key="W", part=plant.board, site=plant.site, quantity=1)
    assert says.message == f"CB-003 is to be built by {new.key}, released on 2 March 2026."


@pytest.mark.parametrize(
    ("day", "serial"),
    [
        # ISO 8601 counts these days to the week, and the year, of their Thursday: worked examples of its week dates.
        (date(2005, 1, 1), "A0453-07"),
        (date(2007, 1, 1), "A0701-07"),
        (date(2008, 12, 29), "A0901-07"),
        (date(2010, 1, 3), "A0953-07"),
    ],
)
def test_year_and_week_are_those_of_iso_8601(day: date, serial: str) -> None:
    assert make_serial("A{YY}{WW}-", 2, 7, day) == serial


def test_the_week_is_that_of_the_plants_day_and_the_number_goes_on(plant: Plant) -> None:
    plant.site.zone = "Pacific/Auckland"  # where it is Monday already while it is Sunday in UTC
    plant.site.save()
    plant.do(set_serial_rule, number="BOARD", prefix="{yy}{ww}-", digits=3)
    sunday = 6 * 24 * 60 + 8 * 60
    assert serials(order(plant, "WO-1", sunday - 24 * 60, quantity=1)) == ["2610-001"]
    assert serials(order(plant, "WO-2", sunday, quantity=1)) == ["2611-002"]


def test_rules_are_refused(plant: Plant) -> None:
    good = {"number": "BOARD", "prefix": "CB-", "digits": 3}
    for wrong in (
        {"number": "RES"},
        {"number": "NONE"},
        {"digits": 0},
        {"digits": 13},
        {"prefix": "-"},
        {"prefix": "C B"},
        {"prefix": "CB{MM}"},
        {"prefix": "X" * 31},
        {"next_number": 1000},
        {"next_number": -1},
    ):
        refused(plant, "serial-rule-refused", set_serial_rule, **{**good, **wrong})


def test_orders_are_refused(plant: Plant) -> None:
    good = {"key": "WO-1", "part": plant.board, "site": plant.site, "quantity": 2}
    for wrong, says in (
        ({"serials": ["X"]}, "It has serials and a quantity of 2 beside them."),
        ({"quantity": None}, "An order is for one unit or more."),
        ({"quantity": 0}, "An order is for 1 to 10000 units, not 0."),
        ({"quantity": 10_001}, "An order is for 1 to 10000 units, not 10001."),
        ({"quantity": 1000}, "The serials of BOARD end at CB-999."),
        ({"part": plant.product}, "PRODUCT has no serial rule."),
        ({"due": date(2026, 3, 1)}, "It would be due on 1 March 2026, before it is released."),
    ):
        assert refused(plant, "order-refused", release_order, 5, **{**good, **wrong}).message == says
    assert len(serials(order(plant, "WO-1", quantity=999))) == 999
    refused(plant, "order-refused", release_order, 6, **{**good, "key": "WO-2", "quantity": 1})


# Progress ------------------------------------------------------------------------------------------------------------


def test_an_order_says_where_its_units_are_and_who_passed_what(plant: Plant) -> None:
    made = order(plant, "WO-1", 0, quantity=9)
    idle, inside, failed, again, scrapped, finished, fitted, packed, shipped = made.units.order_by("pk")
    for minute, unit in enumerate((finished, fitted, packed, shipped), 1):
        plant.finish(unit, minute * 3)
    plant.do(start_pass, 20, unit=inside, station=plant.insertion)
    plant.run(failed, plant.insertion, 21, 22)
    plant.run(failed, plant.test, 23, 24, outcome="failed")
    plant.run(again, plant.insertion, 25, 26, outcome="failed")
    plant.run(again, plant.insertion, 27, 28)
    plant.run(scrapped, plant.insertion, 29, 30)
    plant.do(scrap_unit, 31, unit=scrapped, reason="cracked")
    (product,) = plant.products(1)
    plant.do(fit_child, 32, unit=product, designator="M1", child=fitted)
    customer = plant.do(define_customer, key="CUST", name="A customer")
    plant.do(pack_units, 33, carton="CT-1", units=[packed])
    carton = plant.carton([shipped], 33, "CT-2")
    shipment = plant.do(load_shipment, 34, shipment="SH-1", customer=customer, cartons=[carton])
    plant.do(send_shipment, 35, shipment=shipment)
    with CaptureQueriesContext(connection) as queries:
        progress = summarise_order(made)
    assert len(queries) == 3
    assert progress.states == {
        State.NOT_STARTED: 1, State.INSIDE: 1, State.BEGUN: 2, State.SCRAPPED: 1, State.FINISHED: 1, State.FITTED: 1,
        State.PACKED: 1, State.SHIPPED: 1,
    }  # fmt: skip
    assert (progress.through, progress.open) == (4, 4)
    insert, test = progress.stages
    assert (insert.done, insert.inside, insert.failed, insert.scrapped, insert.to_come) == (7, 1, 0, 0, 1)
    assert (test.done, test.inside, test.failed, test.scrapped, test.to_come) == (4, 0, 1, 1, 3)
    for stage in progress.stages:
        shares = {share: getattr(stage, share.name.lower()) for share in Share}
        assert sum(shares.values()) == made.quantity
        assert {share: list_at_stage(made, stage.number, share).count() for share in Share} == shares
    assert set(list_at_stage(made, 20, Share.FAILED)) == {failed}
    assert set(list_at_stage(made, 20, Share.SCRAPPED)) == {scrapped}
    counted = count_through(WorkOrder.objects.filter(pk=made.pk)).get()
    assert (counted.through, counted.scrapped) == (4, 1)


def test_of_alternatives_one_is_enough(plant: Plant) -> None:
    wave, hand = make_station("WAVE"), make_station("HAND")
    part = make_assembly("ALT", places={}, route={10: [wave], 20: [hand], 30: [plant.test]})
    Step.objects.filter(part=part, number__in=(10, 20)).update(alternative="SOLDER")
    first, second = plant.units(part, 2)
    plant.run(second, hand, 1, 2)
    solder, test = summarise_order(first.order).stages
    assert (solder.number, solder.name) == (10, "Step 10 or Step 20")
    assert (solder.done, solder.to_come, test.to_come) == (1, 1, 2)
    assert set(list_at_stage(first.order, 10, Share.DONE)) == {second}
    plant.run(second, plant.test, 3, 4)
    assert summarise_order(first.order).states == {State.NOT_STARTED: 1, State.FINISHED: 1}


def test_a_part_without_a_route_is_only_ordered(plant: Plant) -> None:
    bought = Part.objects.create(key="MOD", number="MOD", name="Module", serialised=True)
    (unit,) = plant.units(bought, 1)
    progress = summarise_order(unit.order)
    assert (progress.stages, progress.states, progress.open) == ((), {State.NOT_STARTED: 1}, 1)
    assert Unit.objects.get(pk=unit.pk).created and unit.order.released == moment()


# Closed and put off ---------------------------------------------------------------------------------------------------


def test_of_a_closed_order_no_unit_is_begun_and_those_on_their_way_go_on(plant: Plant) -> None:
    made = order(plant, "WO-1", quantity=2)
    begun, waiting = made.units.order_by("pk")
    plant.do(start_pass, 6, unit=begun, station=plant.insertion)
    told = {"order": made, "reason": "The customer took less."}
    refused(plant, "order-refused", close_order, 4, **told)
    refused(plant, "order-refused", close_order, 7, **{**told, "reason": " "})
    plant.do(close_order, 8, **told)
    assert "closed" in refused(plant, "order-refused", close_order, 9, **told).message
    assert list(made.units.filter(scrapped=None)) == [begun, waiting], "they stay"
    plant.do(finish_pass, 9, unit=begun)
    plant.do(start_pass, 10, unit=begun, station=plant.test)
    refusal = refused(plant, "stopped", start_pass, 11, unit=waiting, station=plant.insertion)
    assert [code for code, *_ in refusal.extra["refusals"]] == ["order-closed"]
    assert refusal.message == f"Stop. {waiting.key} was not begun, and its order WO-1 is closed."
    refused(plant, "order-refused", reschedule_order, 12, order=made, due=date(2026, 4, 1))
    refused(plant, "order-refused", reopen_order, 12, order=made, reason="")
    plant.do(reopen_order, 13, order=made, reason="Wanted after all.")
    refused(plant, "order-refused", reopen_order, 14, order=made, reason="Again.")
    plant.do(start_pass, 14, unit=waiting, station=plant.insertion)


def test_an_order_is_due_on_another_day(plant: Plant) -> None:
    made = order(plant, "WO-1", quantity=1, due=date(2026, 3, 9))
    refused(plant, "order-refused", reschedule_order, 6, order=made, due=date(2026, 3, 9))
    assert "is over" in refused(plant, "order-refused", reschedule_order, 6, order=made, due=date(2026, 3, 1)).message
    plant.do(reschedule_order, 7, order=made, due=date(2026, 3, 20))
    assert WorkOrder.objects.get().due == date(2026, 3, 20)
    assert '"before":"2026-03-09"' in Event.objects.get(verb="reschedule_order").payload
    plant.do(reschedule_order, 8, order=made)
    assert WorkOrder.objects.get().due is None
