"""What becomes of what a containment holds: decided together, carried out, released, and never before."""

from __future__ import annotations

from decimal import Decimal

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from tests.approvals.signing import quality, sign_as
from tests.containment.alarm import Alarm
from tests.factories import make_station, moment
from tests.floor.troubleshooting import stopped_by
from tests.refusals import refused
from trace.approvals.operations import sign
from trace.containment.holding import leave_out_used, say_used
from trace.containment.models import Clearing
from trace.containment.operations.decide import Group, clear_units, decide_contained, void_clearing
from trace.containment.operations.stop import release_contained
from trace.containment.population import reckon
from trace.core.clock import telling
from trace.engineering.models import Characteristic, Step
from trace.engineering.operations import define_fault_code
from trace.floor.models import Pass
from trace.floor.operations.cartons import open_carton
from trace.floor.operations.dispatch import send_shipment, unload_shipment, unpack_unit
from trace.floor.operations.faults import record_fault, record_repair
from trace.floor.operations.feeds import load_feed, splice_feed, take_off_feed
from trace.floor.operations.fittings import fit_child, fit_part, remove_part
from trace.floor.operations.orders import scrap_unit
from trace.floor.operations.pallets import unstack_carton
from trace.floor.operations.passes import start_pass
from trace.floor.operations.readings import record_readings
from trace.holds.gate import find_holds
from trace.holds.models import Decision, DispositionMember, Hold
from trace.holds.operations import decide_disposition, withdraw_disposition
from trace.holds.queries import find_dispositions, find_state, list_dispositions, list_dispositions_awaiting
from trace.holds.rules import Move
from trace.ledger.operation import Request, RequestReused
from trace.material.operations.inspection import reject_lot, return_lot

pytestmark = pytest.mark.django_db


def stopped() -> Alarm:
    alarm = Alarm()
    alarm.stop()
    return alarm


def members(disposition) -> set[str]:
    return {f"{kind} {key}" for kind, key in disposition.members.values_list("kind", "key")}


def test_a_group_is_what_of_it_is_held_then() -> None:
    alarm = stopped()
    certain = alarm.named(alarm.second, alarm.boxed, alarm.third, alarm.fourth)
    assert members(alarm.decide(group=Group.CERTAIN, decision="rework")) == certain
    assert members(alarm.decide(group=Group.POSSIBLE, decision="sort")) == alarm.named(alarm.blurred)
    assert members(alarm.decide(group=Group.UNITS, decision="scrap")) == certain | alarm.named(alarm.blurred)
    assert members(alarm.decide(group=Group.MATERIAL, decision="scrap")) == {"lot LOT-BAD"}
    one = alarm.decide(things=[alarm.third, alarm.bad.lot], decision="scrap")
    assert members(one) == {"lot LOT-BAD", *alarm.named(alarm.third)}
    for wrong in ({"things": [alarm.clean]}, {"things": [alarm.gone]}, {}):
        told = {"containment": alarm.containment, "decision": Decision.SCRAP, "reason": "x", **wrong}
        refused(alarm.plant, "containment-refused", decide_contained, **told)


def test_it_permits_once_another_has_signed_and_of_its_members_only() -> None:
    alarm = stopped()
    rework = alarm.decide(group=Group.CERTAIN, decision="rework", approved=False)
    assert [one.target_key for one in find_holds(Move.REPAIR, [alarm.third])] == [alarm.third.key]
    refusal = refused(alarm.plant, "sign-refused", sign, subject=rework, meaning="approved")  # Ann decided it
    assert "nobody approves their own" in refusal.message
    assert list_dispositions_awaiting(quality()) == [rework]
    sign_as(quality(), rework, 36)
    assert find_holds(Move.REPAIR, [alarm.third, alarm.second]) == []
    assert find_holds(Move.REPAIR, [alarm.blurred]) and find_holds(Move.SHIP, [alarm.third])
    assert list(list_dispositions("unit", alarm.third.key)) == [rework]


