"""Lot and container pages: the answer, the tables behind its numbers, CSV, an earlier moment, why, cost."""

from __future__ import annotations

import csv
import io
import re
from datetime import timedelta
from html import unescape

import pytest
from django.core.management import call_command
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from tests.factories import Plant, moment
from tests.web.conftest import Suspects
from trace.core.clock import now
from trace.exchange.spreadsheet import as_told, inert
from trace.floor.operations.feeds import load_feed
from trace.floor.operations.orders import scrap_unit
from trace.floor.operations.stores import split_container
from trace.holds.models import Hold
from trace.holds.operations import release_hold
from trace.material.models import Container
from trace.material.operations.stock import discard_container

pytestmark = pytest.mark.django_db

SENTENCE = "Lot K77 is in 3 units: 2 certain, 1 possible. 1 has shipped, to 1 customer. 1 carried it and no longer"


def text_of(html: str) -> str:
    """The page's words."""
    apart = re.sub(r"</(dt|dd|td|th|p|h\d|li|div|summary|a|option)>", r"\g<0> ", html)
    return re.sub(r" (?=[.,:;])", "", " ".join(unescape(re.sub(r"<[^>]+>", "", apart)).split()))


def rows_of(response: object) -> list[dict[str, str]]:
    """A CSV answer as rows."""
    body = b"".join(response.streaming_content).decode("utf-8-sig")  # type: ignore[attr-defined]
    return list(csv.DictReader(io.StringIO(body)))


def serials(page: str) -> list[str]:
    """The serials in the units table, in order."""
    table = page[page.index('id="table-units"') :]
    table = table[: table.index("</table>")] if "</table>" in table else table
    return re.findall(
        r'<td[^>]*><span><a class="key" href="/units/([A-Z0-9-]+)/', table[: table.find('id="table-', 5)] or table
    )


def test_a_lot_answers_in_words_with_its_numbers_as_links(visitor: Client, suspects: Suspects) -> None:
    page = visitor.get("/lots/K77/").content.decode()
    assert SENTENCE in text_of(page)
    for link in ("units-sureness=certain", "units-sureness=possible", "units-sureness=cleared", "#customers"):
        assert f"{link}" in unescape(page)
    for word in ("2406/A", "2605", "Acme", "RES", "Nord Air", "SH-1", "Parts drift after solder."):
        assert word in page
    assert "decided by qualified people" in page


def test_page_and_command_give_the_same_answer(
    visitor: Client, suspects: Suspects, capsys: pytest.CaptureFixture
) -> None:
    call_command("affected", "K77")
    answer = capsys.readouterr().out.splitlines()[0]
    assert answer in text_of(visitor.get("/lots/K77/").content.decode())


@pytest.mark.parametrize("sureness", ["certain", "possible", "cleared"])
def test_the_rows_behind_a_number_are_that_many(visitor: Client, suspects: Suspects, sureness: str) -> None:
    expected = {
        "certain": {suspects.certain.key, suspects.product.key},
        "possible": {suspects.possible.key},
        "cleared": {suspects.cleared.key},
    }[sureness]
    rows = rows_of(visitor.get(f"/lots/K77/?units-sureness={sureness}&csv=units"))
    assert {row["Serial"] for row in rows} == expected
    assert set(serials(visitor.get(f"/lots/K77/?units-sureness={sureness}").content.decode())) == expected


def test_a_possible_unit_says_why_in_words(visitor: Client, suspects: Suspects) -> None:
    page = text_of(visitor.get("/lots/K77/").content.decode())
    assert "blurred the moment of a change is not known exactly" in page


def test_csv_has_every_row_of_every_page(visitor: Client, suspects: Suspects) -> None:
    everything = rows_of(visitor.get("/lots/K77/?units-counted=&csv=units"))
    population = visitor.get("/lots/K77/").context["answer"].population
    assert sorted(row["Serial"] for row in everything) == sorted(carrier.key for carrier in population.carriers)
    assert {row["Is in"] for row in everything} == {"", suspects.product.key}


