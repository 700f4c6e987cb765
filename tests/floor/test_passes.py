"""Passes: what a station's scans prove, what an interlock stops, what a pass drew."""

from __future__ import annotations

from typing import Any

import pytest

from tests.factories import Plant, candidates_at, make_assembly, make_station, moment, spans_of, ticks
from trace.core.clock import OPEN
from trace.core.errors import Refusal
from trace.engineering.models import ScanMode, Station, Step
from trace.floor.models import Pass
from trace.floor.operations.changeovers import start_setup
from trace.floor.operations.corrections import void_pass
from trace.floor.operations.dispatch import pack_units
from trace.floor.operations.feeds import load_feed, splice_feed
from trace.floor.operations.fittings import fit_child
from trace.floor.operations.orders import scrap_unit
from trace.floor.operations.passes import finish_pass, record_passes, start_pass
from trace.floor.queries import find_due_step
from trace.holds.operations import place_holds
from trace.holds.rules import Move
from trace.ledger.models import Event
from trace.ledger.operation import Request
from trace.material.models import Span
from trace.material.operations.setups import define_feed, finish_tape, start_tape
from trace.material.queries import get_axis

pytestmark = pytest.mark.django_db

PASSED, FAILED, ABORTED = Pass.Outcome.PASSED, Pass.Outcome.FAILED, Pass.Outcome.ABORTED


def refused(plant: Plant, code: str, operation: Any, minute: float = 50, **arguments: Any) -> Refusal:
    """The operation refuses with this code and writes nothing."""
    before = Event.objects.count(), list(Pass.objects.order_by("id").values())
    with pytest.raises(Refusal) as error:
        plant.do(operation, minute, **arguments)
    assert error.value.code == code, error.value
    assert error.value.message and error.value.action
    assert (Event.objects.count(), list(Pass.objects.order_by("id").values())) == before
    return error.value


def bounds(visit: Pass) -> tuple[float, float | None]:
    """(earliest, latest) minute at which it drew; None where that is open."""
    visit = Pass.objects.get(pk=visit.pk)
    assert (visit.first, visit.last) == (visit.began, visit.ended)
    assert visit.length_class == (visit.last - visit.first).bit_length()
    return (
        (visit.first - ticks()) / 60_000_000,
        None if visit.last == OPEN else (visit.last - ticks()) / 60_000_000,
    )


# What scans prove ----------------------------------------------------------------------------------------------------


def test_a_gated_pass_is_between_its_scans() -> None:
    plant = Plant()
    (board,) = plant.boards()
    open_pass = plant.do(start_pass, 5, unit=board, station=plant.insertion)
    assert (bounds(open_pass), open_pass.inside) == ((5, None), True)
    visit = plant.do(finish_pass, 7, unit=board)
    assert (bounds(visit), visit.inside, visit.outcome, visit.drew) == ((5, 7), False, PASSED, "all")


def one_at_a_time(work_seconds: int = 30) -> Plant:
    return Plant(mode=ScanMode.ONE_AT_A_TIME, work_seconds=work_seconds)


def test_one_at_a_time_a_scan_out_alone_reaches_back_to_the_scan_before() -> None:
    plant = one_at_a_time()
    boards = plant.boards(3, minute=1)
    visits = [
        plant.do(record_passes, minute, units=[board], station=plant.insertion)[0]
        for board, minute in zip(boards, (5, 8, 12), strict=True)
    ]
    assert [bounds(visit) for visit in visits] == [(1, 5), (5, 8), (8, 12)]


def test_one_at_a_time_a_scan_in_alone_reaches_to_the_next_scan() -> None:
    plant = one_at_a_time()
    first, second = plant.boards(2)
    visit = plant.do(start_pass, 5, unit=first, station=plant.insertion)
    plant.do(start_pass, 8, unit=second, station=plant.insertion)
    visit.refresh_from_db()
    assert (bounds(visit), visit.outcome) == ((5, 8), PASSED)
    event = Event.objects.order_by("-id").first()
    assert set(event.subjects.filter(kind="unit").values_list("key", flat=True)) == {first.key, second.key}


