"""How far a containment has come: found, compared, clean from where on, over."""

from __future__ import annotations

from decimal import Decimal

import pytest

from tests.approvals.signing import quality, sign_as
from tests.containment.alarm import Alarm
from tests.factories import moment
from tests.refusals import refused
from trace.containment.compared import Change, compare_snapshots, list_changes, list_news
from trace.containment.models import CleanPoint, ContainmentRate, Outcome, Reconciliation
from trace.containment.operations.alarms import add_term, close_containment
from trace.containment.operations.decide import clear_units
from trace.containment.operations.notices import send_notice, write_notice
from trace.containment.operations.progress import declare_clean_point, reconcile, set_rate
from trace.containment.operations.snapshots import take_snapshot
from trace.containment.operations.stop import release_contained
from trace.containment.population import reckon
from trace.containment.progress import NO_PLACE, NOT_LOOKED_FOR, propose_clean_point, summarise_progress
from trace.containment.terms import Told
from trace.floor.operations.dispatch import unload_shipment
from trace.floor.operations.fittings import fit_child
from trace.floor.operations.orders import scrap_unit
from trace.floor.operations.passes import finish_pass
from trace.holds.rules import Move

pytestmark = pytest.mark.django_db


def test_what_came_of_looking_for_a_thing_stands_until_somebody_says_otherwise() -> None:
    alarm = Alarm()
    told = {"containment": alarm.containment, "thing": alarm.third}
    refused(alarm.plant, "containment-refused", reconcile, outcome=Outcome.NOT_FOUND, **told)  # not stopped yet
    alarm.stop()
    refused(alarm.plant, "containment-refused", reconcile, outcome=Outcome.SEGREGATED, **told)
    refused(alarm.plant, "containment-refused", reconcile, **{**told, "thing": alarm.clean}, outcome=Outcome.NOT_FOUND)
    alarm.do(reconcile, 40, thing=alarm.third, outcome=Outcome.NOT_FOUND, place="rack 3")
    alarm.do(reconcile, 45, thing=alarm.third, outcome=Outcome.SEGREGATED, place="cage 2")
    alarm.do(reconcile, 45, thing=alarm.gone, outcome=Outcome.SHIPPED)
    rows = Reconciliation.objects.order_by("pk").values_list("target_key", "outcome", "superseded")
    assert [(key, outcome, ended is not None) for key, outcome, ended in rows] == [
        (alarm.third.key, "not found", True),
        (alarm.third.key, "segregated", False),
        (alarm.gone.key, "shipped", False),
    ]


def test_progress_counts_each_group() -> None:
    alarm = Alarm()
    alarm.stop()
    alarm.do(reconcile, 40, thing=alarm.third, outcome=Outcome.SEGREGATED, place="cage 2")
    alarm.do(reconcile, 40, thing=alarm.fourth, outcome=Outcome.NOT_FOUND)
    alarm.decide(35, things=[alarm.second], decision="rework")
    alarm.decide(36, things=[alarm.boxed], decision="use as is", approved=False)
    alarm.decide(36, things=[alarm.third], decision="scrap")
    alarm.plant.do(scrap_unit, 42, unit=alarm.third, reason="suspect")
    progress = summarise_progress(alarm.containment)
    certain, possible = progress.groups["certain"], progress.groups["possible"]
    assert (certain.held, certain.decided, certain.waiting, certain.worked, certain.done) == (4, 2, 1, 1, 1)
    assert certain.outcomes == {"segregated": 1, "not found": 1, NOT_LOOKED_FOR: 2}
    assert (certain.to_do, certain.not_found) == (3, 3)
    assert (possible.held, possible.decided, possible.done) == (1, 0, 0)
    assert possible.oldest == ("unit", alarm.blurred.key)
    assert (possible.oldest_since, possible.oldest_place) == (moment(31), "waiting after step 10")
    assert (progress.groups["material"].held, progress.groups["packages"].held) == (1, 3)
    assert progress.places["at TEST"] == 1 and progress.places["packed"] == 2
    assert sum(progress.places.values()) == progress.to_do == 8
    assert progress.places["the lot itself"] == progress.places["the pallet itself"] == 1
    assert NO_PLACE not in progress.places