def test_places_and_customers_count_what_the_units_table_shows(visitor: Client, suspects: Suspects) -> None:
    places = rows_of(visitor.get("/lots/K77/?csv=places"))
    assert sum(int(row["Units"]) for row in places) == 3
    for row in places:
        shown = rows_of(
            visitor.get("/lots/K77/", {"units-place": row["Place"], "units-carried": "yes", "csv": "units"})
        )
        assert len(shown) == int(row["Units"])
    (customer,) = rows_of(visitor.get("/lots/K77/?csv=customers"))
    assert (customer["Certain"], customer["Possible"]) == ("1", "0")


def test_a_part_fetched_by_script_is_the_table_alone(visitor: Client, suspects: Suspects) -> None:
    response = visitor.get("/lots/K77/?units-sort=-serial", headers={"HX-Request": "true", "HX-Target": "table-units"})
    page = response.content.decode()
    assert page.lstrip().startswith('<div class="table" id="table-units"')
    assert "HX-Request" in response["Vary"]
    assert suspects.product.key in re.findall(r'href="/units/([A-Z0-9-]+)/', page)


@pytest.mark.parametrize("target", ["table-nothing", ""])
def test_a_table_that_is_not_there_is_the_whole_page(visitor: Client, suspects: Suspects, target: str) -> None:
    headers = {"HX-Request": "true", "HX-Target": target} if target else {}
    page = visitor.get("/lots/K77/?csv=nothing", headers=headers).content.decode()
    assert SENTENCE in text_of(page)
    assert "No plant is on record" not in page
    assert 'href="/lots/K77/cost/' in page


def test_sorting_runs_both_ways(visitor: Client, suspects: Suspects) -> None:
    up = [row["Serial"] for row in rows_of(visitor.get("/lots/K77/?units-sort=serial&csv=units"))]
    down = [row["Serial"] for row in rows_of(visitor.get("/lots/K77/?units-sort=-serial&csv=units"))]
    assert up == sorted(up) and down == up[::-1]


def test_as_of_an_earlier_moment(visitor: Client, suspects: Suspects) -> None:
    before = f"{moment(13.5):%Y-%m-%dT%H:%M}"
    page = visitor.get(f"/lots/K77/?at={before}").content.decode()
    assert "Lot K77 is in 2 units: 2 certain, 0 possible. None has shipped." in text_of(page)
    assert f"/units/{suspects.certain.key}/?at={before}" in page
    assert "Parts drift after solder." not in page  # the hold came later
    assert rows_of(visitor.get(f"/lots/K77/?at={before}&csv=customers")) == []


def test_a_moment_that_is_still_to_come_is_refused(visitor: Client, suspects: Suspects) -> None:
    soon = (now() + timedelta(hours=1)).isoformat()
    for address in ("/lots/K77/", f"/units/{suspects.product.key}/", "/feeds/SLOT-R/"):
        response = visitor.get(address, {"at": soon})
        assert response.status_code == 400
        assert "is still to come: nothing is known of it." in response.content.decode()


def test_a_download_as_of_a_moment_is_named_by_it(visitor: Client, suspects: Suspects) -> None:
    before = visitor.get(f"/lots/K77/?at={moment(13.5):%Y-%m-%dT%H:%M}&csv=units")["Content-Disposition"]
    assert before == 'attachment; filename="lot-K77-units-as-of-2026-03-02T0613.csv"'
    assert visitor.get("/lots/K77/?csv=units")["Content-Disposition"] == 'attachment; filename="lot-K77-units.csv"'
    unit = visitor.get(f"/units/{suspects.product.key}/", {"at": "2026-03-02T06:31:30+00:00", "csv": "lots"})
    assert unit["Content-Disposition"].endswith('-lots-as-of-2026-03-02T063130.csv"')


