"""The cost of quality of a period, by hand; and published reports and classifications, by the same rules."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from decimal import Decimal

import pytest

from tests.costing.test_containments import measure
from tests.costing.test_spent import story  # noqa: F401
from tests.factories import Plant, make_person, make_site, moment
from trace.core.clock import telling
from trace.costing.quality_cost import (
    BadSales,
    QualityCost,
    QualityLine,
    ask_quality_cost,
    find_heading,
    read_sales,
)
from trace.engineering.models import QualityHeading, QualityOutlay
from trace.engineering.operations import OutlayRefused, record_outlay, void_outlay
from trace.exchange.quality_cost import describe_quality_cost
from trace.floor.operations.counting import scrap_parts
from trace.quality.periods import BadPeriod

pytestmark = pytest.mark.django_db
D = Decimal

PREVENTION, APPRAISAL, INTERNAL, EXTERNAL = QualityHeading

REPORT = {
    PREVENTION: (405_000, 135_000),
    APPRAISAL: (54_000, 67_500, 40_500),
    INTERNAL: (67_500, 47_250),
    EXTERNAL: (135_000, 270_000, 128_250),
}
"""A textbook's quality cost report, sales 8,100,000."""

PUBLISHED = {
    PREVENTION: (540_000, "6.67"), APPRAISAL: (162_000, "2.00"), INTERNAL: (114_750, "1.42"),
    EXTERNAL: (533_250, "6.58"),
}  # fmt: skip


def test_a_published_report_adds_up_to_its_totals_and_percentages_of_sales() -> None:
    make_site()
    ann = make_person("ANN")
    for heading, amounts in REPORT.items():
        for number, amount in enumerate(amounts, 1):
            record_outlay(
                day=date(2026, 3, 2), heading=heading, words=f"item {number}", amount=D(amount), by=ann, at=moment(1)
            )
    with telling(moment(60)):
        report = ask_quality_cost(moment(60), {"sales": "8100000"})
    cost = report.cost
    for heading, (amount, percent) in PUBLISHED.items():
        assert cost.by_heading[heading] == amount
        assert cost.find_percent(cost.by_heading[heading]) == D(percent)
    assert (cost.total, cost.find_percent(cost.total)) == (1_350_000, D("16.67"))
    told = describe_quality_cost(report)
    assert (told["total"], told["percent_of_sales"], told["sales"]) == ("1350000.000", "16.67", "8100000")
    assert [(one["heading"], one["percent_of_sales"]) for one in told["headings"]] == [
        (heading.value, percent) for heading, (_, percent) in PUBLISHED.items()
    ]
    assert len(told["lines"]) == 10 and told["lines"][0]["day"] == "2026-03-02"


# A textbook exercise in classifying.
ITEMS = {
    "inspection": 1500, "warranty repair": 2800, "testing new materials": 400, "product testing": 950,
    "abnormal spoilage": 645, "scrap": 150, "preventive maintenance": 590, "liability": 1870, "rework": 1285,
}  # fmt: skip


def test_published_items_are_classified_as_the_textbook_does() -> None:
    headings = {words: find_heading(words) for words in ITEMS}
    assert None not in headings.values()
    cost = QualityCost(
        "USD", [QualityLine(heading, words, D(ITEMS[words])) for words, heading in headings.items() if heading]
    )
    assert cost.by_heading[INTERNAL] == 645 + 150 + 1285 == 2_080
    # The others follow from the same classification.
    assert cost.by_heading == {PREVENTION: 590, APPRAISAL: 2_850, INTERNAL: 2_080, EXTERNAL: 4_670}
    assert find_heading("Scrap ") == INTERNAL and find_heading("coffee") is None


