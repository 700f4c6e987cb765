"""Pages of incoming inspection: who sees what, what a form refuses, a lot's status on an earlier day."""

from __future__ import annotations

import pytest
from django.test import Client

from tests.approvals.signing import deviation
from tests.factories import Plant, moment
from tests.material.inspecting import EVERY, SAMPLE, box, inspected, planned, sampled, waiting
from tests.web.conftest import make_user
from tests.web.test_answers import text_of
from trace.core.permissions import Role
from trace.floor.operations.feeds import load_feed
from trace.material.models import Lot, SamplingRuling
from trace.material.operations.inspection import release_lot

pytestmark = pytest.mark.django_db


@pytest.fixture
def plant(db: None) -> Plant:
    plant = Plant()
    planned(plant, EVERY, SAMPLE)
    return plant


def shown(visitor: Client, address: str) -> str:
    return text_of(visitor.get(address).content.decode())


def test_what_waits_and_of_what_nothing_is_left(visitor: Client, plant: Plant) -> None:
    assert "Nothing waits to be inspected." in shown(visitor, "/material/inspect/")
    waiting(plant)
    sampled(plant, waiting(plant, "K2"), 125, 9)
    page = shown(visitor, "/material/inspect/")
    assert "1 lot waits to be inspected or released; of 1 no released stock is left." in page
    assert "1 rejected lot waits for a decision." in page


def test_who_may_not_inspect_reads_what_is_to_be_done(client: Client, plant: Plant) -> None:
    waiting(plant)
    client.force_login(make_user("op", [Role.OPERATOR]))
    page = client.get("/material/inspect/K1/").content.decode()
    assert "Test every piece." in page and "record_inspection" not in page and "On what evidence</label>" not in page
    sent = {"what": "record_inspection", "name": EVERY.name, "inspected-K1-1": "1000", "inspected-K1-2": "1000"}
    assert client.post("/material/inspect/K1/", sent).status_code == 403
    client.force_login(make_user("tec", [Role.TECHNICIAN]))
    page = client.get("/material/inspect/K1/").content.decode()
    assert "record_inspection" in page and "Reject the lot" not in page


def test_a_form_says_what_is_wrong_and_keeps_what_was_typed(visitor: Client, plant: Plant) -> None:
    waiting(plant)
    good = {"what": "record_inspection", "name": EVERY.name, "inspected-K1-1": "1000", "inspected-K1-2": "1000"}
    for wrong, says in (
        ({"inspected-K1-1": "many"}, "“many” is no number of pieces."),
        ({"inspected-K1-1": "", "remark": "half of it"}, "Not counted: K1-1."),
        ({"readings": "a b"}, "“a” is no reading."),
        ({"name": "none such"}, "“none such” is not planned"),
        ({"what": "nothing"}, "Say what is to be recorded."),
        ({"what": "release_lot", "evidence": "x"}, "is still to be inspected"),
        ({"what": "rule_sampling", "ruling": "none such"}, "Say what is to be recorded."),
    ):
        answer = visitor.post("/material/inspect/K1/", {**good, **wrong})
        assert 400 <= answer.status_code < 500 and says in text_of(answer.content.decode()), wrong
        if "remark" in wrong:
            assert 'value="half of it"' in answer.content.decode()
    assert visitor.post("/material/inspect/K1/", good).status_code == 302
    ruling = {"what": "rule_sampling", "ruling": "reduced permitted", "evidence": "Steady production."}
    assert visitor.post("/material/inspect/K1/", ruling).status_code == 302
    assert SamplingRuling.objects.get().reason == "Steady production."


def test_an_uncounted_lot_is_asked_for_its_size(visitor: Client, plant: Plant) -> None:
    planned(plant, SAMPLE)
    plant.lot("K1", containers=[("K1-1", None)])
    assert "say that first" in shown(visitor, "/material/inspect/K1/")
    sent = {"what": "record_inspection", "name": SAMPLE.name, "size": "2000", "inspected-K1-1": "125"}
    assert visitor.post("/material/inspect/K1/", sent).status_code == 302
    assert Lot.objects.get(key="K1").inspections.get().letter == "K"


def test_a_lots_page_says_its_status_on_an_earlier_day(visitor: Client, plant: Plant) -> None:
    planned(plant, EVERY)
    lot = waiting(plant)
    inspected(plant, lot, ("K1-1", 1_000, 0), ("K1-2", 1_000, 7))
    plant.do(release_lot, 60, lot=lot, evidence="Report 12.")
    page = shown(visitor, "/lots/K1/")
    assert "released since" in page and "7 of 2 000 pieces rejected: accepted." in page.replace("\u202f", " ")
    page = shown(visitor, f"/lots/K1/?at={moment(30):%Y-%m-%dT%H:%M}")
    assert "quarantined since" in page and "Report 12." not in page
    assert "released since" in shown(visitor, "/containers/K1-1/")
    assert "every piece" in shown(visitor, "/parts/RES/")


def test_what_was_used_before_its_release_is_found_at_once(visitor: Client, plant: Plant) -> None:
    assert "Nothing was used before its release." in shown(visitor, "/material/early-use/")
    waiting(plant)
    deviation(plant, rules=["lot-not-released"], scope=["lot:K1"])
    plant.do(load_feed, 5, feed=plant.slot_r, container=box("K1-1"))
    page = shown(visitor, "/material/early-use/")
    assert "Material of 1 lot was used before its release, once." in page
    assert "K1-1 K1 RES Res quarantined quarantined SLOT-R" in page and "DEV-1" in page