def test_who_joins_the_members_by_hand_makes_it_count_for_nobody_at_release() -> None:
    alarm = stopped()
    use = alarm.decide(things=[alarm.third], decision="use as is")
    assert find_state(use) == "in force"
    DispositionMember.objects.create(disposition=use, kind="unit", key=alarm.second.key)
    assert find_state(use) == "altered"
    told = {"containment": alarm.containment, "reason": "fine"}
    for unit in (alarm.second, alarm.third):
        refused(alarm.plant, "not-settled", release_contained, things=[unit], **told)


def test_a_later_decision_on_one_of_them_counts_for_that_one() -> None:
    alarm = stopped()
    rework = alarm.decide(35, group=Group.CERTAIN, decision="rework")
    with telling(moment(37)):
        scrap = alarm.plant.do(
            decide_disposition, 37, key="D-9", subject=alarm.third, decision=Decision.SCRAP, reason="burnt"
        )
    third, second = ("unit", alarm.third.key), ("unit", alarm.second.key)
    assert find_dispositions({third, second}) == {third: rework, second: rework}
    sign_as(quality(), scrap, 38)
    assert find_dispositions({third, second}) == {third: scrap, second: rework}
    assert (find_state(scrap), find_state(rework)) == ("in force", "in force")
    assert find_holds(Move.REPAIR, [alarm.third]) and not find_holds(Move.SCRAP, [alarm.third])
    # Withdrawn, it leaves the thing undecided: what was decided before does not come back by itself.
    alarm.plant.do(withdraw_disposition, 39, disposition=scrap, reason="not burnt")
    assert find_dispositions({third, second}) == {second: rework}
    assert find_holds(Move.REPAIR, [alarm.third])
    again = alarm.decide(40, group=Group.CERTAIN, decision="rework")
    assert find_dispositions({third, second}) == {third: again, second: again}
    assert find_state(rework) == "overtaken"


def test_a_draft_that_is_withdrawn_takes_nothing_away() -> None:
    alarm = stopped()
    rework = alarm.decide(35, group=Group.CERTAIN, decision="rework")
    draft = alarm.decide(36, things=[alarm.third], decision="scrap", approved=False)
    alarm.plant.do(withdraw_disposition, 37, disposition=draft, reason="a mistake")
    assert find_dispositions({("unit", alarm.third.key)}) == {("unit", alarm.third.key): rework}


def test_what_a_gate_asks_of_many_members_does_not_grow_with_them() -> None:
    alarm = stopped()
    few, many = [alarm.third], [alarm.second, alarm.boxed, alarm.third, alarm.fourth]
    alarm.decide(group=Group.CERTAIN, decision="rework")

    def count(units) -> int:
        with CaptureQueriesContext(connection) as queries:
            assert find_holds(Move.REPAIR, units) == []
        return len(queries)

    assert count(few) == count(many)


# Release -------------------------------------------------------------------------------------------------------------


def test_nothing_goes_before_its_disposition_is_done() -> None:
    alarm = stopped()
    told = {"containment": alarm.containment, "things": [alarm.third], "reason": "fine"}
    refusal = refused(alarm.plant, "not-settled", release_contained, **told)
    assert refusal.message == f"Unit {alarm.third.key} is suspect still, and no disposition counts of it."
    use = alarm.decide(things=[alarm.third], decision="use as is", approved=False)
    refused(alarm.plant, "not-settled", release_contained, **told)
    sign_as(quality(), use, 36)
    assert alarm.named(alarm.third).isdisjoint(alarm.release(alarm.third))
    refused(alarm.plant, "containment-refused", release_contained, **told)  # it holds it no more
    alarm.stop(55)
    assert alarm.named(alarm.third).isdisjoint(alarm.held())  # used as it is: nobody stops it again
    # Nor is anything to be paid for it any more.
    population = reckon(alarm.containment)
    left = leave_out_used(alarm.containment, population)
    assert {one.key for one in population.carriers} - {one.key for one in left.carriers} == {alarm.third.key}
    assert say_used(population, left) == "Not in it: 1 unit that was released to be used as it is."
    assert say_used(population, population) == ""


