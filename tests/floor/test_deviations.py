"""Deviations: what may be opened, when one counts, what it lets by, and what it never does."""

from __future__ import annotations

import json
from datetime import date, timedelta
from typing import Any

import pytest

from tests.approvals.signing import deviation, quality, sign_as
from tests.factories import Plant, make_assembly, make_person, make_station, moment, ticks
from tests.refusals import refused
from trace.approvals.models import Deviation
from trace.approvals.operations import revoke_deviation
from trace.approvals.queries import find_state
from trace.core.clock import OPEN, telling
from trace.core.errors import Refusal
from trace.core.permissions import Role
from trace.engineering.models import ScanMode
from trace.floor.models import Skip, Unit
from trace.floor.operations.corrections import void_pass
from trace.floor.operations.deviations import open_deviation
from trace.floor.operations.feeds import load_feed
from trace.floor.operations.orders import scrap_unit
from trace.floor.operations.passes import finish_pass, record_passes, start_pass
from trace.floor.queries import find_due_step
from trace.floor.rules import DEVIABLE, RULES
from trace.genealogy.whereabouts import find_whereabouts
from trace.holds.operations import place_holds
from trace.ledger.models import Event

pytestmark = pytest.mark.django_db


def used(it: Deviation) -> int:
    it.refresh_from_db()
    return it.used


def into(plant: Plant, unit: Unit, minute: float = 10, station: Any = None) -> Any:
    return plant.do(start_pass, minute, unit=unit, station=station or plant.test)


# Opening and revoking ------------------------------------------------------------------------------------------------


def test_where_a_deviation_would_hide_where_a_unit_is_or_that_it_is_held_there_is_none() -> None:
    never = {rule.code for rule in RULES} - set(DEVIABLE)
    assert never >= {"scrapped", "shipped", "packed", "fitted", "inside", "held", "made-later", "child-unknown"}


def test_what_a_deviation_must_say() -> None:
    plant = Plant()
    plant.lot("K77")
    good: dict[str, Any] = {
        "key": "DEV-9", "rules": ["expired"], "scope": ["lot:K77", "station:INSERT"], "reason": "x",
        "expires": moment(99), "most": 1,
    }  # fmt: skip
    for code, wrong in (
        ("deviation-refused", {"rules": []}),
        ("deviation-refused", {"rules": ["held"]}),
        ("deviation-refused", {"rules": ["none such"]}),
        ("deviation-refused", {"scope": []}),
        ("deviation-refused", {"scope": ["lot:NONE"]}),
        ("deviation-refused", {"scope": ["K77"]}),
        ("deviation-refused", {"scope": ["supplier:ACME"]}),
        ("deviation-refused", {"scope": ["equipment:HV-1"]}),
        ("deviation-refused", {"scope": ["part:a b"]}),
        ("deviation-refused", {"rules": ["not-due"], "scope": ["part:BOARD"]}),
        ("deviation-refused", {"rules": ["not-due"], "scope": ["part:BOARD", "step:30"]}),
        ("deviation-refused", {"rules": ["not-due"], "scope": ["step:٣"]}),
        ("deviation-refused", {"rules": ["not-due", "expired"], "scope": ["step:10", "lot:K77"]}),
        ("deviation-refused", {"reason": " "}),
        ("deviation-refused", {"expires": moment(50)}),
        ("deviation-refused", {"most": 0}),
        ("deviation-refused", {"most": 2**40}),
        ("bad-text", {"reason": "x" * 301}),
        ("bad-key", {"key": "a b"}),
        ("not-permitted", {"by": make_person("OP", roles=[Role.OPERATOR])}),
    ):
        refused(plant, code, open_deviation, **{**good, **wrong})
    it = plant.do(open_deviation, 50, **good)
    assert (it.scope, it.used, find_state(it, moment(51))) == (["lot:K77", "station:INSERT"], 0, "not approved")
    refused(plant, "key-in-use", open_deviation, **good)
    refused(plant, "deviation-refused", revoke_deviation, deviation=it, reason=" ")
    plant.do(revoke_deviation, 60, deviation=it, reason="The machine is mended.")
    refused(plant, "deviation-refused", revoke_deviation, deviation=it, reason="again")


