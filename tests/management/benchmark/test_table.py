"""What is printed and drawn of measurements."""

from __future__ import annotations

from math import isclose
from xml.etree import ElementTree

import pytest
from django.core.management import call_command
from django.core.management.base import CommandError

from trace.management.benchmark.measure import Timing, slope, time_together
from trace.management.benchmark.picture import LINE, draw
from trace.management.benchmark.table import rows_of, write_table


def timed(milliseconds: float) -> dict:
    return Timing((milliseconds / 1000,)).as_data()


def results() -> dict:
    """Two sizes on SQLite; latency grows with the square root of the history."""
    return {
        "machine": "a machine",
        "python": "3",
        "seed": 1,
        "boards": 40_000,
        "repeats": 1,
        "versions": ["SQLite 3"],
        "sizes": {
            boards: {
                "SQLite": {
                    "build_s": 1.0,
                    "bytes": boards * 500,
                    "bytes_of_passes": boards * 300,
                    "memory": 1_000_000,
                    "forward": {"one container": {"answer": 10, "project": timed(latency), "floor": timed(10)}},
                    "containment": {
                        "times": {
                            name: {"answer": boards // 10, "project": timed(boards / 10), "floor": timed(boards / 50)}
                            for name in ("first answer", "stop")
                        },
                        "reckoned": 5_000_000,
                        "streams": {
                            "API": {
                                "rows": boards,
                                "settled": 1_000,
                                "held": 3_000_000,
                                "more": 20_000,
                                "peak": 6_000_000,
                            }
                        },
                    },
                }
            }
            for boards, latency in ((10_000, 20.0), (40_000, 40.0))
        },
    }


def test_the_table_gives_multiples_of_the_floor_and_growth() -> None:
    rows = {row[:3]: row[3] for row in rows_of(results())}
    assert rows["forward, one container / floor", "SQLite", "10,000"] == "2.0"
    assert rows["forward, one container / floor", "SQLite", "40,000"] == "4.0"
    assert rows["growth of forward with history, exponent", "SQLite", "10,000 to 40,000"] == "+0.50"
    assert "500 bytes a board, 300 of them passes" in write_table(results())


def test_the_table_gives_what_a_containment_takes_in_time_and_memory() -> None:
    rows = {row[:3]: row[3:] for row in rows_of(results())}
    assert rows["containment, stop / floor", "SQLite", "10,000"][0] == "5.0"
    assert rows["growth of the stop with the units in it, exponent", "SQLite", "10,000 to 40,000"][0] == "+1.00"
    value, reach, note = rows["CSV of every unit, API: held from then on", "SQLite", "40,000"]
    assert (value, reach) == ("+0.02 MB", "≤ 1") and note.startswith("40,000 rows, 3 MB held at row 1,000")
    assert note.endswith("at most 1.20 times what reckoning takes")


def test_the_picture_has_a_line_for_the_project_and_one_for_the_floor() -> None:
    picture = ElementTree.fromstring(draw(results()))
    texts = [text.text for text in picture.iter("{http://www.w3.org/2000/svg}text")]
    assert {"SQLite", "SQLite, floor", "10,000", "40,000"} <= set(texts)
    assert {"SQLite, stop", "SQLite, first answer", "1,000", "4,000"} <= set(texts)
    assert len(list(picture.iter("{http://www.w3.org/2000/svg}circle"))) == 4 + 4


def test_names_in_the_picture_stand_apart_where_lines_end_together() -> None:
    same = results()
    for found in same["sizes"].values():
        found["SQLite"]["forward"]["one container"]["floor"] = found["SQLite"]["forward"]["one container"]["project"]
    texts = ElementTree.fromstring(draw(same)).iter("{http://www.w3.org/2000/svg}text")
    first, second = (float(text.get("y", "")) for text in texts if text.text in ("SQLite", "SQLite, floor"))
    assert second - first >= LINE


def test_slope_is_the_exponent() -> None:
    exponent = slope([(x, 3 * x**0.7) for x in (1.0, 10.0, 500.0)])
    assert exponent is not None and isclose(exponent, 0.7)
    assert slope([(5.0, 1.0)]) is None


def test_works_are_timed_in_turn_after_one_run_of_each() -> None:
    order: list[str] = []
    timings = time_together({"a": lambda: order.append("a"), "b": lambda: order.append("b")}, 2)
    assert order == ["a", "b", "a", "b", "a", "b"]
    assert [len(timing.runs) for timing in timings.values()] == [2, 2]


@pytest.mark.parametrize(
    ("argument", "says"),
    [
        ("--boards=10", "Fewer than 2000"),
        ("--repeats=0", "one run or more"),
        ("--database-url=sqlite:///x", "names a PostgreSQL server"),
    ],
)
def test_what_can_not_be_measured_is_refused(argument: str, says: str) -> None:
    with pytest.raises(CommandError, match=says):
        call_command("benchmark", argument)
