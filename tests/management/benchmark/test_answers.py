"""What is timed is right: the project, a graph and a row per part give the same answers."""

from __future__ import annotations

import pytest

from tests.management.benchmark.graph import Graph
from trace.floor.models import Pass
from trace.management.benchmark.answers import AnswersDiffer, ask, backward_of, check_same, forward_of, look_into
from trace.management.benchmark.history import History, Question
from trace.management.benchmark.rivals.rows import RowPerPart


def repaired(history: History) -> list[Question]:
    """Of three boards: the reel of the only part that they had from a feed, before a repair replaced it."""
    alone = [(plan, i) for i, (plan, _) in history.repairs.items() if len(plan.designators) == 1]
    reels = [history.supply.reels[plan.id][i // plan.reel].id for plan, i in alone[:3]]
    return [Question(f"reel {reel}", containers=(reel,)) for reel in reels]


def test_the_project_answers_as_a_graph_does(loaded: History) -> None:
    graph = Graph(loaded)
    surenesses = set()
    for question in [*loaded.questions, *repaired(loaded)]:
        answer = forward_of(ask(question))
        plain = {key: (sureness, top, "") for key, (sureness, top, _) in answer.items()}
        check_same(question.name, plain, graph.forward(question))
        surenesses |= {sureness for sureness, *_ in answer.values()}
    assert surenesses == {0, 1, 2}
    assert any(customer for *_, customer in forward_of(ask(loaded.one_container)).values())
    check_same("backward", backward_of(look_into(loaded.asked_product)), graph.backward(loaded.asked_product))


def test_a_window_holds_the_boards_that_were_inside(loaded: History) -> None:
    (window,) = loaded.process_window.windows
    inside = Pass.objects.filter(station__key="INSERT", scanned_in__lt=window.until, scanned_out__gte=window.since)
    population = ask(loaded.process_window)
    assert {c.key for c in population.carriers if c.direct} == set(inside.values_list("unit__key", flat=True))
    assert len(inside) >= 300
    assert {c.part for c in population.carriers} >= {"BOARD", "PRODUCT"}


def test_a_row_per_part_answers_as_the_project_does(loaded: History, rows: RowPerPart) -> None:

    for question in loaded.questions:
        check_same(question.name, forward_of(ask(question)), rows.forward_of(rows.ask(question)))
    inside = backward_of(look_into(loaded.asked_product))
    check_same("backward", inside, rows.backward_of(rows.look_into(loaded.asked_product)))
    assert len(rows.look_into(loaded.asked_product)) >= 750
    assert rows.bytes() > 0


@pytest.fixture
def rows(loaded: History) -> RowPerPart:
    rows = RowPerPart(loaded)
    rows.build()
    return rows


def test_a_difference_is_named() -> None:
    with pytest.raises(AnswersDiffer, match="1 only the project says, such as .*BOARD-1.*; 0 only the other"):
        check_same("a question", {"BOARD-1": (0, "BOARD-1", "")}, {})