def test_the_period_of_a_plant_by_hand(story) -> None:  # noqa: F811
    """The repaired, the scrapped and the returned boards of `test_spent`, and what testing took."""
    plant: Plant = story.plant
    measure(plant.product, 10)  # something is put in there too: building, not testing
    plant.do(scrap_parts, 55, container=plant.reel("OTHER", quantity=D(100)), quantity=D(10), reason="bent")
    at = moment(500)
    asked = {"period": "days", "from": "2026-03-02", "to": "2026-03-02"}
    report = ask_quality_cost(at, asked)
    found = {(line.heading, line.words): line.amount for line in report.cost.lines}
    assert found == {
        (APPRAISAL, "BOARD, step 20 tested at TEST"): 2 * D("0.60"),  # of the mended and the sold board, the first time
        (INTERNAL, "BOARD, repairs at RP1"): D("4.50"),
        (INTERNAL, "RES, new, for BOARD"): D("0.02"),
        (INTERNAL, "BOARD, step 20 tested again at TEST"): D("0.60"),
        (INTERNAL, "BOARD, material of step 10"): D("0.19"),
        (INTERNAL, "BOARD, labour of step 10 at INSERT"): D(2),
        (INTERNAL, "CAP in BOARD, kept"): D("-0.15"),
        (INTERNAL, "RES, scrapped out of containers"): D("0.20"),
        (EXTERNAL, "PRODUCT, repairs at RP1"): D(6),
    }
    assert report.cost.by_heading == {PREVENTION: 0, APPRAISAL: D("1.20"), INTERNAL: D("7.36"), EXTERNAL: 6}
    assert report.cost.unpriced == ["1 return received: freight, handling and what was sent instead are not on record."]
    assert report.cost.find_percent(report.cost.total) is None
    assert report.cost.find_share(report.cost.by_heading[APPRAISAL]) == D("8.24")  # 1.20 of 14.56
    assert sum(report.cost.by_heading.values()) == report.cost.total == sum(found.values())
    assert not ask_quality_cost(at, {**asked, "from": "2026-03-01", "to": "2026-03-01"}).cost.lines


def test_what_is_entered_stands_beside_it_until_it_is_voided(story) -> None:  # noqa: F811
    plant: Plant = story.plant
    told = {"day": date(2026, 3, 2), "heading": PREVENTION, "words": " training ", "amount": D("120.50")}
    outlay = plant.do(record_outlay, 60, **told)
    assert (outlay.words, outlay.by.key) == ("training", "ANN")
    asked = {"period": "days", "from": "2026-03-02", "to": "2026-03-02"}
    assert ask_quality_cost(moment(500), asked).cost.by_heading[PREVENTION] == D("120.50")
    plant.do(void_outlay, 70, outlay=outlay, reason="of last year")
    assert ask_quality_cost(moment(500), asked).cost.by_heading[PREVENTION] == 0
    with pytest.raises(OutlayRefused, match="voided before"):
        plant.do(void_outlay, 71, outlay=outlay, reason="again")


@pytest.mark.parametrize(
    ("changed", "says"),
    [
        ({"words": "  "}, "Say for what it was spent."),
        ({"amount": D(0)}, "0 is no amount that was spent."),
        ({"amount": D(-5)}, "-5 is no amount that was spent."),
        ({"amount": D("NaN")}, "NaN is no amount that was spent."),
        ({"amount": D("0.0001")}, "Amount: Ensure that there are no more than 3 decimal places."),
        ({"day": date(2026, 3, 3)}, "2026-03-03 is yet to come."),
    ],
)
def test_what_can_not_have_been_spent_is_refused(changed, says) -> None:
    plant = Plant()
    told = {"day": date(2026, 3, 2), "heading": PREVENTION, "words": "training", "amount": D(1), **changed}
    with pytest.raises(OutlayRefused) as refused:
        plant.do(record_outlay, 60, **told)
    assert refused.value.message == says and refused.value.action
    assert not QualityOutlay.objects.exists()


def test_nothing_is_voided_without_a_reason() -> None:
    plant = Plant()
    told = {"day": date(2026, 3, 2), "heading": PREVENTION, "words": "training", "amount": D(1)}
    outlay = plant.do(record_outlay, 60, **told)
    with pytest.raises(OutlayRefused, match="Say what was wrong"):
        plant.do(void_outlay, 61, outlay=outlay, reason=" ")
    outlay.refresh_from_db()
    assert outlay.superseded is None


def test_sales_and_periods_that_can_not_be_are_refused() -> None:
    make_site()
    assert read_sales(" ") is None and read_sales("8100000.50") == D("8100000.50")
    for text in ("many", "0", "-1", "NaN", "1E20"):
        with pytest.raises(BadSales):
            read_sales(text)
    with pytest.raises(BadPeriod):
        ask_quality_cost(moment(), {"period": "aeon"})


def test_percentages_round_halves_up() -> None:
    cost = QualityCost("EUR", [QualityLine(PREVENTION, "training", D("0.125"))], D(100))
    assert cost.find_percent(cost.total) == D("0.13")
    assert replace(cost, sales=None).find_percent(cost.total) is None
    assert QualityCost("EUR", []).find_share(D(0)) is None
