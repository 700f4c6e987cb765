"""A planner brings lists in, makes a revision, releases it, and sees what differs."""

from __future__ import annotations

import csv
import io
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client

from tests.factories import Plant
from tests.web import test_answers
from tests.web.conftest import make_user
from trace.approvals.files import store
from trace.approvals.operations import attach_file
from trace.core.permissions import Role
from trace.engineering.models import Part, Station

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


def test_a_revision_is_made_released_and_compared(planner: Client, plant: Plant) -> None:
    page = planner.get("/parts/BOARD/revisions/")
    assert "in effect since then" in text_of(page) and "Release it" not in text_of(page)
    made = planner.post("/parts/BOARD/revisions/", {"do": "revise", "revision": "B"}, follow=True)
    assert "It is a draft" in text_of(made) and made.redirect_chain == [("/parts/BOARD-B/revisions/", 302)]
    bom = "assembly,part,quantity,designators,step_number\nBOARD-B,RES,1,R1,10\nBOARD-B,CAP,1,C1,10\n"
    assert "Brought in" in text_of(planner.post("/lists/bom/", {"content": bom, "do": "bring in"}))
    differs = text_of(planner.get("/parts/BOARD/revisions/BOARD-B/"))
    assert "Different: bills of material" in differs and "R1 R2" in differs
    wrong = planner.post("/parts/BOARD-B/revisions/", {"do": "release", "effective_from": "soon"})
    assert wrong.status_code == 400 and "Effective from" in text_of(wrong)
    assert '<a href="/parts/BOARD-B/revisions/">Back to the form</a>' in wrong.content.decode()
    done = planner.post("/parts/BOARD-B/revisions/", {"do": "release", "effective_serial": "SN-500"}, follow=True)
    assert "units from SN-500 on are built by it" in text_of(done)
    assert planner.post("/parts/BOARD-B/revisions/", {"do": "release"}).status_code == 409
    kept = planner.post("/parts/BOARD/revisions/", {"do": "retire"})
    assert kept.status_code == 409 and "PRODUCT needs BOARD" in text_of(kept)
    assert "retired since" in text_of(planner.post("/parts/BOARD-B/revisions/", {"do": "retire"}, follow=True))
    assert planner.post("/parts/BOARD-B/revisions/", {"do": "burn"}).status_code == 404


def test_nobody_else_can(client: Client, plant: Plant) -> None:
    client.force_login(make_user("olga", roles=[Role.OPERATOR]))
    assert "Make a new revision" not in text_of(client.get("/parts/BOARD/revisions/"))
    assert client.post("/parts/BOARD/revisions/", {"do": "revise", "revision": "B"}).status_code == 403
    assert not Part.objects.filter(revision="B").exists()


def test_a_step_shows_its_instruction_and_its_picture(planner: Client, plant: Plant) -> None:
    sha256, _ = store([b"a picture"])
    picture = plant.do(attach_file, 5, subject=plant.board, sha256=sha256, name="insert.png", media_type="image/png")
    step = plant.board.steps.get(number=10)
    step.instruction, step.picture = "Tails up.", picture.sha256
    step.save()
    page = planner.get("/parts/BOARD/")
    assert "Tails up." in text_of(page) and f'href="/attachments/{picture.key}/"' in page.content.decode()
