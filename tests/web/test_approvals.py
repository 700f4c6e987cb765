"""Deviations, signatures and files on pages."""

from __future__ import annotations

import re
from datetime import timedelta

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client

from tests.approvals.signing import deviation, quality, sign_as
from tests.web.conftest import Suspects, make_user
from trace.approvals import files
from trace.approvals.models import Attachment, Deviation, Signature
from trace.approvals.operations import attach_file
from trace.approvals.queries import verify_signature
from trace.core.clock import now, telling
from trace.core.permissions import Role
from trace.floor.operations.passes import start_pass
from trace.holds.models import Hold
from trace.holds.operations import release_hold
from trace.ledger.models import Event

pytestmark = pytest.mark.django_db

PASSWORD = "tin-plated-1"
SIGN = "/sign/deviation/DEV-1/"


@pytest.fixture
def quinn(client: Client, suspects: Suspects) -> Client:
    client.force_login(make_user("quinn", roles=[Role.QUALITY]))
    return client


def told(**more: str) -> dict[str, str]:
    return {"meaning": "approved", "username": "quinn", "password": PASSWORD, **more}


def test_11_200_a_first_signature_asks_for_both_components_the_next_of_the_session_for_one(quinn: Client) -> None:
    assert quinn.post(SIGN, told(username="")).status_code == 403
    assert quinn.post(SIGN, told(password="wrong")).status_code == 403
    assert quinn.post(SIGN, told(password="")).status_code == 403
    assert not Signature.objects.exists()
    assert quinn.post(SIGN, told()).headers["Location"] == "/deviations/DEV-1/"
    page = quinn.get("/sign/lot/K77/").content.decode()
    assert 'name="password"' in page and 'name="username"' not in page
    again = {"meaning": "reviewed", "password": PASSWORD}
    assert quinn.post("/sign/lot/K77/", {**again, "password": ""}).status_code == 403
    assert quinn.post("/sign/lot/K77/", again).status_code == 302
    assert [verify_signature(one).verdict for one in Signature.objects.all()] == ["valid", "valid"]
    with telling(now() + timedelta(minutes=16)):  # no longer one continuous period
        assert 'name="username"' in quinn.get(SIGN).content.decode()
    quinn.logout()
    quinn.force_login(Signature.objects.first().person.user)
    assert 'name="username"' in quinn.get(SIGN).content.decode()


def test_11_200_nobody_signs_with_the_account_of_another(quinn: Client) -> None:
    make_user("bo", roles=[Role.QUALITY])
    assert quinn.post(SIGN, told(username="bo")).status_code == 403
    assert not Signature.objects.exists()


def test_11_300_after_several_wrong_tries_even_the_right_password_has_to_wait(quinn: Client, settings) -> None:
    for _ in range(settings.AXES_FAILURE_LIMIT):
        answer = quinn.post(SIGN, told(password="wrong"))
    assert answer.status_code == 429 and "Wait a quarter of an hour" in answer.content.decode()
    assert quinn.post(SIGN, told()).status_code == 429
    assert not Signature.objects.exists()


def test_no_record_keeps_the_password(quinn: Client) -> None:
    quinn.post(SIGN, told())
    assert Event.objects.filter(verb="sign").exists()
    assert not Event.objects.filter(payload__contains=PASSWORD).exists()


def test_11_50_wherever_a_signed_thing_stands_its_signatures_do(quinn: Client, suspects: Suspects) -> None:
    plant = suspects.plant
    ann = quality("IDA")
    for thing, address in (
        (suspects.lot, "/lots/K77/"),
        (suspects.product, f"/units/{suspects.product.key}/"),
        (suspects.product.order, f"/orders/{suspects.product.order.key}/"),
        (plant.setup, "/set-ups/SETUP/"),
        (plant.board, "/parts/BOARD/"),
        (Deviation.objects.get(), "/deviations/DEV-1/"),
        (Attachment.objects.get(), None),
    ):
        sign_as(ann, thing, 45)
        kind = thing._meta.model_name
        for page in filter(None, (address, f"/sign/{kind}/{thing.key}/")):
            html = quinn.get(page).content.decode()
            assert "Ida" in html and "approval" in html and "2026-03-02 06:45" in html, page


def test_11_50_a_hold_says_who_signed_it(quinn: Client, suspects: Suspects) -> None:
    (hold,) = Hold.objects.all()
    assert f"/sign/hold/{hold.pk}/" in quinn.get("/lots/K77/").content.decode()
    assert quinn.post(f"/sign/hold/{hold.pk}/", told(meaning="reviewed")).status_code == 302
    for page in ("/", "/lots/K77/", f"/sign/hold/{hold.pk}/"):
        assert "U-Quinn" in quinn.get(page).content.decode() and "review" in quinn.get(page).content.decode(), page


def test_the_page_says_what_is_signed_and_who_signed_before(quinn: Client) -> None:
    page = quinn.get(SIGN).content.decode()
    assert "The tester is down." in page and "/parts/BOARD/" in page and "Nobody has signed it yet." in page
    assert quinn.get("/sign/supplier/ACME/").status_code == 409
    assert quinn.get("/sign/lot/NONE/").status_code == 404
    assert quinn.get("/sign/nothing/NONE/").status_code == 404
    assert quinn.get("/sign/user/1/").status_code == quinn.get("/attach/token/1/").status_code == 404
    assert quinn.post(SIGN, told(meaning="")).status_code == 409