def test_what_is_done_is_looked_for_no_more_and_places_are_as_reckoned() -> None:
    alarm = Alarm()
    alarm.stop(permits=[Move.FINISH])
    alarm.decide(35, things=[alarm.third], decision="use as is")
    alarm.release(alarm.third)
    certain = summarise_progress(alarm.containment).groups["certain"]
    assert (certain.outcomes, certain.not_found, certain.to_do) == ({NOT_LOOKED_FOR: 3}, 3, 3)
    alarm.plant.do(finish_pass, 60, unit=alarm.fourth)
    assert summarise_progress(alarm.containment).places["at TEST"] == 1  # as it was when it was stopped
    assert summarise_progress(alarm.containment, reckon(alarm.containment)).places["at TEST"] == 0


def test_what_was_certain_is_counted_as_that_when_a_later_snapshot_has_it_cleared() -> None:
    """A unit is cleared once its suspect parts are out: it was held as a certain one, and is done as that."""
    alarm = Alarm()
    alarm.stop()
    alarm.decide(things=[alarm.third], decision="sort")
    alarm.do(clear_units, 40, units=[alarm.third], evidence="lens")
    before = {name: group.held for name, group in summarise_progress(alarm.containment).groups.items()}
    alarm.do(take_snapshot, 41)
    assert {name: group.held for name, group in summarise_progress(alarm.containment).groups.items()} == before
    assert before["certain"] == 4


def test_two_snapshots_differ_by_what_is_new_gone_moved_and_judged_otherwise() -> None:
    alarm = Alarm()
    plant = alarm.plant
    one = alarm.do(take_snapshot, 30)
    (product,) = plant.products()
    plant.do(fit_child, 31, unit=product, designator="M1", child=alarm.third)
    plant.do(unload_shipment, 31, shipment=alarm.shipment, pallets=[alarm.pallet], reason="to look")
    plant.do(scrap_unit, 31, unit=alarm.blurred, reason="burnt")
    news = list_news(alarm.containment)
    assert {carrier.key for carrier in news.new} == {product.key}
    assert {carrier.key for carrier in news.moved} >= {alarm.third.key, alarm.blurred.key}
    other = alarm.stop(32)
    assert compare_snapshots(one, other) == {Change.NEW: 1, Change.GONE: 0, Change.MOVED: 4, Change.SURENESS: 0}
    (new,) = list_changes(one, other, Change.NEW)
    assert (new.key, new.sureness_was, new.sureness_now, new.place_now) == (product.key, None, "certain", "waiting")
    moved = list_changes(one, other, Change.MOVED)
    assert {row.key for row in moved} == {alarm.third.key, alarm.blurred.key, alarm.boxed.key, alarm.second.key}
    assert [row.key for row in moved] == sorted(row.key for row in moved)
    page = list_changes(one, other, Change.MOVED, after=moved[1].key, most=1)
    assert page == moved[2:3]
    back = compare_snapshots(other, one)
    assert (back[Change.GONE], back[Change.NEW], back[Change.MOVED]) == (1, 0, 4)
    assert not list_news(alarm.containment)


def test_what_carries_it_and_is_not_held_is_news() -> None:
    alarm = Alarm()
    alarm.stop()
    alarm.do(add_term, 36, joined="any", told=Told("container", "GOOD"))
    news = list_news(alarm.containment)
    assert {key for kind, key in news.unheld if kind == "unit"} == {alarm.clean.key, alarm.free.key}
    assert {carrier.key for carrier in news.judged} == {alarm.blurred.key}  # of either reel: certain now
    alarm.stop(40)
    assert not list_news(alarm.containment)
    one, other = alarm.containment.snapshots.order_by("number")
    assert compare_snapshots(one, other)[Change.SURENESS] == 1


