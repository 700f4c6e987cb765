"""A step that asks for a qualification stops who lacks it at the moment of the scan, and costs the others nothing."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from tests.factories import Plant, make_person, moment
from tests.genealogy.asking import NONE, ask, load
from tests.refusals import refused
from trace.core.models import Person
from trace.engineering.models import Qualification, ScanMode
from trace.engineering.operations import define_qualification, end_qualification, qualify_person
from trace.floor.operations.passes import finish_pass, record_passes, start_pass

pytestmark = pytest.mark.django_db


class Shop:
    """A plant whose insertion asks for a qualification, and somebody who works there."""

    def __init__(self, mode: str = ScanMode.GATED) -> None:
        self.plant, self.bob = Plant(mode=mode), make_person("BOB")
        self.solder: Qualification = self.plant.do(define_qualification, key="SOLDER", name="hand soldering")
        self.plant.board.steps.filter(number=10).update(qualification=self.solder)

    def qualify(self, since: float, until: float | None = None, person: Person | None = None) -> None:
        told = {"person": person or self.bob, "qualification": self.solder, "vouched_by": self.plant.ann}
        self.plant.do(qualify_person, **told, since=moment(since), until=None if until is None else moment(until))


@pytest.fixture
def shop(db: None) -> Shop:
    return Shop()


def test_it_is_asked_at_the_moment_of_the_scan(shop: Shop) -> None:
    (board,) = shop.plant.boards()
    entry = {"unit": board, "station": shop.plant.insertion, "by": shop.bob}
    stop = refused(shop.plant, "stopped", start_pass, 10, **entry)
    assert str(stop) == (
        "Stop. Bob is not qualified for hand soldering, which step 10, Step 10, asks for. "
        "Let somebody qualified do it, or ask the supervisor."
    )
    shop.qualify(5, 20)
    stop = refused(shop.plant, "stopped", start_pass, 20, **entry)
    assert stop.message == "Stop. Bob’s qualification for hand soldering ran out at 2026-03-02 06:20 UTC."
    assert refused(shop.plant, "stopped", start_pass, 4, **entry).message.startswith("Stop. Bob is not qualified")
    shop.plant.do(start_pass, 19.5, **entry)
    shop.plant.do(finish_pass, 25, unit=board, by=shop.bob)  # who may begin may finish
    assert shop.plant.do(start_pass, 30, **{**entry, "station": shop.plant.test})  # asks for nothing


def test_what_is_entered_late_is_judged_as_of_then(shop: Shop) -> None:
    first, second = shop.plant.boards(2)
    shop.qualify(5)
    shop.plant.do(end_qualification, 15, person=shop.bob, qualification=shop.solder)
    late = {"station": shop.plant.insertion, "by": shop.bob}
    (entry,) = shop.plant.do(record_passes, 16, units=[first], entered=moment(14), **late)
    assert entry.outcome == "passed"
    (entry,) = shop.plant.do(record_passes, 18, units=[second], entered=moment(17), **late)
    assert (entry.outcome, [stop.extra["rule"] for stop in entry.stopped]) == ("aborted", ["not-qualified"])


def test_what_somebody_unqualified_built_is_on_record_and_has_not_passed() -> None:
    shop = Shop(ScanMode.ONE_AT_A_TIME)
    load(shop.plant, "A", 1)
    (board,) = shop.plant.boards(minute=2)
    (entry,) = shop.plant.do(record_passes, 10, units=[board], station=shop.plant.insertion, by=shop.bob)
    assert (entry.outcome, entry.drew) == ("aborted", "all")
    assert ask("A") == ({board.key}, NONE, NONE)


def test_a_machine_needs_none(shop: Shop) -> None:
    plant, machine = shop.plant, make_person("AX1", machine=True)
    first, second = plant.boards(2)
    told = {"station": plant.insertion, "entered": moment(9)}
    (entry,) = plant.do(record_passes, 10, units=[first], by=machine, **told)
    assert entry.outcome == "passed"
    (entry,) = plant.do(record_passes, 12, units=[second], by=shop.bob, **{**told, "entered": moment(11)})
    assert entry.outcome == "aborted"


def count(shop: Shop, minute: float, person: Person, number: int) -> int:
    rack = shop.plant.boards(number)
    told = {"units": rack, "station": shop.plant.insertion, "entered": moment(minute) - timedelta(seconds=9)}
    with CaptureQueriesContext(connection) as queries:
        shop.plant.do(record_passes, minute, by=person, **told)
    return len(queries)


def test_it_costs_one_query_where_it_is_asked_for_and_none_elsewhere(shop: Shop) -> None:
    shop.qualify(1)
    asked = count(shop, 10, shop.bob, 1)
    assert count(shop, 12, shop.bob, 30) == asked
    shop.plant.board.steps.update(qualification=None)
    assert count(shop, 14, shop.bob, 1) == asked - 1