def test_a_step_is_named_with_the_part_or_the_units_of_which_it_is_one() -> None:
    plant = Plant()
    (board,) = plant.boards(1)
    told = {"key": "DEV-1", "rules": ["not-due"], "reason": "x", "expires": moment(99), "most": 1}
    for scope in (["step:10"], ["step:10", "station:TEST"]):  # every product has a step 10
        refusal = refused(plant, "deviation-refused", open_deviation, 1, **told, scope=scope)
        assert "of which part, such as part:CB-180, or of which units" in refusal.message
    plant.do(open_deviation, 1, **told, scope=["step:10", f"unit:{board.key}"])
    # One from before that was asked stays as it was approved.
    old = deviation(plant, key="DEV-2", approved=None)
    Deviation.objects.filter(pk=old.pk).update(scope=["step:10"])
    sign_as(quality(), old, 2)
    into(plant, board)
    assert used(old) == 1


# When one counts -----------------------------------------------------------------------------------------------------


def test_it_counts_once_a_quality_engineer_other_than_its_author_has_approved_it() -> None:
    """21 CFR 11.10(g): authority to sign is checked; four eyes are common practice."""
    plant = Plant()
    (board,) = plant.boards(1)
    it = deviation(plant, approved=None)
    refused(plant, "stopped", start_pass, 10, unit=board, station=plant.test)
    with pytest.raises(Refusal, match="Ann opened .*: nobody approves their own"):
        sign_as(plant.ann, it, 2)  # its author, who has every role
    sign_as(plant.ann, it, 2, "authored")
    sign_as(make_person("SUE", roles=[Role.SUPERVISOR]), it, 2)
    sign_as(quality(), it, 2, "reviewed")
    refused(plant, "stopped", start_pass, 10, unit=board, station=plant.test)
    assert find_state(it, moment(10)) == "not approved"
    sign_as(quality(), it, 8)
    refused(plant, "stopped", start_pass, 7, unit=board, station=plant.test)  # before it was approved
    into(plant, board)
    assert (used(it), find_state(it, moment(10))) == (1, "in force")


def test_once_what_it_says_was_changed_it_no_longer_counts() -> None:
    plant = Plant()
    (board,) = plant.boards(1)
    it = deviation(plant)
    Deviation.objects.filter(pk=it.pk).update(most=1_000)  # as no operation would
    refused(plant, "stopped", start_pass, 10, unit=board, station=plant.test)


@pytest.mark.parametrize(
    ("fields", "minute"),
    [
        ({"expires": moment(10)}, 10),
        ({"scope": ["part:BOARD", "step:20"]}, 10),
        ({"scope": ["part:PRODUCT", "step:10"]}, 10),
        ({"scope": ["part:BOARD", "step:10", "station:FINAL"]}, 10),
        ({"rules": ["expired"], "scope": ["part:BOARD"]}, 10),
    ],
)
def test_outside_its_scope_and_time_it_permits_nothing(fields: dict, minute: float) -> None:
    plant = Plant()
    (board,) = plant.boards(1)
    deviation(plant, **fields)
    refused(plant, "stopped", start_pass, minute, unit=board, station=plant.test)


def test_it_permits_until_it_is_revoked_as_of_the_scan() -> None:
    plant = Plant()
    first, second = plant.boards(2)
    it = deviation(plant)
    plant.do(revoke_deviation, 20, deviation=it, reason="mended")
    refused(plant, "stopped", start_pass, 20, unit=first, station=plant.test)
    into(plant, second, 19)
    assert used(it) == 1


LATE = 5_000
"""Minutes: all of it is entered days after the deviation has ended."""


