"""A planner brings lists in, makes a revision, releases it, and sees what differs."""

from __future__ import annotations

import csv
import io
import re
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client

from tests.approvals.signing import quality, sign_as
from tests.factories import Plant
from tests.web import test_answers
from tests.web.conftest import make_user
from trace.approvals.files import store
from trace.approvals.models import Signature
from trace.approvals.operations import attach_file
from trace.approvals.queries import list_signatures
from trace.core.permissions import Role
from trace.engineering.models import Part, Station
from trace.engineering.operations import revise_part
from trace.ledger.models import Event

pytestmark = pytest.mark.django_db


def text_of(response: Any) -> str:
    return test_answers.text_of(response.content.decode())


@pytest.fixture
def plant() -> Plant:
    return Plant()


@pytest.fixture
def planner(client: Client, plant: Plant) -> Client:
    client.force_login(make_user("pia", roles=[Role.PLANNER]))
    return client


def test_a_list_is_taken_out_mended_looked_at_and_brought_in(planner: Client, plant: Plant) -> None:
    taken = planner.get("/lists/stations/csv/")
    assert taken["Content-Disposition"] == 'attachment; filename="stations.csv"'
    rows = list(csv.DictReader(io.StringIO(taken.content.decode())))
    assert {row["key"] for row in rows} == set(Station.objects.values_list("key", flat=True))
    mended = taken.content.decode().replace("Insert,", "Insertion line,", 1)
    looked = planner.post("/lists/stations/", {"file": SimpleUploadedFile("s.csv", mended.encode()), "do": "look"})
    assert "brought in, 1 line would be different" in text_of(looked)
    assert not Station.objects.filter(name="Insertion line").exists()
    assert mended.split("\n")[1] in looked.content.decode(), "the lines are there to be mended"
    done = planner.post("/lists/stations/", {"content": mended, "do": "bring in"})
    assert "Brought in: 1 line changed" in text_of(done)
    assert Station.objects.filter(name="Insertion line").exists()
    again = planner.post("/lists/stations/", {"content": mended, "do": "look"})
    assert "all of it is on record so" in text_of(again) and "Bring it in" not in text_of(again)


def test_what_is_wrong_with_a_list_is_said_line_by_line(planner: Client, plant: Plant) -> None:
    answer = planner.post("/lists/parts/", {"content": "number,name,level\nNEW,n,x\n,n,\n", "do": "bring in"})
    assert answer.status_code == 409
    said = text_of(answer)
    assert "Nothing was changed: 2 things are wrong" in said
    assert "Line 2, column level: “x”: It is no whole number." in said and "Line 3, column number" in said
    assert planner.get("/lists/nothing/").status_code == 404


def test_who_may_not_bring_a_list_in_is_told_who_may(client: Client, plant: Plant) -> None:
    client.force_login(make_user("ada", roles=[Role.AUDITOR]))
    shown = client.get("/lists/parts/")
    assert "Only a planner can bring it in" in text_of(shown) and b"<form method" not in shown.content.split(b"<h1>")[1]
    assert client.post("/lists/parts/", {"content": "number,name\nX,x\n", "do": "bring in"}).status_code == 403
    assert not Part.objects.filter(number="X").exists()


def test_a_revision_is_made_and_compared(planner: Client, plant: Plant) -> None:
    page = planner.get("/parts/BOARD/revisions/")
    assert "in effect since then" in text_of(page) and "Release it" not in text_of(page)
    made = planner.post("/parts/BOARD/revisions/", {"do": "revise", "revision": "B"}, follow=True)
    assert "It is a draft" in text_of(made) and made.redirect_chain == [("/parts/BOARD-B/revisions/", 302)]
    bom = "assembly,part,quantity,designators,step_number\nBOARD-B,RES,1,R1,10\nBOARD-B,CAP,1,C1,10\n"
    assert "Brought in" in text_of(planner.post("/lists/bom/", {"content": bom, "do": "bring in"}))
    differs = text_of(planner.get("/parts/BOARD/revisions/BOARD-B/"))
    assert "Different: bills of material" in differs and "R1 R2" in differs
    assert "From BOARD to BOARD-B" in differs and "“Before” is BOARD, the older revision" in differs
    assert text_of(planner.get("/parts/BOARD-B/revisions/BOARD/")) == differs, "from the older to the newer"
    shown = planner.get("/parts/BOARD-B/revisions/").content.decode()
    assert 'href="/parts/BOARD/revisions/BOARD-B/"' in shown and 'href="/parts/BOARD/revisions/"' in shown


@pytest.fixture
def draft(plant: Plant) -> Part:
    return plant.do(revise_part, 10, part=plant.board, revision="B")


RELEASE = "/parts/BOARD-B/release/"


