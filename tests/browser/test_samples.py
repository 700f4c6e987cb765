"""A sample is weighed and dropped, a life test fails, a duty is passed on; the list says what is left."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from decimal import Decimal

import pytest

from tests.factories import Plant, moment
from tests.floor.test_samples import finish, life
from tests.web.conftest import make_user
from trace.core.clock import now
from trace.core.keys import label_text
from trace.floor.models import Chooses, Counted, Sample
from trace.floor.operations.samples import record_sample, set_sample_rules, start_sample

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.mark.parametrize("width", [1280, 390])
def test_samples_are_tested_from_their_pages(
    page, transactional_db: None, enter_as: Callable, accessible: Callable, shot: Callable, width: int
) -> None:
    plant = Plant()
    first = {"chooses": Chooses.FIRST, "days": 30}
    drops = life(name="Drop test", kind=Counted.DROPS, demand=Decimal(10), **first)
    plant.do(set_sample_rules, number="BOARD", rows=[life(name="Life test", **first), drops])
    boards = plant.boards(3)
    finish(plant, *boards)
    running, dropped = Sample.objects.order_by("pk")
    plant.do(start_sample, 30, sample=running)
    entered = now() - timedelta(hours=2)
    minutes = (entered - moment()) / timedelta(minutes=1)
    plant.do(record_sample, minutes, sample=running, done=Decimal(120))
    enter_as(make_user("sue"))
    page.set_viewport_size({"width": width, "height": 900})

    def look(step: str) -> None:
        shot(step)
        accessible()
        assert page.evaluate("document.documentElement.scrollWidth") <= width, step

    page.goto("/")
    assert "2 sample tests wait to begin or to end, 2 of them overdue" in page.locator(".answer").first.inner_text()
    page.get_by_role("link", name="Sample tests", exact=True).click()
    page.wait_for_url("**/quality/samples/")
    assert page.locator(".answer").first.inner_text() == (
        "Life test of BOARD: 1 unit ran 120 h in all, with no failure. MTBF at least 52.1 h with 90 % confidence, "
        "one-sided (time-terminated)."
    )
    look("list")
    page.get_by_label("Bound").select_option("two")
    page.get_by_role("button", name="Show").click()
    assert "two-sided" in page.locator(".answer").first.inner_text()

    # The drop test goes to another board, which is weighed and dropped.
    page.goto(f"/quality/samples/{dropped.pk}/")
    form = page.get_by_role("form", name="Another unit takes the test")
    form.get_by_label("Serial").fill(label_text(boards[2].key))
    form.get_by_label("Why").fill("The customer waits for this one.")
    form.get_by_role("button", name="Pass it on").click()
    page.get_by_text("Recorded: another unit takes the test.").wait_for()
    assert boards[2].key in page.locator("h1").inner_text()
    look("owed")
    form = page.get_by_role("form", name="It is weighed, and dropped")
    form.get_by_label("Mass").fill("80")
    form.get_by_role("button", name="Start it").click()
    assert "80 kg is not dropped by ISTA 1A" in page.get_by_role("alert").inner_text()
    look("too heavy")
    form = page.get_by_role("form", name="It is weighed, and dropped")
    form.get_by_label("Mass").fill("10.0")
    form.get_by_label("Mass").press("Enter")
    page.get_by_text("Drop height").wait_for()
    assert "610 mm (ISTA 1A)" in page.locator("main").inner_text()
    form = page.get_by_role("form", name="Drops done, and what failed")
    form.get_by_label("Drops done, all in all").fill("10")
    form.get_by_role("button", name="Enter it").click()
    page.get_by_text("It is running: 10 of 10 drops are done.").wait_for()
    look("running")
    form = page.get_by_role("form", name="The test is over")
    form.get_by_label("It has").select_option("yes")
    form.get_by_role("button", name="End it").click()
    page.get_by_text("As a sample it does not ship as new.").wait_for()
    look("passed")

    # The life test fails.
    page.goto(f"/quality/samples/{running.pk}/")
    form = page.get_by_role("form", name="Hours done, and what failed")
    form.get_by_label("Hours done, all in all").fill("121.5")
    form.get_by_label("What failed then").fill("no display")
    form.get_by_role("button", name="Enter it").click()
    page.get_by_text("121.5 of 500 hours are done").wait_for()
    form = page.get_by_role("form", name="The test is over")
    form.get_by_label("It has").select_option("yes")
    form.get_by_role("button", name="End it").click()
    assert "A failure is on record: no display." in page.get_by_role("alert").inner_text()
    form = page.get_by_role("form", name="The test is over")
    form.get_by_label("It has").select_option("no")
    form.get_by_role("button", name="End it").click()
    page.get_by_text("It never ships as new.").wait_for()
    look("failed")
    page.goto(f"/units/{running.unit.key}/")
    assert "failed the Life test, and never ships as new" in page.locator("main").inner_text()
    timeline = page.locator("#table-timeline").inner_text()
    assert all(words in timeline for words in ("owes the Life test", "begins the Life test", "Life test failed"))
    look("unit")
