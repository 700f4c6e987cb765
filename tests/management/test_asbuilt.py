"""`manage.py asbuilt`, against what the query says."""

import json
from itertools import chain

import pytest
from django.core.management import ManagementUtility

from tests.factories import ticks
from tests.management.test_affected import plant, run  # noqa: F401
from trace.core.keys import label_text
from trace.floor.operations.changeovers import start_setup
from trace.floor.operations.feeds import charge_bath, dump_bath, load_feed
from trace.floor.operations.fittings import remove_part
from trace.floor.operations.stores import merge_containers
from trace.genealogy.backward import AsBuilt, trace_backward
from trace.management.answers import WIDTH
from trace.material.models import Feed
from trace.material.operations.setups import define_feed

pytestmark = pytest.mark.django_db


def show(*arguments: str) -> str:
    return run(*arguments, command="asbuilt")


def flat(unit: dict) -> list[tuple]:
    """Every origin of every entry of every place of a unit and its children."""
    mine = [
        (unit["key"], place["designator"], entry["kind"], entry["standing"], origin["container"], origin["lot"])
        for place in unit["places"]
        for entry in place["entries"]
        for origin in entry["origins"]
    ]
    return mine + list(chain.from_iterable(map(flat, unit["children"])))


def flat_built(built: AsBuilt) -> list[tuple]:
    return [
        (unit.key, place.designator, entry.kind, entry.standing, origin.container, origin.lot)
        for unit in built.walk()
        for place in unit.places
        for entry in place.entries
        for origin in entry.origins
    ]


def test_the_tree_is_nested_and_goes_down_to_lots(plant) -> None:  # noqa: F811
    text = show(label_text(plant.product.key))
    lines = text.splitlines()
    board = plant.boards[0].key
    assert lines[0] == f"{plant.product.key}  PRODUCT  Product: shipped to North Air on SH-1 in carton BOX-1."
    assert lines[1:6] == [
        "  Fitted since 2026-03-02 06:14 by Ann",
        f"    M1  BOARD: unit {board}",
        "      Drawn at INSERT, step 10 Step 10, 2026-03-02 06:02 by Ann",
        "        R1, R2  RES: BAD, lot LOT-7 (number K7731) from Acme",
        "        C1  CAP: CAPS, lot LOT-CAPS (number N-LOT-CAPS) from Acme",
    ]
    assert lines[6:] == ["  Nothing on record", "    F1  FUSE"]
    assert max(map(len, lines)) <= WIDTH
    assert "\x1b" not in text


def test_candidates_are_joined_and_displaced_ones_are_past(plant) -> None:  # noqa: F811
    assert (
        "    R1, R2  RES: one of\n"
        "        BAD, lot LOT-7 (number K7731) from Acme\n"
        "        OTHER, lot LOT-OTHER (number N-LOT-OTHER) from Acme\n"
    ) in show(plant.boards[4].key)
    repaired = " ".join(show(plant.boards[1].key).split())
    assert (
        "Fitted since 2026-03-02 06:11 by Ann: drifted at test "
        "R1, R2 RES: FRESH, lot LOT-FRESH (number N-LOT-FRESH) from Acme "
        "past, drawn at INSERT, step 10 Step 10, 2026-03-02 06:03 by Ann: BAD, lot LOT-7 (number K7731) from Acme"
    ) in repaired


def test_what_a_bath_gave_is_mixed_of_all_charges(plant) -> None:  # noqa: F811
    here = plant.here
    bath = here.do(define_feed, key="BATH", station=here.test, kind=Feed.Kind.BATH)
    bars = [here.reel(key, here.capacitor) for key in ("BAR-1", "BAR-2")]
    here.do(dump_bath, 30, feed=bath, cleaned=True)
    for minute, bar in enumerate(bars):
        here.do(charge_bath, 31 + minute, feed=bath, container=bar)
    here.do(start_setup, 33, key="BATH-SETUP", station=here.test, assembly=here.board, feeds={"C1": bath})
    board = plant.boards[2]
    here.run(board, here.test, 40, 41)
    assert (
        "    C1  CAP: mixed of\n"
        "        BAR-1, lot LOT-BAR-1 (number N-LOT-BAR-1) from Acme\n"
        "        BAR-2, lot LOT-BAR-2 (number N-LOT-BAR-2) from Acme\n"
    ) in show(board.key)


def test_a_derived_container_shows_what_it_was_filled_from(plant) -> None:  # noqa: F811
    reels = [plant.here.reel(key, plant.here.capacitor) for key in ("CA", "CB")]
    mixed = plant.here.do(merge_containers, 40, sources=reels, key="MIXED")
    plant.here.do(load_feed, 41, feed=plant.here.slot_c, container=mixed)
    (board,) = plant.here.boards(1)
    plant.here.run(board, plant.here.insertion, 42, 43)
    assert (
        "    C1  CAP: MIXED, lot MIXED-LOT (number MIXED) from The plant, filled from\n"
        "        CA, lot LOT-CA (number N-LOT-CA) from Acme\n"
        "        CB, lot LOT-CB (number N-LOT-CB) from Acme\n"
    ) in show(board.key)


def test_json_agrees_with_the_query(plant) -> None:  # noqa: F811
    for unit in (plant.product, *plant.boards):
        answer = json.loads(show(unit.key, "--json"))
        assert sorted(map(str, flat(answer["unit"]))) == sorted(map(str, flat_built(trace_backward(unit))))
    answer = json.loads(show(plant.product.key, "--json"))
    assert answer["at"] is None
    assert answer["where"]["kind"] == "shipped"
    assert answer["where"]["customer"] == "NORTH"
    (child,) = answer["unit"]["children"]
    assert child["key"] == plant.boards[0].key
    (fitting,) = answer["unit"]["places"][0]["entries"]
    assert (fitting["child"], fitting["gone"]) == (child["key"], None)


def test_as_of_a_moment(plant) -> None:  # noqa: F811
    lines = show(plant.product.key, "--at", "2026-03-02 06:13").splitlines()
    assert lines[0].endswith("Product: not started, as of 2026-03-02 06:13 (UTC).")
    assert plant.boards[0].key not in "\n".join(lines)
    answer = json.loads(show(plant.boards[1].key, "--at", "2026-03-02T06:10:00+00:00", "--json"))
    assert flat(answer["unit"]) == flat_built(trace_backward(plant.boards[1], ticks(10)))


def test_a_removed_part_leaves_the_place_empty(plant) -> None:  # noqa: F811
    board = plant.boards[2]
    plant.here.do(remove_part, 20, unit=board, designator="R1", reason="burnt")
    text = show(board.key)
    assert "  Empty since 2026-03-02 06:20 by Ann: burnt\n    R1  RES\n      past, drawn" in text


@pytest.mark.parametrize(
    ("serial", "sentence"),
    [("NO-SUCH", "No unit has the serial NO-SUCH."), ("NO SUCH", "is not a key"), ("SN-1.?", "check character")],
)
def test_a_refusal_is_a_sentence_on_stderr_and_exit_code_1(plant, capsys, serial, sentence) -> None:  # noqa: F811
    with pytest.raises(SystemExit) as end:
        ManagementUtility(["manage.py", "asbuilt", serial]).execute()
    assert end.value.code == 1
    out, err = capsys.readouterr()
    assert out == ""
    assert sentence in err
