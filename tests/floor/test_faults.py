"""Troubleshooting: faults, causes, repairs, going back on the route."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest

from tests.approvals.signing import quality, sign_as
from tests.factories import make_person, moment, ticks
from tests.floor.troubleshooting import Trouble, stopped_by
from tests.genealogy.asking import lots_of
from tests.refusals import refused
from trace.containment.operations.alarms import add_term, open_containment
from trace.containment.operations.decide import decide_contained
from trace.containment.operations.stop import stop_containment
from trace.containment.terms import Told
from trace.core.permissions import NotPermitted, Role
from trace.engineering.models import Characteristic, FaultCode, Step
from trace.engineering.operations import amend_record
from trace.floor.faults import list_open_faults
from trace.floor.models import Diagnosis, Fault, Fitting, Pass, Repair, Salvage
from trace.floor.operations.dispatch import pack_units
from trace.floor.operations.faults import diagnose_fault, record_fault, record_repair, void_fault, void_repair
from trace.floor.operations.fittings import fit_child, fit_part
from trace.floor.operations.orders import scrap_unit
from trace.floor.operations.passes import finish_pass, record_passes, start_pass
from trace.floor.operations.readings import record_readings
from trace.floor.progress import Share, list_at_stage, summarise_order
from trace.floor.queries import find_due_step
from trace.floor.waiting import list_waiting
from trace.genealogy.known import as_known
from trace.genealogy.whereabouts import find_whereabouts
from trace.holds.operations import place_holds

pytestmark = pytest.mark.django_db


@pytest.fixture
def trouble() -> Trouble:
    return Trouble()


# Faults and causes ----------------------------------------------------------------------------------------------------


def test_a_fault_is_of_the_visit_in_which_it_was_found(trouble: Trouble) -> None:
    board = trouble.failed()
    fault = trouble.find(board, designator="r1", remark="seen under the lamp")
    assert (fault.step, fault.station, fault.designator) == (trouble.test, trouble.plant.test, "R1")
    assert (fault.found, fault.words) == (ticks(20), "solder bridge at R1")
    elsewhere = trouble.find(board, 21, fault_code=trouble.drift, station=trouble.repair)
    assert (elsewhere.step, elsewhere.station) == (None, trouble.repair)


def test_a_unit_with_an_open_fault_goes_on_at_no_step_until_it_is_answered(trouble: Trouble) -> None:
    plant, board = trouble.plant, trouble.failed()
    assert [one.unit for one in list_waiting(plant.test)] == [board]
    fault = trouble.find(board)
    refusal = refused(plant, "stopped", start_pass, 22, unit=board, station=plant.test)
    assert stopped_by(refusal) == ["fault-open"]
    assert refusal.message == f"Stop. {board.key} has an open fault: solder bridge."
    assert list_waiting(plant.test) == []
    trouble.mend(fault, action="no fault found")
    assert list_open_faults([board]) == {}
    assert plant.run(board, plant.test, 30, 31).outcome == "passed"


def test_where_the_scan_comes_after_the_work_its_draws_stand_and_it_has_not_passed(trouble: Trouble) -> None:
    plant, board = trouble.plant, trouble.failed()
    trouble.find(board)
    (entry,) = plant.do(record_passes, 40, units=[board], station=plant.test, entered=moment(39))
    assert (entry.outcome, entry.stopped[0].extra["rule"]) == ("aborted", "fault-open")


def test_a_unit_with_an_open_fault_is_neither_fitted_nor_packed(trouble: Trouble) -> None:
    plant = trouble.plant
    board = plant.finish(plant.boards(1, minute=2)[0], 3)
    (product,) = plant.products(1)
    trouble.find(board)
    refusal = refused(plant, "fitting-refused", fit_child, 30, unit=product, designator="M1", child=board)
    assert refusal.message == f"{board.key} has an open fault: solder bridge."
    refused(plant, "dispatch-refused", pack_units, 30, carton="CT-9", units=[board])


def test_a_later_diagnosis_supersedes_an_earlier_one(trouble: Trouble) -> None:
    fault = trouble.find(trouble.failed())
    trouble.diagnose(fault)
    last = trouble.diagnose(fault, 24, cause=trouble.part, step=trouble.insert, remark="measured")
    assert list(Diagnosis.objects.filter(fault=fault, superseded=None)) == [last]
    assert (last.cause, last.step) == (trouble.part, trouble.insert)


@pytest.mark.parametrize(
    ("told", "says"),
    [
        ({"designator": "R9"}, "BOARD has no designator R9."),
        ({"minute": 0}, "was made after that moment"),
        ({"fault_code": "retired"}, "Fault code BRIDGE is retired."),
        ({"unit": "new"}, "was at no station by then"),
        ({"unit": "scrapped"}, "was scrapped"),
        ({"again": True}, "this fault is on record already"),
        ({"again": True, "minute": 20.5}, "this fault is on record already"),
    ],
)
def test_faults_that_are_refused(trouble: Trouble, told: dict[str, Any], says: str) -> None:
    plant, board = trouble.plant, trouble.failed()
    told = {"unit": board, "fault_code": trouble.bridge, "minute": 20, **told}
    if told.pop("again", False):
        trouble.find(board)
    if told["fault_code"] == "retired":
        plant.do(amend_record, 19, record=trouble.bridge, changes={"retired": "True"})
        told["fault_code"] = FaultCode.objects.get(key="BRIDGE")
    if told["unit"] == "new":
        (told["unit"],) = plant.boards(1)
    if told["unit"] == "scrapped":
        told["unit"] = plant.do(scrap_unit, 18, unit=board, reason="cracked")
    assert says in refused(plant, "fault-refused", record_fault, told.pop("minute"), **told).message


def test_causes_that_are_refused(trouble: Trouble) -> None:
    plant, fault = trouble.plant, trouble.find(trouble.failed())
    other = Step.objects.get(part=plant.product)
    refused(plant, "fault-refused", diagnose_fault, 22, fault=fault, cause=trouble.wave, step=other)
    refused(plant, "fault-refused", diagnose_fault, 15, fault=fault, cause=trouble.wave)
    plant.do(void_fault, 23, fault=fault, reason="another board")
    refused(plant, "fault-refused", diagnose_fault, 24, fault=fault, cause=trouble.wave)


# Repairs --------------------------------------------------------------------------------------------------------------


def test_a_replaced_part_is_on_record_with_its_repair(trouble: Trouble) -> None:
    board = trouble.failed()
    fault = trouble.find(board, fault_code=trouble.drift, designator="R1")
    repair = trouble.mend(
        fault, action="replaced", designator="R1", container=trouble.spare, keep="OLD-R1", minutes=Decimal("7.5")
    )
    (fitting,) = Fitting.objects.filter(unit=board, superseded=None)
    assert (fitting.container, fitting.since) == (trouble.spare, repair.at)
    assert fitting.reason == "repair: value out of limits at R1"
    salvage = Salvage.objects.get()
    assert (salvage.designator, salvage.result.key) == ("R1", "OLD-R1")
    assert list(repair.faults.all()) == [fault]
    assert (lots_of(board)["R1"], lots_of(board)["R2"]) == ({"LOT-SPARE"}, {"LOT-REEL"})


def test_a_child_is_replaced_by_another_at_once(trouble: Trouble) -> None:
    plant = trouble.plant
    old, new = (plant.finish(board, 3 + 3 * n) for n, board in enumerate(plant.boards(2, minute=2)))
    (product,) = plant.products(1)
    plant.do(start_pass, 12, unit=product, station=plant.final)
    plant.do(fit_child, 13, unit=product, designator="M1", child=old)
    fault = trouble.find(product, 14, fault_code=trouble.drift, designator="M1")
    refusal = refused(
        plant, "fault-refused", record_repair, 15, unit=product, faults=[fault], action="replaced",
        designator="M1", child=new,
    )  # fmt: skip
    assert refusal.message == f"{product.key} is inside FINAL."
    plant.do(finish_pass, 16, unit=product, outcome="failed")
    trouble.mend(fault, 17, action="replaced", designator="M1", child=new)
    held = Fitting.objects.filter(unit=product, designator="M1", superseded=None).order_by("since", "pk")
    assert [(one.child, one.until) for one in held] == [(old, ticks(17)), (new, None)]


@pytest.mark.parametrize(
    ("told", "says"),
    [
        ({"faults": []}, "Say which fault it answers."),
        ({"minutes": Decimal(-1)}, "is no number of minutes"),
        ({"minutes": Decimal("1.234")}, "is no number of minutes"),
        ({"action": "replaced"}, "Say which designator it was"),
        ({"action": "replaced", "designator": "R1"}, "Say which designator it was"),
        ({"container": "SPARE"}, "Nothing is replaced where it is “resoldered”."),
        ({"keep": "OLD"}, "Nothing is replaced where it is “resoldered”."),
        ({"minute": 19}, "was found after that moment"),
        ({"returns": "other"}, "is not on the route"),
    ],
)
def test_repairs_that_are_refused(trouble: Trouble, told: dict[str, Any], says: str) -> None:
    plant, board = trouble.plant, trouble.failed()
    fault = trouble.find(board)
    told = {"unit": board, "faults": [fault], "action": "resoldered", "minute": 25, **told}
    if "container" in told:
        told["container"] = trouble.spare
    if "returns" in told:
        told["returns"] = Step.objects.get(part=plant.product)
    assert says in refused(plant, "fault-refused", record_repair, told.pop("minute"), **told).message


def test_another_units_fault_and_a_step_it_did_not_come_to_are_refused(trouble: Trouble) -> None:
    plant, board = trouble.plant, trouble.failed()
    theirs = trouble.find(trouble.failed(15))
    told = {"unit": board, "action": "adjusted"}
    assert "was not found in" in refused(plant, "fault-refused", record_repair, faults=[theirs], **told).message
    (early,) = plant.boards(1)
    plant.run(early, plant.insertion, 30, 31, outcome="failed")
    fault = trouble.find(early, 32)
    told = {"unit": early, "faults": [fault], "action": "adjusted", "returns": trouble.test}
    assert "did not come to step 20" in refused(plant, "fault-refused", record_repair, 33, **told).message


def test_a_held_unit_is_repaired_only_as_its_disposition_permits(trouble: Trouble) -> None:
    plant, board = trouble.plant, trouble.failed()
    fault = trouble.find(board)
    plant.do(place_holds, 21, targets=[board], reason="Under review.")
    told = {"unit": board, "faults": [fault], "action": "resoldered"}
    refused(plant, "held", record_repair, 25, **told)
    trouble.decide(board, 30, "scrap")
    refused(plant, "held", record_repair, 35, **told)
    trouble.decide(board, 40, "repair")
    plant.do(record_repair, 45, **told)


# Going back -----------------------------------------------------------------------------------------------------------


def test_from_the_return_step_on_every_step_is_due_again_and_draws_stand(trouble: Trouble) -> None:
    plant, board = trouble.plant, trouble.failed()
    assert lots_of(board)["R1"] == {"LOT-REEL"}
    fault = trouble.find(board)
    known = ticks(24)
    trouble.mend(fault, returns=trouble.insert)
    assert find_due_step(board) == trouble.insert
    assert lots_of(board)["R1"] == {"LOT-REEL"}
    place = find_whereabouts([board.pk], ticks(26))[board.pk]
    assert (place.step, place.begun) == (0, True)
    assert find_whereabouts([board.pk], known)[board.pk].step == 10
    progress = summarise_order(board.order)
    assert [(stage.number, stage.done) for stage in progress.stages] == [(10, 0), (20, 0)]
    assert list(list_at_stage(board.order, 10, Share.TO_COME)) == [board]
    assert [one.unit for one in list_waiting(plant.insertion)] == [board]
    again = plant.run(board, plant.insertion, 30, 31)
    assert again.drew == Pass.Drew.UNSURE
    assert plant.run(board, plant.test, 32, 33).outcome == "passed"
    assert find_due_step(board) is None


def test_as_known_before_it_was_sent_back_it_had_passed(trouble: Trouble) -> None:
    board = trouble.plant.finish(trouble.plant.boards(1, minute=2)[0], 3)
    fault = trouble.find(board)
    known = Fault.objects.get().recorded
    trouble.mend(fault, 20, returns=trouble.test)
    assert str(find_whereabouts([board.pk], ticks(30))[board.pk].kind) == "waiting"
    with as_known(known):
        assert str(find_whereabouts([board.pk], ticks(30))[board.pk].kind) == "finished"


def test_a_voided_repair_opens_its_faults_and_takes_back_what_was_due_again(trouble: Trouble) -> None:
    plant, board = trouble.plant, trouble.failed()
    fault = trouble.find(board)
    refused(plant, "correction-refused", void_fault, fault=fault, reason="")
    repair = trouble.mend(fault, returns=trouble.insert)
    assert "answered" in refused(plant, "fault-refused", void_fault, fault=fault, reason="wrong").message
    plant.do(void_repair, 40, repair=repair, reason="it was another board")
    assert find_due_step(board) == trouble.test
    assert list_open_faults([board])[board.pk] == [fault]
    refused(plant, "correction-refused", void_repair, repair=repair, reason="again")
    plant.do(void_fault, 41, fault=fault, reason="it was another board")
    assert plant.run(board, plant.test, 50, 51).outcome == "passed"


def test_who_only_handles_material_repairs_nothing_and_quality_finds_but_does_not_mend(trouble: Trouble) -> None:
    board = trouble.failed()
    handler, engineer = make_person(roles=[Role.HANDLER]), make_person(roles=[Role.QUALITY])
    with pytest.raises(NotPermitted):
        trouble.find(board, by=handler)
    fault = trouble.find(board, by=engineer)
    with pytest.raises(NotPermitted):
        trouble.mend(fault, by=engineer)
    assert not Repair.objects.exists()


# Past the limit -------------------------------------------------------------------------------------------------------


def test_past_the_limit_a_signed_disposition_lets_it_be_tried_once_more(trouble: Trouble) -> None:
    plant = trouble.plant
    Step.objects.filter(pk=trouble.test.pk).update(attempts=2)
    board = trouble.failed()
    trouble.fail(board, 20)
    told = {"unit": board, "station": plant.test}
    assert stopped_by(refused(plant, "stopped", start_pass, 30, **told)) == ["repair-limit"]
    trouble.decide(board, 31, approved=False)
    assert stopped_by(refused(plant, "stopped", start_pass, 32, **told)) == ["repair-limit"]
    trouble.decide(board, 33, "scrap")
    assert stopped_by(refused(plant, "stopped", start_pass, 34, **told)) == ["repair-limit"]
    trouble.decide(board, 35, "rework")
    trouble.fail(board, 40)
    assert stopped_by(refused(plant, "stopped", start_pass, 50, **told)) == ["repair-limit"]


def test_past_the_limit_it_counts_too_what_a_containment_decided_of_it_with_others(trouble: Trouble) -> None:
    plant = trouble.plant
    Step.objects.filter(pk=trouble.test.pk).update(attempts=2)
    board = trouble.failed()
    trouble.fail(board, 20)
    alarm = plant.do(open_containment, 25, problem="Resistors drift.")
    plant.do(add_term, 25, containment=alarm, joined="any", told=Told("unit", board.key))
    plant.do(stop_containment, 26, containment=alarm)
    decided = plant.do(decide_contained, 31, containment=alarm, things=[board], decision="rework", reason="drifts")
    told = {"unit": board, "station": plant.test}
    assert "repair-limit" in stopped_by(refused(plant, "stopped", start_pass, 32, **told))
    sign_as(quality(), decided, 33)
    trouble.fail(board, 40)
    assert stopped_by(refused(plant, "stopped", start_pass, 50, **told)) == ["repair-limit"]


# Salvage at scrap -----------------------------------------------------------------------------------------------------


def test_what_is_scrapped_leaves_its_child_to_be_tested_again_and_its_parts_in_a_bag(trouble: Trouble) -> None:
    plant = trouble.plant
    Characteristic.objects.create(part=plant.board, step_number=20, number=1, name="Gloss", judge="inspector")
    board = trouble.failed()
    plant.do(record_readings, 20, unit=board, readings={"Gloss": "good"}, station=plant.test)
    plant.run(board, plant.test, 19, 21)
    fuses = plant.reel("FUSES", plant.fuse)
    product, other = plant.products(2)
    plant.do(start_pass, 25, unit=product, station=plant.final)
    plant.do(fit_child, 26, unit=product, designator="M1", child=board)
    plant.do(fit_part, 26, unit=product, designator="F1", container=fuses, reason="as designed")
    refusal = refused(plant, "order-refused", scrap_unit, 30, unit=product, reason="bent", salvage={"F1": ""})
    assert refusal.message == f"F1 of {product.key} holds no unit."
    plant.do(scrap_unit, 31, unit=product, reason="frame bent", salvage={"M1": "", "F1": "BAG-F1"})
    assert str(find_whereabouts([board.pk], ticks(32))[board.pk].kind) == "waiting"
    assert find_due_step(board) == trouble.test
    assert Salvage.objects.get().result.key == "BAG-F1"
    refusal = refused(plant, "fitting-refused", fit_child, 33, unit=other, designator="M1", child=board)
    assert refusal.message == f"{board.key} is not finished: step 20 Step 20 is due."


def test_two_places_are_salvaged_into_one_bag(trouble: Trouble) -> None:
    board = trouble.failed()
    trouble.plant.do(scrap_unit, 30, unit=board, reason="burnt", salvage={"R1": "BAG-R", "R2": "BAG-R"})
    assert [(one.designator, one.result.key) for one in Salvage.objects.order_by("designator")] == [
        ("R1", "BAG-R"), ("R2", "BAG-R"),
    ]  # fmt: skip