def test_one_at_a_time_both_scans_prove_both_sides() -> None:
    plant = one_at_a_time()
    first, second = plant.boards(2)
    plant.run(first, plant.insertion, 3, 5)
    assert bounds(plant.run(second, plant.insertion, 6, 9)) == (6, 9)


def test_scans_faster_than_the_work_are_one_batch() -> None:
    plant = one_at_a_time(work_seconds=30)
    zeroth, *boards = plant.boards(4, minute=1)
    plant.do(record_passes, 2, units=[zeroth], station=plant.insertion)
    visits = [
        plant.do(record_passes, minute, units=[board], station=plant.insertion)[0]
        for board, minute in zip(boards, (5, 5.25, 5.5), strict=True)
    ]
    assert [bounds(visit) for visit in visits] == [(2, 5.5)] * 3


def test_a_scan_in_and_out_faster_than_the_work_prove_one_moment() -> None:
    """The board was worked on before, and scanned twice at the end: it drew since the scan before."""
    plant = one_at_a_time(work_seconds=30)
    zeroth, first, second = plant.boards(3, minute=1)
    assert bounds(plant.run(zeroth, plant.insertion, 3, 3.25)) == (1, 3.25)
    assert bounds(plant.run(first, plant.insertion, 5, 5.25)) == (3.25, 5.25)
    (visit,) = plant.do(record_passes, 9.25, units=[second], station=plant.insertion, entered=moment(9))
    assert bounds(visit) == (5.25, 9.25)


def test_one_at_a_time_a_held_unit_comes_out_without_passing() -> None:
    plant = one_at_a_time()
    first, second = plant.boards(2)
    visit = plant.do(start_pass, 5, unit=first, station=plant.insertion)
    plant.do(place_holds, 6, targets=[first], reason="suspect")
    plant.do(start_pass, 8, unit=second, station=plant.insertion)
    visit.refresh_from_db()
    assert (visit.outcome, visit.drew, bounds(visit)) == (ABORTED, "all", (5, 8))


def loose() -> Plant:
    return Plant(mode=ScanMode.LOOSE)


def test_a_loose_scan_reaches_from_scan_to_scan_elsewhere() -> None:
    plant = loose()
    (board,) = plant.boards(minute=2)
    (visit,) = plant.do(record_passes, 10, units=[board], station=plant.insertion)
    assert bounds(visit) == (2, None)
    plant.do(start_pass, 20, unit=board, station=plant.test)
    assert bounds(visit) == (2, 20)


def test_a_loose_pass_begins_at_the_last_scan_elsewhere_that_came_before() -> None:
    plant = loose()
    board_part = make_assembly(
        places={"R1": plant.resistor}, route={10: [plant.test], 20: [plant.insertion], 30: [plant.final]}
    )
    (board,) = plant.units(board_part, minute=1)
    plant.run(board, plant.test, 3, 4)
    (visit,) = plant.do(record_passes, 10, units=[board], station=plant.insertion)
    visit.refresh_from_db()
    assert (visit.began, visit.ended) == (ticks(4), OPEN)
    plant.do(start_pass, 15, unit=board, station=plant.final)
    visit.refresh_from_db()
    assert (visit.began, visit.ended) == (ticks(4), ticks(15))


def test_a_loose_pass_is_bounded_by_packing_and_by_fitting() -> None:
    plant = loose()
    plant.board.steps.get(number=20).stations.set([plant.insertion])
    product_part = make_assembly(places={"M1": plant.board}, route={10: [plant.insertion]})
    (board,) = plant.boards()
    visits = [plant.do(record_passes, minute, units=[board], station=plant.insertion)[0] for minute in (5, 6)]
    assert [bounds(visit)[1] for visit in visits] == [None, None]
    (product,) = plant.units(product_part)
    plant.do(fit_child, 9, unit=product, designator="M1", child=board)
    assert [bounds(visit)[1] for visit in visits] == [9, 9]
    (visit,) = plant.do(record_passes, 12, units=[product], station=plant.insertion)
    plant.do(pack_units, 15, carton="CT", units=[product])
    visit.refresh_from_db()
    assert visit.ended == ticks(15)


