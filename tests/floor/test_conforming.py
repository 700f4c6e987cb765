"""A unit that rework brings to a later revision of its part."""

from __future__ import annotations

import pytest

from tests.approvals.signing import approved
from tests.factories import Plant, approve_substitute, make_part, ticks
from tests.refusals import refused
from trace.engineering.models import BomLine, Part
from trace.engineering.operations import release_revision, revise_part
from trace.floor.designs import get_design, list_designs
from trace.floor.models import Conformity, Fitting, Unit
from trace.floor.operations.conforming import conform_unit, void_conformity
from trace.floor.operations.feeds import load_feed
from trace.floor.operations.fittings import fit_child, fit_part, remove_part
from trace.floor.operations.orders import scrap_unit
from trace.genealogy.known import as_known

pytestmark = pytest.mark.django_db


@pytest.fixture
def plant() -> Plant:
    """With a reel of resistors and one of capacitors on the feeds from minute 1 on, and a substitute at C1."""
    plant = Plant()
    plant.do(load_feed, 1, feed=plant.slot_r, container=plant.reel("R-A"))
    plant.do(load_feed, 1, feed=plant.slot_c, container=plant.reel("C-A", plant.capacitor))
    approve_substitute(plant.board, "C1", make_part("CAP-B"))
    return plant


def released(plant: Plant, draft: Part) -> Part:
    return plant.do(release_revision, 20, part=approved(draft))


def revised(plant: Plant) -> Part:
    """Revision B of the board: at C1 what was a substitute, and R2 goes."""
    draft = plant.do(revise_part, 10, part=plant.board, revision="B")
    line = draft.designators.get(name="C1").line
    line.substitutes.all().delete()
    BomLine.objects.filter(pk=line.pk).update(child=Part.objects.get(key="CAP-B"))
    draft.designators.get(name="R2").delete()
    return released(plant, draft)


def drawn(plant: Plant, minute: float = 5) -> Unit:
    (board,) = plant.boards()
    plant.run(board, plant.insertion, minute, minute + 1)
    return board


def rework(plant: Plant, board: Unit) -> None:
    bag = plant.reel("C-B", Part.objects.get(key="CAP-B"))
    plant.do(fit_part, 30, unit=board, designator="C1", container=bag, reason="change 17")
    plant.do(remove_part, 31, unit=board, designator="R2", reason="change 17")


def test_what_does_not_agree_is_named_until_the_work_is_done(plant) -> None:
    board, new = drawn(plant), revised(plant)
    refusal = refused(plant, "conformity-refused", conform_unit, 25, unit=board, part=new, reason="change 17")
    assert refusal.extra["differences"] == [
        "C1: CAP is there, and it has CAP-B",
        "R2: RES is there, and it has no such place",
    ]
    rework(plant, board)
    done = plant.do(conform_unit, 32, unit=board, part=new, reason="change 17")
    assert (done.unit, done.part, done.at) == (board, new, ticks(32))
    assert get_design(board) == new
    assert get_design(board, ticks(31)) == plant.board
    board.refresh_from_db()
    assert board.part == plant.board, "its order and route stay"


def test_from_then_on_its_places_are_those_of_the_revision(plant) -> None:
    board, new = drawn(plant), revised(plant)
    rework(plant, board)
    plant.do(conform_unit, 32, unit=board, part=new, reason="change 17")
    old = plant.reel("C-OLD", plant.capacitor)
    refused(plant, "wrong-part", fit_part, 40, unit=board, designator="C1", container=old, reason="x")
    says = refused(plant, "fitting-refused", remove_part, 40, unit=board, designator="R2", reason="x").message
    assert says == f"{new.key} has no designator R2."


def test_a_reworked_child_goes_where_the_later_revision_belongs(plant) -> None:
    (board,), (product,) = plant.boards(), plant.products()
    plant.finish(board, 2)
    new = released(plant, plant.do(revise_part, 10, part=plant.board, revision="B"))
    line = plant.product.designators.get(name="M1").line
    BomLine.objects.filter(pk=line.pk).update(child=new)
    asked = {"unit": product, "designator": "M1", "child": board}
    refused(plant, "wrong-part", fit_child, 30, **asked)
    plant.do(conform_unit, 31, unit=board, part=new, reason="change 17")
    assert plant.do(fit_child, 32, **asked).child == board
    assert not Fitting.objects.filter(unit=product).exclude(child=board).exists()


def test_it_is_refused(plant) -> None:
    board, scrapped = drawn(plant), drawn(plant, 7)
    draft = plant.do(revise_part, 10, part=plant.board, revision="C")
    new = released(plant, plant.do(revise_part, 11, part=plant.board, revision="B"))
    plant.do(scrap_unit, 21, unit=scrapped, reason="burnt")
    good = {"unit": board, "part": new, "reason": "change 17"}
    for wrong, says in (
        ({"reason": " "}, "Say by which change"),
        ({"unit": scrapped}, "was scrapped"),
        ({"part": plant.product}, "no later revision"),
        ({"part": plant.board}, "no later revision"),
        ({"part": draft}, "is a draft"),
    ):
        assert says in refused(plant, "conformity-refused", conform_unit, 30, **{**good, **wrong}).message
    assert "changed after" in refused(plant, "conformity-refused", conform_unit, -5, **good).message
    plant.do(conform_unit, 30, **good)
    assert "no later revision" in refused(plant, "conformity-refused", conform_unit, 31, **good).message
    back = refused(plant, "conformity-refused", conform_unit, 31, **{**good, "part": plant.board})
    assert "was released before" in back.message


def test_it_is_voided_with_a_reason_and_known_as_it_was(plant) -> None:
    board = drawn(plant)
    new = released(plant, plant.do(revise_part, 11, part=plant.board, revision="B"))
    done = plant.do(conform_unit, 30, unit=board, part=new, reason="change 17")
    refused(plant, "conformity-refused", void_conformity, 31, conformity=done, reason="")
    void = plant.do(void_conformity, 31, conformity=done, reason="the board beside it")
    refused(plant, "conformity-refused", void_conformity, 32, conformity=done, reason="again")
    assert list_designs([board]) == {board.pk: plant.board.pk}
    with as_known(void.superseded - 1):
        assert list_designs([board]) == {board.pk: new.pk}
    with as_known(done.recorded - 1):
        assert not Conformity.objects.exists()
