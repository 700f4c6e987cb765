"""Set-ups are ended, verified and their first pieces decided on through the API as on the page."""

from __future__ import annotations

import pytest

from tests.factories import Plant
from trace.core.permissions import Role
from trace.engineering.models import Step
from trace.floor.operations.feeds import load_feed

pytestmark = pytest.mark.django_db


def test_a_bank_is_seen_a_first_piece_decided_and_a_set_up_ended(client_of) -> None:
    plant, handler, operator = Plant(), client_of([Role.HANDLER]), client_of([Role.OPERATOR])
    Step.objects.filter(part=plant.board, number=10).update(verification="another", first_piece=True)
    for slot, reel in ((plant.slot_r, plant.reel("REEL-R")), (plant.slot_c, plant.reel("REEL-C", plant.capacitor))):
        plant.do(load_feed, 1, feed=slot, container=reel)
    first, second = plant.boards(2)
    answer = operator.do("start_pass", unit=first.key, station="INSERT")
    assert answer.status_code == 409
    assert [code for code, *_ in answer.json()["extra"]["refusals"]] == ["set-up-not-verified"]
    for feed, container in (("SLOT-R", "REEL-R"), ("SLOT-C", "REEL-C")):
        assert handler.do("find_on_feed", feed=feed, container=container).json()["act"] == "sighting"
    assert operator.do("start_pass", unit=first.key, station="INSERT").status_code == 201
    assert operator.do("finish_pass", unit=first.key).status_code == 201
    answer = operator.do("start_pass", unit=second.key, station="INSERT")
    assert [code for code, *_ in answer.json()["extra"]["refusals"]] == ["first-piece-owed"]

    told = {"setup": "SETUP", "unit": first.key}
    assert operator.do("approve_first_piece", **told).status_code == 403
    technician = client_of([Role.TECHNICIAN])
    assert technician.do("reject_first_piece", reason="", **told).status_code in (400, 409)
    made = technician.do("approve_first_piece", **told)
    assert made.status_code == 201, made.json()
    assert made.json() | {"id": 0, "recorded": "", "happened": ""} == {
        "id": 0, "setup": "SETUP", "step": made.json()["step"], "unit": first.key, "approved": True, "reason": "",
        "happened": "", "by": technician.person.key, "recorded": "",
    }  # fmt: skip
    (listed,) = technician.get("/api/v1/first-pieces/").json()["results"]
    assert listed == made.json()
    assert operator.do("start_pass", unit=second.key, station="INSERT").status_code == 201
    assert handler.do("end_setup", setup="SETUP").json()["code"] == "setup-refused"
    assert operator.do("finish_pass", unit=second.key).status_code == 201
    ended = handler.do("end_setup", setup="SETUP", at="2026-03-02T07:30:00Z")
    assert ended.status_code == 201, ended.json()
    assert ended.json()["started"] == "2026-03-02T06:00:00Z" and ended.json()["by"] == "ANN"