@pytest.mark.parametrize(
    ("fields", "entered", "minute", "error", "stands"),
    [
        ({}, None, 10, 0, True),  # approved in minute 2, ended in minute 20 …
        ({"expires": moment(20)}, None, 10, 0, True),
        ({"expires": moment(20)}, None, 20, 0, False),
        ({"approved": 30}, None, 29, 0, False),  # … or approved only after the work
        ({"approved": 30}, None, 30, 0, True),
        # A moment from paper: it must have held whenever that was.
        ({"approved": 12, "expires": moment(20)}, None, 16, 3, True),
        ({"approved": 12, "expires": moment(20)}, None, 16, 4, False),
        ({"approved": 12, "expires": moment(30)}, None, 16, 5, False),
        # What was begun under it may be finished.
        ({"expires": moment(20)}, 19, 40, 0, True),
        ({"approved": 30}, 19, 40, 0, False),
    ],
)
def test_what_is_entered_late_makes_use_of_what_held_when_it_was_done(
    fields: dict, entered: float | None, minute: float, error: float, stands: bool
) -> None:
    plant = Plant()
    plant.test.scan_mode = ScanMode.LOOSE
    plant.test.save()
    first, second = plant.boards(2)
    it = deviation(plant, **{"most": 1, **fields})
    told: dict[str, Any] = {"station": plant.test, "error": timedelta(minutes=error)}
    told["entered"] = None if entered is None else moment(entered)
    with telling(moment(LATE)):
        assert find_state(it, moment(LATE)) == "expired"
        if not stands:
            refused(plant, "stopped", record_passes, minute, units=[first], **told)
            return
        (entry,) = plant.do(record_passes, minute, units=[first], **told)
        assert entry.outcome == "passed" and Skip.objects.get().recorded == ticks(LATE)
        # Its count is what is left of it now, not what was left then.
        refused(plant, "stopped", record_passes, minute, units=[second], **told)
    assert used(it) == 1


def test_a_scan_in_from_paper_makes_use_of_what_held_throughout_its_error() -> None:
    plant = Plant()
    (board,) = plant.boards(1)
    deviation(plant, expires=moment(20))
    told = {"unit": board, "station": plant.test}
    refused(plant, "stopped", start_pass, 15, **told, error=timedelta(minutes=5))
    plant.do(start_pass, 15, **told, error=timedelta(minutes=4))


# What it lets by -----------------------------------------------------------------------------------------------------


def test_a_skipped_step_counts_as_passed_by_deviation_and_stays_readable() -> None:
    plant = Plant()
    (board,) = plant.boards(1)
    it = deviation(plant)
    entry = into(plant, board)
    assert (entry.step.number, used(it)) == (20, 1)
    skip = Skip.objects.get()
    assert (skip.unit, skip.step.number, skip.deviation, skip.at) == (board, 10, it, ticks(10))
    event = Event.objects.latest("id")
    told = json.loads(event.payload)["facts"]["deviated"][board.key]
    assert told == [["not-due", "DEV-1", f"{board.key} still needs step 10, Step 10, at INSERT."]]
    assert event.subjects.filter(kind="deviation", key="DEV-1").exists()
    plant.do(finish_pass, 11, unit=board)
    assert find_due_step(board) is None
    assert find_whereabouts([board.pk], OPEN)[board.pk].group == "finished"
    refused(plant, "stopped", start_pass, 12, unit=board, station=plant.insertion)


def test_a_skip_ends_with_its_pass_and_the_use_stays_counted() -> None:
    plant = Plant()
    (board,) = plant.boards(1)
    it = deviation(plant)
    entry = into(plant, board)
    plant.do(void_pass, 12, entry=entry, reason="wrong unit")
    step = find_due_step(board)
    assert step and step.number == 10 and used(it) == 1
    into(plant, board, 13)
    assert used(it) == 2 and Skip.objects.filter(superseded=None).count() == 1


def test_several_steps_are_skipped_one_after_the_other_if_each_may_be() -> None:
    plant = Plant()
    end = make_station("END")
    long = make_assembly("LONG", places={}, route={10: [plant.insertion], 20: [plant.test], 30: [end]})
    first, second = plant.units(long, 2)
    deviation(plant, scope=["part:LONG", "step:10"])
    refused(plant, "stopped", start_pass, 10, unit=first, station=end)
    both = deviation(plant, key="DEV-2", scope=["part:LONG", "step:10", "step:20"])
    assert into(plant, first, 10, end).step.number == 30
    assert Skip.objects.filter(unit=first).count() == 2 and used(both) == 1  # a unit counts once
    refused(plant, "stopped", start_pass, 10, unit=second, station=plant.final)  # no step of its route is there