def signing(client: Client) -> dict[str, str]:
    """What the form sends: the two components, and what was shown."""
    digest = re.search(r'name="digest" value="(\w+)"', client.get(RELEASE).content.decode())
    assert digest
    return {"username": "pia", "password": "tin-plated-1", "digest": digest[1]}


def test_a_draft_is_approved_by_signature_and_released_in_one_step(planner: Client, draft: Part) -> None:
    page = text_of(planner.get(RELEASE))
    assert "What you sign" in page and "Nobody has signed it yet" in page and "Password" in page
    told = signing(planner)
    for wrong, status, says in (
        ({"password": "guess"}, 403, "nothing was signed"),
        ({"digest": "0" * 64}, 409, "changed while you read it"),
        ({"effective_from": "soon"}, 400, "Effective from"),
        ({"effective_from": "2030-01-01", "effective_serial": "SN-500"}, 409, "It takes effect in one way"),
    ):
        refused = planner.post(RELEASE, {"effective_serial": "SN-7", **told, **wrong})
        assert refused.status_code == status and says in text_of(refused)
        assert f'value="{wrong.get("effective_serial", "SN-7")}"' in refused.content.decode(), "what was typed stays"
    assert not Signature.objects.exists() and not Part.objects.get(pk=draft.pk).released, "both or neither"
    done = planner.post(RELEASE, {**told, "effective_serial": "SN-500"}, follow=True)
    assert "units from SN-500 on are built by it" in text_of(done)
    (signed,) = list_signatures("part", draft.key)
    assert (signed.signature.name, signed.signature.meaning, signed.verdict) == ("U-Pia", "approved", "valid")
    assert "It is released since" in text_of(planner.get(RELEASE)) and "<form method" not in main_of(planner, RELEASE)
    assert not Event.objects.filter(payload__contains="tin-plated").exists()


def main_of(client: Client, address: str) -> str:
    return client.get(address).content.decode().split("<h1>")[1]


def test_nobody_releases_their_own_draft_alone(planner: Client, plant: Plant) -> None:
    planner.post("/parts/BOARD/revisions/", {"revision": "B"})
    page = planner.get(RELEASE)
    assert "You wrote in it" in text_of(page) and "<form method" not in main_of(planner, RELEASE)
    own = {"username": "pia", "password": "tin-plated-1"}
    assert "BOARD-B is not approved by signature" in text_of(planner.post(RELEASE, {}))
    refused = planner.post(RELEASE, own)
    assert refused.status_code == 409 and "nobody approves their own" in text_of(refused)
    assert not Signature.objects.exists()
    sign_as(quality(), Part.objects.get(key="BOARD-B"))
    assert "Quinn approved what it says now" in text_of(planner.get(RELEASE))
    assert "Password" not in text_of(planner.get(RELEASE))
    assert "in effect since then" in text_of(planner.post(RELEASE, {}, follow=True))


def test_a_part_is_retired_for_a_reason_on_a_page_of_its_own(planner: Client, draft: Part) -> None:
    assert "This can’t be taken back" in text_of(planner.get("/parts/BOARD-B/retire/"))
    assert planner.post("/parts/BOARD-B/retire/", {"reason": " "}).status_code == 409
    kept = planner.post("/parts/BOARD/retire/", {"reason": "Nobody orders it."})
    assert kept.status_code == 409 and "PRODUCT needs BOARD" in text_of(kept) and "Nobody orders it." in text_of(kept)
    planner.post("/parts/BOARD-B/retire/", {"reason": "Never built."})
    assert Part.objects.get(pk=draft.pk).retired
    entry = Event.objects.get(verb="retire_part")
    said = text_of(planner.get(f"/record/{entry.pk}/"))
    assert "retire a part" in said and "Never built." in said


def test_nobody_else_can(client: Client, plant: Plant) -> None:
    client.force_login(make_user("olga", roles=[Role.OPERATOR]))
    assert "Make a new revision" not in text_of(client.get("/parts/BOARD/revisions/"))
    assert client.post("/parts/BOARD/revisions/", {"do": "revise", "revision": "B"}).status_code == 403
    assert not Part.objects.filter(revision="B").exists()
    for page in ("release", "retire"):
        assert client.post(f"/parts/BOARD/{page}/", {"reason": "x"}).status_code == 403


def test_a_step_shows_its_instruction_and_its_picture(planner: Client, plant: Plant) -> None:
    sha256, _ = store([b"a picture"])
    picture = plant.do(attach_file, 5, subject=plant.board, sha256=sha256, name="insert.png", media_type="image/png")
    step = plant.board.steps.get(number=10)
    step.instruction, step.picture = "Tails up.", picture.sha256
    step.save()
    page = planner.get("/parts/BOARD/")
    assert "Tails up." in text_of(page) and f'href="/attachments/{picture.key}/"' in page.content.decode()