def test_a_loose_pass_is_bounded_by_scrapping() -> None:
    plant = loose()
    (board,) = plant.boards()
    (visit,) = plant.do(record_passes, 5, units=[board], station=plant.insertion)
    plant.do(scrap_unit, 9, unit=board, reason="broken")
    assert bounds(visit) == (0, 9)


def test_a_scan_entered_late_does_not_end_a_pass_that_was_scanned_after_it() -> None:
    plant = loose()
    (board,) = plant.boards()
    (visit,) = plant.do(record_passes, 10, units=[board], station=plant.insertion)
    plant.do(record_passes, 8, units=[board], station=plant.test, entered=moment(7))
    assert bounds(visit) == (0, None)


def test_a_scan_that_never_happened_proves_nothing() -> None:
    plant = loose()
    part = make_assembly(
        places={"R1": plant.resistor}, route={10: [plant.test], 20: [plant.insertion], 30: [plant.final]}
    )
    (unit,) = plant.units(part, minute=1)
    wrong = plant.run(unit, plant.test, 3, 4)
    plant.do(void_pass, 5, entry=wrong, reason="another board")
    plant.run(unit, plant.test, 1.5, 2)
    (visit,) = plant.do(record_passes, 10, units=[unit], station=plant.insertion)
    assert Pass.objects.get(pk=visit.pk).began == ticks(2)


def test_at_a_counting_station_the_cycles_are_the_positions() -> None:
    plant = Plant(counts_cycles=True)
    (board,) = plant.boards()
    refused(plant, "pass-refused", start_pass, unit=board, station=plant.insertion)
    for wrong in ((5, 4), (-1, 3), (3, OPEN)):
        refused(plant, "pass-refused", start_pass, unit=board, station=plant.insertion, position=wrong)
    visit = plant.run(board, plant.insertion, 5, 7, position=(41, 42))
    assert (visit.first, visit.last, visit.length_class) == (41, 42, 1)
    assert (visit.began, visit.ended) == (ticks(5), ticks(7))


def test_a_rack_shares_its_range_or_has_positions_in_the_order_given() -> None:
    plant = loose()
    rack = plant.boards(3)
    visits = plant.do(record_passes, 10, units=rack[::-1], station=plant.insertion, rack="RACK-1")
    assert [visit.unit for visit in visits] == rack[::-1]
    assert {(visit.first, visit.last, visit.rack) for visit in visits} == {(ticks(), OPEN, "RACK-1")}


def test_positions_go_with_the_units_in_the_order_given() -> None:
    plant = Plant(mode=ScanMode.LOOSE, counts_cycles=True)
    rack = plant.boards(3)[::-1]
    visits = plant.do(record_passes, 10, units=rack, station=plant.insertion, positions=[(7, 7), (8, 8), (9, 10)])
    assert [(visit.unit, visit.first, visit.last) for visit in visits] == [
        (rack[0], 7, 7),
        (rack[1], 8, 8),
        (rack[2], 9, 10),
    ]


# What it drew --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("outcome", "said", "drew", "only"),
    [
        (PASSED, {}, "all", None),
        (FAILED, {}, "all", None),
        (ABORTED, {}, "unsure", None),
        (ABORTED, {"drew": "none"}, "none", None),
        (ABORTED, {"only": ["R1"]}, "all", ["R1"]),
        (PASSED, {"drew": "unsure", "only": ["R1", "C1"]}, "unsure", ["R1", "C1"]),
    ],
)
@pytest.mark.parametrize("mode", [ScanMode.GATED, ScanMode.LOOSE])
def test_what_a_pass_drew(mode, outcome, said, drew, only) -> None:
    plant = Plant(mode=mode)
    (board,) = plant.boards()
    if mode == ScanMode.GATED:
        visit = plant.run(board, plant.insertion, 5, 6, outcome=outcome, **said)
    else:
        (visit,) = plant.do(record_passes, 6, units=[board], station=plant.insertion, outcome=outcome, **said)
    assert (visit.outcome, visit.drew, visit.only) == (outcome, drew, only)
    board.refresh_from_db()
    assert board.by_designator is (drew != "all" or only is not None)