@pytest.mark.parametrize("label", ["alternative", "free_order"])
@pytest.mark.parametrize("step", [10, 20])
def test_whichever_of_the_steps_that_are_due_it_covers_is_skipped(label: str, step: int) -> None:
    plant = Plant()
    end = make_station("END")
    pair = make_assembly("PAIR", places={}, route={10: [plant.insertion], 20: [plant.test], 30: [end]})
    pair.steps.filter(number__lt=30).update(**{label: "A"})
    first, second = plant.units(pair, 2)
    it = deviation(plant, scope=["part:PAIR", f"step:{step}"])
    if label == "free_order":  # the other of the two is still due
        refused(plant, "stopped", start_pass, 9, unit=first, station=end)
        plant.run(first, plant.test if step == 10 else plant.insertion, 10, 11)
    assert into(plant, first, 12, end).step.number == 30
    assert [skip.step.number for skip in Skip.objects.filter(unit=first)] == [step] and used(it) == 1
    refused(plant, "stopped", start_pass, 13, unit=second, station=plant.final)
    assert used(it) == 1


def test_a_skip_leads_to_no_station_where_another_rule_stops_the_unit() -> None:
    plant = Plant()
    (board,) = plant.boards(1)
    it = deviation(plant)
    plant.do(place_holds, 5, targets=[board], reason="a crack")
    refusal = refused(plant, "stopped", start_pass, 10, unit=board, station=plant.test)
    assert [code for code, _, _ in refusal.extra["refusals"]] == ["not-due", "held"]
    plant.do(scrap_unit, 11, unit=plant.boards(1)[0], reason="x")
    assert used(it) == 0


def test_each_unit_of_a_rack_makes_use_of_it_up_to_its_count() -> None:
    plant = Plant(mode=ScanMode.LOOSE)
    it = deviation(plant, most=2)
    rack = plant.boards(3)
    at_test = {"station": plant.test, "entered": moment(9)}
    refused(plant, "stopped", record_passes, 10, units=rack, **at_test)
    assert used(it) == 0
    plant.do(record_passes, 10, units=rack[:2], **at_test)
    assert (used(it), find_state(it, moment(11))) == (2, "used up")
    refused(plant, "stopped", record_passes, 12, units=rack[2:], **at_test)


def test_an_expired_lot_is_used_under_a_deviation_for_that_lot_alone() -> None:
    plant = Plant(mode=ScanMode.ONE_AT_A_TIME)
    day = 60 * 24
    reel = plant.reel("A", lot="K77", expiry=date(2026, 3, 2))
    plant.do(load_feed, 1, feed=plant.slot_r, container=reel)
    plant.lot("K78")
    deviation(plant, key="DEV-8", rules=["expired"], scope=["lot:K78"], expires=moment(2 * day))
    first, second = plant.boards(2)
    (entry,) = plant.do(record_passes, day, units=[first], station=plant.insertion)
    assert entry.outcome == "aborted" and [one.extra["rule"] for one in entry.stopped] == ["expired"]
    it = deviation(plant, rules=["expired"], scope=["lot:K77"], expires=moment(2 * day), most=1)
    (entry,) = plant.do(record_passes, day + 1, units=[second], station=plant.insertion)
    assert (entry.outcome, entry.stopped, used(it)) == ("passed", (), 1)
    assert '"deviated"' in Event.objects.latest("id").payload


def test_a_scope_is_kept_as_the_interlock_knows_what_it_names() -> None:
    plant = Plant()
    (board,) = plant.boards()
    it = deviation(plant, scope=["part: board", " step:010", f"unit:{board.key.lower()}"])
    assert it.scope == ["part:BOARD", "step:10", f"unit:{board.key}"]
    into(plant, board)
    assert used(it) == 1
