"""Drafts are mended, released once, and revised; what is released stays as it is."""

from __future__ import annotations

from datetime import date, timedelta
from decimal import Decimal
from typing import Any

import pytest

from tests.approvals.signing import approved, quality, sign_as
from tests.factories import make_person
from trace.approvals.queries import list_signatures
from trace.core.errors import Refusal
from trace.core.permissions import Role
from trace.engineering.models import BomLine, Characteristic, Part, Placement, Step, Substitute
from trace.engineering.operations import (
    BomRow,
    CharacteristicRow,
    PanelRow,
    RouteRow,
    amend_record,
    approve_substitute,
    define_part,
    define_station,
    import_placements,
    release_revision,
    retire_part,
    revise_part,
    set_bom,
    set_characteristics,
    set_panel,
    set_route,
)
from trace.engineering.queries import list_authors
from trace.ledger.models import Event

pytestmark = pytest.mark.django_db

PLACEMENTS = "Designator,X,Y,Rotation,Side\nR1,1,2,90,top\nR2,3,2,0,top\n"


@pytest.fixture
def board(part, site, who) -> Part:
    """A draft with all that a board can have."""
    define_station(key="INS", name="Insertion", site=site, **who)
    define_station(key="TEST", name="Test", site=site, **who)
    board = part("BOARD", 1, serialised=True, revision="A")
    res = part("RES")
    set_bom(assembly=board, rows=[BomRow(res, 2, ["R1", "R2"])], **who)
    set_route(
        part=board,
        rows=[RouteRow(10, "Insert", ["INS"], designators=["R1", "R2"]), RouteRow(20, "Test", ["TEST"])],
        **who,
    )
    approve_substitute(assembly=board, part=res, substitute=part("RES2"), **who)
    import_placements(assembly=board, content=PLACEMENTS, **who)
    ripple = CharacteristicRow(20, "Ripple", "mV", target=Decimal(5), upper=Decimal(20))
    set_characteristics(part=board, rows=[ripple, CharacteristicRow(20, "Gloss", judge="inspector")], **who)
    return board


def everything_of(part: Part) -> dict[str, list[tuple[Any, ...]]]:
    """All that belongs to a part, without ids."""
    lines, placed = BomLine.objects.filter(parent=part), Placement.objects.filter(assembly=part)
    return {
        "lines": list(lines.values_list("number", "child", "quantity", "parent_level", "child_level")),
        "places": list(part.designators.values_list("name", "quantity", "step_number", "line__number")),
        "substitutes": list(Substitute.objects.filter(line__in=lines).values_list("line__number", "part")),
        "steps": list(Step.objects.filter(part=part).values_list("number", "name", "minutes", "stations__key")),
        "placements": list(placed.values_list("number", "designator", "x", "rotation")),
        "characteristics": list(Characteristic.objects.filter(part=part).values_list("step_number", "name", "upper")),
    }


def test_a_new_revision_has_all_that_the_old_one_has(board, who) -> None:
    release_revision(part=approved(board), **who)
    made = revise_part(part=board, revision="B", **who)
    assert (made.key, made.revision, made.released) == ("BOARD-B", "B", None)
    was = everything_of(board)
    assert all(was.values()) and everything_of(made) == was
    set_bom(assembly=made, rows=[BomRow(Part.objects.get(number="RES"), 1, ["R1"])], **who)
    assert everything_of(board) == was, "the old one is as it was"
    assert list(made.designators.values_list("name", "step_number")) == [("R1", 10)], "a place keeps its step"
    with pytest.raises(Refusal, match="Part BOARD revision B exists"):
        revise_part(part=board, revision="B", **who)


CHANGES = {
    "bom": lambda board, who: set_bom(assembly=board, rows=[BomRow(Part.objects.get(number="RES"), 1, ["R1"])], **who),
    "route": lambda board, who: set_route(part=board, rows=[RouteRow(10, "Insert", ["INS"])], **who),
    "characteristics": lambda board, who: set_characteristics(part=board, rows=[], **who),
    "placements": lambda board, who: import_placements(assembly=board, content=PLACEMENTS.replace("90", "180"), **who),
}


