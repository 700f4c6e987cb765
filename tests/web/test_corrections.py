"""From “This is wrong” to a record that is void, and says by whom and why."""

from __future__ import annotations

import re
from decimal import Decimal

import pytest
from django.test import Client

from tests.factories import moment, ticks
from tests.web.conftest import Suspects, make_user
from tests.web.test_answers import rows_of, text_of
from trace.floor.models import Carried, Fitting, Pass
from trace.floor.operations.corrections import correct_board_sets
from trace.floor.operations.counting import count_container, scrap_parts
from trace.floor.operations.feeds import load_feed
from trace.floor.operations.passes import record_passes
from trace.material.models import Container, Count, FeedRecord, ScrappedParts, SetUp, Tape
from trace.web.corrections import CORRECTABLE, find_record

pytestmark = pytest.mark.django_db


def links_on(visitor: Client, address: str) -> list[tuple[str, str]]:
    page = visitor.get(address).content.decode()
    return re.findall(r'<a href="(/corrections/[a-z]+/\d+/)" aria-label="This is wrong: ([^"]+)"', page)


def test_a_fitting_is_put_right_from_the_units_page(visitor: Client, suspects: Suspects) -> None:
    unit = suspects.cleared
    fitting = Fitting.objects.get(unit=unit, designator="R1")
    (link,) = [href for href, what in links_on(visitor, f"/units/{unit.key}/") if f"at R1 of {unit.key}" in what]
    assert link == f"/corrections/fitting/{fitting.pk}/"
    page = text_of(visitor.get(link).content.decode())
    assert f"a part of SPARE fitted at R1 of {unit.key}" in page
    assert "The place holds again what it held before" in page
    refused = visitor.post(link, {"reason": " "})
    assert refused.status_code == 409 and "Say why it is wrong" in refused.content.decode()
    assert visitor.post(link, {"reason": "the other board was meant"}).status_code == 302
    page = text_of(visitor.get(link).content.decode())
    assert "It is void." in page and "U-ANN" in page and "the other board was meant" in page
    assert "<form method" not in visitor.get(link).content.decode().split("<main")[1]
    rows = rows_of(visitor.get(f"/units/{unit.key}/?csv=timeline"))
    (row,) = [row for row in rows if row["Kind"] == "correction"]
    assert "a part of SPARE fitted at R1" in row["What"] and "(the other board was meant)" in row["What"]
    again = visitor.post(link, {"reason": "again"})
    assert again.status_code == 409 and "superseded before" in again.content.decode()


def test_a_pass_leaves_the_timeline_for_a_correction(visitor: Client, suspects: Suspects) -> None:
    unit = suspects.clean
    entry = Pass.objects.get(unit=unit, superseded=None)
    assert visitor.post(f"/corrections/pass/{entry.pk}/", {"reason": "another board"}).status_code == 302
    kinds = [row["Kind"] for row in rows_of(visitor.get(f"/units/{unit.key}/?csv=timeline"))]
    assert "pass" not in kinds and "correction" in kinds


def test_a_change_that_nobody_timed_is_told_with_between_when_it_was(visitor: Client, suspects: Suspects) -> None:
    plant = suspects.plant
    told = {"container": plant.reel("LATE"), "position": (ticks(40), ticks(45))}
    record = plant.do(load_feed, 45, feed=plant.slot_r, **told)
    page = text_of(visitor.get(f"/corrections/feedrecord/{record.pk}/").content.decode())
    assert "LATE emptied, then loaded at SLOT-R between 2026-03-02 06:40 and 2026-03-02 06:45." in page


def test_feed_counts_scrap_and_slots_have_the_link(visitor: Client, suspects: Suspects) -> None:
    plant = suspects.plant
    box = Container.objects.get(key="SPARE")
    plant.do(count_container, 50, container=box, quantity=Decimal(9))
    plant.do(scrap_parts, 51, container=box, quantity=Decimal(1), reason="bent")
    expected = {
        "/feeds/SLOT-R/": FeedRecord.objects.filter(feed__key="SLOT-R").first(),
        "/material/counts/": Count.objects.get(),
        "/material/containers/SPARE/": ScrappedParts.objects.get(),
        "/racks/RACK-1/": Carried.objects.get(),
    }
    for address, record in expected.items():
        assert record
        link = f"/corrections/{record._meta.model_name}/{record.pk}/"
        assert link in [href for href, _ in links_on(visitor, address)], address
        assert visitor.get(link).status_code == 200
        assert visitor.post(link, {"reason": "it was another"}).status_code == 302
        assert link not in [href for href, _ in links_on(visitor, address)], address
        assert "it was another" in text_of(visitor.get(link).content.decode())
    for address in ("/feeds/SLOT-R/", "/material/containers/SPARE/", "/racks/RACK-1/"):
        assert "it was another" in text_of(visitor.get(address).content.decode()), address
    rows = rows_of(visitor.get("/corrections/?csv=corrections"))
    assert [row["What was done"] for row in rows] == [
        "Void a place in a rack", "Void scrapped parts", "Void a count", "Void a record of a feed",
    ]  # fmt: skip
    assert all(row["Why"] == "it was another" and row["By"] == "U-ANN U-Ann" for row in rows)


def test_who_may_not_is_told_whom_to_ask(client: Client, suspects: Suspects) -> None:
    client.force_login(make_user("bob", roles=["operator"]))
    entry = Pass.objects.filter(unit=suspects.clean).get()
    address = f"/corrections/pass/{entry.pk}/"
    page = client.get(address).content.decode()
    assert "Ask a supervisor or a quality engineer to put it right" in text_of(page)
    assert 'name="reason"' not in page
    assert client.post(address, {"reason": "x"}).status_code == 403
    assert Pass.objects.filter(unit=suspects.clean, superseded=None, outcome="passed").exists()


def test_a_slipped_count_of_board_sets_is_listed_too(visitor: Client, suspects: Suspects) -> None:
    plant = suspects.plant
    tape = Tape.objects.get(key="T-1")
    (board,) = plant.boards(1)
    setup = SetUp.objects.get(axis__tape=tape)
    plant.board.steps.filter(number=10).first().stations.add(plant.final)
    plant.do(record_passes, 52, units=[board], station=plant.final, entered=moment(51), setup=setup, positions=[(5, 5)])
    plant.do(correct_board_sets, 53, tape=tape, good=1, found=4, slip=1, reason="a set was skipped")
    (row,) = rows_of(visitor.get("/corrections/?csv=corrections"))
    assert row["Recorded wrongly"] == "T-1 counted board sets wrongly"


def test_what_there_is_none_of(visitor: Client, suspects: Suspects) -> None:
    for address in ("/corrections/pass/999999/", "/corrections/person/1/"):
        assert visitor.get(address).status_code == 404


def test_every_kind_says_what_it_is(suspects: Suspects) -> None:
    for kind, how in CORRECTABLE.items():
        for record in how.model._default_manager.all()[:3]:
            assert str(find_record(kind, record.pk).words), kind