@pytest.mark.parametrize("first", [FAILED, ABORTED])
@pytest.mark.parametrize(
    ("said", "drew"), [({}, "unsure"), ({"drew": "all"}, "all"), ({"drew": "none"}, "none"), ({"only": ["R2"]}, "all")]
)
def test_a_step_passed_again_is_unsure_unless_the_operator_says(first, said, drew) -> None:
    plant = Plant()
    (board,) = plant.boards()
    plant.run(board, plant.insertion, 5, 6, outcome=first)
    assert plant.run(board, plant.insertion, 8, 9, **said).drew == drew


def test_a_step_that_surely_drew_nothing_before_is_not_repeated() -> None:
    plant = Plant()
    (board,) = plant.boards()
    plant.run(board, plant.insertion, 5, 6, outcome=ABORTED, drew="none")
    assert plant.run(board, plant.insertion, 8, 9).drew == "all"


# Refusals ------------------------------------------------------------------------------------------------------------


def stopped(plant: Plant, rule: str, *units: Any, station: Any = None) -> None:
    refusal = refused(plant, "stopped", start_pass, unit=units[0], station=station or plant.insertion)
    assert refusal.extra["rule"] == rule
    assert rule in [code for code, _, _ in refusal.extra["refusals"]]


def test_the_interlock_stops_a_unit_at_the_wrong_station_or_without_a_step_left() -> None:
    plant = Plant()
    (board,) = plant.boards()
    stopped(plant, "not-due", board, station=plant.test)
    plant.run(board, plant.insertion, 5, 6)
    stopped(plant, "not-due", board)
    plant.run(board, plant.test, 7, 8)
    stopped(plant, "not-due", board, station=plant.test)


def test_the_interlock_stops_what_is_inside_scrapped_fitted_or_packed() -> None:
    plant = Plant()
    inside, scrapped, fitted = plant.boards(3)
    plant.do(start_pass, 5, unit=inside, station=plant.insertion)
    stopped(plant, "inside", inside)
    plant.do(scrap_unit, 5, unit=scrapped, reason="broken")
    stopped(plant, "scrapped", scrapped)
    plant.finish(fitted, 10)
    (product,) = plant.products()
    plant.do(fit_child, 20, unit=product, designator="M1", child=fitted)
    stopped(plant, "fitted", fitted)
    (packed,) = plant.boards()
    plant.do(pack_units, 20, carton="CT", units=[plant.finish(packed, 12)])
    stopped(plant, "packed", packed, station=plant.test)


@pytest.mark.parametrize("what", ["unit", "child", "station", "setup", "feed", "container", "lot"])
def test_the_interlock_stops_what_is_held_and_lets_it_out_again(what: str) -> None:
    plant = Plant()
    plant.board.steps.get(number=20).stations.set([plant.insertion])
    reel = plant.reel()
    plant.do(load_feed, 1, feed=plant.slot_r, container=reel)
    (board,) = plant.boards()
    station = plant.insertion
    if what == "child":
        (unit,) = plant.products()
        plant.do(fit_child, 6, unit=unit, designator="M1", child=plant.finish(board, 3))
        station = plant.final
    else:
        unit = board
    things = {
        "unit": unit,
        "child": board,
        "station": station,
        "setup": plant.setup,
        "feed": plant.slot_r,
        "container": reel,
        "lot": reel.lot,
    }
    (hold,) = plant.do(place_holds, 10, targets=[things[what]], reason="a crack")
    stopped(plant, "held", unit, station=station)
    hold.permits = [Move.START.value]
    hold.save()
    plant.do(start_pass, 50, unit=unit, station=station)
    if what in ("unit", "child", "station"):
        refusal = refused(plant, "stopped", finish_pass, 51, unit=unit)
        assert refusal.extra["rule"] == "held" and "a crack" in refusal.message
        hold.permits = [Move.FINISH.value]
        hold.save()
    assert plant.do(finish_pass, 52, unit=unit).outcome == PASSED


