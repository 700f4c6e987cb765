"""Attacks on what a step asks for, and on what goes together: each once went through."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal

import pytest

from tests.factories import Plant, make_person, moment
from tests.floor.test_batches import Bodies
from tests.floor.test_panels import make
from tests.floor.test_racks import fill
from tests.floor.test_readings import GOOD, Bench
from tests.floor.test_verification import OWED, Line
from tests.refusals import refused
from trace.core.permissions import Role
from trace.floor.models import Alias, Pass
from trace.floor.operations.aliases import record_serial
from trace.floor.operations.batches import record_batch
from trace.floor.operations.carriers import finish_carrier, start_carrier
from trace.floor.operations.changeovers import approve_first_piece, end_setup, start_setup
from trace.floor.operations.corrections import void_pass
from trace.floor.operations.orders import release_order
from trace.floor.operations.racks import put_in_rack
from trace.floor.operations.readings import UnitReadings, record_readings, record_test
from trace.floor.operations.stores import merge_containers
from trace.holds.operations import place_holds

pytestmark = pytest.mark.django_db


def test_a_tester_lets_no_single_board_out_of_a_panel() -> None:
    bench = Bench()
    plant, units = bench.plant, bench.plant.boards(2)
    panel = make(plant, units)
    plant.do(start_carrier, 2, carrier=panel, station=plant.insertion)
    plant.do(finish_carrier, 3, carrier=panel)
    plant.do(start_carrier, 10, carrier=panel, station=plant.test)
    told = {"station": plant.test, "passes": True}
    one, both = [UnitReadings(units[0], GOOD)], [UnitReadings(unit, GOOD) for unit in units]
    refusal = refused(plant, "pass-refused", record_test, 20, results=one, **told)
    assert refusal.message == f"{units[1].key} went in with panel P-1."
    assert [entry.outcome for entry in plant.do(record_test, 20, results=both, **told)] == ["passed", "passed"]


def test_a_container_passes_no_step_twice_by_an_earlier_time() -> None:
    bodies = Bodies()
    box = bodies.box()
    bodies.through(box, 10, 20)
    told = {"container": box, "quantity": Decimal(200), "good": Decimal(200), "entered": moment(9)}
    refusal = refused(bodies.plant, "stock-refused", record_batch, 10, station=bodies.gauging, **told)
    assert refusal.message == "BOX went through 10 Gauge after that moment."


def test_what_was_poured_to_and_fro_at_one_moment_is_followed_to_an_end() -> None:
    bodies = Bodies()
    one, two = bodies.box("ONE"), bodies.box("TWO")
    bodies.plant.do(merge_containers, 5, sources=[one], into=two)
    bodies.plant.do(merge_containers, 5, sources=[two], into=one)
    assert bodies.numbers(one) == set()


def test_who_stays_behind_is_no_first_piece() -> None:
    plant = Line(first_piece=True).plant
    units = plant.boards(3)
    rack = fill(plant, units)
    plant.do(place_holds, 2, targets=[units[0]], reason="dropped")
    done = plant.do(start_carrier, 3, carrier=rack, station=plant.insertion)
    assert done.went == [units[1].key]
    assert [one.unit for one in done.behind] == [units[0].key, units[2].key]
    assert f"{units[1].key} went first" in done.behind[1].refusals[0].message


def test_an_approval_falls_with_the_pass_of_its_first_piece() -> None:
    line = Line(first_piece=True)
    plant, (first, second, third) = line.plant, line.plant.boards(3)
    entry = plant.run(first, plant.insertion, 5, 6)
    plant.do(approve_first_piece, 7, setup=plant.setup, unit=first)
    assert line.stopped(8, second) == []
    plant.do(void_pass, 9, entry=Pass.objects.get(pk=entry.pk), reason="another board")
    assert line.stopped(10, third) == [OWED]
    plant.do(approve_first_piece, 11, setup=plant.setup, unit=second)
    assert line.stopped(12, third) == []


@pytest.mark.parametrize("outcome", ["aborted", "failed"])
def test_readings_of_an_earlier_visit_do_not_count_however_unsure_the_time(outcome: str) -> None:
    bench = Bench()
    board = bench.board()
    bench.into(board, 10)
    bench.read(board, 15)
    bench.out(board, 20, outcome=outcome)
    bench.into(board, 30, error=timedelta(minutes=25))
    assert bench.kept_in(board, 40) == ["reading-missing"]
    bench.read(board, 35)
    assert bench.out(board, 40).outcome == Pass.Outcome.PASSED


def test_a_serial_that_grows_in_capitals_is_refused() -> None:
    plant = Plant()
    (board,) = plant.boards()
    refused(plant, "bad-text", record_serial, unit=board, kind=Alias.Kind.CUSTOMER, serial="ß" * 60)


def test_an_order_of_too_many_serials_is_refused() -> None:
    plant = Plant()
    order = {"key": "MANY", "part": plant.board, "site": plant.site}
    serials = [f"Z{number}" for number in range(10_001)]
    assert "1 to 10000 units" in refused(plant, "order-refused", release_order, serials=serials, **order).message


@pytest.mark.parametrize("position", [2**53 - 1, -1, 2**53, 2**70])
def test_a_changeover_lies_on_the_axis(position: int) -> None:
    plant = Plant(counts_cycles=True)
    refused(plant, "setup-refused", end_setup, setup=plant.setup, position=position)
    feeds = {"R1": plant.slot_r, "R2": plant.slot_r, "C1": plant.slot_c}
    told = {"key": "NEXT", "station": plant.insertion, "assembly": plant.board, "feeds": feeds}
    refused(plant, "setup-refused", start_setup, position=position, **told)


def test_nobody_judges_who_had_left_or_only_looks() -> None:
    bench = Bench()
    board = bench.board()
    gone, looks = make_person("GONE"), make_person("LOOKS", roles=[Role.AUDITOR])
    gone.retired = moment(5)
    gone.save()
    for judge in (gone, looks):
        told = {"unit": board, "readings": GOOD, "station": bench.plant.test, "judge": judge}
        assert judge.name in refused(bench.plant, "reading-refused", record_readings, 15, **told).message


def test_who_did_not_go_in_with_a_rack_does_not_fail_with_it() -> None:
    plant = Plant()
    one, two = plant.boards(2)
    rack = fill(plant, [one])
    plant.do(start_carrier, 3, carrier=rack, station=plant.insertion)
    plant.do(put_in_rack, 4, rack=rack, unit=two)
    assert two.key in refused(plant, "rack-refused", finish_carrier, 5, carrier=rack, failed=[two]).message
