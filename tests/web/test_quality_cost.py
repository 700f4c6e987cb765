"""The page of the cost of quality: by heading, by line, entering and voiding, as CSV and through the API."""

from __future__ import annotations

from decimal import Decimal

import pytest
from django.test import Client

from tests.costing.test_worked_example import price
from tests.factories import moment
from tests.web.conftest import Suspects, make_user
from tests.web.test_answers import rows_of, text_of
from trace.core.clock import telling
from trace.core.permissions import Role
from trace.engineering.models import QualityOutlay, Site, Step
from trace.floor.models import Unit
from trace.floor.operations.orders import scrap_unit

pytestmark = pytest.mark.django_db
PAGE = "/quality/cost/"
DAY = "period=days&from=2026-03-02&to=2026-03-02"
SENT = {"do": "record_outlay", "day": "2026-03-02", "heading": "prevention", "words": "training", "amount": "120.50"}


@pytest.fixture
def scrapped(suspects: Suspects) -> Unit:
    """A board is scrapped that had passed insertion: 0.19 of material and 2.5 minutes at 48 an hour."""
    price(suspects.plant)
    Step.objects.filter(number=20).update(minutes=0)
    board: Unit = suspects.clean
    return suspects.plant.do(scrap_unit, 60, unit=board, reason="burnt")


def test_it_says_what_quality_cost_and_opens_to_lines(visitor: Client, scrapped: Unit) -> None:
    page = text_of(visitor.get(f"{PAGE}?{DAY}&sales=1000").content.decode())
    assert "On 2 March 2026 quality cost 2.19 EUR: prevention 0.00 EUR, appraisal 0.00 EUR, internal failure" in page
    rows = {row["Heading"]: row for row in rows_of(visitor.get(f"{PAGE}?{DAY}&sales=1000&csv=headings"))}
    assert rows["internal failure"]["Of sales, %"] == "0.22" and rows["together"]["Amount, EUR"] == "2.19"
    lines = {row["For"]: row for row in rows_of(visitor.get(f"{PAGE}?{DAY}&csv=lines"))}
    assert lines["BOARD, labour of step 10 at INSERT"]["Reckoned"] == "1 × 2.5 min at 48 EUR/h"
    assert lines["BOARD, material of step 10"]["Reckoned"] == "1 × 0.19 EUR"
    assert "1 calibration: what they took is not on record." in page


def test_money_is_entered_and_voided(visitor: Client, scrapped: Unit) -> None:
    answer = visitor.post(f"{PAGE}?{DAY}", SENT)
    assert answer.status_code == 302 and DAY in answer["Location"]
    page = text_of(visitor.get(answer["Location"]).content.decode())
    assert "Recorded: money was spent on quality." in page and "quality cost 122.69 EUR: prevention 120.50 EUR" in page
    (row,) = (row for row in rows_of(visitor.get(f"{PAGE}?{DAY}&csv=lines")) if row["Reckoned"] == "entered")
    assert (row["Day"], row["For"], row["Amount, EUR"]) == ("2026-03-02", "training", "120.50")
    outlay = QualityOutlay.objects.get()
    visitor.post(f"{PAGE}?{DAY}", {"do": "void_outlay", "outlay": str(outlay.pk), "reason": "of last year"})
    assert "quality cost 2.19 EUR" in text_of(visitor.get(f"{PAGE}?{DAY}").content.decode())


def test_what_can_not_be_is_refused_and_stays_filled_in(visitor: Client, scrapped: Unit) -> None:
    answer = visitor.post(f"{PAGE}?{DAY}", {**SENT, "amount": "-3"})
    page = answer.content.decode()
    assert (
        answer.status_code == 409 and "-3 is no amount that was spent." in text_of(page) and 'value="training"' in page
    )
    assert visitor.get(f"{PAGE}?sales=much").status_code == 400
    assert visitor.get(f"{PAGE}?period=days&from=2026-13-01").status_code == 400
    assert not QualityOutlay.objects.exists()


def test_only_a_quality_engineer_enters_it(client: Client, scrapped: Unit) -> None:
    client.force_login(make_user(roles=[Role.PLANNER]))
    assert "Money was spent on quality" not in client.get(PAGE).content.decode()
    client.post(PAGE, SENT)
    assert not QualityOutlay.objects.exists()


def test_without_a_period_it_is_of_the_thirty_days_up_to_today(visitor: Client, scrapped: Unit) -> None:
    with telling(moment(5 * 24 * 60)):
        assert "From 6 February 2026 to 7 March 2026 quality cost 2.19 EUR" in text_of(
            visitor.get(PAGE).content.decode()
        )


def test_without_a_plant_there_is_no_currency(visitor: Client) -> None:
    Site.objects.all().delete()
    assert "No plant is on record yet" in visitor.get(PAGE).content.decode()


def test_the_api_gives_the_same(visitor: Client, scrapped: Unit) -> None:
    visitor.post(PAGE, SENT)
    told = visitor.get(f"/api/v1/quality/cost/?{DAY}&sales=1000").json()
    assert (Decimal(told["total"]), told["currency"]) == (Decimal("122.69"), "EUR")
    assert told["percent_of_sales"] == "12.27"
    assert {one["heading"]: Decimal(one["amount"]) for one in told["headings"]} == {
        "prevention": Decimal("120.50"), "appraisal": 0, "internal failure": Decimal("2.19"), "external failure": 0,
    }  # fmt: skip
    assert visitor.get("/api/v1/quality/cost/?sales=much").json()["code"] == "bad-sales"