@pytest.mark.parametrize("change", CHANGES)
def test_a_draft_can_be_changed_and_a_released_one_not(board, who, change) -> None:
    CHANGES[change](board, who)
    if change == "route":
        set_characteristics(part=board, rows=[], **who)  # they were of a step that is gone
    release_revision(part=approved(Part.objects.get(pk=board.pk)), **who)
    was = everything_of(board)
    with pytest.raises(Refusal) as refused:
        CHANGES[change](board, who)
    assert refused.value.code == "revision-released" and "new revision" in refused.value.action
    assert everything_of(board) == was


def test_a_draft_that_is_not_whole_is_not_released(part, board, who) -> None:
    def problems(it: Part, **more: Any) -> str:
        with pytest.raises(Refusal) as refused:
            release_revision(part=it, **more, **who)
        assert refused.value.code == "revision-refused"
        assert Part.objects.get(pk=it.pk).released is None or it.released
        return refused.value.message

    assert problems(part("EMPTY", 1, serialised=True)) == "EMPTY has no bill of material. EMPTY has no route."
    assert "bought" in problems(Part.objects.get(number="RES"))
    top = part("TOP", 2)
    set_bom(assembly=top, rows=[BomRow(board, 1, ["M1"])], **who)
    assert problems(top) == "BOARD-A in it is a draft."
    set_route(part=top, rows=[RouteRow(10, "Marry", ["INS"])], **who)
    assert "No step fills M1." in problems(top)
    top.serialised = True
    top.save()
    set_characteristics(part=top, rows=[CharacteristicRow(10, "Torque", "Nm", lower=Decimal(1))], **who)
    set_route(part=top, rows=[RouteRow(20, "Marry", ["INS"], designators=["M1"])], **who)
    assert "“Torque” is of step 10, which is not on the route." in problems(top)
    assert "in one way" in problems(board, effective_from=date(2027, 1, 1), effective_serial="B-7")
    release_revision(part=approved(board), **who)
    assert "was released on 2 November 2026" in problems(Part.objects.get(pk=board.pk))


def test_of_two_who_release_a_draft_at_once_one_does(board, who) -> None:
    other = Part.objects.get(pk=board.pk)  # read before it was released
    release_revision(part=approved(board), **who)
    with pytest.raises(Refusal, match="was released on 2 November 2026"):
        release_revision(part=other, effective_from=date(2030, 1, 1), **who)
    assert Part.objects.get(pk=board.pk).effective_from is None


def refusal_of(part: Part, who: Any) -> Refusal:
    with pytest.raises(Refusal) as refused:
        release_revision(part=part, **who)
    assert Part.objects.get(pk=part.pk).released is None and not Event.objects.filter(verb="release_revision").exists()
    return refused.value


def test_a_draft_is_released_as_somebody_else_approved_it_by_signature(board, who) -> None:
    """ISO 9001:2015, 7.5.2 c: documented information is reviewed and approved before it is used (from memory)."""
    refusal = refusal_of(board, who)
    assert (refusal.code, refusal.message) == ("not-approved", "BOARD-A is not approved by signature.")
    assert "a quality engineer or a planner who did not write in it" in refusal.action
    sign_as(quality(), board, meaning="reviewed")
    sign_as(make_person("TED", roles=[Role.TECHNICIAN]), board)
    assert refusal_of(board, who).message == "BOARD-A is not approved by signature."
    sign_as(who["by"], board)
    own = f"{who['by'].name} approved BOARD-A and wrote in it: nobody approves their own."
    assert refusal_of(board, who).message == own
    sign_as(quality(), board)
    CHANGES["bom"](board, who)
    assert refusal_of(board, who).message == "BOARD-A was changed since Quinn approved it."
    sign_as(quality(), board)
    assert release_revision(part=board, **who).released
    assert [one.verdict for one in list_signatures("part", board.key)] == [*["changed since"] * 4, "valid"]


@pytest.mark.parametrize("change", [*CHANGES, "name", "panel", "revise"])
def test_whoever_wrote_in_a_draft_does_not_approve_it(board, who, change) -> None:
    more = {
        "name": lambda board, who: amend_record(record=board, changes={"name": "Main board"}, **who),
        "panel": lambda board, who: set_panel(panel=board, rows=[], **who),
        "revise": lambda board, who: revise_part(part=board, revision="B", **who),
    }
    bea = make_person("BEA", roles=[Role.PLANNER, Role.QUALITY])
    assert list_authors(board) == {who["by"].pk}
    made = {**CHANGES, **more}[change](board, {**who, "by": bea})
    draft = made if change == "revise" else board
    assert list_authors(draft) == ({bea.pk} if change == "revise" else {who["by"].pk, bea.pk})
    if change == "route":
        set_characteristics(part=board, rows=[], **who)  # they were of a step that is gone
    sign_as(bea, draft)
    assert f"{bea.name} approved" in refusal_of(draft, who).message


