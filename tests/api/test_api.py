"""The API: operations, records, who may, and what it says when it will not."""

from __future__ import annotations

import re

import pytest
from django.test import Client as Browser

from tests.factories import Plant, moment
from tests.web.conftest import make_user
from trace.api.docs import make_schema
from trace.api.operations import ELSEWHERE, find_operations
from trace.api.things import KINDS
from trace.core.clock import now
from trace.core.models import Token
from trace.core.permissions import OPERATIONS, Role
from trace.engineering.models import BomLine, Part
from trace.exchange.arguments import has_key
from trace.floor.models import Pass
from trace.holds.operations import place_holds
from trace.ledger.models import Event
from trace.material.models import FeedRecord, Lot
from trace.material.operations.setups import define_feed
from trace.material.operations.sources import approve_source

pytestmark = pytest.mark.django_db


def test_a_handler_receives_a_package_and_loads_a_reel(client_of) -> None:
    plant, handler = Plant(), client_of([Role.HANDLER])
    plant.do(approve_source, part=plant.resistor, supplier=plant.supplier, number="A-1")
    lots = [{"number": "2406/A", "quantity": "5000", "container": "REEL-1"}, {"number": "2406/B"}]
    package = {"number": "A-1", "lots": lots, "package": "pk-7", "order": "4500123", "origin": "DE"}
    answer = handler.do("receive_package", supplier="ACME", package=package)
    assert answer.status_code == 201, answer.json()
    assert answer.json() | {"id": 0} == answer.json() | {
        "id": 0, "supplier": "ACME", "part": "RES", "number": "A-1", "package": "PK-7", "order": "4500123",
    }  # fmt: skip
    assert list(Lot.objects.values_list("key", "containers__quantity")) == [("2406-A", 5000), ("2406-B", None)]
    again = handler.do("receive_package", supplier="ACME", package=package)
    assert (again.status_code, again.json()["code"]) == (409, "received-before")
    answer = handler.do("load_feed", feed=plant.slot_r.key, container="reel-1", quantity=5000)
    assert answer.status_code == 201, answer.json()
    record = FeedRecord.objects.get(pk=answer.json()["id"])
    assert (record.feed, record.container.key, record.by) == (plant.slot_r, "REEL-1", handler.person)
    assert answer.json()["happened"] == moment(60).isoformat().replace("+00:00", "Z")


def test_a_repeat_under_the_same_key_gets_the_same_answer_and_changes_nothing(client) -> None:
    Plant()
    body = {"key": "CUST-1", "name": "A customer", "at": moment(60).isoformat()}
    address, header = "/api/v1/operations/define-customer/", {"Idempotency-Key": "once"}
    first = client.post(address, body, format="json", headers=header)
    before = Event.objects.count()
    again = client.post(address, body, format="json", headers=header)
    assert (first.status_code, again.status_code) == (201, 201)
    assert first.json() == again.json() and Event.objects.count() == before
    other = client.post(address, {**body, "name": "Another"}, format="json", headers=header)
    assert (other.status_code, other.json()["code"]) == (409, "request-reused")
    assert client.post(address, body, format="json").json()["extra"]["fields"].keys() == {"Idempotency-Key"}


def test_a_refusal_is_a_problem_with_its_code_its_sentence_and_what_to_do(client) -> None:
    plant = Plant()
    reel = plant.reel("CB-1")
    plant.do(place_holds, 5, targets=[reel], reason="It drifts.")
    answer = client.do("load_feed", feed=plant.slot_r.key, container="CB-1")
    assert answer.status_code == 423 and answer["Content-Type"] == "application/problem+json"
    problem = answer.json()
    assert (problem["code"], problem["status"]) == ("held", 423)
    assert "It drifts." in problem["detail"] and "quality engineer" in problem["action"]
    assert problem["extra"]["holds"] == ["container:CB-1"]


def test_what_cannot_be_read_names_its_fields_and_writes_nothing(client) -> None:
    Plant()
    before = Event.objects.count()
    answer = client.do("load_feed", feed="NONE", quantity="many", at="2099-01-01T00:00:00Z")
    assert answer.status_code == 400
    fields = answer.json()["extra"]["fields"]
    assert fields["feed"] == ["No feed has the key NONE. Check the label."]
    assert fields["container"] and fields["quantity"] and "Check the clock" in fields["at"][0]
    text = client.post("/api/v1/operations/load-feed/", "{", content_type="application/json")
    assert text.status_code == 400
    assert Event.objects.count() == before