def test_a_scan_out_is_refused_outside_before_the_scan_in_and_with_nonsense() -> None:
    plant = Plant()
    (board,) = plant.boards()
    refused(plant, "pass-refused", finish_pass, unit=board)
    plant.do(start_pass, 5, unit=board, station=plant.insertion)
    refused(plant, "pass-refused", finish_pass, 4, unit=board)
    for wrong in ({"outcome": "void"}, {"outcome": ""}, {"drew": "some"}, {"only": ["R1", "R9"]}):
        refused(plant, "pass-refused", finish_pass, 6, unit=board, **wrong)


def test_passes_are_refused_with_nonsense() -> None:
    plant = loose()
    first, second = plant.boards(2)
    good = {"units": [first, second], "station": plant.insertion}
    for wrong in (
        {"units": []},
        {"units": [first] * 501},
        {"units": [first, first]},
        {"positions": [(1, 1)]},
        {"entered": moment(51)},
        {"outcome": "void"},
        {"outcome": ""},
        {"drew": "some"},
        {"only": ["R9"]},
    ):
        refused(plant, "pass-refused", record_passes, **{**good, **wrong})
    refused(plant, "pass-refused", record_passes, units=[first], station=plant.test)
    assert len(plant.do(record_passes, 50, **good)) == 2


def test_a_rack_passes_whole_or_not_at_all() -> None:
    plant = loose()
    rack = plant.boards(3)
    plant.do(scrap_unit, 5, unit=rack[1], reason="broken")
    refusal = refused(plant, "stopped", record_passes, units=rack, station=plant.insertion)
    assert refusal.extra["rule"] == "scrapped"


def test_a_tape_is_refused_for_another_assembly() -> None:
    plant = Plant()
    tape = plant.do(
        start_tape,
        key="T1",
        assembly=plant.board,
        sequence=["R1", "R2", "C1"],
        heads={"A": (0, ["R1", "R2"]), "B": (5, ["C1"])},
        board_sets=10,
    )
    plant.do(finish_tape, 4, tape=tape, board_sets=10)
    setup = plant.setup.__class__.objects.get(axis__tape=tape)
    (board,), other = plant.boards(), make_assembly(places={"R1": plant.resistor}, route={10: [plant.insertion]})
    (unit,) = plant.units(other)
    refused(plant, "pass-refused", start_pass, unit=unit, station=plant.insertion, setup=setup, position=(1, 1))
    refused(plant, "pass-refused", start_pass, unit=board, station=plant.insertion, setup=setup)
    visit = plant.run(board, plant.insertion, 5, 6, setup=setup, position=(3, 3))
    assert (visit.assembly, visit.axis, visit.first, visit.last) == (plant.board, setup.axis, 3, 3)


# Ends that wait for draws --------------------------------------------------------------------------------------------


def spliced(plant: Plant, lead: int = 3, tolerance: int = 0) -> None:
    plant.do(load_feed, 1, feed=plant.slot_c, container=plant.reel("OLD", plant.capacitor))
    plant.do(
        splice_feed,
        10,
        feed=plant.slot_c,
        container=plant.reel("NEW", plant.capacitor),
        lead=lead,
        tolerance=tolerance,
    )


def test_a_splice_settles_with_the_passes() -> None:
    plant = Plant()
    spliced(plant)
    visits = [plant.run(b, plant.insertion, 20 + 2 * n, 21 + 2 * n) for n, b in enumerate(plant.boards(5))]
    plant.slot_c.refresh_from_db()
    assert not plant.slot_c.unsettled
    assert [candidates_at(plant.slot_c, v.first, v.last) for v in visits] == [{"OLD"}] * 3 + [{"NEW"}] * 2


