"""What is measured of a containment is what it says: units answered, held, paged and written; memory that grows."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from trace.containment.holding import is_at_hand, list_holds
from trace.containment.models import Containment, Snapshot
from trace.floor.models import Unit
from trace.holds.models import Hold
from trace.management.benchmark.answers import AnswersDiffer, ask
from trace.management.benchmark.containment import Alarms, Page, hold_bare, trace_peak, trace_stream
from trace.management.benchmark.floors import build_floors, fetch_floor_page
from trace.management.benchmark.history import History

ROW = b"x" * 199 + b"\n"


@pytest.fixture
def alarms(loaded: History) -> Alarms:
    build_floors()
    return Alarms(loaded)


def test_every_figure_is_of_what_it_says(alarms: Alarms, loaded: History) -> None:
    found = alarms.measure(1)
    units, times = [carrier.unit for carrier in ask(loaded.contained).carriers], found["times"]
    assert times["first answer"]["answer"] == len(units) > loaded.boards // 10
    snapshots = list(Snapshot.objects.all())  # the stop that is checked, one to warm up, one timed
    assert [snapshot.carriers.count() for snapshot in snapshots] == [len(units)] * 3
    assert {times[f"page of units, {place}"]["answer"] for place in ("first", "middle")} == {25}
    assert times["units by the API, first"]["answer"] == 100
    assert times["units by the API, last"]["answer"] == (len(units) - 1) % 100 + 1
    for stream in found["streams"].values():
        assert stream["rows"] == Unit.objects.count() and stream["settled"] == loaded.boards // 10
        assert stream["more"] < 300_000 < stream["held"] < stream["peak"]  # garbage waits for its collection
    assert found["streams"]["API"]["more"] < 10_000
    assert found["reckoned"] > 100 * Unit.objects.count()
    assert Containment.objects.count() > 5 and set(Hold.objects.values_list("target_kind", flat=True)) == {"unit"}


def test_the_stop_holds_as_many_as_the_floor_writes(alarms: Alarms, loaded: History) -> None:
    population, snapshot = alarms.answer(), alarms.stop()
    rows = alarms.list_held(population, snapshot)
    holds = list_holds(snapshot.containment)
    assert len(rows) == holds.count()
    hold_bare(rows)
    written = Hold.objects.filter(under="", released=None).values_list("target_kind", "target_key", "reason")
    assert set(written) == set(holds.values_list("target_kind", "target_key", "reason"))
    of_kind = {kind: holds.filter(target_kind=kind).count() for kind in ("unit", "carton", "container", "lot")}
    assert of_kind["unit"] == sum(map(is_at_hand, population.carriers)) and all(of_kind.values())
    assert {place for carrier in population.carriers for place in [carrier.where.kind]} >= {"packed", "finished"}


def test_a_stop_that_missed_a_unit_is_noticed(alarms: Alarms) -> None:
    population, snapshot = alarms.answer(), alarms.stop()
    list_holds(snapshot.containment).filter(target_kind="unit")[0].delete()
    with pytest.raises(AnswersDiffer, match="are in the plant"):
        alarms.list_held(population, snapshot)


def test_a_page_that_shows_other_units_is_noticed(alarms: Alarms) -> None:
    with pytest.raises(AnswersDiffer, match="1 of 2 units are missing, such as BOARD-2"):
        Page(["BOARD-1", "BOARD-2"], lambda: b"BOARD-1", 0).check("page")
    with pytest.raises(AnswersDiffer, match="answers 404"):
        alarms.fetch("/containments/CM-NONE/")


def test_the_floor_of_a_page_is_as_many_rows_behind_another(alarms: Alarms) -> None:
    assert [row[0] for row in fetch_floor_page(50, 25)] == list(range(51, 76))


def test_memory_that_grows_with_the_rows_is_measured() -> None:
    kept: list[bytes] = []

    def rows(*, keep: bool) -> Iterator[bytes]:
        yield b"head\n"
        for number in range(5_000):
            row = ROW + b"%d\n" % number  # two lines at once
            if keep:
                kept.append(row)
            yield row

    flat, grown = (trace_stream(lambda keep=keep: rows(keep=keep), 1_000) for keep in (False, True))
    assert flat["rows"] == grown["rows"] == 10_000
    assert flat["more"] < 5_000
    assert grown["more"] > 4_500 * len(ROW) and grown["peak"] >= grown["held"] + grown["more"]


def test_what_is_made_before_the_first_row_counts_in_all() -> None:
    def rows() -> Iterator[bytes]:
        made = [ROW[:-1] + b"%d\n" % n for n in range(5_000)]
        yield b"head\n"
        yield from made

    assert trace_stream(rows, 1_000)["peak"] > 5_000 * len(ROW)
    assert trace_peak(lambda: [bytes(1_000) for _ in range(1_000)]) > 1_000_000