def test_a_lot_before_it_came_in_has_no_containers(visitor: Client, suspects: Suspects) -> None:
    plant = suspects.plant
    plant.lot("LATE", containers=[("L-1", None)], minute=20)
    plant.lot("LATE", containers=[("L-2", None)], minute=30, number="N-LATE")
    plant.do(discard_container, 40, container=Container.objects.get(key="L-1"), reason="damp")

    def look(minute: float) -> tuple[str, list[dict[str, str]]]:
        at = f"?at={moment(minute):%Y-%m-%dT%H:%M}"
        return text_of(visitor.get(f"/lots/LATE/{at}").content.decode()), rows_of(
            visitor.get(f"/lots/LATE/{at}&csv=containers")
        )

    page, rows = look(10)
    assert "Received not yet" in page and rows == []
    assert "None of its containers had come into the plant by then." in page
    page, rows = look(25)
    assert [(row["Container"], row["Left the plant"]) for row in rows] == [("L-1", "")]
    assert "Received 2026-03-02 06:20" in page
    page, rows = look(45)
    assert [(row["Container"], bool(row["Left the plant"])) for row in rows] == [("L-1", True), ("L-2", False)]
    assert "In the plant since not yet" in text_of(
        visitor.get(f"/containers/L-2/?at={moment(25):%Y-%m-%dT%H:%M}").content.decode()
    )


def test_a_container_page_shows_only_what_was_done_by_then(visitor: Client, suspects: Suspects) -> None:
    spare = Container.objects.get(key="SPARE")
    suspects.plant.do(split_container, 35, source=spare, key="PART")

    def rows(key: str, minute: float, table: str) -> list[dict[str, str]]:
        return rows_of(visitor.get(f"/containers/{key}/?at={moment(minute):%Y-%m-%dT%H:%M}&csv={table}"))

    assert rows("SPARE", 34, "into") == [] and [row["Into"] for row in rows("SPARE", 36, "into")] == ["PART"]
    assert rows("BAD", 0, "spans") == []
    assert [row["Until"] for row in rows("BAD", 10, "spans")] == ["still there"]
    assert [row["Until"] for row in rows("BAD", 18, "spans")] == ["2026-03-02T06:16:30Z"]


def test_a_filter_counts_what_the_other_filters_leave(visitor: Client, suspects: Suspects) -> None:
    def offered(query: str, column: str) -> list[str]:
        shown = visitor.get(f"/lots/K77/{query}").context["tables"]["units"]
        return next((([c.label for c in choices]) for at, choices in shown.choices() if at.name == column), [])

    assert offered("?units-counted=", "sureness") == ["all", "certain (3)", "cleared (1)", "possible (1)"]
    assert offered("?units-counted=&units-part=PRODUCT", "sureness") == []
    assert offered("?units-counted=&units-sureness=certain", "part") == ["all", "BOARD (2)", "PRODUCT (1)"]
    # Its own choice does not narrow a filter.
    assert "possible (1)" in offered("?units-counted=&units-sureness=certain", "sureness")


@pytest.mark.parametrize("text", ["yesterday", "2026-13-01T00:00", "0001-01-01T00:00"])
def test_a_moment_that_cannot_be_read_is_refused(visitor: Client, suspects: Suspects, text: str) -> None:
    response = visitor.get("/lots/K77/", {"at": text})
    assert response.status_code == 400
    assert "Give year, month, day, hour and minute" in response.content.decode()


def test_why_a_unit_is_in_it(visitor: Client, suspects: Suspects) -> None:
    page = text_of(visitor.get(f"/lots/K77/units/{suspects.product.key}/").content.decode())
    assert f"{suspects.product.key} carries lot K77: certain." in page
    assert "lot K77 in → container BAD on → feed SLOT-R drawn at INSERT" in page
    assert f"unit {suspects.shipped.key} at R1, R2, inside → unit {suspects.product.key}" in page
    assert "06:12" in page and "UTC" not in page.split("Times are")[0]
    clean = text_of(visitor.get(f"/lots/K77/units/{suspects.clean.key}/").content.decode())
    assert f"{suspects.clean.key} does not carry lot K77" in clean
    cleared = text_of(visitor.get(f"/containers/BAD/units/{suspects.cleared.key}/").content.decode())
    assert f"{suspects.cleared.key} carried container BAD and no longer does: cleared." in cleared


