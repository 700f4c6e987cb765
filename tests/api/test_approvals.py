"""Signing and files through the API."""

from __future__ import annotations

from itertools import count
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile

from tests.approvals.signing import deviation
from tests.factories import Plant, moment
from trace.approvals.models import Attachment, Signature
from trace.core.models import User
from trace.core.permissions import Role
from trace.engineering.operations import revise_part
from trace.ledger.models import Event

pytestmark = pytest.mark.django_db

_keys = count(1)


def sign(client: Any, **more: str) -> Any:
    body = {"kind": "lot", "key": "K77", "meaning": "approved", "username": "una", "password": "tin-plated-1", **more}
    headers = {"Idempotency-Key": f"sign-{next(_keys)}"}
    return client.post("/api/v1/signatures/sign/", body, format="json", headers=headers)


@pytest.fixture
def una(client_of) -> Any:
    client = client_of([Role.QUALITY])
    User.objects.create_user("una", password="tin-plated-1", person=client.person)
    return client


def test_11_200_a_signature_takes_account_and_password_besides_the_token(una) -> None:
    Plant().lot("K77")
    for wrong in ({"password": "wrong"}, {"username": "bo"}):
        answer = sign(una, **wrong)
        assert (answer.status_code, answer.json()["code"]) == (403, "wrong-credentials")
    assert sign(una, password="").status_code == 400
    assert not Signature.objects.exists()
    answer = sign(una)
    assert answer.status_code == 201, answer.json()
    said = answer.json()
    assert (said["name"], said["meaning"], said["target_key"]) == (una.person.name, "approved", "K77")
    assert "seal" not in said and "digest" not in said
    verdict = una.get(f"/api/v1/signatures/{said['id']}/verdict/").json()
    assert verdict == {"verdict": "valid", "sentence": "The record says what was signed."}
    assert una.get("/api/v1/signatures/999999/verdict/").status_code == 404
    assert not Event.objects.filter(payload__contains="tin-plated").exists()
    assert sign(una).json()["code"] == "sign-refused"
    assert sign(una, key="NONE").status_code == 404
    assert sign(una, kind="supplier").status_code == 400


def test_11_300_too_many_wrong_tries_are_told_as_a_problem(una, settings) -> None:
    Plant().lot("K77")
    for _ in range(settings.AXES_FAILURE_LIMIT):
        answer = sign(una, password="wrong")
    assert (answer.status_code, answer.json()["code"]) == (429, "must-wait")
    assert sign(una).status_code == 429


def test_a_draft_is_approved_by_signature_and_released_in_one_request(client_of) -> None:
    plant, pia = Plant(), client_of([Role.PLANNER])
    User.objects.create_user("pia", password="tin-plated-1", person=pia.person)
    draft = plant.do(revise_part, 10, part=plant.board, revision="B")
    body = {"part": draft.key, "username": "pia", "password": "tin-plated-1", "effective_serial": "SN-9"}
    body["at"] = moment(60).isoformat()

    def ask(once: str, **more: Any) -> Any:
        headers = {"Idempotency-Key": once}
        return pia.post("/api/v1/signatures/release/", {**body, **more}, format="json", headers=headers)

    assert ask("1", password="wrong").json()["code"] == "wrong-credentials"
    assert ask("2", digest="0" * 64).json()["code"] == "sign-refused"
    assert ask("3", effective_from="2030-01-01").json()["code"] == "revision-refused"
    unsigned = pia.do("release_revision", part=draft.key)
    assert (unsigned.status_code, unsigned.json()["code"]) == (409, "not-approved")
    assert "sign what it says now" in unsigned.json()["action"]
    assert not Signature.objects.exists(), "both or neither"
    first, again = ask("4"), ask("4")
    assert (first.status_code, first.json()["effective_serial"]) == (201, "SN-9"), first.json()
    assert again.json() == first.json()
    assert list(Event.objects.filter(by=pia.person).values_list("verb", flat=True)) == ["sign", "release_revision"]
    assert ask("5").json()["code"] == "sign-refused"
    other = client_of([Role.QUALITY])
    refused = other.post("/api/v1/signatures/release/", body, format="json", headers={"Idempotency-Key": "6"})
    assert refused.json()["code"] == "not-permitted"
    assert not Event.objects.filter(payload__contains="tin-plated").exists()


def test_who_may_not_sign_is_not_asked_for_a_password(client_of) -> None:
    Plant().lot("K77")
    assert sign(client_of([Role.OPERATOR])).json()["code"] == "not-permitted"


def test_a_file_is_attached_once_under_its_key(client_of) -> None:
    Plant().lot("K77")
    client = client_of([Role.HANDLER])

    def attach(once: str = "a-1", **more: Any) -> Any:
        file = SimpleUploadedFile("certificate.pdf", b"%PDF", content_type="application/pdf")
        body = {"kind": "lot", "key": "K77", "at": moment(60).isoformat(), "file": file, **more}
        return client.post("/api/v1/files/attachment/", body, format="multipart", headers={"Idempotency-Key": once})

    first, again = attach(), attach()
    assert (first.status_code, again.status_code) == (201, 201), first.json()
    assert first.json() == again.json() and first.json()["media_type"] == "application/pdf"
    assert Attachment.objects.count() == 1
    assert attach("a-2").json()["code"] == "attachment-refused"
    assert attach("a-3", key="NONE").status_code == 404
    assert client.post("/api/v1/files/attachment/", {}, format="multipart").status_code == 400
    auditor = client_of([Role.AUDITOR])
    assert auditor.post("/api/v1/files/attachment/", {}, format="multipart").status_code == 403


def test_a_deviation_is_opened_and_shown(client_of) -> None:
    plant = Plant()
    deviation(plant)
    client = client_of([Role.QUALITY])
    scope = ["part:BOARD", "step:20"]
    body = {"rules": ["not-due"], "scope": scope, "reason": "x", "expires": "2199-01-01T00:00:00Z", "most": 1}
    answer = client.do("open_deviation", key="DEV-5", **body)
    assert answer.status_code == 201, answer.json()
    for wrong in ("2999-01-01T00:00:00Z", "1969-01-01T00:00:00Z", "soon"):
        again = client.do("open_deviation", key="DEV-6", **{**body, "expires": wrong})
        assert list(again.json()["extra"]["fields"]) == ["expires"]
    shown = client.get("/api/v1/deviations/DEV-5/").json()
    assert (shown["scope"], shown["used"], shown["opened_by"]) == (scope, 0, client.person.key)
    assert len(client.get("/api/v1/signatures/").json()["results"]) == 1