def test_who_has_no_token_no_role_or_an_ended_token_gets_nothing(client_of) -> None:
    Plant()
    for ask in (Browser().get, Browser().post):
        assert ask("/api/v1/lots/").status_code == 401
    assert client_of([]).get("/api/v1/lots/").status_code == 403
    client = client_of([Role.AUDITOR])
    assert client.get("/api/v1/lots/").status_code == 200
    Token.objects.filter(person=client.person).update(ended=moment())
    assert client.get("/api/v1/lots/").status_code == 401


@pytest.mark.parametrize("role", Role.values)
def test_an_operation_is_reached_by_exactly_the_roles_of_the_table(client_of, role: str) -> None:
    """The role is asked before the request is read: an empty one tells."""
    client = client_of([role])
    reached = {
        verb
        for verb in find_operations()
        if verb not in ELSEWHERE
        if client.post(
            f"/api/v1/operations/{verb.replace('_', '-')}/", {}, format="json", headers={"Idempotency-Key": verb}
        ).status_code
        == 400
    }
    assert reached == {verb for verb, permitted in OPERATIONS.items() if role in permitted and verb not in ELSEWHERE}


def test_the_table_names_every_operation_and_no_other() -> None:
    assert set(OPERATIONS) == set(find_operations())


def test_a_planner_brings_in_a_bill_of_material_and_placements_as_files(client_of) -> None:
    Plant()
    planner = client_of([Role.PLANNER])
    planner.do("define_part", number="NEW", name="New board", kind="assembly", level=1, serialised=True)
    body = {
        "assembly": "NEW",
        "content": "Designator,Value,Part number\nR1 R2,10k,RES-10K\n",
        "at": moment(60).isoformat(),
    }
    dry = planner.post("/api/v1/files/bom/", {**body, "dry_run": True}, format="json")
    assert (dry.status_code, dry.json()["lines"], dry.json()["dry_run"]) == (200, 1, True), dry.json()
    assert not BomLine.objects.filter(parent__key="NEW").exists()
    assert planner.post("/api/v1/files/bom/", body, format="json").status_code == 200
    placed = {**body, "content": "Ref,PosX,PosY,Rot,Side\nR2,1,2,0,top\nR1,3,4,90,top\n"}
    answer = planner.post("/api/v1/files/placements/", placed, format="json")
    assert (answer.status_code, answer.json()["lines"]) == (200, 2), answer.json()
    assert planner.post("/api/v1/files/placements/", placed, format="json").status_code == 200, "it is a draft"
    Part.objects.filter(key="NEW").update(released=now())
    again = planner.post("/api/v1/files/placements/", placed, format="json")
    assert again.status_code == 409 and "NEW" in again.json()["detail"]
    wrong = {**placed, "assembly": "BOARD", "content": "Ref,PosX,PosY,Rot,Side\nR1,x,2,0,top\n"}
    refused = planner.post("/api/v1/files/placements/", wrong, format="json").json()
    assert refused["extra"]["problems"][0]["line"] == 2
    assert client_of([Role.OPERATOR]).post("/api/v1/files/bom/", {}, format="json").status_code == 403


def test_every_kind_is_listed_and_shown(client) -> None:
    plant = Plant()
    (board,) = plant.boards(1)
    plant.run(board, plant.insertion, 6, 7)
    for address in KINDS:
        rows = client.get(f"/api/v1/{address}/").json()["results"]
        for row in rows[:1]:
            one = client.get(f"/api/v1/{address}/{row['key' if has_key(KINDS[address]) else 'id']}/")
            assert (one.status_code, one.json()) == (200, row), address
    for nowhere in ("lots/NONE/", "lots/%00/", "passes/x/", "passes/99999999999999999999/", "nothing/"):
        answer = client.get(f"/api/v1/{nowhere}")
        assert (answer.status_code, answer.json()["code"]) == (404, "not-found"), nowhere


