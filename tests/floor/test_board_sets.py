"""Board sets that were skipped or doubled on a tape, found later."""

from __future__ import annotations

import pytest

from tests.factories import Plant, moment
from tests.refusals import refused
from trace.floor.models import Pass
from trace.floor.operations.corrections import correct_board_sets
from trace.floor.operations.passes import record_passes
from trace.ledger.models import Event
from trace.material.models import Feed, SetUp, Tape
from trace.material.operations.setups import finish_tape, start_tape

pytestmark = pytest.mark.django_db


def plant_with_passes(*board_sets: int) -> tuple[Plant, Tape]:
    """A plant with a tape from which a board was drawn at each of these board sets."""
    plant = Plant()
    heads = {"A": (0, ["R1", "R2"]), "B": (0, ["C1"])}
    sequence = ["R1", "C1", "R2"]
    tape = plant.do(start_tape, key="T1", assembly=plant.board, sequence=sequence, heads=heads, board_sets=99)
    setup = SetUp.objects.get(axis__tape=tape)
    assert Feed.objects.filter(axis=setup.axis).count() == 2
    for n, board in enumerate(plant.boards(len(board_sets))):
        where = {"positions": [(board_sets[n], board_sets[n])], "setup": setup}
        plant.do(record_passes, 10 + n, units=[board], station=plant.insertion, entered=moment(10 + n), **where)
    return plant, tape


def ranges() -> list[tuple[int, int]]:
    standing = Pass.objects.filter(superseded=None, axis__tape__isnull=False)
    return list(standing.order_by("scanned_out").values_list("first", "last"))


@pytest.mark.parametrize(
    ("slip", "between", "after"),
    [(1, (4, 7), (10, 10)), (2, (4, 8), (11, 11)), (-1, (3, 6), (8, 8)), (-2, (2, 6), (7, 7))],
)
def test_passes_take_both_numberings_until_the_finding_and_shift_after_it(slip, between, after) -> None:
    plant, tape = plant_with_passes(2, 5, 9)
    fixed = plant.do(correct_board_sets, 50, tape=tape, good=2, found=9, slip=slip, reason="two fives on the tape")
    assert ranges() == [(2, 2), between, after]
    assert [(entry.first, entry.last) for entry in fixed] == [between, after]
    assert all(entry.length_class == (entry.last - entry.first).bit_length() for entry in fixed)
    old = Pass.objects.exclude(superseded=None).order_by("scanned_out")
    assert [entry.first for entry in old] == [5, 9], "what was believed before stays readable"
    assert "two fives" in Event.objects.latest("id").payload


def test_no_board_set_lies_before_the_first() -> None:
    plant, tape = plant_with_passes(1, 5)
    plant.do(correct_board_sets, 50, tape=tape, good=0, found=5, slip=-2, reason="doubled")
    assert ranges() == [(0, 2), (3, 3)]


@pytest.mark.parametrize(
    "wrong",
    [{"slip": 0}, {"good": 9}, {"good": -1}, {"reason": " "}, {"good": 12, "found": 20}, {"slip": -10}],
)
def test_a_correction_that_can_not_be_is_refused(wrong) -> None:
    plant, tape = plant_with_passes(2, 5, 9)
    arguments = {"tape": tape, "good": 2, "found": 9, "slip": 1, "reason": "skipped", **wrong}
    refused(plant, "correction-refused", correct_board_sets, 50, **arguments)
    assert ranges() == [(2, 2), (5, 5), (9, 9)]


@pytest.mark.parametrize("slip", [2**53, 2**70])
def test_a_slip_beyond_any_tape_is_refused(slip: int) -> None:
    plant, tape = plant_with_passes(3, 9)
    refused(plant, "correction-refused", correct_board_sets, tape=tape, good=4, found=8, slip=slip, reason="skipped")


@pytest.mark.parametrize("number", [0, 2**31, 2**70])
def test_a_number_of_board_sets_that_can_not_be_is_refused(number: int) -> None:
    plant, tape = plant_with_passes(3)
    plan = {"assembly": plant.board, "sequence": ["R1"]}
    near, far = ({"A": (distance, ["R1"])} for distance in (0, 2**31))
    refused(plant, "setup-refused", start_tape, key="T2", heads=near, board_sets=number, **plan)
    refused(plant, "setup-refused", start_tape, key="T2", heads=far, board_sets=9, **plan)
    refused(plant, "setup-refused", finish_tape, tape=tape, board_sets=number)
