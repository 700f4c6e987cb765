"""Repairs voided in any order, told late, held at any depth: what stays due, and what is refused."""

from __future__ import annotations

from decimal import Decimal

import pytest

from tests.factories import moment
from tests.floor.troubleshooting import Trouble, stopped_by
from tests.refusals import refused
from trace.engineering.models import Characteristic
from trace.floor.models import Fitting, Pass, Unit
from trace.floor.operations.corrections import void_fitting
from trace.floor.operations.faults import record_repair, void_fault, void_repair
from trace.floor.operations.fittings import fit_child
from trace.floor.operations.orders import scrap_unit
from trace.floor.operations.passes import finish_pass, record_passes, start_pass
from trace.floor.operations.readings import record_readings
from trace.floor.queries import find_due_step, lock_units
from trace.holds.operations import place_holds, release_hold
from trace.ledger.source import Source, coming_from

pytestmark = pytest.mark.django_db


@pytest.fixture
def trouble() -> Trouble:
    return Trouble()


def test_what_two_repairs_send_back_stays_due_while_one_of_them_stands(trouble: Trouble) -> None:
    """Voided in any order, told at one moment or at two, with or without a visit between."""
    for later, first in ((26, True), (26, False), (25, True), (45, True)):
        plant, board = trouble.plant, trouble.failed()
        repairs = [trouble.mend(trouble.find(board, 20), returns=trouble.insert)]
        if later > 40:
            plant.run(board, plant.insertion, 30, 31)
        fault = trouble.find(board, min(later, 40) - 2, fault_code=trouble.drift)
        repairs += [trouble.mend(fault, later, returns=trouble.insert)]
        plant.do(void_repair, 50, repair=repairs[0 if first else 1], reason="another board")
        assert find_due_step(board) == trouble.insert
        plant.do(void_repair, 51, repair=repairs[1 if first else 0], reason="another board")
        assert find_due_step(board) == trouble.test


def test_what_was_salvaged_stays_due_when_a_repair_before_is_voided(trouble: Trouble) -> None:
    plant, product = trouble.plant, trouble.plant.products()[0]
    Characteristic.objects.create(part=plant.board, step_number=20, number=1, name="Gloss", judge="inspector")
    board = trouble.failed()
    repair = trouble.mend(trouble.find(board), returns=trouble.insert)
    plant.run(board, plant.insertion, 30, 31)
    plant.do(start_pass, 32, unit=board, station=plant.test)
    plant.do(record_readings, 33, unit=board, readings={"Gloss": "good"}, station=plant.test)
    plant.do(finish_pass, 34, unit=board)
    plant.do(fit_child, 36, unit=product, designator="M1", child=board)
    plant.do(scrap_unit, 37, unit=product, reason="frame bent", salvage={"M1": ""})
    plant.do(void_repair, 38, repair=repair, reason="another board")
    assert find_due_step(board) == trouble.test


def test_what_is_in_it_or_where_it_is_mended_is_held_and_so_is_the_repair(trouble: Trouble) -> None:
    plant, (product,) = trouble.plant, trouble.plant.products()
    board = plant.finish(plant.boards(1, minute=2)[0], 3)
    plant.do(fit_child, 10, unit=product, designator="M1", child=board)
    told = {"unit": product, "faults": [trouble.find(product, station=trouble.repair)], "action": "resoldered"}
    for held in (board, trouble.repair):
        (hold,) = plant.do(place_holds, 21, targets=[held], reason="Under review.")
        refused(plant, "held", record_repair, 25, **told, station=trouble.repair)
        plant.do(release_hold, 26, hold=hold, reason="Looked at.")
    plant.do(record_repair, 27, **told, station=trouble.repair)


@pytest.mark.parametrize("minutes", ["NaN", "sNaN", "Infinity", "-1", "10000", "0.001"])
def test_minutes_that_cannot_be_are_refused(trouble: Trouble, minutes: str) -> None:
    board = trouble.failed()
    told = {"faults": [trouble.find(board)], "action": "resoldered", "minutes": Decimal(minutes)}
    refused(trouble.plant, "fault-refused", record_repair, unit=board, **told)


def test_what_is_told_late_of_the_time_while_its_fault_was_open_has_not_passed(trouble: Trouble) -> None:
    """Else a retest from before the repair would stand for the one after it."""
    plant, board = trouble.plant, trouble.failed()
    trouble.mend(trouble.find(board, 20), 25, returns=trouble.insert)
    told = {"unit": board, "station": plant.insertion}
    assert stopped_by(refused(plant, "stopped", start_pass, 22, **told)) == ["fault-open"]
    told = {"units": [board], "station": plant.insertion}
    (entry,) = plant.do(record_passes, 22, **told, entered=moment(21))
    assert (entry.outcome, entry.stopped[0].extra["rule"]) == ("aborted", "fault-open")
    assert find_due_step(board) == trouble.insert
    plant.run(board, plant.insertion, 25, 26)
    assert find_due_step(board) == trouble.test