def test_a_container_answers_the_same_way(visitor: Client, suspects: Suspects) -> None:
    page = text_of(visitor.get("/containers/BAD/").content.decode())
    assert "Container BAD is in 3 units: 2 certain, 1 possible." in page
    assert "Feeds it was on" in page and "SLOT-R" in page
    assert "Parts drift after solder." in page  # the hold on its lot


def test_cost_opens_down_to_the_units(visitor: Client, suspects: Suspects) -> None:
    suspects.plant.resistor.standard_cost = 2
    suspects.plant.resistor.replace_minutes = 3
    suspects.plant.resistor.save()
    page = visitor.get("/lots/K77/cost/")
    assert page.status_code == 200
    scrap = page.context["costs"]["scrap"]
    for number, line in enumerate(scrap.lines):
        behind = rows_of(visitor.get(f"/lots/K77/cost/?option=scrap&line={number}&csv=behind"))
        assert len(behind) == line.count
    amounts = [row["Amount, EUR"] for row in rows_of(visitor.get("/lots/K77/cost/?csv=rework"))]
    assert sum(map(float, amounts)) == pytest.approx(float(page.context["costs"]["rework"].total))
    assert visitor.get("/lots/K77/cost/?option=scrap&line=99999").status_code == 200


def test_cost_says_what_was_scrapped_before(visitor: Client, suspects: Suspects) -> None:
    assert "scrapped before" not in visitor.get("/lots/K77/cost/").content.decode()
    suspects.plant.do(release_hold, 50, hold=Hold.objects.get(), reason="Scrapped instead.")
    suspects.plant.do(scrap_unit, 51, unit=suspects.certain, reason="burnt")
    page = text_of(visitor.get("/lots/K77/cost/").content.decode())
    assert "1 was scrapped before and costs nothing more." in page


def test_a_lot_number_is_never_markup(visitor: Client, plantless: Plant) -> None:
    evil = "<script>alert(1)</script>"
    lot = plantless.lot("K66", number=evil, date_code='"><b>')
    for address in ("/lots/K66/", f"/scan/?q={evil}", f"/parts/{lot.part.key}/", f"/lots/K66/?units-find={evil}"):
        page = visitor.get(address, follow=True).content.decode()
        assert evil not in page and '"><b>' not in page
    assert "&lt;script&gt;" in visitor.get("/lots/K66/").content.decode()


@pytest.mark.parametrize(
    ("number", "told"), [("=2+3", "'=2+3"), ("'=2+3", "''=2+3"), ("-2+3", "'-2+3"), ("-5", "-5"), ("'24", "'24")]
)
def test_csv_cells_are_no_formulas(visitor: Client, plantless: Plant, number: str, told: str) -> None:
    """As a list of master data has them, which reads them back."""
    lot = plantless.lot("K66", number=number)
    (row,) = rows_of(visitor.get(f"/parts/{lot.part.key}/?csv=lots"))
    assert row["Supplier’s lot number"] == told == inert(number) and as_told(told) == number


def test_a_lot_in_no_unit_says_so(visitor: Client, plantless: Plant) -> None:
    plantless.lot("K66")
    page = text_of(visitor.get("/lots/K66/").content.decode())
    assert "Lot K66 is in no unit." in page
    assert "No suspect material is left in the plant." in page


def test_queries_do_not_grow_with_the_units(visitor: Client, suspects: Suspects) -> None:
    def queries() -> int:
        with CaptureQueriesContext(connection) as found:
            assert visitor.get("/lots/K77/").status_code == 200
        return len(found)

    few = queries()
    plant = suspects.plant
    plant.do(release_hold, 95, hold=Hold.objects.get(), reason="Measured again, within limits.")
    plant.do(load_feed, 100, feed=plant.slot_r, container=suspects.reel)
    for number, board in enumerate(plant.boards(30, minute=90)):
        plant.run(board, plant.insertion, 101 + number, 101.5 + number)
    assert "33 units: 32 certain" in text_of(visitor.get("/lots/K77/").content.decode())
    assert queries() <= few + 2
    assert few < 100


@pytest.fixture
def plantless(db: None) -> Plant:
    """A plant in which nothing was built."""
    return Plant()