def test_who_builds_something_in_wrote_nothing_in_it(part, board, who) -> None:
    bea = make_person("BEA", roles=[Role.PLANNER])
    define_part(number="TOP", name="Top", kind="assembly", level=2, **{**who, "by": bea})
    set_bom(assembly=Part.objects.get(number="TOP"), rows=[BomRow(board, 1, ["M1"])], **{**who, "by": bea})
    sign_as(bea, board)
    assert release_revision(part=board, **who).released


def test_a_retired_draft_is_not_released(board, who) -> None:
    with pytest.raises(Refusal, match="Say why it is retired"):
        retire_part(part=board, reason=" ", **who)
    retire_part(part=approved(board), reason="Never built.", **who)
    with pytest.raises(Refusal, match="BOARD-A is retired"):
        release_revision(part=board, **who)


def test_a_retired_part_is_in_no_released_one(part, board, who, by, at) -> None:
    res = Part.objects.get(number="RES")
    release_revision(part=approved(board), **who)
    with pytest.raises(Refusal, match="BOARD-A needs RES"):
        retire_part(part=res, reason="Obsolete.", **who)
    assert retire_part(part=board, reason="Nobody orders it.", by=by, at=at + timedelta(days=1)).retired
    assert retire_part(part=res, reason="Obsolete.", **who).retired
    with pytest.raises(Refusal, match="is retired since 2 November"):
        retire_part(part=res, reason="Obsolete.", **who)


# Routes --------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("label", ["free_order", "alternative"])
def test_steps_under_one_name_follow_each_other(board, who, label) -> None:
    names = {10: "", 20: "X", 30: "", 40: "X"}
    rows = [RouteRow(n, f"Step {n}", ["INS"], **{label: name}) for n, name in names.items()]
    with pytest.raises(Refusal, match="The steps named X do not follow each other"):
        set_route(part=board, rows=rows, **who)
    both = RouteRow(10, "Insert", ["INS"], free_order="X", alternative="Y")
    with pytest.raises(Refusal, match="Step 10 can't be in free order and an alternative"):
        set_route(part=board, rows=[both], **who)
    made = set_route(part=board, rows=[rows[0], rows[1], rows[3]], **who)
    assert [getattr(step, label) for step in made] == ["", "X", "X"]


def test_an_alternative_fills_no_place(part, board, who) -> None:
    """A child that only one of two alternatives fits would be missing, and asked for, in a unit that took the other."""
    either = [RouteRow(n, f"Insert {n}", ["INS"], alternative="EITHER") for n in (10, 20)]
    lacks = "of the steps named EITHER one is enough: a unit that passed another would lack what is there."
    was = everything_of(board)
    with pytest.raises(Refusal) as refused:
        set_route(part=board, rows=[*either, RouteRow(30, "Test", ["TEST"])], **who)
    assert refused.value.message == f"Step 10 fills R1, R2, but {lacks}", "as its bill of material says"
    assert everything_of(board) == was
    top = part("TOP", 2)
    set_bom(assembly=top, rows=[BomRow(board, 1, ["M1"])], **who)
    filling = RouteRow(10, "Marry", ["INS"], alternative="EITHER", designators=["M1"])
    with pytest.raises(Refusal) as refused:
        set_route(part=top, rows=[filling, either[1]], **who)
    assert refused.value.message == f"Step 10 fills M1, but {lacks}"
    set_route(part=top, rows=[filling], **who)  # alone under its name it is no choice
    top = part("ABOVE", 2)
    set_route(part=top, rows=[*either, RouteRow(30, "Marry", ["INS"])], **who)
    with pytest.raises(Refusal) as refused:
        set_bom(assembly=top, rows=[BomRow(board, 1, ["M1"], step_number=20)], **who)
    assert refused.value.code == "bom-refused" and f"Row 1: Step 20 would fill M1, but {lacks}" in refused.value.message
    assert not top.lines.exists()
    set_bom(assembly=top, rows=[BomRow(board, 1, ["M1"], step_number=30)], **who)