def test_a_void_pass_moves_the_ends_that_were_counted_with_it() -> None:
    plant = Plant()
    spliced(plant)
    visits = [plant.run(b, plant.insertion, 20 + 2 * n, 21 + 2 * n) for n, b in enumerate(plant.boards(5))]
    plant.do(void_pass, 60, entry=visits[0], reason="it was another board")
    assert [candidates_at(plant.slot_c, v.first, v.last) for v in visits[1:]] == [{"OLD"}] * 3 + [{"NEW"}]


def test_a_pass_entered_late_moves_the_ends_that_were_settled_without_it() -> None:
    plant = Plant()
    spliced(plant)
    *boards, late = plant.boards(6)
    visits = [plant.run(b, plant.insertion, 20 + 2 * n, 21 + 2 * n) for n, b in enumerate(boards)]
    plant.run(late, plant.insertion, 15, 16)
    assert [candidates_at(plant.slot_c, v.first, v.last) for v in visits] == [{"OLD"}] * 2 + [{"NEW"}] * 3


def test_a_late_pass_reaches_a_splice_that_was_taken_for_unreached() -> None:
    """No pass came after it, but the load that settled the feed did."""
    plant = Plant()
    spliced(plant, lead=0, tolerance=0)
    plant.do(load_feed, 30, feed=plant.slot_c, container=plant.reel("THIRD", plant.capacitor))
    spliced_late = Plant.run(plant, plant.boards()[0], plant.insertion, 20, 21)
    assert candidates_at(plant.slot_c, spliced_late.first, spliced_late.last) == {"NEW"}


def test_a_late_pass_before_a_load_counts_for_the_splice_before_it() -> None:
    plant = Plant()
    spliced(plant, lead=1, tolerance=0)
    plant.do(load_feed, 30, feed=plant.slot_c, container=plant.reel("THIRD", plant.capacitor))
    assert "NEW" not in {key for _, _, key in spans_of(plant.slot_c)}, "nobody drew so far"
    late = [plant.run(b, plant.insertion, m, m + 1) for b, m in zip(plant.boards(2), (15, 20), strict=True)]
    assert [candidates_at(plant.slot_c, v.first, v.last) for v in late] == [{"OLD"}, {"NEW"}]


def test_an_aborted_pass_no_longer_counts_for_an_end_that_was_settled_with_it() -> None:
    """By cycles a pass counts from its scan in; that it may have drawn nothing is known at its scan out."""
    plant = Plant(counts_cycles=True)
    plant.do(load_feed, 1, feed=plant.slot_c, container=plant.reel("OLD", plant.capacitor), position=(0, 0))
    plant.do(
        splice_feed,
        10,
        feed=plant.slot_c,
        container=plant.reel("NEW", plant.capacitor),
        lead=1,
        tolerance=0,
        position=(10, 10),
    )
    first, second = plant.boards(2)
    plant.run(first, plant.insertion, 20, 21, position=(11, 11), outcome=ABORTED)
    visit = plant.run(second, plant.insertion, 22, 23, position=(12, 12))
    assert candidates_at(plant.slot_c, visit.first, visit.last) == {"OLD", "NEW"}


def test_a_pass_bounded_later_narrows_what_was_settled() -> None:
    plant = loose()
    spliced(plant, lead=1, tolerance=0)
    first, second, third = plant.boards(3, minute=12)
    for minute, board in ((20, first), (21, second)):
        plant.do(record_passes, minute, units=[board], station=plant.insertion)
    plant.do(start_pass, 30, unit=second, station=plant.test)
    assert {end for _, end, key in spans_of(plant.slot_c) if key == "OLD"} == {ticks(30) + 1}
    plant.do(start_pass, 25, unit=first, station=plant.test)
    assert {end for _, end, key in spans_of(plant.slot_c) if key == "OLD"} == {ticks(25) + 1}
    (visit,) = plant.do(record_passes, 40, units=[third], station=plant.insertion)
    assert candidates_at(plant.slot_c, visit.first, visit.last) == {"OLD", "NEW"}