@pytest.mark.parametrize(
    ("decision", "words"),
    [
        ("rework", "is to be reworked ({}), and what is suspect is still in it."),
        ("scrap", "is to be scrapped ({}), and is on no record as scrapped."),
        ("sort", "is to be sorted ({}), and is not cleared by its test."),
    ],
)
def test_what_is_missing_is_said(decision, words) -> None:
    alarm = stopped()
    one = alarm.decide(things=[alarm.third], decision=decision)
    told = {"containment": alarm.containment, "things": [alarm.third], "reason": "fine"}
    refusal = refused(alarm.plant, "not-settled", release_contained, **told)
    assert refusal.message == f"Unit {alarm.third.key} {words.format(one.key)}"


def test_a_board_is_reworked_and_leaves_when_its_suspect_parts_are_out_and_only_then() -> None:
    alarm = stopped()
    plant, board = alarm.plant, alarm.third
    alarm.decide(things=[board], decision="rework")
    told = {"containment": alarm.containment, "things": [board], "reason": "reworked"}
    plant.do(remove_part, 40, unit=board, designator="R1", reason="suspect")
    plant.do(fit_part, 41, unit=board, designator="R1", container=alarm.good, reason="rework")
    refused(plant, "not-settled", release_contained, **told)  # R2 is of it, too
    plant.do(remove_part, 42, unit=board, designator="R2", reason="suspect")
    plant.do(fit_part, 43, unit=board, designator="R2", container=alarm.good, reason="rework")
    assert alarm.named(board).isdisjoint(alarm.release(board))
    plant.do(fit_child, 55, unit=plant.products()[0], designator="M1", child=board)


def test_packages_go_when_nothing_in_them_is_held() -> None:
    alarm = stopped()
    packages = {"carton CT-2", "pallet PAL", "shipment OPEN"}
    alarm.decide(things=[alarm.boxed, alarm.second], decision="use as is")
    told = {"containment": alarm.containment, "things": [alarm.carton], "reason": "fine"}
    refusal = refused(alarm.plant, "not-settled", release_contained, **told)
    assert refusal.message == "Carton CT-2: 2 things in it are suspect still, and not settled."
    still = alarm.release(alarm.boxed, minute=40)
    assert packages <= still
    assert packages.isdisjoint(alarm.release(minute=41))  # all that may go
    assert alarm.plant.do(send_shipment, 42, shipment=alarm.shipment).departed


def test_a_package_may_go_by_a_disposition_of_its_own() -> None:
    alarm = stopped()
    alarm.decide(things=[alarm.carton], decision="use as is")
    assert "carton CT-2" not in alarm.release(alarm.carton)
    refused(alarm.plant, "held", send_shipment, shipment=alarm.shipment)


def test_what_is_scrapped_goes_with_its_disposition() -> None:
    alarm = stopped()
    refused(alarm.plant, "held", scrap_unit, unit=alarm.third, reason="suspect")
    alarm.decide(things=[alarm.third], decision="scrap")
    alarm.plant.do(scrap_unit, 40, unit=alarm.third, reason="suspect")
    assert alarm.named(alarm.third).isdisjoint(alarm.release())


def test_a_lot_goes_back_to_its_supplier() -> None:
    alarm = Alarm()
    plant = alarm.plant
    alarm.stop()
    alarm.decide(group=Group.MATERIAL, decision="return to supplier")
    plant.do(reject_lot, 40, lot=alarm.bad.lot, evidence="drifts")
    plant.do(return_lot, 41, lot=alarm.bad.lot, evidence="their note 5")
    assert "lot LOT-BAD" not in alarm.release()


def test_a_release_is_all_or_nothing() -> None:
    alarm = stopped()
    alarm.decide(things=[alarm.third], decision="use as is")
    told = {"containment": alarm.containment, "reason": "fine"}
    refusal = refused(alarm.plant, "not-settled", release_contained, things=[alarm.third, alarm.second], **told)
    assert refusal.message.startswith(f"Unit {alarm.second.key}")
    refused(
        alarm.plant,
        "containment-refused",
        release_contained,
        things=[alarm.third],
        containment=alarm.containment,
        reason=" ",
    )


