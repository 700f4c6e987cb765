"""The line on pages and through the API: the same numbers, each with the rows behind it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import timedelta
from decimal import Decimal
from fractions import Fraction
from html import unescape

import pytest
from django.test import Client

from tests.factories import Plant, moment
from tests.web.conftest import make_user
from tests.web.test_answers import rows_of, text_of
from trace.core.clock import telling
from trace.core.permissions import Role
from trace.engineering.models import Site, Station
from trace.floor.models import Pass, Unit
from trace.floor.operations.feeds import load_feed
from trace.floor.operations.passes import start_pass
from trace.web.line import percent, seconds

pytestmark = pytest.mark.django_db


@pytest.fixture
def plant(db: None) -> Plant:
    plant = Plant()
    plant.do(load_feed, feed=plant.slot_r, container=plant.reel("R"))
    plant.do(load_feed, feed=plant.slot_c, container=plant.reel("C", plant.capacitor))
    return plant


@pytest.fixture
def boards(plant: Plant) -> Iterator[Sequence[Unit]]:
    """Five boards at half past six: two through, one failed its test, one inside, one not begun; asked then."""
    boards = plant.boards(5)
    for n, board in enumerate(boards[:3]):
        plant.run(board, plant.insertion, 2 * n + 1, 2 * n + 2)
        plant.run(board, plant.test, 10 + 4 * n, 14 + 4 * n, outcome=Pass.Outcome.FAILED if n == 2 else "passed")
    plant.do(start_pass, 9, unit=boards[3], station=plant.insertion)
    Station.objects.filter(pk=plant.test.pk).update(yield_limit=90, area="tests")
    with telling(moment(30)):
        yield boards


def test_the_answer_stands_on_top(visitor: Client, boards: Sequence[Unit]) -> None:
    page = text_of(visitor.get("/line/?product=BOARD").content.decode())
    assert "BOARD is 1 ahead of plan: 2 done today, 1 due by now. TEST is the slowest: 240 s a unit" in page
    assert "As of 06:30:00. Refreshed every 30 seconds while you look. Stop that" in page
    assert "TEST Test slowest below its limit" in page


def test_times_are_the_plants(visitor: Client, boards: Sequence[Unit]) -> None:
    Site.objects.update(zone="Asia/Tokyo")
    page = visitor.get("/line/?product=BOARD").content.decode()
    assert 'title="2026-03-02 06:30:00 UTC">15:30:00</time>' in page


def test_page_and_api_give_the_same_numbers(visitor: Client, boards: Sequence[Unit]) -> None:
    asked = {"product": "BOARD", "period": "today"}
    answer = visitor.get("/api/v1/line/", asked).json()
    assert answer["sentence"] in text_of(visitor.get("/line/", asked).content.decode())
    stations = rows_of(visitor.get("/line/", {**asked, "csv": "stations"}))
    assert len(stations) == len(answer["stations"]) == 2
    for row, told in zip(stations, answer["stations"], strict=True):
        assert row["Station"].split()[0] == told["station"]
        for name, number in (("Inside", "inside"), ("Waiting", "waiting"), ("Passed", "passed"),
                             ("Not passed", "not_passed"), ("In the last hour", "in_last_hour"),
                             ("Cycle, s", "cycle"), ("Takt, s", "takt")):  # fmt: skip
            assert float(row[name]) == told[number], name
        assert float(row["First pass, %"]) == pytest.approx(100 * told["first_pass_yield"], abs=0.1)
        assert float(row["Per hour"]) == pytest.approx(told["per_hour"], abs=0.1)
        assert ("slowest" in row["Station"]) is told["slowest"] is (told["station"] == answer["slowest"])
    (row,), (told,) = rows_of(visitor.get("/line/", {**asked, "csv": "parts"})), answer["products"]
    assert [int(row[name]) for name in ("To build", "Due by now", "Done")] == [5, 1, 2]
    assert [told[name] for name in ("to_build", "due", "done")] == [5, 1, 2]
    assert (row["Rolled yield, %"], row["Of steps"]) == ("66.6", "2 of 2") and round(told["rolled_yield"], 3) == 0.667
    assert answer["in_process"] == 2 and answer["lead_time_measured"] == 14 * 60  # from minute 1 to 14, from 3 to 18
    assert answer["lead_time_expected"] == answer["worked"] * 2 / 2 == 6.5 * 3600
    assert answer["at"].startswith("2026-03-02T06:30:00")


def test_every_number_leads_to_the_rows_behind_it(visitor: Client, boards: Sequence[Unit]) -> None:
    response = visitor.get("/line/?product=BOARD")
    tried = 0
    for name, shown in response.context["tables"].items():
        for cells in shown.cells():
            for column, cell in cells:
                if not getattr(cell, "href", "") or not cell.value:
                    continue
                table = "units" if "/units/" in cell.href else "passes"
                rows = rows_of(visitor.get(cell.href + f"&csv={table}"))
                if column.name in ("yield", "pace"):
                    assert rows, column.name
                else:
                    assert len(rows) == cell.value, (name, column.name)
                tried += 1
    assert tried >= 10
    facts = dict(response.context["facts"])
    for name, number in (("In process", 2), ("Not begun on the line", 1)):
        assert facts[name].value == number == len(rows_of(visitor.get(facts[name].href + "&csv=units")))


def test_the_units_at_a_station_say_how_long_they_are_there(visitor: Client, boards: Sequence[Unit]) -> None:
    page = visitor.get("/line/units/?product=BOARD&station=TEST")
    assert "1 unit of BOARD, inside TEST Test or waiting for it." in text_of(page.content.decode())
    (row,) = rows_of(visitor.get("/line/units/?product=BOARD&station=TEST&csv=units"))
    assert (row["Unit"], row["State"], row["For"]) == (boards[2].key, "waiting", "8 min")
    assert visitor.get("/line/units/?station=NOWHERE").status_code == 404


def test_failures_are_listed(visitor: Client, boards: Sequence[Unit]) -> None:
    page = text_of(visitor.get("/line/passes/?product=BOARD&passes-right=no").content.decode())
    assert "1 pass of BOARD, closed today." in page and "failed" in page
    (row,) = rows_of(visitor.get("/line/passes/?product=BOARD&passes-right=no&csv=passes"))
    assert (row["Unit"], row["Station"], row["Outcome"], row["First try"]) == (boards[2].key, "TEST", "failed", "yes")


def test_a_refresh_fetches_the_answer_alone(visitor: Client, boards: Sequence[Unit]) -> None:
    part = visitor.get("/line/?product=BOARD", headers={"HX-Request": "true", "HX-Target": "line"}).content.decode()
    assert part.startswith('<section id="line"') and "<html" not in part and "240 s a unit" in part
    still = visitor.get("/line/?product=BOARD&refresh=off").content.decode()
    assert "data-refreshed" not in still and "Not refreshed by itself." in still
    again = unescape(still.partition('id="refresh" href="')[2].partition('"')[0])
    resumed = visitor.get(f"/line/{again}").content.decode()
    assert "data-refreshed" in resumed and "BOARD is 1 ahead of plan" in resumed


def test_a_line_of_an_area_and_of_all(visitor: Client, boards: Sequence[Unit]) -> None:
    rows = rows_of(visitor.get("/line/?area=tests&product=&csv=stations"))
    assert [row["Station"].split()[0] for row in rows] == ["TEST"]
    rows = rows_of(visitor.get("/line/?area=&product=&csv=stations"))
    assert [row["Station"].split()[0] for row in rows] == ["FINAL", "INSERT", "TEST"]
    assert rows_of(visitor.get("/line/?csv=stations"))[0]["Station"].startswith("FINAL")


def test_without_a_pass_today_the_last_day_is_shown_and_it_says_so(visitor: Client, boards: Sequence[Unit]) -> None:
    with telling(moment(5 * 24 * 60)):
        page = text_of(visitor.get("/line/?product=BOARD").content.decode())
    assert "2 done on 2 March 2026, the last day on which anything passed" in page
    assert "In the last hour" not in page


@pytest.mark.parametrize(
    ("query", "status"),
    [
        ("product=NONE", 404),
        ("area=nowhere", 404),
        ("period=fortnight", 400),
        ("period=days", 400),
        ("period=days&from=2026-03-01&to=2026-02-01", 400),
        ("period=days&from=9999-12-31", 400),
        ("product=a%20b", 400),
    ],
)
def test_what_cannot_be_asked_is_refused_alike(
    visitor: Client, boards: Sequence[Unit], query: str, status: int
) -> None:
    assert visitor.get(f"/line/?{query}").status_code == status
    answer = visitor.get(f"/api/v1/line/?{query}")
    assert answer.status_code == status and answer["Content-Type"] == "application/problem+json"


def test_an_empty_plant_says_what_to_do_first(visitor: Client) -> None:
    page = text_of(visitor.get("/line/").content.decode())
    assert "No station is on the line. A planner brings in stations and routes as lists." in page


def test_home_names_yields_below_their_limits_to_those_who_act_on_them(client: Client, boards: Sequence[Unit]) -> None:
    for role in (Role.SUPERVISOR, Role.QUALITY, Role.OPERATOR):
        client.force_login(make_user(role.lower(), roles=[role]))
        page = text_of(client.get("/").content.decode())
        told = "At 1 station the first-pass yield is below its limit." in page
        assert told is (role != Role.OPERATOR)
    client.force_login(make_user("sue", roles=[Role.SUPERVISOR]))
    (row,) = rows_of(client.get("/?csv=yields"))
    assert list(row.values()) == ["TEST Test", "66.6", "90"]


def test_shares_are_rounded_down_and_times_to_whole_seconds() -> None:
    assert percent(Fraction(9999, 10000)) == Decimal("99.9") and percent(Fraction(1)) == 100
    assert [seconds(timedelta(seconds=s)) for s in (9.96, 59.6)] == [Decimal("9.9"), 60]