def test_what_changed_while_it_was_read_is_not_signed(quinn: Client, suspects: Suspects) -> None:
    (hold,) = Hold.objects.all()
    address = f"/sign/hold/{hold.pk}/"
    (digest,) = re.findall(r'name="digest" value="(\w{64})"', quinn.get(address).content.decode())
    suspects.plant.do(release_hold, 50, hold=hold, reason="sorted")
    answer = quinn.post(address, told(digest=digest))
    assert answer.status_code == 409 and "changed while you read it" in answer.content.decode()
    (digest,) = re.findall(r'name="digest" value="(\w{64})"', answer.content.decode())
    assert quinn.post(address, told(digest=digest)).status_code == 302


def test_a_deviation_is_opened_approved_and_revoked_on_pages(quinn: Client, suspects: Suspects) -> None:
    form = {
        "key": "DEV-2", "rules": ["not-due"], "scope": "part:BOARD\n\n step:20", "reason": "No tester.",
        "expires": "2099-01-01T12:00", "most": "3",
    }  # fmt: skip
    refused = quinn.post("/deviations/open/", {**form, "most": "none"})
    assert refused.status_code == 409 and "No tester." in refused.content.decode()
    assert quinn.post("/deviations/open/", {**form, "expires": "soon"}).status_code == 409
    limited = quinn.post("/deviations/open/", {**form, "scope": "lot:K77"}).content.decode()
    assert "a deviation may be limited to a part, step, station or unit, not to “lot”" in limited
    assert "from not-due" not in limited
    assert quinn.post("/deviations/open/", form).headers["Location"] == "/deviations/DEV-2/"
    signed = quinn.get("/sign/deviation/DEV-2/").content.decode()
    assert "route is not done at this station" in signed and "step 20" in signed and "not-due" not in signed
    assert "not approved" in quinn.get("/deviations/DEV-2/").content.decode()
    sign_as(quality("IDA"), Deviation.objects.get(key="DEV-2"), 45)
    page = quinn.get("/deviations/DEV-2/").content.decode()
    assert "in force" in page and "approved by Ida" in page
    assert "1 deviation is in force" in quinn.get("/deviations/").content.decode()
    assert quinn.post("/deviations/DEV-2/revoke/", {"reason": ""}).status_code == 409
    assert quinn.post("/deviations/DEV-2/revoke/", {"reason": "It is mended."}).status_code == 302
    page = quinn.get("/deviations/DEV-2/").content.decode()
    assert "revoked" in page and "It is mended." in page
    assert quinn.get("/deviations/NONE/").status_code == 404
    assert quinn.get("/scan/?q=DEV-2").headers["Location"] == "/deviations/DEV-2/"


def test_a_file_is_attached_and_comes_back_as_it_was_and_only_to_be_kept(quinn: Client, suspects: Suspects) -> None:
    content = b"<script>alert(1)</script>"
    file = SimpleUploadedFile("../dir/r\u00e9port \u201c1\u201d.html", content, content_type="text/html")
    assert quinn.post("/attach/lot/K77/", {"file": file}).headers["Location"] == "/lots/K77/"
    it = Attachment.objects.latest("id")
    assert (it.name, it.size, it.by.key) == ("r\u00e9port \u201c1\u201d.html", len(content), "U-QUINN")
    answer = quinn.get(f"/attachments/{it.key}/")
    assert answer.content == content
    assert answer["Content-Disposition"].startswith("attachment; filename")
    assert answer["X-Content-Type-Options"] == "nosniff"
    assert answer["Content-Security-Policy"] == "default-src 'none'; sandbox"
    assert it.name in quinn.get("/lots/K77/").content.decode()
    file.seek(0)
    assert quinn.post("/attach/lot/K77/", {"file": file}).status_code == 409  # it has it already
    assert quinn.post("/attach/lot/K77/", {}).status_code == 409
    assert quinn.post("/attach/lot/NONE/", {}).status_code == 404


def test_an_altered_or_missing_file_is_told_in_a_sentence(quinn: Client, suspects: Suspects) -> None:
    stored = files.store([b"to be altered"])
    it = suspects.plant.do(attach_file, 43, subject=suspects.lot, sha256=stored.sha256, name="a.txt")
    path = files._path(stored.sha256)
    path.write_bytes(b"altered")
    answer = quinn.get(f"/attachments/{it.key}/")
    assert answer.status_code == 404 and "was altered since it was attached" in answer.content.decode()
    path.unlink()
    assert "is missing on this server" in quinn.get(f"/attachments/{it.key}/").content.decode()


def test_a_file_that_is_too_long_is_refused(quinn: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("trace.web.views.approvals.MOST", 3)
    file = SimpleUploadedFile("a.txt", b"long")
    answer = quinn.post("/attach/lot/K77/", {"file": file})
    assert answer.status_code == 413 and "up to 20 MB" in answer.content.decode()


def test_a_skipped_step_stands_on_the_units_page(quinn: Client, suspects: Suspects) -> None:
    plant = suspects.plant
    (board,) = plant.boards(1)
    deviation(plant, key="DEV-3")
    plant.do(start_pass, 10, unit=board, station=plant.test)
    page = quinn.get(f"/units/{board.key}/").content.decode()
    assert "skipped step" in page and "/deviations/DEV-3/" in page
    assert f"/units/{board.key}/" in quinn.get("/deviations/DEV-3/").content.decode()


NUL = "%00"


@pytest.mark.parametrize("page", [f"/sign/lot/{NUL}/", f"/attach/lot/K77{NUL}/", f"/attach/{NUL}/K77/"])
def test_what_no_database_takes_is_no_key(quinn: Client, page: str) -> None:
    assert quinn.get(page).status_code == 404


@pytest.mark.parametrize("username", ["quinn\0", "q" * 10_000])
def test_what_is_no_accounts_name_signs_nothing(quinn: Client, username: str) -> None:
    assert quinn.post(SIGN, told(username=username)).status_code == 400
    assert not Signature.objects.exists()
