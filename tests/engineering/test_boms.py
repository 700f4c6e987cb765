"""Bills of material, substitutes, routes."""

from decimal import Decimal

import pytest

from trace.engineering.models import BomLine, Designator, Step, Substitute
from trace.engineering.operations import (
    BomRefused,
    BomRow,
    RouteRefused,
    RouteRow,
    SubstituteRefused,
    approve_substitute,
    define_qualification,
    define_station,
    set_bom,
    set_route,
)
from trace.engineering.queries import list_steps
from trace.ledger.models import Event

pytestmark = pytest.mark.django_db


@pytest.fixture
def board(part):
    return part("BOARD", 2)


def test_a_bom_is_written_line_by_line(part, board, who):
    chip, glue = part("CHIP"), part("GLUE", kind="process", unit_of_measure="g")
    lines = set_bom(
        assembly=board,
        rows=[
            BomRow(chip, Decimal(2), ("U2", "U1"), step_number=10),
            BomRow(glue, Decimal("0.3"), ("G1", "G2", "G3"), each=Decimal("0.1")),
            BomRow(chip, 1, ("U3",)),
            BomRow(glue, Decimal("0.000001")),
        ],
        **who,
    )
    assert [(line.number, line.child, line.quantity) for line in BomLine.objects.filter(parent=board)] == [
        (1, chip, 2),
        (2, glue, Decimal("0.3")),
        (3, chip, 1),
        (4, glue, Decimal("0.000001")),
    ]
    assert list(Designator.objects.filter(parent=board).values_list("line", "name", "quantity", "step_number")) == [
        *((lines[0].pk, "U2", 1, 10), (lines[0].pk, "U1", 1, 10)),
        *((lines[1].pk, f"G{n}", Decimal("0.1"), None) for n in (1, 2, 3)),
        (lines[2].pk, "U3", 1, None),
    ]
    assert Event.objects.get(verb="set_bom").subjects.filter(kind="part", key="BOARD").exists()


def test_a_bom_of_a_draft_takes_the_place_of_the_one_before(part, board, who):
    chip = part("CHIP")
    set_bom(assembly=board, rows=[BomRow(chip, 2, ("U1", "U2"))], **who)
    approve_substitute(assembly=board, part=chip, substitute=part("LIKE"), **who)
    set_bom(assembly=board, rows=[BomRow(part("OTHER"), 1, ("U1",))], **who)
    assert [line.child.number for line in BomLine.objects.all()] == ["OTHER"]
    assert [place.name for place in board.designators.all()] == ["U1"]
    assert not Substitute.objects.exists()


def test_nothing_is_in_a_component(part, who):
    with pytest.raises(BomRefused, match="nothing is in it"):
        set_bom(assembly=part("CHIP"), rows=[BomRow(part("OTHER"), 1)], **who)


def test_an_empty_bom_is_none(board, who):
    with pytest.raises(BomRefused, match="at least one row"):
        set_bom(assembly=board, rows=[], **who)


WRONG_ROWS = {
    "too many designators": (
        ("CHIP", 1, ("U1", "U2")),
        "quantity",
        "quantity is 1, but the designators hold 2: U1, U2",
    ),
    "too few designators": (("CHIP", 3, ("U1", "U2")), "quantity", "quantity is 3, but the designators hold 2"),
    "each does not add up": (("GLUE", 1, ("G1", "G2"), Decimal("0.4")), "quantity", "hold 0.8"),
    "half a chip": (("CHIP", Decimal("0.5")), "quantity", "counted in pieces"),
    "none": (("CHIP", 0), "quantity", "not a quantity above 0"),
    "less than none": (("CHIP", -1), "quantity", "not a quantity above 0"),
    "not a number": (("CHIP", Decimal("NaN")), "quantity", "NaN is not a quantity"),
    "endless": (("CHIP", Decimal("Infinity")), "quantity", "not a quantity"),
    "more than the record holds": (("CHIP", Decimal("1E+999")), "quantity", "not a quantity"),
    "finer than the record holds": (("GLUE", Decimal("0.0000001")), "quantity", "finer than"),
    "a level too high": (("BIG", 1), "part", "not below the assembly's, 2"),
    "retired": (("GONE", 1), "part", "retired"),
    "serial without a place": (("SUB", 1), "designators", "place of its own"),
    "two serials at one place": (("SUB", 2, ("A1",), 2), "designators", "place of its own"),
    "a space": (("CHIP", 1, ("U 1",)), "designators", "not a designator"),
    "no name": (("CHIP", 1, ("",)), "designators", "not a designator"),
    "too long": (("CHIP", 1, ("U" * 21,)), "designators", "not a designator"),
    "unseen": (("CHIP", 1, ("U\u200b1",)), "designators", r"U\\u200b1"),
    "twice in a row": (("CHIP", 2, ("U1", "u1")), "designators", "U1 stands twice in row 2"),
    "in another row": (("CHIP", 1, ("x1",)), "designators", "Designator x1 stands in row 1 too"),
}