def test_a_pass_from_before_the_fault_that_is_told_late_is_due_again_as_if_told_in_time(trouble: Trouble) -> None:
    plant, board = trouble.plant, trouble.failed()
    repair = trouble.mend(trouble.find(board, 20), 25, returns=trouble.test)
    (late,) = plant.do(record_passes, 18, units=[board], station=plant.test, entered=moment(17))
    assert (late.outcome, late.due_again) == ("passed", repair.at)
    assert find_due_step(board) == trouble.test
    plant.run(board, plant.test, 30, 31)
    assert find_due_step(board) is None
    plant.do(void_repair, 40, repair=repair, reason="another board")
    assert list(Pass.objects.filter(unit=board, superseded=None).exclude(due_again=None)) == []


def test_a_scan_in_from_before_the_fault_that_is_told_late_passes_nothing(trouble: Trouble) -> None:
    plant, board = trouble.plant, trouble.failed()
    trouble.mend(trouble.find(board, 20), 25, returns=trouble.insert)
    plant.do(start_pass, 17, unit=board, station=plant.insertion)
    plant.do(finish_pass, 18, unit=board)
    assert find_due_step(board) == trouble.insert
    plant.run(board, plant.insertion, 30, 31)
    assert find_due_step(board) == trouble.test


def test_a_pass_told_late_counts_where_the_unit_was_not_sent_back_to_it(trouble: Trouble) -> None:
    plant, board = trouble.plant, trouble.failed()
    trouble.mend(trouble.find(board, 20), 25)
    plant.do(record_passes, 18, units=[board], station=plant.test, entered=moment(17))
    assert find_due_step(board) is None


@pytest.mark.parametrize("fitting_first", [True, False])
def test_a_child_that_was_replaced_at_repair_is_tested_again_before_it_goes_elsewhere(
    trouble: Trouble, fitting_first: bool
) -> None:
    plant, (product, other) = trouble.plant, trouble.plant.products(2)
    bad, good = (plant.finish(board, 3 + 3 * n) for n, board in enumerate(plant.boards(2, minute=2)))
    Characteristic.objects.create(part=plant.board, step_number=20, number=1, name="Gloss", judge="inspector")
    plant.do(fit_child, 10, unit=product, designator="M1", child=bad)
    fault = trouble.find(product, station=trouble.repair)
    repair = trouble.mend(fault, action="replaced", designator="M1", child=good)
    assert find_due_step(bad) == trouble.test
    refused(plant, "fitting-refused", fit_child, 30, unit=other, designator="M1", child=bad)
    voids = [
        lambda: plant.do(void_fitting, 31, fitting=Fitting.objects.get(child=good), reason="another product"),
        lambda: plant.do(void_repair, 31, repair=repair, reason="another product"),
    ]
    for void in voids if fitting_first else reversed(voids):
        void()
    assert find_due_step(bad) is None
    assert Fitting.objects.get(unit=product, until=None, superseded=None).child == bad


def test_only_a_repair_station_mends(trouble: Trouble) -> None:
    board = trouble.failed()
    told = {"unit": board, "faults": [trouble.find(board)], "action": "resoldered", "station": trouble.plant.test}
    assert "TEST is no repair station" in refused(trouble.plant, "fault-refused", record_repair, 25, **told).message


def test_a_device_mends_and_puts_right_only_what_is_of_its_stations(trouble: Trouble) -> None:
    """Where no station is told, that is where the fault was found; the repair's own station, where it is."""
    plant, board = trouble.plant, trouble.failed()
    fault = trouble.find(board)  # at TEST, where it failed
    told = {"unit": board, "faults": [fault], "action": "resoldered"}
    elsewhere = Source(name="Tablet 4", stations=frozenset({"INSERT"}))
    bench = Source(name="Tablet 5", stations=frozenset({"RP1"}))
    tester = Source(name="Tablet 6", stations=frozenset({"TEST"}))
    for source in (elsewhere, bench):
        with coming_from(source):
            refused(plant, "not-here", record_repair, 25, **told)
            refused(plant, "not-here", void_fault, 25, fault=fault, reason="another board")
    with coming_from(bench):
        repair = plant.do(record_repair, 25, **told, station=trouble.repair)
    for source in (elsewhere, tester):
        with coming_from(source):
            refused(plant, "not-here", void_repair, 26, repair=repair, reason="another board")
    with coming_from(bench):
        plant.do(void_repair, 26, repair=repair, reason="another board")
    with coming_from(tester):
        repair = plant.do(record_repair, 27, **told)
        plant.do(void_repair, 28, repair=repair, reason="another board")
        plant.do(void_fault, 29, fault=fault, reason="another board")


def test_a_unit_that_is_put_in_while_its_parent_is_scrapped_is_not_lost(
    trouble: Trouble, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is salvaged is what is there once it is locked."""
    plant, (product,) = trouble.plant, trouble.plant.products()
    boards = [plant.finish(board, 3) for board in plant.boards(2, minute=2)]
    plant.do(fit_child, 10, unit=product, designator="M1", child=boards[0])

    def swap_first(units: object, **told: object) -> list[Unit]:
        Fitting.objects.filter(child=boards[0]).update(child=boards[1])  # by another, just before
        return lock_units(units, **told)  # type: ignore[arg-type]

    with monkeypatch.context() as patch:
        patch.setattr("trace.floor.operations.orders.lock_units", swap_first)
        refusal = refused(plant, "order-refused", scrap_unit, 20, unit=product, reason="frame bent", salvage={"M1": ""})
    assert "Somebody is changing what is in" in refusal.message