def test_a_request_that_comes_again_releases_once_and_none_of_another_kind() -> None:
    alarm = stopped()
    alarm.decide(things=[alarm.third], decision="use as is")
    told = {"things": [alarm.third], "reason": "fine", "request": Request("t", "1")}
    alarm.do(release_contained, 50, **told)
    alarm.do(release_contained, 50, **told)
    with pytest.raises(RequestReused):
        alarm.do(release_contained, 50, **{**told, "things": [alarm.second]})
    assert Hold.objects.exclude(released=None).count() == 1


def test_what_was_put_into_another_before_the_stop_stops_that() -> None:
    alarm = Alarm()
    (product,) = alarm.plant.products()
    alarm.plant.do(fit_child, 30, unit=product, designator="M1", child=alarm.third)
    alarm.stop()
    assert alarm.named(product, alarm.third) <= alarm.held()
    refusal = refused(alarm.plant, "stopped", start_pass, unit=product, station=alarm.plant.final)
    assert stopped_by(refusal) == ["held"]


# Sorted by a test ----------------------------------------------------------------------------------------------------


def test_units_are_cleared_by_a_sort_test_that_they_passed() -> None:
    alarm = stopped()
    plant, board = alarm.plant, alarm.blurred
    step = Step.objects.get(part=plant.board, number=20)
    told = {"containment": alarm.containment, "units": [board], "evidence": "tested hot", "step": step}
    refusal = refused(plant, "sort-refused", clear_units, **told)
    assert "not to be sorted" in refusal.message
    alarm.decide(things=[board], decision="sort")
    refusal = refused(plant, "sort-refused", clear_units, **told)
    assert "was not tested since it was held: step 20" in refusal.message
    plant.run(board, plant.test, 40, 41, outcome=Pass.Outcome.FAILED)
    refusal = refused(plant, "sort-refused", clear_units, **told)
    assert "did not pass when it was tested last" in refusal.message
    plant.run(board, plant.test, 42, 43)
    refused(plant, "containment-refused", clear_units, **{**told, "evidence": ""})
    refused(plant, "sort-refused", clear_units, **{**told, "units": [board, alarm.third]})
    (clearing,) = alarm.do(clear_units, 45, units=[board], evidence="tested hot", step=step)
    refused(plant, "sort-refused", clear_units, **told)
    assert alarm.named(board).isdisjoint(alarm.release(board))
    # Cleared wrongly: it is of the population again, and the next stop holds it.
    refused(plant, "containment-refused", void_clearing, clearing=clearing, reason="")
    plant.do(void_clearing, 55, clearing=clearing, reason="the oven was cold")
    refused(plant, "containment-refused", void_clearing, clearing=clearing, reason="again")
    assert not Clearing.objects.filter(superseded=None).exists()
    alarm.stop(60)
    assert alarm.named(board) <= alarm.held()


def test_what_was_tested_before_the_stop_proves_nothing() -> None:
    alarm = Alarm()
    alarm.plant.run(alarm.blurred, alarm.plant.test, 29, 29.5)
    alarm.stop()
    alarm.decide(things=[alarm.blurred], decision="sort")
    step = Step.objects.get(part=alarm.plant.board, number=20)
    told = {"containment": alarm.containment, "units": [alarm.blurred], "evidence": "tested", "step": step}
    refusal = refused(alarm.plant, "sort-refused", clear_units, **told)
    assert "was not tested since" in refusal.message
    assert alarm.do(clear_units, units=[alarm.blurred], evidence="X-rayed, report 12")


