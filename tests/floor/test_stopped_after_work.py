"""A unit that is stopped by a scan after the work: what it drew is on record, and it has not passed."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest

from tests.factories import Plant, moment, ticks
from tests.genealogy.asking import NONE, ask, load
from tests.refusals import refused
from trace.engineering.models import ScanMode
from trace.floor.models import Pass, Unit
from trace.floor.operations.feeds import load_feed
from trace.floor.operations.fittings import fit_child
from trace.floor.operations.orders import scrap_unit
from trace.floor.operations.passes import record_passes, start_pass
from trace.floor.rules import DRAWS_STAND, RULES
from trace.holds.operations import place_holds, release_hold
from trace.ledger.models import Event
from trace.ledger.operation import Request
from trace.material.models import Container

pytestmark = pytest.mark.django_db

ONE, LOOSE, GATED = ScanMode.ONE_AT_A_TIME, ScanMode.LOOSE, ScanMode.GATED


def record(plant: Plant, minute: float, *units: Unit, **said: Any) -> list[Pass]:
    return plant.do(record_passes, minute, units=units, station=plant.insertion, **said)


def codes(entry: Pass) -> list[str]:
    return [refusal.extra["rule"] for refusal in entry.stopped]


def held(plant: Plant, reel: Container, what: str, unit: Unit) -> Any:
    target = {"lot": reel.lot, "container": reel, "unit": unit, "station": plant.insertion}[what]
    (hold,) = plant.do(place_holds, 9, targets=[target], reason="a crack")
    return hold


@pytest.mark.parametrize("what", ["lot", "container", "unit", "station"])
def test_what_was_drawn_before_a_hold_stopped_it_is_found_and_the_unit_gets_no_further(what: str) -> None:
    plant = Plant(mode=ONE)
    reel = load(plant, "A", 1)
    (board,) = plant.boards(minute=2)
    held(plant, reel, what, board)
    (entry,) = record(plant, 10, board)
    assert (entry.outcome, entry.drew, entry.inside, codes(entry)) == ("aborted", "all", False, ["held"])
    assert entry.stopped[0].message.count("a crack") == 1
    assert '"stopped":{"' + board.key in Event.objects.latest("id").payload
    assert ask("A") == ({board.key}, NONE, NONE)
    refused(plant, "stopped", start_pass, 11, unit=board, station=plant.test)
    refused(plant, "stopped", start_pass, 11, unit=board, station=plant.insertion)


def test_what_failed_has_failed_however_it_is_stopped_beside() -> None:
    """So it counts towards the repair limit, and in the yield."""
    plant = Plant(mode=ONE)
    load(plant, "A", 1)
    (board,) = plant.boards(minute=2)
    held(plant, Container.objects.get(key="A"), "unit", board)
    (entry,) = record(plant, 10, board, outcome="failed")
    assert (entry.outcome, codes(entry)) == ("failed", ["held"])


def test_the_same_request_again_hears_the_same_reasons() -> None:
    plant = Plant(mode=ONE)
    reel = load(plant, "A", 1)
    boards = plant.boards(2, minute=2)
    held(plant, reel, "unit", boards[1])
    once, again = (record(plant, 10, *boards, request=Request("scanner 4", "17")) for _ in range(2))
    assert [entry.pk for entry in again] == [entry.pk for entry in once]
    assert [codes(entry) for entry in again] == [[], ["held"]]
    assert [str(entry.stopped[0]) for entry in (once[1], again[1])] == [str(once[1].stopped[0])] * 2


def test_once_the_hold_is_released_the_step_is_passed_by_another_scan() -> None:
    plant = Plant(mode=ONE)
    reel = load(plant, "A", 1)
    (board,) = plant.boards(minute=2)
    hold = held(plant, reel, "lot", board)
    record(plant, 10, board)
    plant.do(release_hold, 11, hold=hold, reason="sorted")
    load(plant, "B", 12)
    (entry,) = record(plant, 13, board, drew="none")
    assert (entry.outcome, codes(entry)) == ("passed", [])
    assert ask("A") == ({board.key}, NONE, NONE) and ask("B") == (NONE, NONE, NONE)
    plant.do(start_pass, 14, unit=board, station=plant.test)


def test_at_a_loose_station_the_rest_may_not_have_been_drawn() -> None:
    plant = Plant(mode=LOOSE)
    reel = load(plant, "A", 1)
    first, second = plant.boards(2, minute=2)
    held(plant, reel, "lot", first)
    assert record(plant, 10, first)[0].drew == "unsure"
    assert record(plant, 11, second, only=["R1"])[0].drew == "all"
    for minute, board in ((12, first), (13, second)):
        plant.do(scrap_unit, minute, unit=board, reason="broken")  # it has left the station
    assert ask("A") == ({second.key}, {first.key}, NONE)


def test_a_gated_pass_entered_afterwards_keeps_its_draws_of_an_expired_lot() -> None:
    plant = Plant()
    plant.do(load_feed, 1, feed=plant.slot_r, container=plant.reel("A", expiry=date(2026, 3, 2)))
    (board,) = plant.boards(minute=2)
    day = 60 * 24
    (entry,) = record(plant, day + 1, board, entered=moment(day))
    assert (entry.outcome, entry.began, codes(entry)) == ("aborted", ticks(day), ["expired"])
    assert ask("A") == ({board.key}, NONE, NONE)


def test_what_was_drawn_past_a_count_is_recorded_as_not_known() -> None:
    plant = Plant(mode=ONE)
    plant.do(load_feed, 1, feed=plant.slot_c, container=plant.reel("CAPS", plant.capacitor))
    plant.do(load_feed, 1, feed=plant.slot_r, container=plant.reel("A"), quantity=4, at_least=4)
    other = plant.reel("B")
    boards = plant.boards(3, minute=2)
    for minute, board in zip((10, 20, 30), boards, strict=True):
        (entry,) = record(plant, minute, board)
    assert codes(entry) == ["exhausted"]
    assert boards[2].key in ask(other.key)[1]


def test_a_unit_worked_on_with_a_scrapped_child_has_drawn() -> None:
    plant = Plant()
    (board,), (product,) = plant.boards(minute=2), plant.products()
    plant.do(fit_child, 6, unit=product, designator="M1", child=plant.finish(board, 3))
    plant.do(scrap_unit, 7, unit=board, reason="broken")
    entered = {"entered": moment(8)} if plant.final.scan_mode == GATED else {}
    (entry,) = plant.do(record_passes, 10, units=[product], station=plant.final, **entered)
    assert codes(entry) == ["child-scrapped"] and entry.outcome == "aborted"


def test_of_a_rack_those_that_nothing_stops_pass() -> None:
    plant = Plant(mode=ONE)
    load(plant, "A", 1)
    first, second = plant.boards(2, minute=2)
    plant.do(place_holds, 9, targets=[second], reason="a crack")
    assert [entry.outcome for entry in record(plant, 10, first, second)] == ["passed", "aborted"]
    assert ask("A")[0] == {first.key, second.key}


def test_a_scan_that_is_wrong_is_refused_with_all_that_is_wrong() -> None:
    plant = Plant(mode=ONE)
    reel = load(plant, "A", 1)
    first, second = plant.boards(2, minute=2)
    plant.do(scrap_unit, 5, unit=second, reason="broken")
    held(plant, reel, "lot", first)
    rack = {"units": [first, second], "station": plant.insertion}
    refusal = refused(plant, "stopped", record_passes, 10, **rack)
    assert {code for code, _, _ in refusal.extra["refusals"]} == {"scrapped", "held"}


def test_rules_about_where_the_unit_is_refuse_the_scan_itself() -> None:
    assert {rule.code for rule in RULES} - DRAWS_STAND == {
        "scrapped", "shipped", "packed", "fitted", "in-panel", "inside", "not-due", "made-later", "no-setup",
    }  # fmt: skip
