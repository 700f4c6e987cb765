"""A feed is reckoned from its last sure emptying on: what was before stays, and is not read."""

from __future__ import annotations

import random

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from tests.factories import Plant, spans_of, ticks
from trace.floor import draws
from trace.floor.operations.feeds import clear_feed, load_feed, splice_feed, take_off_feed, top_up_feed
from trace.material.models import Derivation, Span

pytestmark = pytest.mark.django_db


def test_what_is_read_does_not_grow_with_history(monkeypatch: pytest.MonkeyPatch) -> None:
    plant = Plant()
    read: list[int] = []
    reckoned = draws.reckon

    def count(records, drawn, **arguments):
        read.append(len(records) + len(drawn))
        return reckoned(records, drawn, **arguments)

    monkeypatch.setattr(draws, "reckon", count)

    def asked(n: int) -> tuple[int, int]:
        """(queries, records and draws read) of two boards from the n-th counted reel."""
        plant.do(load_feed, 10 * n, feed=plant.slot_r, container=plant.reel(), quantity=9, at_least=1)
        boards = plant.boards(2)
        read.clear()
        with CaptureQueriesContext(connection) as queries:
            for minute, board in zip((10 * n + 2, 10 * n + 5), boards, strict=True):
                plant.run(board, plant.insertion, minute, minute + 1)
        return len(queries), sum(read)

    few, *_, many = [asked(n) for n in range(1, 9)][1:]
    assert few == many
    assert 0 < many[1] < 20


def test_no_record_lies_across_an_anchor() -> None:
    plant = Plant()

    def anchor(minute: float) -> int | None:
        return draws.read_reckoned([plant.slot_r], ticks(minute))[plant.slot_r.pk][0].anchor

    first = plant.do(load_feed, 10, feed=plant.slot_r, container=plant.reel())
    plant.do(load_feed, 20, feed=plant.slot_r, container=plant.reel())
    assert anchor(15) == first.pk
    plant.do(load_feed, 30, feed=plant.slot_r, container=plant.reel(), position=(ticks(15), ticks(25)))
    assert anchor(40) == first.pk


@pytest.mark.parametrize("seed", range(6))
def test_reckoning_from_an_anchor_is_reckoning_all(seed: int) -> None:
    """Random acts, some of them late: then everything once more from the beginning changes nothing."""
    chance, plant = random.Random(seed), Plant()
    for n in range(14):
        minute = chance.choice([10 * n + 5, 10 * n + 5, chance.randrange(5, 10 * n + 6)])
        arguments = {"feed": plant.slot_r, "position": None}
        if chance.random() < 0.2:
            arguments["position"] = (ticks(max(minute - 12, 1)), ticks(minute))
        match chance.choice(["load", "load", "splice", "pour", "clear", "off", "board", "board"]):
            case "load":
                counts = chance.choice([{}, {"quantity": 3, "at_least": 1}])
                plant.do(load_feed, minute, container=plant.reel(lot="L"), **arguments, **counts)
            case "splice":
                plant.do(splice_feed, minute, container=plant.reel(lot="L"), lead=3, tolerance=1, **arguments)
            case "pour":
                plant.do(top_up_feed, minute, container=plant.reel(lot="L"), quantity=2, left=1, **arguments)
            case "clear":
                plant.do(clear_feed, minute, **arguments)
            case "off" if any(key for _, end, key in spans_of(plant.slot_r) if end > ticks(minute)):
                plant.do(take_off_feed, minute, label=f"REST-{n}", **arguments)
            case "board":
                (board,) = plant.boards()
                if not {key for _, end, key in spans_of(plant.slot_r) if end > ticks(10 * n + 9)} <= {None}:
                    plant.run(board, plant.insertion, 10 * n + 5, 10 * n + 6)
    before = spans_of(plant.slot_r), set(Derivation.objects.filter(superseded=None).values_list("pk", flat=True))
    written = Span.objects.count()
    draws.reckon_feed(plant.slot_r, plant.ann)
    after = spans_of(plant.slot_r), set(Derivation.objects.filter(superseded=None).values_list("pk", flat=True))
    assert after == before
    assert Span.objects.count() == written