@pytest.mark.parametrize(
    ("row", "says"),
    [
        (CharacteristicRow(30, "Ripple", "mV", upper=Decimal(1)), "step 30 is not on the route"),
        (CharacteristicRow(20, "Ripple"), "who judges it"),
        (CharacteristicRow(20, "Ripple", "mV"), "a unit of measure and a limit"),
        (CharacteristicRow(20, "Ripple", upper=Decimal(1)), "a unit of measure and a limit"),
        (CharacteristicRow(20, "Ripple", "mV", upper=Decimal(1), judge="inspector"), "who judges it"),
        (CharacteristicRow(20, "Ripple", "mV", lower=Decimal(2), upper=Decimal(1)), "must rise"),
        (CharacteristicRow(20, "Ripple", "mV", lower=Decimal(2), upper=Decimal(2)), "must rise"),
        (CharacteristicRow(20, "Ripple", "mV", target=Decimal(3), upper=Decimal(2)), "must rise"),
    ],
)
def test_a_characteristic_is_measured_against_limits_or_judged(board, who, row, says) -> None:
    was = everything_of(board)
    with pytest.raises(Refusal) as refused:
        set_characteristics(part=board, rows=[row], **who)
    assert says in refused.value.message and everything_of(board) == was


def test_a_characteristic_has_one_name_at_a_step(board, who) -> None:
    with pytest.raises(Refusal, match="Step 20 has “ripple” twice"):
        set_characteristics(
            part=board, rows=[CharacteristicRow(20, name, judge="she") for name in ("Ripple", "ripple")], **who
        )


def test_boards_stand_in_a_panel(part, board, who) -> None:
    panel = part("PANEL", 2)
    places = set_panel(panel=panel, rows=[PanelRow(n, board, x=Decimal(40 * n)) for n in (1, 2)], **who)
    assert [(place.number, place.x) for place in places] == [(1, 40), (2, 80)]
    for rows, says in (
        ([PanelRow(1, board), PanelRow(1, board)], "Place 1 stands there 2 times"),
        ([PanelRow(1, panel)], "no board below the level"),
        ([PanelRow(1, Part.objects.get(number="RES"))], "no board below the level"),
        ([PanelRow(1, board, rotation=Decimal(360))], "rotation_within_one_turn"),
    ):
        with pytest.raises(Refusal, match=says):
            set_panel(panel=panel, rows=rows, **who)
    assert panel.panel_places.count() == 2


# Corrections ---------------------------------------------------------------------------------------------------------


def test_what_is_in_use_keeps_what_others_rely_on(part, board, who) -> None:
    res, lone = Part.objects.get(number="RES"), part("LONE")
    assert amend_record(record=res, changes={"name": "Resistor"}, **who).name == "Resistor"
    assert amend_record(record=res, changes={"moisture_level": "3"}, **who).floor_life == 168
    assert amend_record(record=res, changes={"moisture_level": "6", "time_on_label": "9"}, **who).floor_life == 9
    with pytest.raises(Refusal, match="Level 6, and no other"):
        amend_record(record=res, changes={"moisture_level": "2a"}, **who)
    assert amend_record(record=res, changes={"moisture_level": "1", "time_on_label": ""}, **who).floor_life is None
    with pytest.raises(Refusal) as refused:
        amend_record(record=res, changes={"unit_of_measure": "m"}, **who)
    assert (
        refused.value.message
        == "Of RES Resistor can be corrected: name, shelf_life, moisture_level, time_on_label; not unit_of_measure."
    )
    assert amend_record(record=lone, changes={"unit_of_measure": "m"}, **who).unit_of_measure == "m"
    with pytest.raises(Refusal, match="It says so already"):
        amend_record(record=res, changes={"name": "Resistor"}, **who)
    with pytest.raises(Refusal, match="part_level_fits_kind|level"):
        amend_record(record=lone, changes={"kind": "assembly"}, **who)
    with pytest.raises(Refusal, match="nothing; not name"):
        amend_record(record=who["by"], changes={"name": "Bea"}, **who)
