"""Populations are followed with the ledger: what changed is kept, what did not is left alone."""

from __future__ import annotations

from io import StringIO

import pytest
from django.core.management import CommandError, call_command

from tests.factories import Plant, make_person, ticks
from trace.containment import following
from trace.containment.following import ask_reckoning, follow
from trace.containment.models import Containment, Join, Watch
from trace.containment.operations.alarms import add_term, open_containment
from trace.containment.terms import Told
from trace.core.models import Person
from trace.core.permissions import Role
from trace.floor.operations.feeds import load_feed

pytestmark = pytest.mark.django_db


@pytest.fixture
def plant() -> Plant:
    plant = Plant()
    plant.do(load_feed, 1, feed=plant.slot_r, container=plant.reel("BAD", lot="LOT-7"))
    (board,) = plant.boards()
    plant.finish(board, 2)
    return plant


@pytest.fixture
def alarm(plant: Plant, monkeypatch: pytest.MonkeyPatch) -> Containment:
    monkeypatch.setattr(following, "LATE", 0)  # here one process records, and sees it at once
    it = plant.do(open_containment, 20, problem="drifts")
    plant.do(add_term, 21, containment=it, joined=Join.ANY, told=Told("lot", "LOT-7"))
    return it


def machine() -> Person:
    return make_person("FOLLOWER", roles=[Role.QUALITY], machine=True)


def test_what_changed_is_kept_and_what_did_not_is_left_alone(plant: Plant, alarm: Containment) -> None:
    by = machine()
    assert [made.certain for made in follow(by)] == [1]
    assert follow(by) == [] == follow(by) and alarm.snapshots.count() == 1
    (board,) = plant.boards()
    plant.finish(board, 30)
    assert [made.certain for made in follow(by)] == [2]
    plant.reel("OTHER", lot="LOT-8")
    assert follow(by) == [] and alarm.snapshots.count() == 2
    watch = Watch.objects.get()
    assert watch.doing == "" and watch.asked is None and watch.looked and watch.event


def test_who_asks_is_answered_though_nothing_was_recorded(alarm: Containment) -> None:
    by = machine()
    follow(by)
    looked = Watch.objects.get().looked
    asked = ask_reckoning(alarm)
    assert asked.asked is not None and ask_reckoning(alarm).asked == asked.asked
    assert follow(by) == []
    after = Watch.objects.get()
    assert after.asked is None and (after.looked or 0) > (looked or 0) and alarm.snapshots.count() == 1


def test_what_is_closed_or_names_nothing_is_not_followed(plant: Plant, alarm: Containment) -> None:
    by = machine()
    plant.do(open_containment, 22, problem="nothing yet")
    assert len(follow(by)) == 1
    other = plant.do(open_containment, 23, problem="over")
    plant.do(add_term, 24, containment=other, joined=Join.ANY, told=Told("lot", "LOT-7"))
    told = {"closed": ticks(25), "closed_by": plant.ann, "close_reason": "A false alarm.", "close_recorded": ticks(25)}
    Containment.objects.filter(pk=other.pk).update(**told)
    assert follow(by) == [] and not other.snapshots.exists()


def test_the_command_says_what_it_kept_and_wants_a_machine(alarm: Containment) -> None:
    with pytest.raises(CommandError, match="add_person FOLLOWER"):
        call_command("follow", once=True)
    machine()
    said = StringIO()
    call_command("follow", once=True, stdout=said)
    assert said.getvalue() == f"{alarm.key} snapshot 1: 1 certain, 0 possible, 0 shipped\n"