def test_what_was_measured_last_since_the_stop_decides() -> None:
    alarm = Alarm()
    plant, board = alarm.plant, alarm.blurred
    told = {"part": plant.board, "step_number": 20, "number": 1, "name": "Drift", "unit_of_measure": "mV"}
    drift = Characteristic.objects.create(**told, upper=Decimal(20))
    alarm.stop()
    alarm.decide(things=[board], decision="sort")
    told = {"containment": alarm.containment, "units": [board], "evidence": "measured hot", "characteristic": drift}
    plant.do(start_pass, 40, unit=board, station=plant.test)
    refusal = refused(plant, "sort-refused", clear_units, **told)
    assert "was not tested since it was held: Drift" in refusal.message
    measured = {"unit": board, "station": plant.test}
    plant.do(record_readings, 41, readings={"Drift": "25 mV"}, **measured)
    refusal = refused(plant, "sort-refused", clear_units, **told)
    assert "did not pass when it was tested last: Drift" in refusal.message
    plant.do(record_readings, 42, readings={"Drift": "5 mV"}, **measured)
    assert len(plant.do(clear_units, 50, **told)) == 1


def test_what_is_finished_is_sent_back_to_the_test_that_sorts_it_and_nothing_is_replaced() -> None:
    alarm = Alarm()
    plant, board = alarm.plant, alarm.third
    code = plant.do(define_fault_code, key="DRIFT", name="value out of limits")
    bench, step = make_station("BENCH", repairs=True), Step.objects.get(part=plant.board, number=20)
    alarm.stop()
    again = {"unit": board, "station": plant.test}
    refusal = refused(plant, "stopped", start_pass, 33, **again)
    assert "has no step left on its route. To be tested again it is first sent back" in refusal.message
    fault = plant.do(record_fault, 34, unit=board, fault_code=code)
    told = {"unit": board, "faults": [fault], "station": bench}
    sent_back = {"action": "no fault found", "returns": step}
    refused(plant, "held", record_repair, 34, **told, **sent_back)
    alarm.decide(things=[board], decision="sort")
    spare = {"action": "replaced", "designator": "R1", "container": plant.reel("SPARE")}
    refused(plant, "held", record_repair, 36, **told, **spare)
    plant.do(record_repair, 36, **told, **sent_back)
    plant.run(board, plant.test, 40, 41)
    cleared = {"containment": alarm.containment, "units": [board], "evidence": "tested hot", "step": step}
    assert len(plant.do(clear_units, 50, **cleared)) == 1
    assert f"unit {board.key}" not in alarm.release(board, minute=51)


def test_what_is_to_be_reworked_is_kept_when_what_it_is_in_is_scrapped() -> None:
    alarm = Alarm()
    plant, product, board = alarm.plant, alarm.boxed, alarm.second
    alarm.stop()
    plant.do(unload_shipment, 32, shipment=alarm.shipment, pallets=[alarm.pallet], reason="suspect")
    plant.do(unstack_carton, 32, carton=alarm.carton, reason="suspect")
    plant.do(open_carton, 32, carton=alarm.carton, reason="suspect")
    plant.do(unpack_unit, 32, unit=product, reason="suspect")
    alarm.decide(33, things=[product], decision="scrap")
    told = {"unit": product, "reason": "not worth it"}
    kept = {"salvage": {"M1": ""}}
    assert board.key in refused(plant, "held", scrap_unit, 34, **told, **kept).message
    alarm.decide(35, things=[board], decision="rework")
    assert board.key in refused(plant, "held", scrap_unit, 36, **told).message
    plant.do(scrap_unit, 37, **told, **kept)
    assert f"unit {board.key}" in alarm.held()


# What comes of what is held ------------------------------------------------------------------------------------------


def test_what_comes_off_a_feed_is_held_under_the_containment_too() -> None:
    alarm = Alarm()
    plant = alarm.plant
    plant.do(load_feed, 28, feed=plant.slot_r, container=alarm.bad)
    plant.do(splice_feed, 29, feed=plant.slot_r, container=alarm.good, lead=10, tolerance=2)
    alarm.stop()
    with telling(moment(40)):
        rest = plant.do(take_off_feed, 40, feed=plant.slot_r, label="REST")
    assert "container REST" in alarm.held()
    told = {"containment": alarm.containment, "things": [rest], "reason": "looked"}
    refused(plant, "not-settled", release_contained, **told)
    alarm.decide(45, things=[rest], decision="use as is")
    assert "container REST" not in alarm.release(rest)
