"""People and tokens from the server's command line."""

from __future__ import annotations

import hashlib
import io
import sys

import pytest
from django.core.management import CommandError, call_command
from django.test import Client

from tests.factories import make_station
from trace.core.models import Badge, Device, Person, Token, User
from trace.core.secrecy import badge_digest, device_digest
from trace.ledger.models import Event

pytestmark = pytest.mark.django_db


def add(monkeypatch: pytest.MonkeyPatch, *arguments: str, password: str = "quillmoor-7\n") -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO(password))
    call_command("add_person", *arguments)


def test_the_first_administrator_of_a_plant_signs_in(monkeypatch: pytest.MonkeyPatch, client: Client, capsys) -> None:
    add(monkeypatch, "p-1", "Ada Planner", "--role", "administrator", "--account", "ada")
    assert capsys.readouterr().out == "P-1 Ada Planner: administrator.\n"
    signed_in = client.post("/sign-in/", {"username": "ada", "password": "quillmoor-7"})
    assert signed_in.status_code == 302 and client.get("/admin/").status_code == 200
    assert set(Event.objects.values_list("by__key", flat=True)) == {"COMMAND-LINE"}
    assert not Event.objects.filter(payload__contains="quillmoor-7").exists()


@pytest.mark.parametrize(
    ("arguments", "password", "why"),
    [
        (("P 1", "Ada"), "", "is not a key"),
        (("P-1", "Ada", "--account", "ada"), "short\n", "too short"),
        (("P-1", "Ada", "--account", "a b"), "quillmoor-7\n", "Username"),
    ],
)
def test_a_person_that_can_not_be_is_refused_whole(monkeypatch, arguments, password, why) -> None:
    with pytest.raises(CommandError, match=why):
        add(monkeypatch, *arguments, password=password)
    assert not User.objects.exists() and not Person.objects.filter(key="P-1").exists()


def test_a_token_is_printed_once_and_opens_the_api(monkeypatch: pytest.MonkeyPatch, client: Client, capsys) -> None:
    add(monkeypatch, "BT1", "Tester", "--machine", "--role", "operator")
    capsys.readouterr()
    call_command("issue_token", "bt1", "tester at BT1")
    secret = capsys.readouterr().out.strip()
    token = Token.objects.get()
    assert token.digest == hashlib.sha256(secret.encode()).hexdigest()
    assert not Event.objects.filter(payload__contains=secret).exists()
    assert client.get("/api/v1/lots/", headers={"Authorization": f"Bearer {secret}"}).status_code == 200
    with pytest.raises(CommandError, match="Nobody has the key NONE"):
        call_command("issue_token", "NONE", "x")


def test_a_badge_and_its_pin_are_asked_for(monkeypatch: pytest.MonkeyPatch, capsys) -> None:
    add(monkeypatch, "P-1", "Ada Planner", "--role", "operator")
    for line, why in (("BDG-1\n1234\n", "guessed at once"), ("\n8305\n", "empty"), ("BDG-1\n", "4 to 12 digits")):
        monkeypatch.setattr(sys, "stdin", io.StringIO(line))
        with pytest.raises(CommandError, match=why):
            call_command("issue_badge", "p-1")
    assert not Badge.objects.exists()
    capsys.readouterr()
    monkeypatch.setattr(sys, "stdin", io.StringIO("BDG-1\n8305\n"))
    call_command("issue_badge", "p-1")
    assert capsys.readouterr().out == "P-1 Ada Planner has this badge from now on.\n"
    assert Badge.objects.get().digest == badge_digest("BDG-1")
    with pytest.raises(CommandError, match="Nobody has the key NONE"):
        call_command("issue_badge", "NONE")


def test_a_devices_secret_is_printed_once_and_a_token_may_be_bound(capsys) -> None:
    make_station("WS1")
    call_command("issue_device", "kiosk-1", "screen at wave solder", "ws1")
    secret = capsys.readouterr().out.strip()
    device = Device.objects.get()
    assert (device.key, device.stations, device.digest) == ("KIOSK-1", ["WS1"], device_digest(secret))
    assert not Event.objects.filter(payload__contains=secret).exists()
    with pytest.raises(CommandError, match="no station NONE"):
        call_command("issue_device", "kiosk-1", "x", "NONE")
    call_command("add_person", "BT1", "Tester", "--machine", "--role", "operator")
    call_command("issue_token", "bt1", "tester", "--station", "WS1")
    assert Token.objects.get().stations == ["WS1"]
