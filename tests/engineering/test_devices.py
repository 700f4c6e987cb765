"""Devices and their secrets, by operations."""

from __future__ import annotations

from typing import Any

import pytest

from tests.factories import Plant, make_station, moment
from tests.refusals import refused
from trace.core.models import Device, Token
from trace.core.secrecy import device_digest, make_device_secret, secret_digest
from trace.engineering.operations import bind_device, end_device, issue_device, issue_token

pytestmark = pytest.mark.django_db


def issue(plant: Plant, minute: float = 0, **told: Any) -> Device:
    stations = [plant.test, plant.insertion, plant.test]
    digest = device_digest(make_device_secret())
    return plant.do(issue_device, minute, **{"key": "k-1", "name": "a", "stations": stations, "digest": digest, **told})


def test_a_device_is_issued_bound_issued_anew_and_ended() -> None:
    plant = Plant()
    device = issue(plant)
    assert (device.key, device.stations, device.bound) == ("K-1", ["INSERT", "TEST"], None)
    assert plant.do(bind_device, 2, device=device).bound == moment(2)
    again = issue(plant, 3, stations=[plant.final])
    assert (again.pk, again.stations, again.bound) == (device.pk, ["FINAL"], None) and again.digest != device.digest
    plant.do(end_device, 4, device=again)
    for operation in (end_device, bind_device):
        assert "ended at 2026-03-02 06:04 UTC" in str(refused(plant, "device-refused", operation, device=again))
    assert issue(plant, 5).ended is None


def test_what_can_not_be_is_refused() -> None:
    plant = Plant()
    old = make_station("OLD", retired=moment())
    digest = device_digest(make_device_secret())
    right = {"key": "K-1", "name": "a", "stations": [plant.test], "digest": digest}
    for wrong in ({"stations": []}, {"stations": [old]}, {"name": " "}, {"digest": "secret"}):
        refused(plant, "device-refused", issue_device, **{**right, **wrong})
    refused(plant, "bad-key", issue_device, **{**right, "key": "k 1"})
    token = {"person": plant.ann, "name": "bench", "digest": digest}
    refused(plant, "account-refused", issue_token, **token, stations=[old])
    assert not Token.objects.exists()


def test_a_secret_is_hard_to_guess_and_easy_to_copy() -> None:
    secret = make_device_secret()
    assert len(secret.split("-")) == 5 and not set(secret) & set("0O1I")
    assert device_digest(f" {secret.lower().replace('-', ' ')} ") == secret_digest(secret.replace("-", ""))
    assert make_device_secret() != secret