@pytest.mark.parametrize("name", WRONG_ROWS)
def test_a_wrong_row_is_named_and_nothing_is_written(part, board, who, at, name):
    parts = {
        "CHIP": part("CHIP"),
        "GLUE": part("GLUE", kind="process", unit_of_measure="g"),
        "BIG": part("BIG", 2),
        "SUB": part("SUB", 1, serialised=True),
        "GONE": part("GONE"),
    }
    parts["GONE"].retired = at
    parts["GONE"].save()
    (number, *rest), field, says = WRONG_ROWS[name]
    rows = [BomRow(parts["CHIP"], 1, ("X1",)), BomRow(parts[number], *rest)]
    with pytest.raises(BomRefused, match=says) as refused:
        set_bom(assembly=board, rows=rows, **who)
    assert {(problem.row, problem.field) for problem in refused.value.extra["problems"]} == {(1, field)}
    assert not BomLine.objects.exists()


def test_all_problems_come_at_once(part, board, who):
    chip = part("CHIP")
    with pytest.raises(BomRefused) as refused:
        set_bom(assembly=board, rows=[BomRow(chip, 2, ("U1",)), BomRow(chip, -1), BomRow(board, 1, ("U1",))], **who)
    assert [(problem.row, problem.field) for problem in refused.value.extra["problems"]] == [
        *((0, "quantity"), (1, "quantity"), (2, "part"), (2, "designators"))
    ]


# Substitutes ---------------------------------------------------------------------------------------------------------


def test_a_substitute_is_approved_on_every_line(part, board, who):
    own, other = part("OWN"), part("OTHER")
    lines = set_bom(assembly=board, rows=[BomRow(own, 1, ("R1",)), BomRow(own, 1, ("R2",))], **who)
    approved = approve_substitute(assembly=board, part=own, substitute=other, **who)
    assert [(substitute.line, substitute.part) for substitute in approved] == [(line, other) for line in lines]


def test_a_substitute_that_is_none(part, board, who, at):
    own, gone = part("OWN"), part("GONE")
    gone.retired = at
    gone.save()
    set_bom(assembly=board, rows=[BomRow(own, 1, ("R1",)), BomRow(fine := part("FINE"), 1)], **who)
    approve_substitute(assembly=board, part=own, substitute=fine, **who)
    for designed, substitute, says in [
        (own, own, "own place"),
        (own, fine, "already"),
        (own, gone, "retired"),
        (own, part("GLUE", unit_of_measure="g"), "counted in g"),
        (own, part("SUB", 1, serialised=True), "by serial"),
        (own, board, "level 2"),
        (part("STRANGER"), fine, "not in BOARD"),
    ]:
        with pytest.raises(SubstituteRefused, match=says):
            approve_substitute(assembly=board, part=designed, substitute=substitute, **who)
    assert Substitute.objects.count() == 1


# Routes --------------------------------------------------------------------------------------------------------------


@pytest.fixture
def stations(site, who) -> list[str]:
    return [define_station(key=key, name=key, site=site, **who).key for key in ("HAND-1", "HAND-2", "WAVE")]


def test_a_route_says_where_and_what_each_step_fills(part, board, stations, who):
    set_bom(assembly=board, rows=[BomRow(part("CHIP"), 3, ("U1", "U2", "U3"))], **who)
    wave = define_qualification(key="WAVE", name="wave soldering", **who)
    set_route(
        part=board,
        rows=[
            RouteRow(10, "Insert", stations[:2], Decimal("1.5"), "Mind pin 1.", ("U1", "U3")),
            RouteRow(20, "Solder", stations[2:], qualification="WAVE"),
        ],
        **who,
    )
    steps = list_steps(board)
    assert [step.qualification for step in steps] == [None, wave]
    assert [(step.number, step.name, step.minutes, step.caution) for step in steps] == [
        (10, "Insert", Decimal("1.5"), "Mind pin 1."),
        (20, "Solder", 0, ""),
    ]
    assert [[station.key for station in step.stations.all()] for step in steps] == [stations[:2], stations[2:]]
    filled = dict(Designator.objects.values_list("name", "step_number"))
    assert filled == {"U1": 10, "U2": None, "U3": 10}


