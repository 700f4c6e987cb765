"""Work that one did and another enters: the pass is of who did it, the entry of who entered it."""

from __future__ import annotations

import pytest

from tests.factories import Plant, make_person, moment
from tests.refusals import refused
from trace.core.permissions import Role
from trace.engineering.operations import define_qualification
from trace.floor.models import Pass
from trace.floor.operations.passes import record_passes
from trace.ledger.models import Event

pytestmark = pytest.mark.django_db


def test_the_pass_is_of_who_did_it_and_judged_by_what_they_may() -> None:
    plant, bob = Plant(), make_person("BOB", roles=[Role.OPERATOR])
    one, two, three = plant.boards(3)
    told = {"station": plant.insertion, "entered": moment(5)}
    (entry,) = plant.do(record_passes, 6, units=[one], doer=bob, **told)
    assert (entry.by, entry.outcome) == (bob, "passed")
    assert Event.objects.latest("pk").by == plant.ann
    (own,) = plant.do(record_passes, 6, units=[two], doer=plant.ann, **told)
    assert own.by == plant.ann
    solder = plant.do(define_qualification, key="SOLDER", name="to solder")
    plant.board.steps.filter(number=10).update(qualification=solder)
    (entry,) = plant.do(record_passes, 8, units=[three], doer=bob, station=plant.insertion, entered=moment(7))
    assert entry.outcome == Pass.Outcome.ABORTED and "Bob" in entry.stopped[0].message


def test_who_may_enter_it_for_whom() -> None:
    plant, bob = Plant(), make_person("BOB", roles=[Role.OPERATOR])
    (board,) = plant.boards()
    told = {"units": [board], "station": plant.insertion, "entered": moment(40)}
    auditor = make_person("AUD", roles=[Role.AUDITOR])
    assert "does no work" in str(refused(plant, "doer-refused", record_passes, doer=auditor, **told))
    for role in (Role.OPERATOR, Role.TECHNICIAN):
        other = make_person(roles=[role])
        assert "can’t enter what" in str(refused(plant, "doer-refused", record_passes, doer=bob, by=other, **told))
    bob.retired = moment(45)
    bob.save()
    assert "no longer here" in str(refused(plant, "doer-refused", record_passes, doer=bob, **told))
    bob.retired = moment(55)
    bob.save()
    assert plant.do(record_passes, 50, doer=bob, **told)