def test_an_axis_told_wrong_lets_nothing_through() -> None:
    """What gives is found by the axis that its span repeats; a feed of which nothing is found is looked into."""
    plant = Plant()
    plant.do(load_feed, 5, feed=plant.slot_c, container=plant.reel("CAPS", plant.capacitor))
    reel = plant.reel("NEW")
    plant.do(load_feed, 5, feed=plant.slot_r, container=reel)
    plant.do(place_holds, 6, targets=[reel.lot], reason="a crack")
    elsewhere = get_axis(plant.test)
    Span.objects.filter(feed=plant.slot_r).update(axis=elsewhere)
    (board,) = plant.boards()
    stopped(plant, "held", board, station=plant.insertion)


# What names the place of a draw --------------------------------------------------------------------------------------


def test_a_position_at_a_station_that_goes_by_the_clock_is_refused() -> None:
    """By it the interlock would look at what the feeds gave then, and not at what they give now."""
    plant = Plant()
    plant.do(load_feed, 1, feed=plant.slot_r, container=plant.reel("OLD"))
    new = plant.reel("NEW")
    plant.do(load_feed, 5, feed=plant.slot_r, container=new)
    plant.do(place_holds, 6, targets=[new.lot], reason="a crack")
    (board,) = plant.boards()
    before = (ticks(3), ticks(3))
    refused(plant, "pass-refused", start_pass, 7, unit=board, station=plant.insertion, position=before)
    rack = {"units": [board], "station": plant.insertion, "entered": moment(7)}
    refused(plant, "pass-refused", record_passes, 8, positions=[before], **rack)
    refused(plant, "stopped", start_pass, 7, unit=board, station=plant.insertion)


def test_a_set_up_of_the_station_itself_can_not_be_named() -> None:
    """The one that was in force before has other feeds, on which nothing may be held."""
    plant = Plant()
    slot, new = plant.do(define_feed, key="SLOT-NEW", station=plant.insertion), plant.reel("NEW")
    plant.do(load_feed, 5, feed=slot, container=new)
    feeds = {"R1": slot, "R2": slot, "C1": plant.slot_c}
    plant.do(start_setup, 6, key="SETUP-2", station=plant.insertion, assembly=plant.board, feeds=feeds)
    plant.do(place_holds, 7, targets=[new.lot], reason="a crack")
    (board,) = plant.boards()
    refused(plant, "pass-refused", start_pass, 8, unit=board, station=plant.insertion, setup=plant.setup)
    refused(plant, "stopped", start_pass, 8, unit=board, station=plant.insertion)


def test_a_rack_on_both_sides_of_a_changeover_meets_the_holds_of_both() -> None:
    plant = Plant(mode=ScanMode.ONE_AT_A_TIME, counts_cycles=True)
    plant.do(load_feed, 1, feed=plant.slot_r, container=plant.reel("OLD"), position=(0, 0))
    slot, new = plant.do(define_feed, key="SLOT-NEW", station=plant.insertion), plant.reel("NEW")
    plant.do(load_feed, 5, feed=slot, container=new, position=(1, 1))
    feeds = {"R1": slot, "R2": slot, "C1": plant.slot_c}
    there = {"station": plant.insertion, "assembly": plant.board, "position": 50}
    plant.do(start_setup, 6, key="SETUP-2", feeds=feeds, **there)
    plant.do(place_holds, 7, targets=[new.lot], reason="a crack")
    boards = plant.boards(2)
    rack = {"units": boards, "station": plant.insertion, "positions": [(10, 10), (60, 60)]}
    assert plant.do(record_passes, 8, **rack)[1].outcome == ABORTED