WRONG_ROUTES = {
    "no step": ([], "at least one step"),
    "a number twice": ([RouteRow(10, "a", ["WAVE"]), RouteRow(10, "b", ["WAVE"])], "Step 10 stands there 2 times"),
    "no attempt": ([RouteRow(10, "a", ["WAVE"], attempts=0), RouteRow(20, "b", ["WAVE"])], "step_allows_an_attempt"),
    "number 0": ([RouteRow(0, "a", ["WAVE"]), RouteRow(10, "b", ["WAVE"])], "number can't be 0"),
    "nowhere": ([RouteRow(10, "a")], "no station"),
    "unknown station": ([RouteRow(10, "a", ["NONE"])], "NONE, which does not exist"),
    "unknown qualification": ([RouteRow(10, "a", ["WAVE"], qualification="WAVE")], "no qualification WAVE"),
    "retired station": ([RouteRow(10, "a", ["OLD"])], "OLD, which is retired"),
    "unknown designator": ([RouteRow(10, "a", ["WAVE"], designators=["X9"])], "X9, which BOARD does not have"),
    "filled twice": (
        [RouteRow(10, "a", ["WAVE"], designators=["U2"]), RouteRow(20, "b", ["WAVE"], designators=["U2"])],
        "U2, which step 10 fills",
    ),
    "given to another": (
        [RouteRow(10, "a", ["WAVE"]), RouteRow(20, "b", ["WAVE"], designators=["U1"])],
        "U1, which the bill of material gives to step 10",
    ),
    "step of the BOM missing": ([RouteRow(20, "a", ["WAVE"])], "U1 is filled at step 10, which is missing"),
    "no name": ([RouteRow(10, "", ["WAVE"])], "Name: "),
    "negative minutes": ([RouteRow(10, "a", ["WAVE"], Decimal(-1))], "minutes_not_negative"),
}


@pytest.mark.parametrize("name", WRONG_ROUTES)
def test_a_wrong_route_leaves_none(part, board, site, stations, who, at, name):
    old = define_station(key="OLD", name="old", site=site, **who)
    old.retired = at
    old.save()
    set_bom(
        assembly=board,
        rows=[BomRow(part("CHIP"), 1, ("U1",), step_number=10), BomRow(part("CAP"), 1, ("U2",))],
        **who,
    )
    rows, says = WRONG_ROUTES[name]
    with pytest.raises(RouteRefused, match=says):
        set_route(part=board, rows=rows, **who)
    assert not Step.objects.exists()


def test_a_route_of_a_draft_takes_the_place_of_the_one_before_and_is_for_what_is_built(part, board, stations, who):
    rows = [RouteRow(10, "a", stations)]
    set_route(part=board, rows=rows, **who)
    set_route(part=board, rows=[RouteRow(20, "b", stations)], **who)
    assert [step.number for step in board.steps.all()] == [20]
    with pytest.raises(RouteRefused, match="not built here"):
        set_route(part=part("CHIP"), rows=rows, **who)


def test_a_bom_after_the_route_names_its_steps(part, board, stations, who):
    set_route(part=board, rows=[RouteRow(10, "a", stations)], **who)
    with pytest.raises(BomRefused, match="Step 20 is not on the route"):
        set_bom(assembly=board, rows=[BomRow(part("CHIP"), 1, ("U1",), step_number=20)], **who)
    set_bom(assembly=board, rows=[BomRow(part("CAP"), 1, ("U1",), step_number=10)], **who)


@pytest.mark.parametrize("number", [-1, 0, 2**31, 2**40])
def test_a_row_names_a_step_that_a_route_can_have(part, board, who, number):
    with pytest.raises(BomRefused, match=f"Row 1: Step {number} is not on the route"):
        set_bom(assembly=board, rows=[BomRow(part("CHIP"), 1, ("U1",), step_number=number)], **who)
    assert not BomLine.objects.exists()