def test_lists_page_and_filter_by_other_records(client, django_assert_max_num_queries) -> None:
    plant = Plant()
    boards = plant.boards(5)
    for minute, board in enumerate(boards):
        plant.run(board, plant.insertion, 10 + 2 * minute, 11 + 2 * minute)
    with django_assert_max_num_queries(4):
        page = client.get("/api/v1/passes/?page_size=2").json()
    assert len(page["results"]) == 2 and page["next"]
    assert len(client.get(page["next"]).json()["results"]) == 2
    (row,) = client.get(f"/api/v1/passes/?unit={boards[2].key}").json()["results"]
    assert row["id"] == Pass.objects.get(unit=boards[2]).pk and row["station"] == "INSERT"
    assert client.get("/api/v1/passes/?unit=NONE").json()["results"] == []
    assert client.get("/api/v1/passes/?outcome=NONE").status_code == 400


def test_a_session_reads_and_writes_with_the_token_of_its_page() -> None:
    Plant()
    browser = Browser(enforce_csrf_checks=True)
    browser.force_login(make_user())
    assert browser.get("/api/v1/lots/").status_code == 200
    address, body = "/api/v1/operations/define-customer/", {"key": "K1", "name": "A", "at": moment(60).isoformat()}
    told = {"content_type": "application/json", "headers": {"Idempotency-Key": "once"}}
    assert browser.post(address, body, **told).status_code == 403
    (token,) = set(re.findall(r"csrfmiddlewaretoken\W+value=.(\w+)", browser.get("/").content.decode()))
    told["headers"]["X-CSRFToken"] = token
    assert browser.post(address, body, **told).status_code == 201


def test_no_secret_is_shown(client) -> None:
    user = make_user()
    assert user.person is not None
    closed = client.do("close_account", person=user.person.key)
    assert (closed.status_code, closed.json()["username"]) == (201, "ann")
    shown = f"{client.get('/api/v1/people/').json()} {closed.json()} {client.get('/api/v1/entries/').json()}"
    user.refresh_from_db()
    assert user.password not in shown and "password" not in shown and "digest" not in shown


@pytest.mark.parametrize(
    ("verb", "told", "done"),
    [
        ("load_feed", {"feed": "SLOT-R", "container": "REEL"}, True),
        ("load_feed", {"feed": "ELSEWHERE", "container": "REEL"}, False),
        ("start_setup", {"key": "S-2", "station": "FINAL", "assembly": "PRODUCT", "feeds": {}}, False),
        ("place_holds", {"targets": ["station:TEST"], "reason": "x"}, False),
        ("place_holds", {"targets": ["setup:SETUP"], "reason": "x"}, True),
        ("define_customer", {"key": "K", "name": "k"}, True),
    ],
)
def test_a_token_bound_to_stations_records_there_only(client, verb: str, told: dict, done: bool) -> None:
    plant = Plant()
    for key in ("REEL", "OTHER"):
        plant.reel(key)
    plant.do(define_feed, key="ELSEWHERE", station=plant.test)
    Token.objects.filter(person=client.person).update(stations=["INSERT", "FINAL-2"])
    answer = client.do(verb, **told)
    if done:
        assert answer.status_code == 201, answer.json()
    else:
        assert (answer.status_code, answer.json()["code"]) == (403, "not-here")
        assert "the token test is for FINAL-2 and INSERT" in answer.json()["detail"]
    Token.objects.filter(person=client.person).update(stations=[])
    assert client.do("load_feed", feed="ELSEWHERE", container="OTHER").status_code == 201  # the next is anywhere


def test_who_is_not_signed_in_is_asked_to_before_the_api_documents_itself() -> None:
    stranger = Browser()
    answer = stranger.get("/api/v1/")
    assert (answer.status_code, answer["Location"]) == (302, "/sign-in/?next=/api/v1/")
    answer = stranger.get("/api/v1/schema/")
    assert (answer.status_code, answer["WWW-Authenticate"]) == (401, "Bearer")
    stranger.force_login(make_user("nobody", roles=[]))
    assert [stranger.get(f"/api/v1/{page}").status_code for page in ("", "schema/")] == [403, 403]


def test_every_operation_of_the_schema_has_a_summary_of_its_own() -> None:
    said = [
        (tell["summary"], method, path)
        for path, methods in make_schema()["paths"].items()
        for method, tell in methods.items()
        if method in {"get", "post", "put", "patch", "delete"}
    ]
    assert len(said) > 200 and len({summary for summary, *_ in said}) == len(said)
    assert ("Set a bill of material", "post", "/api/v1/operations/set-bom/") in said
