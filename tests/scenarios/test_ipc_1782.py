"""Elements of IPC-1782, Standard for Manufacturing and Supply Chain Traceability of Electronic Products, as its
public summaries give them, that concern what the floor records. What a suspicion makes of them is genealogy's."""

import pytest

from tests.factories import Plant, candidates_at, moment, ticks
from trace.core.clock import to_ticks
from trace.floor.models import Fitting, Pass
from trace.floor.operations.feeds import find_on_feed, load_feed
from trace.floor.operations.fittings import fit_part, remove_part
from trace.floor.operations.passes import record_passes
from trace.ledger.models import Event

pytestmark = pytest.mark.django_db


@pytest.mark.parametrize("how", ["an uncertain position", "found later", "in the middle of a board"])
def test_a_reel_change_that_can_not_be_told_apart_puts_both_lots_on_record(how: str) -> None:
    """M2: several records for one reference designator where the exact material cannot be told, as when a reel is
    changed within the cycle."""
    plant = Plant()
    old, new = plant.reel("OLD"), plant.reel("NEW")
    plant.do(load_feed, 1, feed=plant.slot_r, container=old)
    before, within, after = plant.boards(3)
    visits = [plant.run(before, plant.insertion, 2, 4), plant.run(within, plant.insertion, 10, 14)]
    match how:
        case "an uncertain position":
            around = (to_ticks(moment(8)), to_ticks(moment(15)))
            plant.do(load_feed, 15, feed=plant.slot_r, container=new, position=around)
        case "found later":
            plant.do(find_on_feed, 6, feed=plant.slot_r, container=old)
            plant.do(find_on_feed, 16, feed=plant.slot_r, container=new)
        case "in the middle of a board":
            plant.do(load_feed, 12, feed=plant.slot_r, container=new)
    visits.append(plant.run(after, plant.insertion, 20, 22))
    candidates = [candidates_at(plant.slot_r, visit.first, visit.last) - {None} for visit in visits]
    assert candidates == [{"OLD"}, {"OLD", "NEW"}, {"NEW"}]
    assert old.lot != new.lot


def test_rework_adds_a_record_and_never_rewrites_the_planned_one() -> None:
    """M2: a placement at rework is recorded against the rework, and the planned one stays as it was."""
    plant = Plant()
    plant.do(load_feed, 1, feed=plant.slot_r, container=plant.reel("PLANNED"))
    (board,) = plant.boards()
    visit = plant.run(board, plant.insertion, 5, 6)
    events = list(Event.objects.order_by("id").values())
    planned = Pass.objects.filter(pk=visit.pk).values().get()
    spans = list(plant.slot_r.spans.order_by("id").values())

    plant.do(remove_part, 20, unit=board, designator="R1", reason="value out of limits")
    plant.do(fit_part, 21, unit=board, designator="R1", container=plant.reel("REWORK"), reason="value out of limits")

    assert Pass.objects.filter(pk=visit.pk).values().get() == planned
    assert list(plant.slot_r.spans.order_by("id").values()) == spans
    assert list(Event.objects.filter(id__lte=events[-1]["id"]).order_by("id").values()) == events
    history = Fitting.objects.filter(unit=board, designator="R1").order_by("since")
    assert [(f.holds, f.container and f.container.key, f.since, f.until) for f in history] == [
        ("nothing", None, ticks(20), ticks(21)),
        ("container", "REWORK", ticks(21), None),
    ]


def test_a_step_passed_again_at_rework_is_a_second_record() -> None:
    plant = Plant(mode="loose")
    (board,) = plant.boards()
    (first,) = plant.do(record_passes, 5, units=[board], station=plant.insertion, outcome="failed")
    planned = Pass.objects.filter(pk=first.pk).values().get()
    (second,) = plant.do(record_passes, 9, units=[board], station=plant.insertion, only=["R1"])
    assert Pass.objects.filter(pk=first.pk).values().get() == planned
    assert (second.pk != first.pk, second.only, board.passes.count()) == (True, ["R1"], 2)
