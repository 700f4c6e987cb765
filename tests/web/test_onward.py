"""Where a unit goes that no station of its route takes: each page that stops it leads there."""

from __future__ import annotations

from decimal import Decimal

import pytest
from django.test import Client

from tests.floor.test_samples import finish, life
from tests.floor.troubleshooting import Trouble
from tests.web.test_answers import rows_of, text_of
from tests.web.test_station import AtStation
from trace.core.keys import code_of
from trace.engineering.models import Step
from trace.engineering.operations import PackingRow, set_packing
from trace.floor.models import Chooses, Counted, Sample, Unit
from trace.floor.operations.racks import define_rack, put_in_rack
from trace.floor.operations.samples import set_sample_rules
from trace.holds.operations import place_holds
from trace.holds.rules import Move

pytestmark = pytest.mark.django_db


@pytest.fixture
def trouble(db: None) -> Trouble:
    return Trouble()


def fail(visitor: Client, unit: Unit) -> AtStation:
    page = AtStation(visitor, "TEST")
    page.scan(unit.key)
    page.press("failed")
    return page


def drop_tests(trouble: Trouble) -> Sample:
    """A board that is finished, and owes a drop test."""
    drops = life(name="Drop test", kind=Counted.DROPS, demand=Decimal(10), chooses=Chooses.FIRST)
    trouble.plant.do(set_sample_rules, number="BOARD", rows=[drops])
    (board,) = trouble.plant.boards(minute=2)
    finish(trouble.plant, board)
    return Sample.objects.get()


def test_what_failed_is_led_to_where_it_is_mended(visitor: Client, trouble: Trouble) -> None:
    board = trouble.failed()
    page = fail(visitor, board)
    assert "is due for step 20 Step 20, at TEST. What is wrong with it is found and mended at RP1." in page.text
    assert f"/station/RP1/repair/{board.key}/" in page.html
    trouble.find(board)
    page.scan(board.key)
    assert page.word == "Stop" and f"What is done about {board.key}, at RP1" in page.text
    assert f"/station/RP1/repair/{board.key}/" in page.html


def test_what_failed_as_often_as_it_may_is_led_to_who_decides(visitor: Client, trouble: Trouble) -> None:
    Step.objects.filter(pk=trouble.test.pk).update(attempts=2)
    board = trouble.failed()
    trouble.fail(board, 15)
    home = visitor.get(f"/station/TEST/?after={board.key}", headers={"HX-Request": "true", "HX-Target": "home"})
    said = text_of(home.content.decode())
    assert f"{board.key} failed step 20 Step 20 as often as it may, and is to be reviewed." in said
    page = AtStation(visitor, "TEST")
    page.scan(board.key)
    assert "2 times; it allows 2" in page.text and f"The life of {board.key}" in page.text
    unit = text_of(visitor.get(f"/units/{board.key}/").content.decode())
    assert "it failed that step as often as it may, and somebody decides what becomes of it" in unit
    assert "it goes on at TEST" not in unit
    trouble.decide(board, 40)
    assert "it goes on at TEST, for step 20" in text_of(visitor.get(f"/units/{board.key}/").content.decode())


def test_what_owes_a_sample_test_is_led_to_it_and_does_not_wait_to_be_packed(visitor: Client, trouble: Trouble) -> None:
    sample = drop_tests(trouble)
    board, address = sample.unit, f"/quality/samples/{sample.pk}/"
    home = visitor.get(f"/station/TEST/?after={board.key}", headers={"HX-Request": "true", "HX-Target": "home"})
    assert "has passed all of its steps. It owes the Drop test: take it to that test first." in text_of(
        home.content.decode()
    )
    assert address in home.content.decode()
    page = AtStation(visitor, "TEST")
    page.scan(board.key)
    assert f"The Drop test of {board.key}" in page.text and address in page.html
    trouble.plant.do(set_packing, 20, product=trouble.plant.board, rows=[PackingRow(trouble.plant.board, 1)])
    (other,) = trouble.plant.boards(minute=21)
    trouble.plant.finish(other, 22)
    Sample.objects.exclude(pk=sample.pk).delete()  # its order owes one too
    waiting = {row["Unit"] for row in rows_of(visitor.get("/dispatch/?csv=finished"))}
    assert waiting == {other.key}


def test_a_rack_of_units_that_go_several_ways_is_told_unit_by_unit(visitor: Client, trouble: Trouble) -> None:
    plant, boards = trouble.plant, trouble.plant.boards(2)
    rack = plant.do(define_rack, key="RACK-7", slots=2)
    for board in boards:
        plant.run(board, plant.insertion, 10, 11)
        plant.do(put_in_rack, 12, rack=rack, unit=board)
    home = {"HX-Request": "true", "HX-Target": "home"}
    asked = f"/station/TEST/?after={code_of('carrier', 'RACK-7')}"
    assert "RACK-7 is due for step 20 Step 20, at TEST." in text_of(visitor.get(asked, headers=home).content.decode())
    trouble.fail(boards[0], 20)
    told = text_of(visitor.get(asked, headers=home).content.decode())
    assert f"{boards[0].key} is due for step 20 Step 20, at TEST. What is wrong with it" in told
    assert f"{boards[1].key} is due for step 20 Step 20, at TEST." in told


def test_what_is_held_is_said_to_be_while_it_is_inside_and_when_it_leaves(visitor: Client, trouble: Trouble) -> None:
    board = trouble.failed()
    page = AtStation(visitor, "TEST")
    page.scan(board.key)
    trouble.plant.do(place_holds, 15, targets=[board], reason="Resistors drift", permits=[Move.FINISH])
    home = {"HX-Request": "true", "HX-Target": "home"}
    inside = text_of(visitor.get("/station/TEST/", headers=home).content.decode())
    assert f"{board.key} held" in inside and "Nothing is held" not in inside
    work = {"HX-Request": "true", "HX-Target": "work"}
    shown = text_of(visitor.get(f"/station/TEST/?unit={board.key}", headers=work).content.decode())
    assert "Resistors drift: beyond this step it goes only as an approved disposition permits." in shown
    page.press("failed")
    assert "held Resistors drift: it goes on only as an approved disposition permits." in page.text
