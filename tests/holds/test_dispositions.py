"""What a disposition permits: of the holds that whoever decided it knew, whatever moments are told."""

from __future__ import annotations

import pytest

from tests.factories import moment
from tests.floor.troubleshooting import Trouble, stopped_by
from tests.refusals import refused
from trace.core.clock import telling
from trace.engineering.models import Step
from trace.floor.operations.passes import start_pass
from trace.holds.gate import find_holds
from trace.holds.operations import place_holds, withdraw_disposition
from trace.holds.rules import Move

pytestmark = pytest.mark.django_db


@pytest.mark.parametrize(("decided", "placed"), [(10, 5), (10, 10), (10, 20), (10_000, 500)])
def test_a_hold_that_is_recorded_after_the_decision_stands_whatever_moments_are_told(decided, placed) -> None:
    trouble = Trouble()
    (board,) = trouble.plant.boards()
    trouble.decide(board, decided, "use as is")
    (hold,) = trouble.plant.do(place_holds, placed, targets=[board], reason="another reason")
    assert find_holds(Move.SHIP, [board]) == [hold]


def test_it_permits_what_was_decided_of_that_thing_until_it_is_withdrawn() -> None:
    trouble = Trouble()
    board, other = trouble.plant.boards(2)
    held = trouble.plant.do(place_holds, 5, targets=[board, other, trouble.reel], reason="under review")
    repair = trouble.decide(board, 10, "repair")
    assert find_holds(Move.REPAIR, [board]) == []
    assert find_holds(Move.SHIP, [board]) == held[:1]
    assert find_holds(Move.REPAIR, [board, other, trouble.reel]) == held[1:]
    trouble.plant.do(withdraw_disposition, 11, disposition=repair, reason="a crack was found")
    assert find_holds(Move.REPAIR, [board]) == held[:1]


def test_a_review_told_for_later_lets_no_failure_pass_that_came_after_it_was_recorded() -> None:
    trouble = Trouble()
    Step.objects.filter(pk=trouble.test.pk).update(attempts=1)
    board = trouble.failed()
    with telling(moment(20)):
        trouble.decide(board, 100, "rework")
    trouble.fail(board, 40)
    refusal = refused(trouble.plant, "stopped", start_pass, 50, unit=board, station=trouble.plant.test)
    assert stopped_by(refusal) == ["repair-limit"]
