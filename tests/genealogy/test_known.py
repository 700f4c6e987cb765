"""As known on a day: what was answered then is answered again, whatever was recorded since."""

from __future__ import annotations

import pytest
from django.apps import apps

from tests.factories import Plant
from tests.genealogy.asking import NONE, Answer, ask, board_at, fit, load, lots_of
from tests.genealogy.recording import Clock
from tests.genealogy.shop import Shop
from tests.genealogy.test_mutants import check_found
from tests.genealogy.test_oracle import run_known
from trace.core.clock import OPEN
from trace.floor.models import Fitting, Packing, Pass, Unit
from trace.floor.operations.corrections import void_pass
from trace.floor.operations.feeds import find_on_feed
from trace.floor.operations.findings import find_child
from trace.genealogy import known
from trace.genealogy.known import BELIEVED, as_known
from trace.material.models import Span

pytestmark = pytest.mark.django_db


def ask_as_known(clock_time: int, *keys: str, minute: float | None = None) -> Answer:
    with as_known(clock_time):
        return ask(*keys, minute=minute)


def test_a_late_record_is_not_believed_before_it_was_made(plant: Plant, clock: Clock) -> None:
    load(plant, "A", 1)
    board = board_at(plant, 10, 11)
    before = clock.last
    plant.do(find_on_feed, 12, feed=plant.slot_r, container=plant.reel("B"))
    assert ask("LOT-B") == (NONE, {board.key}, NONE)
    assert ask_as_known(before, "LOT-A") == ({board.key}, NONE, NONE)
    assert ask("LOT-A") == (NONE, {board.key}, NONE)
    assert ask_as_known(clock.last, "LOT-A") == ask_as_known(OPEN, "LOT-A") == (NONE, {board.key}, NONE)


def test_a_pass_that_was_open_is_open_and_one_that_was_voided_is_there(plant: Plant, clock: Clock) -> None:
    load(plant, "A", 1)
    nothing = clock.last
    (board,) = plant.boards()
    visit = plant.run(board, plant.insertion, 2, 3)
    done = clock.last
    plant.do(void_pass, 5, entry=visit, reason="wrong traveller scanned")
    assert ask("LOT-A") == (NONE, NONE, NONE)
    assert ask_as_known(done, "LOT-A") == ({board.key}, NONE, NONE)
    assert ask_as_known(nothing, "LOT-A") == (NONE, NONE, NONE)
    with as_known(done):
        assert lots_of(board)["R1"] == {"LOT-A"}


def test_both_times_at_once(plant: Plant, clock: Clock) -> None:
    load(plant, "A", 1)
    board = board_at(plant, 2, 3)
    one, two = plant.products(2)
    fit(plant, one, board, 5)
    then = clock.last
    plant.do(find_child, 20, unit=two, designator="M1", child=board)
    assert ask("LOT-A", minute=10) == ({board.key}, {one.key, two.key}, NONE)
    assert ask_as_known(then, "LOT-A", minute=10) == ({board.key, one.key}, NONE, NONE)
    assert ask_as_known(then, "LOT-A", minute=4) == ({board.key}, NONE, NONE)


def test_nothing_stays_behind(plant: Plant, clock: Clock) -> None:
    """Many times on one connection: what it kept of a query is not used again."""
    load(plant, "A", 1)
    before = clock.last
    board = board_at(plant, 2, 3)
    for _ in range(12):
        assert ask("LOT-A") == ({board.key}, NONE, NONE)
        assert ask_as_known(before, "LOT-A") == (NONE, NONE, NONE)
    with pytest.raises(ZeroDivisionError), as_known(before):
        _ = 1 // 0
    assert ask("LOT-A") == ({board.key}, NONE, NONE)


def test_every_table_that_says_when_it_was_recorded_is_read_as_it_was() -> None:
    """All that genealogy may read: what a containment keeps lies above it."""
    kept = {
        model
        for model in apps.get_app_config("trace").get_models()
        if not model.__module__.startswith("trace.containment.")
        and {"recorded", "superseded"} & {field.name for field in model._meta.concrete_fields}
    }
    assert kept - set(BELIEVED) <= {apps.get_model("trace", "Answer")}


WEAKER = {
    "a pass was always bounded as it is": ("inside", 0, Pass, ("ended", "last", "length_class")),
    "a pass was always closed": ("inside", 0, Pass, ("inside", "outcome", "scanned_out", "closed")),
    "a fitting always had its end": ("found", 0, Fitting, ("until", "doubted")),
    "what was superseded never stood": ("feeds", 0, Span, ("superseded",)),
    "a unit was always scrapped": ("families", 0, Unit, ("scrapped",)),
    "a unit was always in its carton": ("families", 3, Packing, None),
}
"""Mutants, each with a plant that shows it: columns that are not taken back (None: rows that are not left out)."""


@pytest.mark.parametrize("name", WEAKER)
def test_what_is_not_taken_back_is_found(shop: Shop, clock: Clock, name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    family, seed, model, columns = WEAKER[name]
    on_record, then = BELIEVED[model]
    if columns is None:
        on_record = "TRUE"
    elif "superseded" in columns:
        on_record = "recorded <= {known} AND superseded IS NULL"
    kept = {column: text for column, text in then.items() if column == "superseded" or column not in (columns or ())}
    weaker = {**BELIEVED, model: (on_record, kept)}
    check_found(
        shop,
        family,
        seed,
        lambda: monkeypatch.setattr(known, "BELIEVED", weaker),
        lambda shop, history: run_known(shop, history, clock),
    )