# Clean from where on -------------------------------------------------------------------------------------------------


def test_the_clean_point_is_behind_the_last_that_carries_it() -> None:
    alarm = Alarm()
    plant = alarm.plant
    proposed = propose_clean_point(reckon(alarm.containment), plant.board)
    assert proposed == alarm.clean
    told = {"containment": alarm.containment, "reason": "changed to GOOD"}
    for unit in (alarm.first, alarm.blurred):
        refusal = refused(plant, "containment-refused", declare_clean_point, unit=unit, **told)
        assert refusal.action == f"Name a later unit: the first by the record is {alarm.clean.key}."
    refused(plant, "containment-refused", declare_clean_point, unit=alarm.clean, **{**told, "reason": ""})
    first = alarm.do(declare_clean_point, unit=alarm.clean, reason="changed to GOOD")
    (later,) = plant.boards(minute=45)
    second = alarm.do(declare_clean_point, unit=later, reason="to be sure")
    product = alarm.do(declare_clean_point, unit=alarm.free, reason="changed to GOOD")
    assert set(CleanPoint.objects.filter(superseded=None)) == {second, product}
    assert first in CleanPoint.objects.exclude(superseded=None)
    assert propose_clean_point(reckon(alarm.containment), plant.resistor) is None


def test_a_rate_takes_the_place_of_the_former() -> None:
    alarm = Alarm()
    for value in (Decimal("1.5"), Decimal("2")):
        alarm.do(set_rate, name="minutes to sort a unit", value=value, reason="timed")
    assert [rate.value for rate in ContainmentRate.objects.filter(superseded=None)] == [Decimal(2)]
    for wrong in ({"value": Decimal(-1)}, {"name": " "}, {"value": Decimal("0.0000001")}, {"value": Decimal(10) ** 12}):
        told = {"name": "x", "value": Decimal(1), **wrong}
        refused(alarm.plant, "containment-refused", set_rate, containment=alarm.containment, **told)


# Over ----------------------------------------------------------------------------------------------------------------


def test_it_is_over_when_nothing_is_open_or_what_is_has_its_reason() -> None:
    alarm = Alarm()
    plant = alarm.plant
    told = {"containment": alarm.containment, "reason": "all done"}
    refusal = refused(plant, "containment-refused", close_containment, **told)
    assert "is in the population and not held" in refusal.message
    alarm.stop()
    refused(plant, "containment-refused", close_containment, **told)
    everything = [alarm.second, alarm.boxed, alarm.third, alarm.blurred]
    alarm.decide(35, things=everything, decision="use as is")
    alarm.decide(35, things=[alarm.bad.lot], decision="scrap")
    alarm.release(minute=40)
    refusal = refused(plant, "containment-refused", close_containment, **told)
    assert refusal.message.endswith(" 1 more is left open.")
    assert refusal.extra["open"] == [
        f"Unit {alarm.fourth.key} is held still.",
        "No notice of 1 unit shipped to CUST has gone out.",
    ]
    notice = alarm.do(write_notice, 41, customer=alarm.customer, text="Please put these aside.")
    sign_as(quality(), notice, 42)
    plant.do(send_notice, 43, notice=notice, how="by letter")
    refused(plant, "containment-refused", close_containment, **told, open_points="One is lost.")
    left = f"Unit {alarm.fourth.key} was not found; it stays held."
    refused(plant, "containment-refused", close_containment, 29, **told, open_points=left)
    closed = alarm.do(close_containment, 60, reason="all done", open_points=left)
    assert (closed.close_reason, closed.open_points) == ("all done", left)
    refused(plant, "containment-refused", close_containment, **told)
    refused(plant, "containment-refused", add_term, containment=closed, joined="any", told=Told("container", "GOOD"))
    refused(plant, "not-settled", release_contained, containment=closed, things=[alarm.fourth], reason="found")
