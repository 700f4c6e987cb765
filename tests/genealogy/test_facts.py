"""Units suspected for who worked on them, with what, from which positions, and how they failed: each kind of fact with
one that surely is, one that may be and one that is not."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest

from tests.factories import Plant, make_person, moment, ticks
from tests.floor.measuring import Bench
from tests.floor.sequencer import Sequencer, draw
from tests.genealogy.asking import NONE, Answer, fit, split
from trace.core.clock import OPEN
from trace.engineering.models import ScanMode
from trace.engineering.operations import define_fault_code, define_program, load_program
from trace.floor.models import Fault, Pass
from trace.floor.operations.corrections import void_pass
from trace.floor.operations.faults import record_fault, void_fault
from trace.floor.operations.feeds import load_feed
from trace.floor.operations.fittings import fit_part
from trace.floor.operations.passes import finish_pass, record_passes, start_pass
from trace.floor.operations.readings import void_reading
from trace.genealogy.forward import trace_forward
from trace.genealogy.stock import list_stock
from trace.genealogy.suspicion import Failed, Faulty, Of, Run, Suspicion, Window
from trace.material.models import Axis, SetUp

pytestmark = pytest.mark.django_db


def asked(at: int = OPEN, **named: Any) -> Answer:
    return split(trace_forward(Suspicion(**{name: frozenset(of) for name, of in named.items()}), at))


def worked(thing: Any, of: Of, since: float, until: float | None = None, at: float | None = None) -> Answer:
    """Who was worked on between two minutes by somebody, or with something."""
    window = Window(thing.pk, ticks(since), OPEN if until is None else ticks(until), of)
    return asked(OPEN if at is None else ticks(at), windows=[window])


# Windows -------------------------------------------------------------------------------------------------------------


def test_windows_of_one_station_that_touch_are_one() -> None:
    """Judged apart, each half would leave it open; together they cover it."""
    plant = Plant(mode=ScanMode.LOOSE)
    (board,) = plant.boards(minute=2)
    plant.do(record_passes, 5, units=[board], station=plant.insertion)
    plant.run(board, plant.test, 7, 8)
    halves = [Window(plant.insertion.pk, ticks(1), ticks(4)), Window(plant.insertion.pk, ticks(4), ticks(9))]
    assert asked(windows=halves[:1]) == (NONE, {board.key}, NONE)
    assert asked(windows=halves) == ({board.key}, NONE, NONE)
    apart = [halves[0]._replace(until=ticks(3)), halves[1]._replace(until=ticks(4.5))]
    assert asked(windows=apart) == (NONE, {board.key}, NONE)


def test_a_persons_work_is_what_they_scanned_in_or_out_measured_mended_and_fitted() -> None:
    bench = Bench()
    plant, vera = bench.plant, make_person("VERA")
    begun, ended, read, fitted, others = (bench.board(2 + n) for n in range(5))
    plant.do(start_pass, 20, unit=begun, station=plant.test, by=vera)
    plant.do(start_pass, 22, unit=ended, station=plant.test)
    bench.read(ended, 23)
    plant.do(finish_pass, 24, unit=ended, by=vera)
    bench.read(read, 26, {"2": "good"}, judge=vera)
    plant.do(fit_part, 28, unit=fitted, designator="R1", container=plant.reel("X"), reason="worn", by=vera)
    assert worked(vera, Of.PERSON, 0) == ({begun.key, ended.key, read.key, fitted.key}, NONE, NONE)
    assert worked(vera, Of.PERSON, 23.5, 25) == ({begun.key, ended.key}, NONE, NONE), "the first is inside still"
    assert worked(vera, Of.PERSON, 0, at=23) == ({begun.key}, NONE, NONE)
    assert others.key in worked(plant.ann, Of.PERSON, 0)[0]


def test_a_persons_pass_known_within_an_error_is_only_possible_at_the_windows_edge() -> None:
    plant, vera = Plant(mode=ScanMode.LOOSE), make_person("VERA")
    (board,) = plant.boards()
    told = {"units": [board], "station": plant.insertion, "error": timedelta(minutes=2), "by": vera}
    plant.do(record_passes, 10, **told)
    plant.run(board, plant.test, 12.6, 12.7)
    assert worked(vera, Of.PERSON, 8, 12.5) == ({board.key}, NONE, NONE)
    assert worked(vera, Of.PERSON, 9, 12.5) == (NONE, {board.key}, NONE)
    assert worked(vera, Of.PERSON, 13, 20) == (NONE, NONE, NONE)


def test_equipment_judged_what_passed_on_it_and_what_was_read_with_it() -> None:
    bench = Bench()
    tester = bench.tester()
    on_it, read, other = bench.board(2), bench.board(3), bench.board(4)
    bench.into(on_it, 10)
    bench.read(on_it, 15)
    bench.out(on_it, 20)
    bench.read(read, 25)
    assert worked(tester, Of.EQUIPMENT, 0) == ({on_it.key, read.key}, NONE, NONE)
    assert worked(tester, Of.EQUIPMENT, 21) == ({read.key}, NONE, NONE)
    assert worked(tester, Of.EQUIPMENT, 26) == (NONE, NONE, NONE)
    (reading, _) = bench.read(other, 30)
    bench.plant.do(void_reading, 31, reading=reading, reason="the wrong board")
    assert other.key in worked(tester, Of.EQUIPMENT, 29)[0], "the other reading of it stands"


def test_a_program_worked_while_it_was_loaded_and_no_longer() -> None:
    bench = Bench()
    plant, tester = bench.plant, bench.tester()
    old, new = (plant.do(define_program, key=f"P-{r}", kind="tester", name="Board", revision=r) for r in ("A", "B"))
    plant.do(load_program, 9, equipment=tester, program=old)
    first, across, last = bench.board(2), bench.board(3), bench.board(4)
    bench.into(first, 10)
    bench.read(first, 11)
    bench.out(first, 12)
    plant.do(load_program, 15, equipment=tester, program=new)
    bench.into(across, 14)
    bench.out(across, 16, outcome=Pass.Outcome.ABORTED)
    bench.into(last, 17)
    bench.read(last, 18)
    bench.out(last, 19)
    assert worked(old, Of.PROGRAM, 0) == ({first.key, across.key}, NONE, NONE), "it was inside when that ended"
    assert worked(new, Of.PROGRAM, 0) == ({across.key, last.key}, NONE, NONE)
    assert worked(old, Of.PROGRAM, 13) == ({across.key}, NONE, NONE)
    assert worked(new, Of.PROGRAM, 0, 15) == (NONE, NONE, NONE)


# Runs ----------------------------------------------------------------------------------------------------------------


def test_a_tape_gave_to_what_drew_in_the_run_and_has_the_rest_on_it() -> None:
    it = Sequencer(run=True)
    it.finish()
    keys = [draw(it, number, 40 + number) for number in (3, 4, 5)]
    (loose,) = it.plant.boards(1)
    told = {"positions": [(5, 6)], "setup": SetUp.objects.get(axis__tape=it.tape), "entered": moment(60)}
    it.plant.do(record_passes, 60, units=[loose], station=it.plant.insertion, **told)
    run = Run(Axis.objects.get(tape=it.tape).pk, 4, 6)
    assert asked(runs=[run]) == ({keys[1], keys[2]}, {loose.key}, NONE)
    assert asked(runs=[run._replace(first=7, end=20)]) == (NONE, NONE, NONE)
    population = trace_forward(Suspicion(runs=frozenset([run._replace(first=5, end=9)])))
    (tape,) = list_stock(population.evidence)
    assert (tape.key, tape.where) == ("T1", "board sets 7–8, perhaps 6")


def test_a_set_up_gave_over_a_range_of_its_axis() -> None:
    plant = Plant()
    plant.do(load_feed, 1, feed=plant.slot_r, container=plant.reel("A"))
    plant.do(load_feed, 1, feed=plant.slot_c, container=plant.reel("C", plant.capacitor))
    before, inside, across, never = plant.boards(4)
    plant.run(before, plant.insertion, 2, 3)
    plant.run(inside, plant.insertion, 5, 6)
    plant.run(across, plant.insertion, 7, 9)
    plant.do(void_pass, 12, entry=plant.run(never, plant.insertion, 6.1, 6.2), reason="the wrong board")
    run = Run(plant.setup.axis_id, ticks(4), ticks(8), plant.board.pk)
    assert asked(runs=[run]) == ({inside.key}, {across.key}, NONE)
    assert asked(runs=[run._replace(assembly=plant.product.pk)]) == (NONE, NONE, NONE)
    assert asked(ticks(5.5), runs=[run]) == (NONE, {inside.key}, NONE), "it had not surely drawn yet"
    assert asked(ticks(4.5), runs=[run]) == (NONE, NONE, NONE)


def test_what_drew_for_one_designator_drew_all_the_same() -> None:
    plant = Plant()
    partly, aborted = plant.boards(2)
    plant.run(partly, plant.insertion, 2, 3, only=["R1"])
    plant.run(aborted, plant.insertion, 4, 5, outcome=Pass.Outcome.ABORTED)
    run = Run(plant.setup.axis_id, 0, OPEN, plant.board.pk)
    assert asked(runs=[run]) == ({partly.key}, {aborted.key}, NONE)


# Failures, units -----------------------------------------------------------------------------------------------------


def test_units_fail_a_test_in_a_way_and_a_window() -> None:
    bench = Bench()
    voltage = bench.ask(3, "Output", unit_of_measure="V", lower=Decimal("4.9"), upper=Decimal("5.1"))
    low, high, good, again = (bench.board(2 + n) for n in range(4))
    told = {low: "4.8", high: "5.2", good: "5.1", again: "4.7"}
    readings = {board: bench.read(board, 20 + n, {"Output": told[board]})[0] for n, board in enumerate(told)}
    bench.plant.do(void_reading, 30, reading=readings[again], reason="the wrong board")

    def fell(way: str, since: float = 0, until: float = 99) -> Answer:
        return asked(failures=[Failed(voltage.pk, way, ticks(since), ticks(until))])

    assert fell("below") == ({low.key}, NONE, NONE)
    assert fell("above") == ({high.key}, NONE, NONE)
    assert fell("outside") == fell("") == ({low.key, high.key}, NONE, NONE)
    assert fell("outside", 20.5) == ({high.key}, NONE, NONE)
    assert fell("outside", 0, 20) == (NONE, NONE, NONE)
    bench.read(low, 40, {"Output": "5.0"})
    assert fell("below") == ({low.key}, NONE, NONE), "it failed, whatever was read later"


def test_units_are_judged_not_good() -> None:
    bench = Bench()
    bad, good = bench.board(2), bench.board(3)
    bench.read(bad, 20, {"2": "not good"})
    bench.read(good, 21, {"2": "good"})
    whatever = Failed(bench.gloss.pk, "", 0, OPEN)
    assert asked(failures=[whatever]) == ({bad.key}, NONE, NONE)
    assert asked(failures=[whatever._replace(way="outside")]) == (NONE, NONE, NONE), "nothing was measured"


def test_units_with_a_fault_of_a_code_at_a_designator_in_a_window() -> None:
    plant = Plant()
    code, other = (plant.do(define_fault_code, key=key, name=key) for key in ("OPEN", "SHORT"))
    units = plant.boards(4)
    for unit in units:
        plant.run(unit, plant.insertion, 2, 3)
    at_r1, at_r2, short, void = units
    for minute, (unit, which, where) in enumerate(
        ((at_r1, code, "R1"), (at_r2, code, "R2"), (short, other, "R1"), (void, code, "R1")), 10
    ):
        plant.do(record_fault, minute, unit=unit, fault_code=which, designator=where)
    plant.do(void_fault, 20, fault=Fault.objects.get(unit=void), reason="the wrong board")
    found = Faulty(code.pk, "", 0, OPEN)
    assert asked(failures=[found]) == ({at_r1.key, at_r2.key}, NONE, NONE)
    assert asked(failures=[found._replace(designator="R1")]) == ({at_r1.key}, NONE, NONE)
    assert asked(failures=[found._replace(since=ticks(11))]) == ({at_r2.key}, NONE, NONE)
    assert asked(ticks(10), failures=[found]) == ({at_r1.key}, NONE, NONE)


def test_a_named_unit_is_certain_and_so_is_what_it_is_in() -> None:
    plant = Plant()
    (board, other), (product,) = plant.boards(2), plant.products(1)
    plant.run(board, plant.insertion, 1, 2)
    plant.run(board, plant.test, 3, 4)
    fit(plant, product, board, 5)
    assert asked(units=[board.pk]) == ({board.key, product.key}, NONE, NONE)
    assert asked(units=[product.pk]) == ({product.key}, NONE, NONE)
    assert asked(ticks(-1), units=[other.pk]) == (NONE, NONE, NONE), "not ordered yet"
