"""Counting, scrapping, re-reeling, returning, and calls for material: what is refused, and what stays on record."""

from __future__ import annotations

from datetime import date

import pytest

from tests.factories import Plant, approve_substitute, make_part, ticks
from tests.refusals import refused
from trace.floor.models import Pass
from trace.floor.operations.calls import call_material, deliver_call, issue_container, withdraw_call
from trace.floor.operations.counting import count_container, rereel_container, return_container, scrap_parts
from trace.floor.operations.feeds import load_feed
from trace.genealogy.forward import trace_forward
from trace.genealogy.suspicion import Suspicion
from trace.holds.operations import place_holds
from trace.material.models import Call, Container, Count, Span

pytestmark = pytest.mark.django_db


def test_a_count_that_differs_needs_a_reason() -> None:
    plant = Plant()
    reel = plant.reel("CB-1", quantity=100)
    refusal = refused(plant, "count-differs", count_container, container=reel, quantity=90)
    assert "should hold 100" in refusal.message
    refused(plant, "stock-refused", count_container, container=reel, quantity=-1)
    plant.do(load_feed, 51, feed=plant.slot_r, container=reel)
    refused(plant, "stock-refused", count_container, 52, container=reel, quantity=100)
    refused(plant, "stock-refused", scrap_parts, 52, container=reel, quantity=1, reason="bent")
    refused(plant, "stock-refused", return_container, 52, container=reel, store="A-1")


def test_counting_moves_no_span_and_no_pass() -> None:
    plant = Plant()
    plant.do(load_feed, 1, feed=plant.slot_r, container=plant.reel("CB-1", quantity=100))
    plant.do(load_feed, 1, feed=plant.slot_c, container=plant.reel("CB-2", plant.capacitor))
    (board,) = plant.boards()
    plant.run(board, plant.insertion, 2, 3)
    spare = plant.reel("CB-3", quantity=100)
    before = list(Span.objects.values()), list(Pass.objects.values())
    plant.do(count_container, 5, container=spare, quantity=99, reason="lost one")
    assert (list(Span.objects.values()), list(Pass.objects.values())) == before
    assert Count.objects.get().reason == "lost one"


def test_held_material_is_counted_but_neither_scrapped_nor_returned() -> None:
    plant = Plant()
    reel = plant.reel("CB-1", quantity=100)
    plant.do(place_holds, 1, targets=[reel], reason="drift")
    plant.do(count_container, 2, container=reel, quantity=100)
    refused(plant, "held", scrap_parts, container=reel, quantity=1, reason="bent")
    refused(plant, "held", return_container, container=reel, store="A-1")
    refused(plant, "held", rereel_container, source=reel, key="CB-2")


def test_what_scrapping_and_returning_must_say() -> None:
    plant = Plant()
    reel = plant.reel("CB-1", quantity=100)
    refused(plant, "stock-refused", scrap_parts, container=reel, quantity=1, reason="")
    refused(plant, "stock-refused", scrap_parts, container=reel, quantity=0, reason="x")
    refused(plant, "stock-refused", return_container, container=reel, store="")
    refused(plant, "count-differs", return_container, container=reel, store="A-1", quantity=7)
    refused(plant, "stock-refused", rereel_container, source=reel, key="CB-2", kind="sack")
    refused(plant, "key-in-use", rereel_container, source=reel, key="CB-1")


def test_what_was_re_reeled_is_still_of_its_lot() -> None:
    plant = Plant()
    reel = plant.reel("CB-1", lot="BAD", quantity=100)
    again = plant.do(rereel_container, 5, source=reel, key="CB-2")
    assert again.lot.key == "BAD"
    plant.do(load_feed, 6, feed=plant.slot_r, container=again)
    plant.do(load_feed, 6, feed=plant.slot_c, container=plant.reel("CB-3", plant.capacitor))
    (board,) = plant.boards()
    plant.run(board, plant.insertion, 7, 8)
    found = trace_forward(Suspicion.of(containers=[Container.objects.get(key="CB-1")]))
    assert [(carrier.key, carrier.sureness.value) for carrier in found.carriers] == [(board.key, "certain")]
    refused(plant, "stock-refused", rereel_container, source=reel, key="CB-4")


def test_a_call_from_asking_to_delivery() -> None:
    plant = Plant()
    reel = plant.reel("CB-1", quantity=100)
    call = plant.do(call_material, 1, station=plant.insertion, part=plant.resistor)
    assert (call.key, call.state) == (f"CALL-{call.pk:04}", "open")
    refused(plant, "call-refused", call_material, station=plant.insertion, part=plant.resistor)
    refused(plant, "call-refused", call_material, station=plant.final, part=plant.board)
    refused(plant, "stock-refused", call_material, station=plant.final, part=plant.fuse, quantity=0)
    refused(plant, "call-refused", deliver_call, call=call)
    refused(plant, "call-refused", issue_container, call=call, container=plant.reel("CB-2", plant.capacitor))
    call = plant.do(issue_container, 2, call=call, container=reel)
    assert (call.state, Container.objects.get(key="CB-1").store) == ("on its way", "on its way to INSERT")
    refused(plant, "call-refused", issue_container, call=call, container=reel)
    other = plant.do(call_material, 3, station=plant.insertion, part=plant.resistor)
    refused(plant, "call-refused", issue_container, call=other, container=reel)
    call = plant.do(deliver_call, 4, call=call)
    assert (call.state, Container.objects.get(key="CB-1").store) == ("delivered", "INSERT")
    refused(plant, "call-refused", withdraw_call, call=call, reason="x")
    refused(plant, "call-refused", withdraw_call, call=other, reason="")
    other = plant.do(withdraw_call, 5, call=other, reason="the order changed")
    assert other.state == "withdrawn"
    refused(plant, "call-refused", issue_container, call=other, container=reel)
    assert not Call.objects.filter(delivered=None, withdrawn=None).exists()


def test_a_substitute_may_be_issued_but_nothing_expired_or_held() -> None:
    plant = Plant()
    call = plant.do(call_material, 1, station=plant.insertion, part=plant.resistor)
    old = plant.reel("CB-1", expiry=date(2026, 3, 1))
    refused(plant, "expired", issue_container, call=call, container=old)
    other = make_part("RES-B")
    reel = plant.reel("CB-2", other)
    refused(plant, "call-refused", issue_container, call=call, container=reel)
    approve_substitute(plant.board, "R1", other)
    (hold,) = plant.do(place_holds, 2, targets=[reel], reason="drift")
    refused(plant, "held", issue_container, call=call, container=reel)
    hold.permits = ["store"]
    hold.save()
    assert plant.do(issue_container, 3, call=call, container=reel).issued == ticks(3)


def test_a_call_is_not_answered_delivered_or_withdrawn_before_it_was_made() -> None:
    plant = Plant()
    reel = plant.reel("CB-1", quantity=100)
    call = plant.do(call_material, 10, station=plant.insertion, part=plant.resistor)
    refused(plant, "call-refused", issue_container, 5, call=call, container=reel)
    refused(plant, "call-refused", withdraw_call, 5, call=call, reason="not wanted")
    call = plant.do(issue_container, 12, call=call, container=reel)
    refused(plant, "call-refused", deliver_call, 11, call=call)
    refused(plant, "call-refused", withdraw_call, 11, call=call, reason="not wanted")
    plant.do(deliver_call, 12, call=call)