def test_a_label_scanned_twice_where_units_go_one_at_a_time_passes_no_step() -> None:
    """The scan of another lets a unit out; its own, by a finger too many, does not."""
    plant = Plant(mode=ScanMode.ONE_AT_A_TIME)
    plant.board.steps.get(number=20).stations.set([plant.insertion])
    first, second = plant.boards(2)
    plant.do(start_pass, 5, unit=first, station=plant.insertion)
    for scan in ({"operation": start_pass, "unit": first}, {"operation": record_passes, "units": [first]}):
        assert refused(plant, "stopped", minute=6, station=plant.insertion, **scan).extra["rule"] == "inside"
    plant.do(start_pass, 7, unit=second, station=plant.insertion)
    assert list(Pass.objects.filter(unit=first).values_list("step__number", "outcome")) == [(10, PASSED)]


# Texts that no record takes ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("text", ["x" * 301, "\0", "\ud800"])
def test_a_text_that_can_not_be_stored_is_refused(text: str) -> None:
    plant = Plant(mode=ScanMode.ONE_AT_A_TIME)
    first, second = plant.boards(2)
    (entry,) = plant.do(record_passes, 5, units=[first], station=plant.insertion)
    again = {"units": [second], "station": plant.insertion}
    refused(plant, "bad-text", record_passes, 8, rack=text, **again)
    refused(plant, "bad-text", record_passes, 8, request=Request(text, "1"), **again)
    refused(plant, "bad-text", record_passes, 8, request=Request("scanner 4", text), **again)
    refused(plant, "bad-text", void_pass, 8, entry=entry, reason=text)


def test_a_void_pass_is_not_voided_again() -> None:
    plant = Plant(mode=ScanMode.ONE_AT_A_TIME)
    (board,) = plant.boards()
    (entry,) = plant.do(record_passes, 5, units=[board], station=plant.insertion)
    void = plant.do(void_pass, 6, entry=entry, reason="another board")
    refused(plant, "correction-refused", void_pass, 7, entry=void, reason="another board")


# Free order and alternatives -----------------------------------------------------------------------------------------


def joined(label: str) -> tuple[Plant, Station, Station, Station]:
    """A plant whose route has two steps under one name between the first and the last, each at a station of its own."""
    plant = Plant()
    look, weigh, last = make_station("LOOK"), make_station("WEIGH"), make_station("LAST")
    plant.board.steps.exclude(number=10).delete()
    for number, station, name in ((20, look, "X"), (30, weigh, "X"), (40, last, "")):
        step = Step.objects.create(part=plant.board, number=number, name=f"Step {number}", **{label: name})
        step.stations.set([station])
    return plant, look, weigh, last


@pytest.mark.parametrize(("first", "second"), [(0, 1), (1, 0)])
def test_steps_in_free_order_are_done_in_any_order_and_all_of_them(first: int, second: int) -> None:
    plant, *stations, last = joined("free_order")
    (board,) = plant.boards()
    refused(plant, "stopped", start_pass, 1, unit=board, station=stations[0])
    plant.run(board, plant.insertion, 2, 3)
    says = refused(plant, "stopped", start_pass, 4, unit=board, station=last)
    assert says.message.endswith("still needs step 20, Step 20, at LOOK; or step 30, Step 30, at WEIGH.")
    plant.run(board, stations[first], 5, 6)
    refused(plant, "stopped", start_pass, 7, unit=board, station=stations[first])
    refused(plant, "stopped", start_pass, 8, unit=board, station=last)
    plant.run(board, stations[second], 9, 10)
    plant.run(board, last, 11, 12)
    assert find_due_step(board) is None


@pytest.mark.parametrize(("taken", "other"), [(0, 1), (1, 0)])
def test_of_alternatives_one_is_enough(taken: int, other: int) -> None:
    plant, *stations, last = joined("alternative")
    (board,) = plant.boards()
    plant.run(board, plant.insertion, 2, 3)
    refused(plant, "stopped", start_pass, 4, unit=board, station=last)
    plant.run(board, stations[taken], 5, 6)
    refused(plant, "stopped", start_pass, 7, unit=board, station=stations[other])
    plant.run(board, last, 11, 12)
    assert find_due_step(board) is None
